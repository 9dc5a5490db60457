package tui

import (
	"io"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"
	"github.com/muesli/termenv"
	"pgregory.net/rapid"

	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// drawn are states, sizes, options and keys as they may come in any order.
type drawn struct{ t *rapid.T }

// number is any number an estimate may hold, with those that do not exist.
func (d drawn) number(name string, lo, hi float64) float64 {
	return rapid.OneOf(rapid.Float64Range(lo, hi), rapid.Float64Range(lo, hi), rapid.Float64Range(lo, hi),
		rapid.SampledFrom([]float64{math.NaN(), 0, math.Inf(1), -1, 1e300})).Draw(d.t, name)
}

func (d drawn) interval(name string) removal.Interval {
	p50 := d.number(name, 0, 5000)
	return removal.Interval{P05S: p50 * 0.9, P50S: p50, P95S: rapid.SampledFrom([]float64{p50 * 1.2, math.Inf(1)}).Draw(d.t, name)}
}

// text is what an instrument or a file may send: wide, combining and control
// characters among it.
func (d drawn) text(name string) string {
	s := rapid.OneOf(rapid.StringN(0, 60, -1), rapid.SampledFrom([]string{"", "c", "漢字の場所", "e\u0301\u0301", "\x1b[2J", "👩\u200d👩\u200d👧", strings.Repeat("long ", 80)})).Draw(d.t, name)
	return strings.NewReplacer("%", "", "NaN", "", "Inf", "").Replace(s) // the words that must not come from a number
}

func (d drawn) forecast(site string) guide.Forecast {
	return guide.Forecast{TimeS: d.number("forecastS", 0, 1e5), Site: site, ThicknessUM: d.number("forecastUM", 0.1, 800), SDUM: d.number("sd", 0, 1),
		RateUMMin: d.number("rate", 0, 50), RateSDUMMin: d.number("rateSD", 0, 5), ToTargetS: d.interval("left"), ToFloorS: d.interval("floor"),
		SinceGoodS: d.number("since", 0, 100), Contact: rapid.Bool().Draw(d.t, "contact"), Undecided: rapid.Bool().Draw(d.t, "undecided")}
}

func (d drawn) estimate(site string) *guide.Estimate {
	um := rapid.Float64Range(0.1, 20).Draw(d.t, "um")
	e := &guide.Estimate{TimeS: d.number("estimateS", 0, 1e5), Site: site, Channel: d.text("channel"),
		Quality: estimate.Quality(rapid.IntRange(-1, 5).Draw(d.t, "quality")), ThicknessUM: d.number("estimateUM", 0.1, 800), SDUM: d.number("esd", 0, 1),
		SpreadUM: d.number("spread", 0, 1), EdgeNM: d.number("edge", 400, 1000), AbsorptionUM: d.number("absorption", 0, 10),
		AbsorptionSDUM: d.number("absorptionSD", 0, 1), Reason: d.text("reason"), Picture: picture(um, rapid.IntRange(2, 64).Draw(d.t, "pixels"), rapid.Bool().Draw(d.t, "fitted"))}
	e.Budget = estimate.Budget{FitUM: d.number("fit", 0, 1), TableUM: d.number("table", 0, 1)}
	for range rapid.IntRange(0, 5).Draw(d.t, "orders") {
		e.Candidates = append(e.Candidates, estimate.Candidate{ThicknessUM: d.number("order", 0, 800), Weight: d.number("weight", 0, 1)})
	}
	return e
}

func (d drawn) snapshot() Snapshot {
	s := Snapshot{Job: d.text("job"), Source: d.text("source"), State: State(rapid.IntRange(0, 4).Draw(d.t, "state")), StateText: d.text("stateText"),
		TargetUM: d.number("target", 0, 10), FloorUM: d.number("floor", 0, 10), StartThicknessUM: d.number("start", 0, 800),
		History: &History{}, Album: &Album{}, Log: &Log{}, Recording: d.text("recording"),
		Received: noon().Add(-time.Duration(rapid.IntRange(0, 20000).Draw(d.t, "age")) * time.Millisecond)}
	if rapid.Bool().Draw(d.t, "recordFails") {
		s.RecordError = d.text("recordError")
	}
	timeS, um := rapid.Float64Range(0, 1e5).Draw(d.t, "timeS"), rapid.Float64Range(0.1, 800).Draw(d.t, "atUM")
	for i := range rapid.IntRange(0, 40).Draw(d.t, "points") {
		s.History.Add(Point{TimeS: timeS - 40 + float64(i), ThicknessUM: d.number("pointUM", um, um+1), EdgeNM: d.number("pointEdge", 400, 1000),
			ToTargetS: d.interval("pointLeft"), Level: advice.Level(rapid.IntRange(-1, 4).Draw(d.t, "pointLevel"))})
	}
	names := []string{"c"}
	for range rapid.IntRange(0, 9).Draw(d.t, "sites") {
		names = append(names, d.text("site"))
	}
	for _, name := range names {
		one := Site{Name: name, XMM: d.number("x", -10, 10), YMM: d.number("y", -10, 10), ThicknessUM: d.number("siteUM", 0.1, 800), SDUM: d.number("siteSD", 0, 1),
			TimeS: d.number("siteS", 0, 1e5), Quality: estimate.Quality(rapid.IntRange(0, 3).Draw(d.t, "siteQuality")), Forecast: d.forecast(name), History: s.History}
		if rapid.Bool().Draw(d.t, "siteSeen") {
			one.Estimate = d.estimate(name)
			s.Album.Add(one.Estimate)
		}
		s.Sites = append(s.Sites, one)
	}
	site := rapid.SampledFrom(names).Draw(d.t, "thinnest")
	s.Step = guide.Step{TimeS: timeS, Forecast: d.forecast(site), Advice: guide.Advice{TimeS: timeS, Level: advice.Level(rapid.IntRange(-1, 4).Draw(d.t, "level")),
		Reason: d.text("why"), ThinnestUM: d.number("thinnestUM", 0.1, 800), Site: site, NextStretchS: d.number("stretch", 1, 500)}}
	if rapid.Bool().Draw(d.t, "seen") {
		s.Step.Estimate = d.estimate(site)
		s.Estimate = s.Step.Estimate
		if rapid.Bool().Draw(d.t, "contradicted") {
			s.Step.Disagreement = &guide.Disagreement{Channel: d.text("other"), ThicknessUM: d.number("otherUM", 0, 800), SDUM: d.number("otherSD", 0, 1)}
		}
	}
	for i := range rapid.IntRange(0, 12).Draw(d.t, "entries") {
		s.Log.Add(Entry{TimeS: timeS - float64(20-i), Kind: EntryKind(rapid.IntRange(0, 4).Draw(d.t, "kind")), Text: d.text("entry")})
	}
	s.Health = Health{Spectra: rapid.IntRange(0, 1e9).Draw(d.t, "spectra"), BadLines: rapid.IntRange(0, 1e9).Draw(d.t, "bad"), RateHz: d.number("hz", 0, 1000), LastFault: d.text("fault")}
	return s
}

func (d drawn) options() Options {
	r := lipgloss.NewRenderer(io.Discard)
	r.SetColorProfile(rapid.SampledFrom([]termenv.Profile{termenv.Ascii, termenv.ANSI, termenv.ANSI256, termenv.TrueColor}).Draw(d.t, "profile"))
	o := full()
	o.Renderer, o.Now = r, noon
	o.Light, o.Contrast = rapid.Bool().Draw(d.t, "light"), rapid.Bool().Draw(d.t, "contrast")
	o.ASCII, o.Quiet = rapid.Bool().Draw(d.t, "ascii"), rapid.Bool().Draw(d.t, "quiet")
	return o
}

func (d drawn) key() tea.KeyMsg {
	name := rapid.SampledFrom([]string{"space", "left", "right", "pgup", "pgdown", "home", "end", "+", "-", "f", "s", "tab", "n", "a", "b", "c", "?", "q",
		"esc", "enter", "backspace", "x", "漢", "e\u0301", "ctrl+c", "ctrl+z", "y"}).Draw(d.t, "key")
	return keyMsg(name)
}

// Whatever comes in, whatever was pressed and however the terminal is resized, the
// frame has as many lines as the terminal, none is wider, and every line is valid
// text without control characters.
func TestPropertyFramesFit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawn{t}
		var b Board
		b.Publish(d.snapshot())
		o := d.options()
		m := New(&b, o)
		for range rapid.IntRange(1, 3).Draw(t, "resizes") {
			w, h := rapid.IntRange(20, 250).Draw(t, "w"), rapid.IntRange(5, 80).Draw(t, "h")
			m = sized(m, w, h)
			for range rapid.IntRange(0, 6).Draw(t, "keys") {
				next, _ := m.Update(d.key())
				m = next.(Model)
				inFrame(t, m.View(), w, h, o.ASCII)
			}
			if rapid.Bool().Draw(t, "news") {
				b.Publish(d.snapshot())
				m = ticked(m)
			}
			inFrame(t, m.View(), w, h, o.ASCII)
		}
	})
}

