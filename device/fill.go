package device

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"bluefringe/device/codec"
	"bluefringe/device/event"
)

// maxFolderFiles bounds the names that a Folder remembers.
const maxFolderFiles = 1 << 20

// FolderConfig says how a folder of spectra is read.
type FolderConfig struct {
	Spectra codec.Spectra // ClockS is not used
	Pattern string        // of names, as in path/filepath.Match; "" means all
	// Settle is how long a file must stay unchanged before it is read; 0 means half a
	// second.
	Settle time.Duration
	// NameStepS, when not 0, takes the time of a spectrum from the last whole or
	// decimal number in its file's name, times these seconds. Else the time is that of
	// the file's last change, counted from the first file's.
	NameStepS float64
}

// Folder reads spectra from a folder that fills with one file of two columns each
// (codec.Pairs), first those that are there, in the order of their times, then the
// new ones until ctx is done. Hidden files, names that end in '~' and .tmp, .part or
// .partial files are passed over. The first good file gives the wavelengths, and
// goes before as a run line. A file is used once; one that cannot be used becomes a
// Line with an error, and is tried again only when it changes. A folder that does
// not exist is waited for; notice, when not nil, is then told in the goroutine of
// Run. The folder is looked through at half the settling time: network drives do
// not tell of changes.
func Folder(path string, config FolderConfig, notice func(text string)) Source {
	if config.Settle <= 0 {
		config.Settle = 500 * time.Millisecond
	}
	if notice == nil {
		notice = func(string) {}
	}
	return &folderSource{FolderConfig: config, path: path, notice: notice, series: codec.NewSeries(config.Spectra), files: map[string]*candidate{}}
}

type folderSource struct {
	FolderConfig
	path   string
	notice func(string)
	series *codec.Series
	files  map[string]*candidate // by name; nil for one that is used
	startS float64               // time of the first file on its own clock
}

// candidate is a file that is not used yet.
type candidate struct {
	name     string
	size     int64
	modified time.Time
	since    time.Time // when it was first seen like this
	refused  bool      // as it is
	timeS    float64
}

func (s *folderSource) Name() string { return s.path }

func (s *folderSource) Run(ctx context.Context, emit func(Line) error) error {
	if _, err := filepath.Match(s.Pattern, "x"); err != nil {
		return fmt.Errorf("folder %s: found the pattern %.40q: %w", s.path, s.Pattern, err)
	}
	told := false
	for {
		entries, err := os.ReadDir(s.path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			if !told {
				told = true
				s.notice(fmt.Sprintf("waiting for %s: it does not exist yet", s.path))
			}
		case err != nil:
			return err
		default:
			if err := s.look(ctx, entries, emit); err != nil {
				return err
			}
		}
		if err := sleep(ctx, s.Settle/2); err != nil {
			return err
		}
	}
}

// look uses the files that have settled.
func (s *folderSource) look(ctx context.Context, entries []fs.DirEntry, emit func(Line) error) error {
	now := time.Now()
	var ready []*candidate
	for _, entry := range entries {
		if !s.wants(entry) {
			continue
		}
		c, err := s.candidate(entry, now)
		if err != nil {
			return err
		}
		if c != nil && !c.refused && now.Sub(c.since) >= s.Settle {
			ready = append(ready, c)
		}
	}
	for _, c := range ready {
		c.timeS = s.time(c)
	}
	slices.SortFunc(ready, func(a, b *candidate) int {
		return cmp.Or(cmp.Compare(a.timeS, b.timeS), cmp.Compare(a.name, b.name))
	})
	for _, c := range ready {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := s.use(c, emit); err != nil {
			return err
		}
	}
	return nil
}

func (s *folderSource) wants(entry fs.DirEntry) bool {
	name := entry.Name()
	if !entry.Type().IsRegular() || strings.HasPrefix(name, ".") || strings.HasSuffix(name, "~") {
		return false
	}
	switch strings.ToLower(filepath.Ext(name)) {
	case ".tmp", ".part", ".partial":
		return false
	}
	fits, _ := filepath.Match(s.Pattern, name) // checked by Run
	return fits || s.Pattern == ""
}

// candidate returns what is known of a file, nil for one that is used or gone.
func (s *folderSource) candidate(entry fs.DirEntry, now time.Time) (*candidate, error) {
	c, known := s.files[entry.Name()]
	if known && c == nil {
		return nil, nil
	}
	info, err := entry.Info()
	if err != nil {
		return nil, nil // it went away since it was listed
	}
	if !known {
		if len(s.files) >= maxFolderFiles {
			return nil, fmt.Errorf("folder %s: found more than %d files: begin a new folder", s.path, maxFolderFiles)
		}
		c = &candidate{name: entry.Name()}
		s.files[c.name] = c
	}
	if !known || c.size != info.Size() || !c.modified.Equal(info.ModTime()) {
		c.size, c.modified, c.since, c.refused = info.Size(), info.ModTime(), now, false
	}
	return c, nil
}

// time is a file's time on its own clock, NaN when its name holds none.
func (s *folderSource) time(c *candidate) float64 {
	if s.NameStepS != 0 {
		return numberIn(c.name) * s.NameStepS
	}
	return float64(c.modified.UnixNano()) / 1e9
}

// use reads one file. What is wrong with it is its own fault, not the folder's.
func (s *folderSource) use(c *candidate, emit func(Line) error) error {
	lines, err := s.read(c)
	if err != nil {
		c.refused = true
		return emit(Line{Err: fmt.Errorf("%s: %w", filepath.Join(s.path, c.name), err)})
	}
	s.files[c.name] = nil
	for _, line := range lines {
		if err := emit(Line{Text: line}); err != nil {
			return err
		}
	}
	return nil
}

// read returns the event lines of a file.
func (s *folderSource) read(c *candidate) ([][]byte, error) {
	if math.IsNaN(c.timeS) {
		return nil, fmt.Errorf("%w: its name holds no number to take the time from", codec.ErrOrder)
	}
	f, err := os.Open(filepath.Join(s.path, c.name))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, event.MaxLineBytes+1))
	if err != nil {
		return nil, err
	}
	wavelengthNM, values, err := codec.Pairs(text)
	if err != nil {
		return nil, err
	}
	var lines [][]byte
	opened, same := s.series.Holds(wavelengthNM)
	switch {
	case opened && !same:
		return nil, fmt.Errorf("%w: its wavelengths are not those of the files before it", codec.ErrTable)
	case !opened:
		run, err := s.series.Open(wavelengthNM)
		if err != nil {
			return nil, err
		}
		if s.NameStepS == 0 {
			s.startS = c.timeS
		}
		lines = append(lines, run)
	}
	spectrum, err := s.series.Line(c.timeS-s.startS, values)
	if err != nil {
		return nil, err
	}
	return append(lines, spectrum), nil
}

// numberIn returns the last number in a file's name, without its extension: digits,
// and a point with digits behind it. NaN when there is none.
func numberIn(name string) float64 {
	stem := strings.TrimSuffix(name, filepath.Ext(name))
	isDigit := func(i int) bool { return i >= 0 && i < len(stem) && '0' <= stem[i] && stem[i] <= '9' }
	end := len(stem)
	for end > 0 && !isDigit(end-1) {
		end--
	}
	start := end
	for isDigit(start - 1) {
		start--
	}
	if start > 0 && stem[start-1] == '.' && isDigit(start-2) {
		for start--; isDigit(start - 1); start-- {
		}
	}
	v, err := strconv.ParseFloat(stem[start:end], 64)
	if err != nil {
		return math.NaN()
	}
	return v
}
