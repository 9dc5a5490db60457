package main

import (
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"
	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/guide"
)

// bookRun is a short invented run that began on a day, with the Preston coefficient that
// its truth lines and process lines give.
func bookRun(t *testing.T, day int, seed uint64) (text string, truePerPa float64) {
	t.Helper()
	cfg := simulate.Demo()
	cfg.Seed, cfg.SetupTOML = seed, ""
	cfg.Started = time.Date(2026, 5, day, 8, 0, 0, 0, time.UTC)
	cfg.Die.ThicknessUM, cfg.Instrument.Pixels, cfg.Instrument.SpectraPerS = 2.6, 200, 1
	cfg.Sites = cfg.Sites[:1]
	cfg.Stop.DurationS = 32
	var out strings.Builder
	var first, last event.Truth
	contactS := 0.0
	err := simulate.Run(t.Context(), cfg, func(body event.Body) error {
		switch b := body.(type) {
		case event.Truth:
			if first == (event.Truth{}) {
				first = b
			}
			last = b
		case event.Process:
			if b.Contact != nil && *b.Contact {
				contactS -= b.TimeS
			} else if b.TimeS > 1 {
				contactS += b.TimeS
			}
		}
		line, err := event.Append(nil, body)
		out.Write(append(line, '\n'))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if contactS < 0 {
		contactS += last.TimeS
	}
	pressurePa := cfg.Removal.ForceN / (math.Pi / 4 * cfg.Removal.PadMM * cfg.Removal.PadMM * 1e-6)
	return out.String(), (first.ThicknessUM - last.ThicknessUM) * 1e-6 / (pressurePa * cfg.Removal.SpeedMS * contactS * agedMean(contactS))
}

// bookSetup is the set-up of the runs, without a Preston coefficient.
func bookSetup(t *testing.T) string {
	text := regexp.MustCompile(`(?m)^preston.*\n`).ReplaceAllString(simulate.DemoSetup(), "")
	return writeFile(t, "die.toml", strings.Replace(text, "[process]", "[process]\npad = \"felt\"\nslurry = \" colloid  A\"", 1))
}

func TestWatchWritesAndReadsTheBook(t *testing.T) {
	set := bookSetup(t)
	book := filepath.Join(t.TempDir(), "folder", "book.sqlite")
	var texts []string
	for i := range 3 {
		text, truePerPa := bookRun(t, i+1, uint64(20+i))
		texts = append(texts, text)
		got := command(t, text, "watch", "--stdin", "--json", "--setup", set, "--rates", book)
		if got.code != exitDone || !strings.Contains(got.err, fmt.Sprintf("run %d added to the rate book", i+1)) {
			t.Fatalf("status %d: %s", got.code, got.err)
		}
		runs, err := readBook(t.Context(), book)
		if err != nil || len(runs) != i+1 {
			t.Fatalf("%d runs, %v", len(runs), err)
		}
		r := runs[i]
		if r.Pad != "felt" || r.Slurry != "colloid A" || r.Material != "silicon" || r.PadMM != 3 || r.SpeedMS != 0.25 || math.Abs(r.PressurePa-198059) > 1 {
			t.Errorf("got %+v", r)
		}
		// The truth wanders within the run, so that its ends weigh a little differently.
		if math.Abs(r.PrestonPerPa/truePerPa-1) > 0.03 {
			t.Errorf("learnt %.4g 1/Pa, truth %.4g 1/Pa", r.PrestonPerPa, truePerPa)
		}
	}

	// The same run once more: no second entry.
	again := command(t, texts[1], "watch", "--stdin", "--json", "--setup", set, "--rates", book)
	if !strings.Contains(again.err, "run 2 brought up to date") || !strings.Contains(again.err, "rate from 1 run of") {
		t.Errorf("the same run again: %s", again.err)
	}

	// The next run begins with what these taught; its record tells so and replays the
	// same without the book, and with it, though its own run is in there by now.
	next, _ := bookRun(t, 9, 30)
	record := filepath.Join(t.TempDir(), "record.jsonl")
	live := command(t, next, "watch", "--stdin", "--json", "--setup", set, "--rates", book, "--record", record)
	notice := regexp.MustCompile(`rate from 3 runs of the rate book: \S+ 1/Pa.*`).FindString(live.err)
	if notice == "" {
		t.Fatalf("no word of a prior: %s", live.err)
	}
	for name, args := range map[string][]string{"alone": nil, "with the book": {"--rates", book}} {
		got := command(t, "", append([]string{"replay", record, "--json"}, args...)...)
		if got.code != exitDone || got.out != live.out || !strings.Contains(got.err, notice) {
			t.Errorf("replay %s differs from the watch: status %d: %s", name, got.code, got.err)
		}
	}
	without := command(t, next, "watch", "--stdin", "--json", "--setup", set, "--rates", "none")
	if without.out == live.out || strings.Contains(without.err, "rate book") {
		t.Errorf("the prior changed nothing, or none is not none: %s", without.err)
	}

	// The first run of all has no earlier one, and no other book may be guessed.
	first := writeFile(t, "first.jsonl", texts[0])
	got := command(t, "", "replay", first, "--json", "--setup", set, "--rates", book)
	if strings.Contains(got.err, "rate from") || !strings.Contains(got.err, "no earlier run") {
		t.Errorf("the first run knows more than it can: %s", got.err)
	}
	if got := command(t, "", "replay", first, "--json", "--rates", book+"x"); got.code != exitUsage {
		t.Errorf("a book that is not there: status %d: %s", got.code, got.err)
	}
	undated := writeFile(t, "undated.jsonl", regexp.MustCompile(`"started":"[^"]*",`).ReplaceAllString(next, ""))
	if got := command(t, "", "replay", undated, "--json", "--setup", set, "--rates", book); !strings.Contains(got.err, "does not say when") {
		t.Errorf("a record without a date: %s", got.err)
	}
	if runs, _ := readBook(t.Context(), book); len(runs) != 4 {
		t.Errorf("%d runs: a replay or the flag none added one", len(runs))
	}
}

// Whatever is wrong with the book, the watch says what it says without it.
func TestBookNeverStopsAWatch(t *testing.T) {
	text, _ := bookRun(t, 1, 20)
	set := bookSetup(t)
	want := command(t, text, "watch", "--stdin", "--json", "--setup", set, "--rates", "none")
	foreign := writeFile(t, "notes.txt", strings.Repeat("no book at all\n", 100))
	for name, book := range map[string]string{"a folder": t.TempDir(), "another file": foreign} {
		got := command(t, text, "watch", "--stdin", "--json", "--setup", set, "--rates", book)
		if got.code != exitDone || got.out != want.out || !strings.Contains(got.err, "not added: rate book "+book) {
			t.Errorf("%s: status %d: %s", name, got.code, got.err)
		}
	}
}

// The demonstration and a run without a process teach nothing.
func TestWhatIsNotAdded(t *testing.T) {
	book := filepath.Join(t.TempDir(), "book.sqlite")
	text, _ := bookRun(t, 1, 20)
	bare := regexp.MustCompile(`,"force_n":[0-9.]+`).ReplaceAllString(text, "")
	got := command(t, bare, "watch", "--stdin", "--json", "--rates", book)
	if got.code != exitDone || !strings.Contains(got.err, "not added to the rate book: force, pad or speed is not known") {
		t.Errorf("no force: status %d: %s", got.code, got.err)
	}
	if got := command(t, "", "watch", "--demo", "--json", "--rates", book); got.code != exitUsage {
		t.Errorf("--demo with --rates: status %d", got.code)
	}
	if _, err := os.Stat(book); err == nil {
		t.Error("a book was made for nothing")
	}
}

// A stream may bring its own prior; the numbers have bounds.
func TestPriorLine(t *testing.T) {
	for line, ok := range map[string]bool{
		`{"type":"prior","preston_per_pa":2.4e-13,"preston_rel_sd":0.2,"runs":[1,7]}`:                          true,
		`{"type":"prior","preston_per_pa":2.4e-13,"preston_rel_sd":0.2,"runs":[],"few_runs":1.1,"relaxed":[]}`: true, // of rates prior --json
		`{"type":"prior","preston_per_pa":1,"preston_rel_sd":0.2}`:                                             false,
		`{"type":"prior","preston_per_pa":2.4e-13,"preston_rel_sd":0}`:                                         false,
		`{"type":"prior","preston_per_pa":2.4e-13}`:                                                            false,
	} {
		if _, err := event.Decode([]byte(line)); (err == nil) != ok {
			t.Errorf("%s: %v", line, err)
		}
	}
}

// polish gives a learner readings at one site every second from 10 µm on, with the pad
// coming down at 10 s and perS telling how fast silicon goes; P·v is 50 kPa·m/s.
func polish(l *rateLearner, seconds int, perS func(contactS float64) float64, noise func() float64) {
	set := setup.Default()
	set.Process.ForceN, set.Process.PadMM, set.Process.SpeedMS = 1.4137166941154069, 3, 0.25 // 200 kPa
	l.open(set)
	down := true
	um := 10.0
	for t := range seconds {
		if t == 10 {
			l.change(event.Process{TimeS: 10, Contact: &down})
		}
		if t > 10 {
			um -= perS(float64(t) - 10.5)
		}
		l.step(guide.Step{TimeS: float64(t), Estimate: &guide.Estimate{Site: "c", Quality: estimate.Good, ThicknessUM: um + noise(), SDUM: 0.004}})
	}
}

// agedMean is what a pad is expected to remove in the mean over its first seconds, over
// what it does broken in and not yet glazed.
func agedMean(contactS float64) float64 {
	const steps = 10000
	sum := 0.0
	for i := range steps {
		sum += removal.Ageing{}.Factor(contactS * (float64(i) + 0.5) / steps)
	}
	return sum / steps
}

func TestLearner(t *testing.T) {
	const perPa = 2e-13 // 10 nm/s at 50 kPa·m/s
	steady := func(float64) float64 { return perPa * 50e3 * 1e6 }
	none := func() float64 { return 0 }

	asExpected := func(contactS float64) float64 { return steady(0) * removal.Ageing{}.Factor(contactS) }

	l := newRateLearner()
	polish(l, 300, asExpected, none)
	r, err := l.run()
	if err != nil || math.Abs(r.PrestonPerPa/perPa-1) > 1e-9 || math.Abs(r.PressurePa-200e3) > 1e-6 {
		t.Errorf("got %+v, %v", r, err)
	}
	// From the third reading at the start to the third before the end.
	if want := math.Hypot(0.004, 0.004) / r.RemovedUM; math.Abs(r.PrestonRelSD/want-1) > 1e-9 || math.Abs(r.RemovedUM-2.85*agedMean(285)) > 0.05 {
		t.Errorf("removed %g um, relative sd %g, want %g", r.RemovedUM, r.PrestonRelSD, want)
	}
	l = newRateLearner()
	polish(l, 300, steady, none)
	if r, err := l.run(); err != nil || !math.IsNaN(r.GlazingS) {
		t.Errorf("a steady rate glazes with %g s", r.GlazingS)
	}

	// Two readings of a wrong fringe order at each end.
	l = newRateLearner()
	n := -1
	polish(l, 300, asExpected, func() float64 {
		if n++; n == 10 || n == 13 || n >= 298 {
			return 0.13
		}
		return 0
	})
	if r, err := l.run(); err != nil || math.Abs(r.PrestonPerPa/perPa-1) > 0.01 {
		t.Errorf("with outliers: %.4g 1/Pa, %v", r.PrestonPerPa, err)
	}

	for name, c := range map[string]struct {
		seconds int
		perS    func(float64) float64
		says    string
	}{
		"short":     {18, steady, "10 good readings"},
		"grows":     {300, func(float64) float64 { return -0.001 }, "no silicon was removed"},
		"unclear":   {300, func(float64) float64 { return 3e-5 }, "known within"},
		"no pad":    {5, steady, "no site"},
		"not moved": {300, func(float64) float64 { return 0 }, "no silicon was removed"},
	} {
		l := newRateLearner()
		polish(l, c.seconds, c.perS, none)
		if r, err := l.run(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
}

// A pad that glazes is told with its time constant, a rate that only wanders is not.
func TestGlazing(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	noise := func() float64 { return 0.002 * rng.NormFloat64() }
	l := newRateLearner()
	polish(l, 600, func(s float64) float64 { return 0.01 * math.Exp(-s/300) }, noise)
	if r, err := l.run(); err != nil || math.Abs(r.GlazingS/300-1) > 0.1 {
		t.Errorf("glazing %g s, %v", r.GlazingS, err)
	}
	const runs = 200
	told := 0
	for range runs {
		ln := 0.0
		l := newRateLearner()
		polish(l, 600, func(float64) float64 { ln += 0.007 * rng.NormFloat64(); return 0.005 * math.Exp(ln) }, noise)
		if r, err := l.run(); err != nil {
			t.Fatal(err)
		} else if !math.IsNaN(r.GlazingS) {
			told++
		}
	}
	// Three standard deviations to one side: 0.13 %, more where the scatter is small.
	if told > runs/50 {
		t.Errorf("%d of %d wandering rates pass for a glazing pad", told, runs)
	}
}

// What a learner keeps does not grow with the run.
func TestLearnerIsBounded(t *testing.T) {
	l := newRateLearner()
	polish(l, 20000, func(float64) float64 { return 1e-4 }, func() float64 { return 0 })
	s := l.sites["c"]
	if len(s.first) > endReadings || len(s.newest) > endReadings || cap(s.newest) > 4*endReadings || len(s.spread) > spreadReadings {
		t.Errorf("%d, %d (%d), %d readings kept", len(s.first), len(s.newest), cap(s.newest), len(s.spread))
	}
	for i := 1; i < len(s.spread); i++ {
		if gap := s.spread[i].contactS - s.spread[i-1].contactS; i > 3 && gap != float64(s.stride) {
			t.Fatalf("reading %d is %g s after the one before, the stride is %d", i, gap, s.stride)
		}
	}
	for i := range 2 * learnedSites {
		l.step(guide.Step{TimeS: 2e4, Estimate: &guide.Estimate{Site: fmt.Sprint(i), Quality: estimate.Good, ThicknessUM: 1, SDUM: 1}})
	}
	if len(l.sites) != learnedSites {
		t.Errorf("%d sites", len(l.sites))
	}
}

// A book that another program holds is waited for, but not long.
func TestLockedBook(t *testing.T) {
	path := rateFile(t, inventedRuns())
	release := lockBook(t, path)
	began := time.Now()
	_, err := readBook(t.Context(), path)
	release()
	if err == nil || time.Since(began) > 5*bookWait {
		t.Errorf("after %v: %v", time.Since(began), err)
	}
	if runs, err := readBook(t.Context(), path); err != nil || len(runs) != 4 {
		t.Errorf("then: %d runs, %v", len(runs), err)
	}
}

// lockBook holds the book as a writer until release.
func lockBook(t *testing.T, path string) (release func()) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?_txlock=immediate")
	if err != nil {
		t.Fatal(err)
	}
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	return func() { tx.Rollback(); db.Close() }
}
