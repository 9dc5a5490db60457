package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/ratebook"
	"bluefringe/device/record"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"
	"bluefringe/tui"
)

// withoutTimes is the text of a record without the recorder's times of receipt.
func withoutTimes(text string) string {
	var out strings.Builder
	for line := range strings.Lines(text) {
		if !strings.HasPrefix(line, `{"type":"received"`) {
			out.WriteString(line)
		}
	}
	return out.String()
}

// Compressed records are read like others; a finished watch makes one.
func TestCompressedRecords(t *testing.T) {
	text, _ := bookRun(t, 1, 20)
	record := filepath.Join(t.TempDir(), "run.jsonl")
	live := command(t, text, "watch", "--stdin", "--json", "--rates", "none", "--record", record, "--compress")
	if live.code != exitDone || !strings.Contains(live.err, "compressed to "+record+".zst") {
		t.Fatalf("status %d: %s", live.code, live.err)
	}
	if _, err := os.Stat(record); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the record is still there: %v", err)
	}
	replayed := command(t, "", "replay", record+".zst", "--json")
	if replayed.code != exitDone || replayed.out != live.out {
		t.Errorf("replay: status %d: %s", replayed.code, replayed.err)
	}
	if got := command(t, "", "measure", record+".zst", "--json"); got.code != exitDone || got.out == "" {
		t.Errorf("measure: status %d: %s", got.code, got.err)
	}
	for name, args := range map[string][]string{
		"not overwritten":   {"--record", record, "--compress"},
		"--record is":       {"--compress"},
		"no record":         {"--record", record + "x", "--append"},
		"its run is over":   {"--record", record + ".zst", "--append"},
		"exists already":    {"--record", record + ".zst"},
		"--serial or --std": {"--demo", "--record", record, "--append"},
	} {
		if args[0] != "--demo" {
			args = append(args, "--stdin")
		}
		if got := command(t, text, append([]string{"watch", "--json"}, args...)...); got.code != exitUsage || !strings.Contains(got.err, name) {
			t.Errorf("%v: status %d: %s", args, got.code, got.err)
		}
	}
}

