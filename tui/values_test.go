package tui

import (
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// Eight hours at ten points a second stay in constant memory, in order, with
// the newest at full resolution and no warning lost.
func TestHistoryOfAWholeShift(t *testing.T) {
	var h History
	const n = 8 * 3600 * 10
	for i := range n {
		p := Point{TimeS: float64(i) / 10, ThicknessUM: 800 - float64(i)/1000}
		if i == 12345 {
			p.Level = advice.Stop
		}
		h.Add(p)
	}
	if len(h.recent) != historyRecent || len(h.older) >= historyOlder || cap(h.older) > 2*historyOlder {
		t.Errorf("%d recent, %d older of capacity %d", len(h.recent), len(h.older), cap(h.older))
	}
	all := h.Points(nil, 0)
	if !slices.IsSortedFunc(all, func(a, b Point) int { return int(math.Copysign(1, a.TimeS-b.TimeS)) }) {
		t.Error("not in order")
	}
	last, widest, stops := all[len(all)-1], 0.0, 0
	for i, p := range all {
		if i > 0 {
			widest = max(widest, p.TimeS-all[i-1].TimeS)
		}
		if p.Level == advice.Stop {
			stops++
		}
		if want := 800 - p.TimeS/100; math.Abs(p.ThicknessUM-want) > 1e-9 {
			t.Fatalf("at %g s: %g µm, want %g", p.TimeS, p.ThicknessUM, want)
		}
	}
	if last.TimeS != float64(n-1)/10 || stops != 1 {
		t.Errorf("ends at %g s, %d stops", last.TimeS, stops)
	}
	if widest > 15 { // 128 points of 0.1 s
		t.Errorf("points %g s apart", widest)
	}
	recent := h.Points(nil, last.TimeS-60)
	if len(recent) != 601 {
		t.Errorf("%d points in the last minute", len(recent))
	}
}

// The point of any moment is found, in the part that keeps all and in the older one.
func TestHistoryAt(t *testing.T) {
	var h History
	if _, ok := h.At(1); ok || !math.IsNaN(h.Start()) {
		t.Error("an empty history has points")
	}
	const n = 5 * historyRecent
	for i := range n {
		h.Add(Point{TimeS: 100 + float64(i), ThicknessUM: float64(i)})
	}
	if _, ok := h.At(99); ok || !(h.Start() >= 100 && h.Start() < 108) { // the first few are one point by now
		t.Errorf("starts at %g s", h.Start())
	}
	for _, c := range []struct{ atS, within float64 }{{100 + n, 1}, {99 + n, 0}, {90.5 + n, 0.5}, {150, 8}, {3000, 8}, {h.Start(), 0}} {
		p, ok := h.At(c.atS)
		if !ok || p.TimeS > c.atS || c.atS-p.TimeS > c.within || p.ThicknessUM != p.TimeS-100 {
			t.Errorf("at %g s: %+v, %v", c.atS, p, ok)
		}
	}
	var none *History
	if _, ok := none.At(1); ok || !math.IsNaN(none.Start()) {
		t.Error("a missing history has points")
	}
}

// The log keeps the newest, bounded, and nothing that could disturb a terminal.
func TestLog(t *testing.T) {
	var l Log
	for i := range 3 * logEntries {
		l.Add(Entry{TimeS: float64(i), Kind: NoteMade, Text: "\x1b[2J" + strings.Repeat("µ", 2*logText)})
	}
	all := l.Entries(nil)
	if len(all) != logEntries || all[len(all)-1].TimeS != 3*logEntries-1 {
		t.Errorf("%d entries", len(all))
	}
	if text := all[0].Text; len(text) > logText || len(text) < logText-2 || strings.Trim(text, "µ") != "" {
		t.Errorf("%d bytes: %.20q", len(text), text)
	}
	if got := (*Log)(nil).Entries(nil); got != nil {
		t.Error("a missing log has entries")
	}
}

func TestHistoryStartsAgainWhenTimeGoesBack(t *testing.T) {
	var h History
	for i := range 3 * historyRecent {
		h.Add(Point{TimeS: float64(i)})
	}
	h.Add(Point{TimeS: 1})
	if got := h.Points(nil, math.Inf(-1)); len(got) != 1 || got[0].TimeS != 1 {
		t.Errorf("%d points", len(got))
	}
	if got := (*History)(nil).Points(nil, 0); got != nil {
		t.Error("a missing history has points")
	}
}

// Run with -race: the reader publishes while the screen draws.
func TestBoardAndHistoryBetweenGoroutines(t *testing.T) {
	var b Board
	s := live(300, 3.19)
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := range 500 {
			s.History.Add(Point{TimeS: 301 + float64(i)})
			s.Step.TimeS = 301 + float64(i)
			b.Publish(s)
		}
	})
	m := sized(New(&b, Options{Now: noon}), 120, 40)
	for range 20 {
		next, _ := m.Update(tickMsg{})
		m = next.(Model)
	}
	wg.Wait()
	if got := b.Latest().Step.TimeS; got != 800 {
		t.Errorf("newest step at %g s", got)
	}
}

