package device

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bluefringe/device/codec"
	"bluefringe/device/event"
)

const settle = 60 * time.Millisecond

var began = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// spectrumFile writes a file of two columns as it stands after a run: whole, with
// its time in seconds after began.
func spectrumFile(t *testing.T, folder, name, text string, timeS float64) {
	t.Helper()
	path := filepath.Join(folder, name)
	write(t, path, os.O_CREATE|os.O_TRUNC, text)
	at := began.Add(time.Duration(timeS * float64(time.Second)))
	if err := os.Chtimes(path, at, at); err != nil {
		t.Fatal(err)
	}
}

func twoColumns(value int) string { return fmt.Sprintf("400,%d\n500,%d\n", value, value+1) }

func spectrumLine(timeS float64, value int) string {
	return fmt.Sprintf(`{"type":"spectrum","time_s":%g,"channel":"vis","counts":[%d,%d]}`, timeS, value, value+1)
}

const runLine = `{"type":"run","format":1,"channels":{"vis":{"wavelength_nm":[400,500]}}}`

func newFolder(path string, change func(*FolderConfig)) Source {
	config := FolderConfig{Spectra: codec.Spectra{Channel: "vis"}, Settle: settle}
	if change != nil {
		change(&config)
	}
	return Folder(path, config, nil)
}

func runFolder(t *testing.T, src Source) (*sink, func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	got := newSink()
	done := start(ctx, src, got.emit)
	return got, func() {
		t.Helper()
		cancel()
		if err := result(t, done); err != context.Canceled {
			t.Errorf("got %v", err)
		}
	}
}

// What is there comes in the order of its times, whatever its names; then what comes
// later; each file once; other files never.
func TestFolder(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "spectra")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	spectrumFile(t, folder, "b.txt", twoColumns(1), 10)
	spectrumFile(t, folder, "a.txt", twoColumns(2), 11.5)
	spectrumFile(t, folder, "z.txt", "400;9\n500;5,5\n", 10.5)
	spectrumFile(t, folder, "notes.csv", "hello", 9)
	spectrumFile(t, folder, ".hidden.txt", twoColumns(3), 9)
	spectrumFile(t, folder, "old.txt~", twoColumns(3), 9)
	if err := os.Mkdir(filepath.Join(folder, "folder.txt"), 0o700); err != nil {
		t.Fatal(err)
	}
	got, stop := runFolder(t, newFolder(folder, func(c *FolderConfig) { c.Pattern = "*.txt" }))
	want := []string{runLine, spectrumLine(0, 1), "!" + filepath.Join(folder, "z.txt") + ": line 2: not a line of numbers", spectrumLine(1.5, 2)}
	if lines := got.await(t, 4); !slices.EqualFunc(lines, want, strings.HasPrefix) {
		t.Errorf("got %q", lines)
	}
	spectrumFile(t, folder, "c.txt", twoColumns(4), 12)
	spectrumFile(t, folder, "z.txt", twoColumns(5), 13) // the bad one, mended
	spectrumFile(t, folder, "d.txt", "400,1\n500,2\n600,3\n", 14)
	spectrumFile(t, folder, "e.txt", "400,1\n501,2\n", 15)
	want = []string{spectrumLine(2, 4), spectrumLine(3, 5), "!" + filepath.Join(folder, "d.txt") + ": not a table of spectra: its wavelengths", "!" + filepath.Join(folder, "e.txt")}
	if lines := got.await(t, 8); !slices.EqualFunc(lines[4:], want, strings.HasPrefix) {
		t.Errorf("got %q", lines[4:])
	}
	time.Sleep(3 * settle) // nothing comes twice
	if lines := got.all(); len(lines) != 8 {
		t.Errorf("got %q", lines[8:])
	}
	stop()
}

// A file that is still being written waits until it has stayed as it is.
func TestFolderHalfWritten(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	spectrumFile(t, folder, "first.txt", twoColumns(1), 0)
	got, stop := runFolder(t, newFolder(folder, func(c *FolderConfig) { c.Settle = 4 * settle }))
	got.await(t, 2)
	text := twoColumns(10)
	path := filepath.Join(folder, "second.txt")
	for i := range len(text) {
		write(t, path, os.O_CREATE|os.O_APPEND, text[i:i+1])
		time.Sleep(settle / 2)
		if i < len(text)-1 && len(got.all()) != 2 {
			t.Fatalf("after %d bytes: got %q", i+1, got.all())
		}
	}
	if lines := got.await(t, 3); !strings.HasSuffix(lines[2], `"counts":[10,11]}`) {
		t.Errorf("got %q", lines)
	}
	stop()
}

// An old spectrum is never shown as a new one: neither a copy of an old file, nor
// one from a clock that was set back, nor one copied twice.
func TestFolderClockBack(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	spectrumFile(t, folder, "1.txt", twoColumns(1), 0)
	spectrumFile(t, folder, "2.txt", twoColumns(2), 100)
	got, stop := runFolder(t, newFolder(folder, nil))
	got.await(t, 3)
	spectrumFile(t, folder, "3.txt", twoColumns(3), 40)
	spectrumFile(t, folder, "copy of 2.txt", twoColumns(2), 100)
	lines := got.await(t, 5)
	if !has(lines, "3.txt: time does not go on: found 40 s behind 100 s") || !has(lines, "copy of 2.txt: time does not go on: found the spectrum of 100 s a second time") {
		t.Errorf("got %q", lines)
	}
	spectrumFile(t, folder, "4.txt", twoColumns(4), 101)
	if lines := got.await(t, 6); lines[5] != spectrumLine(101, 4) {
		t.Errorf("got %q", lines)
	}
	stop()
}