// inFrame is fits for property tests.
func inFrame(t *rapid.T, view string, w, h int, ascii bool) {
	lines := strings.Split(view, "\n")
	if len(lines) != h {
		t.Fatalf("%dx%d: %d lines", w, h, len(lines))
	}
	for i, line := range lines {
		if got := lipgloss.Width(line); got > w {
			t.Fatalf("%dx%d: line %d is %d wide: %q", w, h, i, got, line)
		}
		if !utf8.ValidString(line) {
			t.Fatalf("%dx%d: line %d: %q", w, h, i, line)
		}
		for _, r := range line {
			if r < ' ' && r != '\x1b' || r >= 0x7f && r < 0xa0 || ascii && r > '~' {
				t.Fatalf("%dx%d: %U in line %d: %q", w, h, r, i, line)
			}
		}
	}
	for _, word := range []string{"NaN", "Inf", "%!"} {
		if strings.Contains(view, word) {
			t.Fatalf("%q on the screen:\n%s", word, view)
		}
	}
}

// The axes hold what they are given, whatever comes, and change only when they
// must.
func TestPropertySettledAxes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var r settled
		for range rapid.IntRange(1, 20).Draw(t, "frames") {
			a, b := rapid.Float64Range(-1e3, 1e3).Draw(t, "a"), rapid.Float64Range(-1e3, 1e3).Draw(t, "b")
			wantLo, wantHi := widen(min(a, b), max(a, b), 5)
			was := r
			lo, hi := r.settle(wantLo, wantHi, false)
			if lo > wantLo || hi < wantHi {
				t.Fatalf("%g to %g does not hold %g to %g", lo, hi, wantLo, wantHi)
			}
			if hi-lo > 2.5*(wantHi-wantLo)+1e-9 {
				t.Fatalf("%g to %g wastes room on %g to %g", lo, hi, wantLo, wantHi)
			}
			if got, _ := r.settle(lo, hi, false); got != lo {
				t.Fatal("the same data move the axis")
			}
			if was.any {
				if lo, hi := was.settle(wantLo, wantHi, true); lo != was.lo || hi != was.hi {
					t.Fatal("a fixed axis moved")
				}
			}
		}
	})
}