// A watch that broke off in mid-line is gone on with: the record keeps every byte, the
// second watch knows dark, reference and process of the first, and advises.
func TestAppend(t *testing.T) {
	text, _ := bookRun(t, 1, 20)
	lines := strings.SplitAfter(text, "\n")
	half := len(lines) / 2
	record := filepath.Join(t.TempDir(), "run.jsonl")
	set := bookSetup(t)
	first := command(t, strings.Join(lines[:half], ""), "watch", "--stdin", "--json", "--rates", "none", "--setup", set, "--record", record)
	if first.code != exitDone {
		t.Fatal(first.err)
	}
	const torn = `{"type":"spectrum","time_s":1`
	f, err := os.OpenFile(record, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(f, torn); err != nil {
		t.Fatal(err)
	}
	f.Close()
	before, _ := os.ReadFile(record)

	second := command(t, strings.Join(lines[half:], ""), "watch", "--stdin", "--json", "--rates", "none", "--setup", set, "--record", record, "--append")
	if second.code != exitDone || !regexp.MustCompile(`going on with .*run.jsonl: \d+ whole lines in it, and 29 bytes of a torn one`).MatchString(second.err) {
		t.Fatalf("status %d: %s", second.code, second.err)
	}
	if strings.Contains(second.err, "refused by calibration: ") && !strings.Contains(second.err, "refused by calibration: 0") {
		t.Errorf("dark or reference were forgotten: %s", second.err)
	}
	said := parse(t, second.out)
	last := said.forecasts[len(said.forecasts)-1]
	if last.ThicknessUM == nil || last.RateUMMin == nil || *last.RateUMMin < 0.1 {
		t.Errorf("the second watch does not know the process: %+v", last)
	}
	after, _ := os.ReadFile(record)
	if !bytes.HasPrefix(after, append(before, '\n')) {
		t.Error("what was recorded has changed")
	}
	whole := strings.Replace(withoutTimes(string(after)), torn+"\n", "", 1)
	if i := strings.Index(whole, `{"type":"setup"`); i < 0 {
		t.Error("no set-up in the record")
	} else {
		end := i + strings.IndexByte(whole[i:], '\n') + 1
		whole = whole[:i] + whole[end:]
	}
	if whole != text {
		t.Errorf("both watches together recorded %d bytes of %d", len(whole), len(text))
	}
	if got := command(t, "", "replay", record, "--json"); got.code != exitDone || !strings.Contains(got.err, "1 not valid") {
		t.Errorf("replay: status %d: %s", got.code, got.err)
	}
	if got := command(t, "", "watch", "--stdin", "--json", "--record", record, "--append"); got.code != exitUsage || !strings.Contains(got.err, "is over") {
		t.Errorf("a run that is over: status %d: %s", got.code, got.err)
	}
}

// fullDisk takes so many bytes and then no more.
type fullDisk struct{ room int }

func (d *fullDisk) Write(p []byte) (int, error) {
	n := min(len(p), d.room)
	d.room -= n
	if n < len(p) {
		return n, errors.New("no room left")
	}
	return n, nil
}
func (*fullDisk) Sync() error  { return nil }
func (*fullDisk) Close() error { return nil }

// When the disk is full, the watch says what it says otherwise, and loudly that it is
// not recorded.
func TestFullDiskStopsNoWatch(t *testing.T) {
	text, _ := bookRun(t, 1, 20)
	want := command(t, text, "watch", "--stdin", "--json", "--rates", "none")
	var out, talk bytes.Buffer
	s := &session{source: device.Reader("test", strings.NewReader(text)), lossless: true, recorder: record.To("run.jsonl", &fullDisk{10000})}
	s.sink = newJSONSink(streams{out: &out, err: &talk}, false)
	if err := s.run(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	flags := recordFlags{path: "run.jsonl"}
	if err := flags.close(t.Context(), s.recorder, &talk); err == nil {
		t.Error("the end of the record tells no error")
	}
	if out.String() != want.out {
		t.Error("the full disk changed what the watch says")
	}
	for _, says := range []string{"NOT RECORDED: run.jsonl: no room left", " lines\n"} {
		if !strings.Contains(talk.String(), says) {
			t.Errorf("%q is not told: %s", says, talk.String())
		}
	}
}

// longRun gives run, dark, reference and process of an invented run, and then its spectra
// of a die that hardly gets thinner, over and over with times that go on.
type longRun struct {
	head, spectra []string
	count         int
	at            func() // called early, in the middle and at the end
}

func (*longRun) Name() string { return "eight hours" }

func (l *longRun) Run(_ context.Context, emit func(device.Line) error) error {
	for _, line := range l.head {
		if err := emit(device.Line{Text: []byte(line)}); err != nil {
			return err
		}
	}
	for i := range l.count {
		line := strings.Replace(l.spectra[i%len(l.spectra)], "TIME", strconv.FormatFloat(10+float64(i)/10, 'f', 1, 64), 1)
		if i%opticsEvery != 0 {
			line = strings.Replace(line, `"vis"`, `"uv"`, 1)
		}
		if err := emit(device.Line{Text: []byte(line)}); err != nil {
			return err
		}
		if i == l.count/100 || i == l.count/2 || i == l.count-1 {
			l.at()
		}
	}
	return nil
}

func newLongRun(b *testing.B, count int) *longRun {
	l := &longRun{count: count}
	cfg := simulate.Demo()
	cfg.SetupTOML, cfg.Sites = "", cfg.Sites[:1]
	cfg.Die.ThicknessUM, cfg.Instrument.Pixels, cfg.Instrument.SpectraPerS = 2.2, 64, 10
	cfg.Removal.PrestonFactor, cfg.Stop.DurationS = 1e-3, 30
	clock := regexp.MustCompile(`"time_s":[0-9.]+`)
	err := simulate.Run(b.Context(), cfg, func(body event.Body) error {
		line, err := event.Append(nil, body)
		switch body.(type) {
		case event.Spectrum:
			l.spectra = append(l.spectra, clock.ReplaceAllString(string(line), `"time_s":TIME`))
		case event.Run, event.Dark, event.Reference, event.Process:
			l.head = append(l.head, string(line))
		}
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return l
}

// opticsEvery: so rarely a spectrum of longRun comes from the channel that the run
// knows; the others are refused, since the optics take nearly all the time.
const opticsEvery = 16

// BenchmarkEightHours is a run of 8 hours at 10 spectra a second, as fast as it goes,
// with what the screen keeps, the recorder and the rate book's side: nothing may grow.
func BenchmarkEightHours(b *testing.B) {
	const spectra = 8 * 3600 * 10
	for b.Loop() {
		var heap []float64
		source := newLongRun(b, spectra)
		source.at = func() {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			heap = append(heap, float64(m.HeapAlloc)/1e6)
		}
		set, err := setup.Parse("bench", []byte(simulate.DemoSetup()))
		if err != nil {
			b.Fatal(err)
		}
		s := &session{source: source, lossless: true, setup: &set, digest: ratebook.NewDigest(), learner: newRateLearner()}
		flags := recordFlags{path: filepath.Join(b.TempDir(), "run.jsonl")}
		closeRecord, err := flags.open(b.Context(), &from{stdin: true}, s, io.Discard)
		if err != nil {
			b.Fatal(err)
		}
		board := newBoardSink(new(tui.Board), s, false)
		s.sink = board
		began := time.Now()
		if err := errors.Join(s.run(context.Background(), nil), closeRecord()); err != nil {
			b.Fatal(err)
		}
		if s.counts.spectra != spectra || s.counts.refused != spectra-spectra/opticsEvery {
			b.Fatalf("got %+v", s.counts)
		}
		b.ReportMetric(spectra/time.Since(began).Seconds(), "spectra/s")
		for i, name := range []string{"early", "middle", "end"} {
			b.ReportMetric(heap[i], "MB_"+name)
		}
	}
}