func TestFolderTimeFromName(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	spectrumFile(t, folder, "run7_010.txt", twoColumns(3), 0)
	spectrumFile(t, folder, "run7_009.txt", twoColumns(2), 1)
	spectrumFile(t, folder, "run7_2.50.txt", twoColumns(1), 2)
	spectrumFile(t, folder, "none.txt", twoColumns(4), 3)
	got, stop := runFolder(t, newFolder(folder, func(c *FolderConfig) { c.NameStepS = 0.5 }))
	lines := got.await(t, 5)
	if want := []string{runLine, spectrumLine(1.25, 1), spectrumLine(4.5, 2), spectrumLine(5, 3)}; !slices.Equal(lines[1:], want) {
		t.Errorf("got %q", lines)
	}
	if !strings.Contains(lines[0], "none.txt: time does not go on: its name holds no number") {
		t.Errorf("got %q", lines[0])
	}
	stop()
}

func TestNumberIn(t *testing.T) {
	for name, want := range map[string]float64{
		"12.txt": 12, "a12.5.txt": 12.5, "a0012": 12, "run3_s12b.csv": 12, "v1.2.3.txt": 2.3, ".5.txt": 5, "a.12.x": 12,
		"2026-03-02.txt": 2, "x": math.NaN(), "": math.NaN(), "x.7": math.NaN(), strings.Repeat("9", 400) + ".txt": math.NaN(),
	} {
		if got := numberIn(name); got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Errorf("%q: got %g, want %g", name, got, want)
		}
	}
}

// A folder that comes later is waited for; one that cannot be read ends the run.
func TestFolderComesLater(t *testing.T) {
	t.Parallel()
	folder := filepath.Join(t.TempDir(), "later")
	waiting := make(chan string, 2)
	got, stop := runFolder(t, Folder(folder, FolderConfig{Spectra: codec.Spectra{Channel: "vis"}, Settle: settle}, func(text string) { waiting <- text }))
	if said := <-waiting; !strings.Contains(said, folder) {
		t.Errorf("notice %q", said)
	}
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	spectrumFile(t, folder, "a.txt", twoColumns(1), 0)
	got.await(t, 2)
	stop()

	file := filepath.Join(t.TempDir(), "file")
	write(t, file, os.O_CREATE, "")
	if err := newFolder(file, nil).Run(context.Background(), got.emit); err == nil {
		t.Error("a file was taken for a folder")
	}
	if err := newFolder(folder, func(c *FolderConfig) { c.Pattern = "[" }).Run(context.Background(), got.emit); err == nil {
		t.Error("a bad pattern was taken")
	}
}

// A table grows in a followed file: rows that were there have no time of their own
// and are told, those that come are dated by the clock.
func TestFollowWide(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "wide.csv")
	write(t, path, os.O_CREATE, "400,500\n1,2\n")
	table, err := codec.NewWide(codec.Spectra{Channel: "vis", ClockS: func() float64 { return 7 }})
	if err != nil {
		t.Fatal(err)
	}
	got, stop := runFolder(t, Follow(path, table, nil))
	got.await(t, 2)
	write(t, path, os.O_APPEND, "3,4\n5,")
	want := []string{runLine, "!time does not go on: found 1 rows", `{"type":"spectrum","time_s":7,"channel":"vis","counts":[3,4]}`}
	if lines := got.await(t, 3); !slices.EqualFunc(lines, want, strings.HasPrefix) {
		t.Errorf("got %q", lines)
	}
	stop()

	write(t, path, os.O_TRUNC, "wavelength,400\n1,2\n")
	table, _ = codec.NewWide(codec.Spectra{Channel: "vis", ClockS: func() float64 { return 7 }})
	err = Follow(path, table, nil).Run(context.Background(), newSink().emit)
	if err == nil || !strings.Contains(err.Error(), path+": first row") {
		t.Errorf("got %v", err)
	}
}

// Without a watcher, polling alone finds what is new.
func TestFollowPolls(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "run.jsonl")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	got := newSink()
	src := &followSource{path: path, notice: func(string) {}}
	done := make(chan error, 1)
	go func() { done <- src.follow(ctx, folder{stop: func() {}}, got.emit) }()
	for n := range 2 {
		write(t, path, os.O_APPEND, note(n)+"\n")
		got.await(t, n+1)
	}
	cancel()
	if err := result(t, done); err != context.Canceled {
		t.Errorf("got %v", err)
	}
}

// What a folder gives is what event.Decode takes.
func TestFolderLinesAreEvents(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	spectrumFile(t, folder, "a.txt", "400,0.25\n500,0.5\n", 0)
	got, stop := runFolder(t, newFolder(folder, func(c *FolderConfig) { c.Spectra.Reflectance = true; c.Spectra.Site = "ne" }))
	e, err := event.Decode([]byte(got.await(t, 2)[1]))
	if s, ok := e.Body.(event.Spectrum); err != nil || !ok || s.Site != "ne" || !slices.Equal(s.Reflectance, event.Values{0.25, 0.5}) {
		t.Errorf("got %+v, %v", e.Body, err)
	}
	stop()
}