func TestReading(t *testing.T) {
	s := many()
	r := read(&s, noon())
	// The forecast of the thinnest site is 2 s older than the newest step.
	want := s.Thinnest.ToTargetS.P50S - 2
	if r.site != "se" || r.thicknessUM != 2.361 || math.Abs(r.toTarget.P50S-want) > 1e-9 || r.predicted {
		t.Errorf("%+v, want target in %g s", r, want)
	}
	s.Step.Forecast.Contact = false // the pad is up: the time stands
	if r := read(&s, noon()); r.toTarget != s.Thinnest.ToTargetS {
		t.Errorf("lifted: %+v", r.toTarget)
	}

	s = live(300, 3.19)
	s.Step.Forecast.SinceGoodS = nan()
	if r := read(&s, noon()); !r.predicted {
		t.Error("never seen, but not predicted")
	}
	s = live(300, 3.19)
	s.Health.RateHz = 0.5 // a slow source is silent only after some periods
	s.Received = noon().Add(-3 * time.Second)
	if r := read(&s, noon()); r.silentS != 0 || r.goodAgeS != 3 {
		t.Errorf("slow source: silent %g s, good %g s ago", r.silentS, r.goodAgeS)
	}
	// Twelve seconds without a line, in which the engine went on: they count once.
	s.Received, s.Stepped = noon().Add(-12*time.Second), noon().Add(-time.Second/2)
	s.Step.Forecast.SinceGoodS = 11.5
	if r := read(&s, noon()); r.silentS != 12 || r.goodAgeS != 12 {
		t.Errorf("silent line: silent %g s, good %g s ago", r.silentS, r.goodAgeS)
	}
	s.Step.Forecast.SinceGoodS = 0
	s.State = Ended // the end of a run does not age
	if r := read(&s, noon()); r.goodAgeS != 0 {
		t.Errorf("ended: good %g s ago", r.goodAgeS)
	}
}

