package lessons

import (
	"embed"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"

	"bluefringe/device/setup"
)

//go:embed files/*.toml
var files embed.FS

// Lesson is one lesson file.
type Lesson struct {
	Number  int    `toml:"number"` // its place in the list
	Name    string `toml:"name"`   // a word
	Title   string `toml:"title"`
	Teaches string `toml:"teaches"`
	Watch   string `toml:"watch"` // what to look out for
	Rule    string `toml:"rule"`  // the rule of thumb
	Fault   string `toml:"fault"` // the mistake that it is about, of package removal/lesson

	// How far from the target the thinnest place may end, in um; 20 nm or 2 % unless set.
	ToleranceUM float64 `toml:"tolerance_um"`

	Assistance string  `toml:"assistance"` // full, fringes or blind
	ContactS   float64 `toml:"contact_s"`  // when the pad comes down
	LongestS   float64 `toml:"longest_s"`
	Setup      string  `toml:"setup"` // text of a set-up file: what the trainee is told

	Hand   Hand   `toml:"hand"`
	Die    Die    `toml:"die"`
	Rate   Rate   `toml:"rate"`
	Vis    Eye    `toml:"vis"`
	NIR    Eye    `toml:"nir"` // no pixels: there is none
	Site   []Site `toml:"site"`
	Slurry []Veil `toml:"slurry"`
	Lost   []Veil `toml:"lost"` // lines that are lost

	Parsed setup.Setup `toml:"-"` // Setup as read
}

// Range is what a value is drawn from, evenly.
type Range [2]float64

// Hand is how long movements take, and how far the force may go. The pad comes off the
// die LiftS after the key; PersonS is what a person takes before.
type Hand struct {
	LiftS   float64 `toml:"lift_s"`
	PersonS float64 `toml:"person_s"`
	ForceN  Range   `toml:"force_n"`
}

// Die is the true die.
type Die struct {
	StartUM     Range   `toml:"start_um"`
	TiltUMPerMM Range   `toml:"tilt_um_per_mm"` // toward one of the four corners
	BowUMPerMM2 float64 `toml:"bow_um_per_mm2"`
	UnderNM     Range   `toml:"under_nm"` // of the first layer, beside what the set-up says
	Coverage    Range   `toml:"coverage"`
	SpreadNM    float64 `toml:"spread_nm"`
	RoughnessNM float64 `toml:"roughness_nm"`
}

// Rate is how the true removal rate departs from what the set-up lets expect.
type Rate struct {
	PrestonFactor Range   `toml:"preston_factor"`
	BreakIn       float64 `toml:"break_in"`
	BreakInS      float64 `toml:"break_in_s"`
	GlazingS      Range   `toml:"glazing_s"` // zero: none
	WanderSD      float64 `toml:"wander_sd"`
}

// Eye is a spectrometer.
type Eye struct {
	Pixels       int     `toml:"pixels"`
	FromNM       float64 `toml:"from_nm"`
	ToNM         float64 `toml:"to_nm"`
	ResolutionNM float64 `toml:"resolution_nm"`
	PerS         float64 `toml:"per_s"` // spectra a second, all sites together; of vis alone
	LampCounts   float64 `toml:"lamp_counts"`
	AgedLampK    float64 `toml:"aged_lamp_k"` // colour that the lamp takes after the reference, 0: none (3200 K before)
	FilmDepth    float64 `toml:"film_depth"`  // of the fringes of a film that comes on the window
	FilmNM       float64 `toml:"film_nm"`     // its optical thickness
	AgeFromS     float64 `toml:"age_from_s"`  // when these changes begin
	AgeOverS     float64 `toml:"age_over_s"`  // and how long they take; both 0: at once
}

// Site is a place that is looked at.
type Site struct {
	Name string  `toml:"name"`
	XMM  float64 `toml:"x_mm"`
	YMM  float64 `toml:"y_mm"`
}

// Veil is a stretch without sight, from when the thinnest site is down to AtUM.
type Veil struct {
	AtUM      Range   `toml:"at_um"`
	DurationS float64 `toml:"duration_s"`
}

// Kinds of assistance.
const (
	Full    = "full"    // everything is shown
	Fringes = "fringes" // spectrum and visibility, no number
	Blind   = "blind"   // spells without sight
)

// Assistances lists the kinds.
func Assistances() []string { return []string{Full, Fringes, Blind} }

// maxBytes bounds a lesson file, maxFiles their number in a folder.
const (
	maxBytes = 1 << 18
	maxFiles = 200
)

// Embedded returns the lessons that the program carries, in their order.
func Embedded() ([]Lesson, error) { return load(files, "files") }

// Folder returns the lessons of a folder, its files that end in .toml.
func Folder(folder string) ([]Lesson, error) {
	if _, err := os.ReadDir(folder); err != nil {
		return nil, err
	}
	list, err := load(os.DirFS(folder), ".")
	if err == nil && len(list) == 0 {
		err = fmt.Errorf("%s holds no lesson: files that end in .toml are allowed", folder)
	}
	return list, err
}

func load(from fs.FS, folder string) ([]Lesson, error) {
	names, err := fs.Glob(from, path.Join(folder, "*.toml"))
	if err != nil {
		return nil, err
	}
	if len(names) > maxFiles {
		return nil, fmt.Errorf("found %d lesson files: up to %d are allowed", len(names), maxFiles)
	}
	var list []Lesson
	for _, name := range names {
		data, err := read(from, name)
		if err != nil {
			return nil, err
		}
		l, err := Parse(path.Base(name), data)
		if err != nil {
			return nil, err
		}
		for _, other := range list {
			if other.Number == l.Number || strings.EqualFold(other.Name, l.Name) {
				return nil, fmt.Errorf("%s: lesson %d, %s, is there twice: each needs a number and a name of its own", name, l.Number, l.Name)
			}
		}
		list = append(list, l)
	}
	slices.SortFunc(list, func(a, b Lesson) int { return a.Number - b.Number })
	return list, nil
}

func read(from fs.FS, name string) ([]byte, error) {
	f, err := from.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxBytes+1))
}