// An album stays bounded, in order, and gives the newest picture of a site that is
// not later than the moment asked for.
func TestPropertyAlbum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a Album
		sites := rapid.IntRange(1, 600).Draw(t, "sites")
		n := rapid.IntRange(1, 1200).Draw(t, "estimates")
		pixels := rapid.IntRange(1, 3).Draw(t, "pixels") * 4096
		wide := make([]float64, pixels)
		for i := range n {
			a.Add(&guide.Estimate{TimeS: float64(i), Site: string(rune('A' + i%sites)), Picture: guide.Picture{Reflectance: wide}})
		}
		if len(a.kept) > albumEstimates || a.numbers > albumNumbers {
			t.Fatalf("%d estimates, %d numbers", len(a.kept), a.numbers)
		}
		for i, e := range a.kept {
			if i > 0 && e.TimeS <= a.kept[i-1].TimeS {
				t.Fatal("not in order")
			}
		}
		if e := a.At(float64(n), ""); e == nil || e.TimeS != float64(n-1) {
			t.Fatalf("the newest is %+v", e)
		}
		at := rapid.Float64Range(0, float64(n)).Draw(t, "at")
		site := string(rune('A' + rapid.IntRange(0, sites-1).Draw(t, "site")))
		if e := a.At(at, site); e != nil && (e.TimeS > at || e.Site != site) {
			t.Fatalf("at %g of %s: %g of %s", at, site, e.TimeS, e.Site)
		}
	})
}