func TestFormats(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{thickness(2.1039), "2.104"}, {thickness(9.9996), "10.00"}, {thickness(45.678), "45.68"},
		{thickness(99.996), "100.0"}, {thickness(775), "775.0"}, {thickness(nan()), none}, {thickness(1e9), none},
		{plusMinus(0.004, 3), "±0.004"}, {plusMinus(0.0001, 3), "±<0.001"}, {plusMinus(nan(), 3), ""},
		{rate(0.58, 0.02), "0.58 ±0.02 µm/min"}, {rate(12.34, 0.4), "12.3 ±0.4 µm/min"}, {rate(140, 3), "140 ±3 µm/min"},
		{rate(0.021, 0.001), "0.021 ±0.001 µm/min"}, {rate(0.58, nan()), "0.58 µm/min"}, {rate(nan(), 1), none},
		{seconds(10.74), "10.7 s"}, {seconds(99.97), "1 min 40 s"}, {seconds(3599.7), "60 min 00 s"},
		{seconds(7500), "2 h 05 min"}, {seconds(math.Inf(1)), none},
		{interval(removal.Interval{P05S: 9.1, P50S: 10.7, P95S: 12.6}), "10.7 s (9.1–12.6)"},
		{interval(removal.Interval{P05S: 170, P50S: 200, P95S: 245}), "3 min 20 s (2:50–4:05)"},
		{interval(removal.Interval{P05S: 7200, P50S: 9000, P95S: 10800}), "2.5 h (2.0–3.0)"},
		{interval(removal.Interval{P05S: 9, P50S: 20, P95S: nan()}), "20.0 s (from 9.0 s)"},
		{interval(removal.Interval{P05S: 9, P50S: nan(), P95S: nan()}), "over 9.0 s"},
		{interval(removal.Interval{P05S: nan(), P50S: nan(), P95S: nan()}), none},
		{runTime(412.5), "06:52"}, {runTime(4012), "1:06:52"}, {runTime(nan()), "--:--"},
		{distance(-0.05, 2, ""), "0.050 µm PAST IT"}, {distance(nan(), 2, ""), none}, {distance(1, 0, "unset"), "unset"},
		{edges(512.4, 508), "512 nm, expect 508 nm"}, {edges(nan(), nan()), none}, {spread(0.011), "11 nm"},
		{clean("a\x1b[31mb\tc\u202e"), "ab c"}, {trim(0.5), "0.5"}, {trim(775), "775"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func TestPlainLine(t *testing.T) {
	s := preparing().Step
	want := " 412.5 s  site c  2.104 ±0.003 µm  good  rate 0.58 ±0.02 µm/min  target in 10.8 s (9.9–11.9)  " +
		"PREPARE: target in 10.8 s; the reaction time is 2.0 s"
	if got := PlainLine(s); got != want {
		t.Errorf("%q\nwant\n%q", got, want)
	}
	want = " 412.0 s  site c  predicted 2.108 ±0.021 µm  no spectrum  rate 0.58 ±0.02 µm/min  target in 11.2 s (7.8–15.1)  " +
		"BLIND: no trustworthy sight for 6.0 s; the floor could be reached in 38 s"
	if got := PlainLine(blind().Step); got != want {
		t.Errorf("%q\nwant\n%q", got, want)
	}
	if got := PlainLine(lost().Step); !strings.Contains(got, "predicted 2.108") || !strings.Contains(got, "lost") {
		t.Errorf("%q", got)
	}
	if got := PlainLine(many().Step); !strings.Contains(got, "(thinnest: site se, 2.361 µm)") {
		t.Errorf("%q", got)
	}
	v := nan()
	got := PlainLine(guide.Step{TimeS: v, Forecast: guide.Forecast{Site: "a\x1b[2J\nb", ThicknessUM: v, RateUMMin: v,
		ToTargetS: removal.Interval{P05S: v, P50S: v, P95S: v}}, Estimate: &guide.Estimate{Quality: estimate.Lost}})
	if want := "     – s  site a b  no thickness  lost  pad lifted  CONTINUE"; got != want {
		t.Errorf("%q\nwant\n%q", got, want)
	}
}

func TestPlainChooses(t *testing.T) {
	var p Plain
	for _, c := range []struct {
		timeS float64
		level advice.Level
		want  bool
	}{
		{10, advice.Continue, true}, // the first
		{10.5, advice.Continue, false},
		{11, advice.Continue, true}, // a second later
		{11.1, advice.Prepare, true},
		{11.2, advice.Prepare, false},
		{11.3, advice.Stop, true},
		{11.4, advice.Continue, true},
		{0.5, advice.Continue, true}, // another run
		{1.2, advice.Continue, false},
	} {
		if got := p.Wants(guide.Step{TimeS: c.timeS, Advice: guide.Advice{Level: c.level}}); got != c.want {
			t.Errorf("at %g s with %s: %v", c.timeS, c.level, got)
		}
	}
}

func TestAxis(t *testing.T) {
	ax := axis{lo: 400, hi: 1000, n: 61}
	for v, want := range map[float64]int{400: 0, 700: 30, 1000: 60} {
		if i, ok := ax.inside(v); !ok || i != want || ax.value(i) != v {
			t.Errorf("%g lies at %d, %v", v, i, ok)
		}
	}
	for _, v := range []float64{390, 1006, nan(), math.Inf(1)} {
		if _, ok := ax.inside(v); ok {
			t.Errorf("%g is inside", v)
		}
	}
	for _, bad := range []axis{{lo: 1, hi: 1, n: 5}, {lo: 0, hi: nan(), n: 5}, {lo: 0, hi: 1}, {lo: -1e308, hi: 1e308, n: 5}} {
		if _, ok := bad.place(0.5); ok {
			t.Errorf("%+v maps", bad)
		}
	}
	if at, d := (axis{lo: 0.11, hi: 0.52, n: 20}).ticks(5); d != 1 || !slices.EqualFunc(at, []float64{0.2, 0.3, 0.4, 0.5},
		func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }) {
		t.Errorf("ticks %v with %d decimals", at, d)
	}
	if at := clockTicks(axis{lo: 205, hi: 445, n: 80}, 5); !slices.Equal(at, []float64{240, 300, 360, 420}) {
		t.Errorf("clock ticks %v", at)
	}
}

// Dots land where the Unicode chart of Braille patterns (U+2800) has them.
func TestBrailleDots(t *testing.T) {
	for _, c := range []struct {
		x, y int
		want rune
	}{{0, 0, '⠁'}, {0, 1, '⠂'}, {0, 2, '⠄'}, {0, 3, '⡀'}, {1, 0, '⠈'}, {1, 1, '⠐'}, {1, 2, '⠠'}, {1, 3, '⢀'}} {
		var cv canvas
		cv.reset(1, 1)
		cv.all().dot(c.x, c.y, penPlain)
		if got := cv.cells[0].r; got != c.want {
			t.Errorf("dot %d,%d is %q, want %q", c.x, c.y, got, c.want)
		}
	}
}
