package tui

import (
	"fmt"
	"math"
	"os"
	"testing"
	"time"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"
	"github.com/muesli/termenv"

	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// The fixtures are drawings, not physics: an invented job, and a two-beam
// cosine fringe whose visibility falls with the absorption of silicon (a few
// rounded values, from memory). They look like a die being thinned.

// The test binary is its own child in TestNoQuestionToASilentTerminal: all
// packages are initialised by the time it prints.
const (
	childVariable = "BLUEFRINGE_TUI_CHILD"
	started       = "child started"
)

func TestMain(m *testing.M) {
	if os.Getenv(childVariable) != "" {
		fmt.Println(started)
		os.Exit(0)
	}
	lipgloss.SetColorProfile(termenv.Ascii)
	os.Exit(m.Run())
}

// noon is the wall time of all fixtures.
func noon() time.Time { return time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) }

func nan() float64 { return math.NaN() }

// siliconish returns a rounded index and absorption per µm at a wavelength.
func siliconish(nm float64) (n, perUM float64) {
	grid := []float64{400, 500, 600, 700, 800, 900, 1000}
	n = at(grid, []float64{5.57, 4.29, 3.95, 3.78, 3.69, 3.63, 3.57}, nm)
	logs := at(grid, []float64{2.25, 0.095, -0.89, -1.66, -2.47, -3.49, -5.05}, nm)
	return n, math.Exp(logs)
}

// picture makes the evidence for a thickness; noise is a fixed ripple.
func picture(um float64, pixels int, fitted bool) guide.Picture {
	p := guide.Picture{EdgeExpectedNM: nan(), EdgeThreshold: 0.05}
	visibility := func(nm float64) float64 {
		_, a := siliconish(nm)
		return 0.42 * math.Exp(-a*um)
	}
	for i := range pixels {
		nm := 400 + 600*float64(i)/float64(pixels-1)
		n, _ := siliconish(nm)
		base := math.Pow((n-1)/(n+1), 2)
		r := base * (1 + visibility(nm)*math.Cos(4*math.Pi*n*um*1000/nm))
		noise := 0.004 * math.Sin(float64(i)*12.9898) * math.Cos(float64(i*i%97))
		p.WavelengthNM = append(p.WavelengthNM, nm)
		p.Reflectance = append(p.Reflectance, r+noise)
		if fitted {
			p.Model = append(p.Model, r)
		}
	}
	for nm := 410.0; nm <= 990; nm += 10 {
		v := visibility(nm)
		p.VisibilityNM = append(p.VisibilityNM, nm)
		p.Visibility = append(p.Visibility, v*(1+0.06*math.Sin(nm)))
		p.VisibilityExpected = append(p.VisibilityExpected, v)
		if math.IsNaN(p.EdgeExpectedNM) && v >= p.EdgeThreshold {
			p.EdgeExpectedNM = nm
		}
	}
	return p
}

// live is a good reading at a time and thickness of an ordinary run: target
// 2 µm, floor 1.5 µm, 0.58 µm/min.
func live(timeS, um float64) Snapshot {
	pic := picture(um, 512, true)
	forecast := guide.Forecast{
		TimeS: timeS, Site: "c", ThicknessUM: um, SDUM: 0.003, RateUMMin: 0.58, RateSDUMMin: 0.02,
		ToTargetS: left(um - 2), ToFloorS: left(um - 1.5), Contact: true,
	}
	e := &guide.Estimate{
		TimeS: timeS, Site: "c", Channel: "vis", Quality: estimate.Good, ThicknessUM: um + 0.001, SDUM: 0.004,
		SpreadUM: 0.011, EdgeNM: pic.EdgeExpectedNM + 4, AbsorptionUM: um + 0.03, AbsorptionSDUM: 0.08, Picture: pic,
	}
	e.Budget = estimate.Budget{FitUM: 0.0004, TableUM: 0.0013 * um, TemperatureUM: 0.0002 * um, WavelengthUM: 0.0003 * um, UnderlayerUM: 0.001}
	e.Candidates = []estimate.Candidate{{ThicknessUM: um + 0.001, Weight: 0.98}, {ThicknessUM: um + 0.13, Weight: 0.02}}
	h := track(timeS, um)
	return Snapshot{
		Job: "invented die 17", Source: "demo", State: Live,
		TargetUM: 2, FloorUM: 1.5, StartThicknessUM: 10,
		Step: guide.Step{TimeS: timeS, Estimate: e, Forecast: forecast, Advice: advised(advice.Continue, timeS, um,
			"target in "+seconds(forecast.ToTargetS.P50S)+", no rule is near")},
		Estimate:  e,
		Sites:     []Site{{Name: "c", ThicknessUM: um, SDUM: 0.003, TimeS: timeS, Forecast: forecast, Estimate: e, History: h}},
		History:   h,
		Album:     album(timeS, um),
		Log:       &Log{},
		Health:    Health{Spectra: int(timeS * 2), RateHz: 2},
		Recording: "die17.jsonl", Received: noon().Add(-100 * time.Millisecond),
	}
}

// track is the way to a thickness at a time.
func track(timeS, um float64) *History {
	h := &History{}
	for t := max(0, timeS-400); t <= timeS; t += 0.5 {
		then := um + 0.58/60*(timeS-t)
		edge := edgeAt(then)
		h.Add(Point{TimeS: t, ThicknessUM: then + 0.002*math.Sin(t), SDUM: 0.003, RateUMMin: 0.58, ToTargetS: left(then - 2),
			EdgeNM: edge + 6*math.Sin(7*t), EdgeExpectedNM: edge})
	}
	return h
}

// edgeAt is where the visibility of picture falls to 0.05, between its points.
func edgeAt(um float64) float64 {
	for nm := 410.0; nm < 990; nm++ {
		if _, a := siliconish(nm); 0.42*math.Exp(-a*um) >= 0.05 {
			return nm
		}
	}
	return nan()
}

// album holds a picture of every 20 s on that way.
func album(timeS, um float64) *Album {
	a := &Album{}
	for t := math.Mod(timeS, 20); t < timeS; t += 20 {
		then := um + 0.58/60*(timeS-t)
		pic := picture(then, 256, true)
		a.Add(&guide.Estimate{TimeS: t, Site: "c", Channel: "vis", ThicknessUM: then, SDUM: 0.004, SpreadUM: 0.011,
			EdgeNM: pic.EdgeExpectedNM + 4, AbsorptionUM: then, AbsorptionSDUM: 0.09, Picture: pic})
	}
	return a
}

// weak has a wide uncertainty, and ambiguous two fringe orders that fit.
func weak() Snapshot {
	s := live(300, 3.19)
	return doubted(s, estimate.Weak, "strong spread: the fringes are faint", 0.031,
		[]estimate.Candidate{{ThicknessUM: 3.191, Weight: 1}})
}

func ambiguous() Snapshot {
	s := live(300, 3.19)
	return doubted(s, estimate.Ambiguous, "3.191 and 3.322 µm explain the spectrum as well", 0.004,
		[]estimate.Candidate{{ThicknessUM: 3.191, Weight: 0.61}, {ThicknessUM: 3.322, Weight: 0.39}})
}

func doubted(s Snapshot, q estimate.Quality, reason string, sdUM float64, orders []estimate.Candidate) Snapshot {
	e := *s.Estimate
	e.Quality, e.Reason, e.SDUM, e.Candidates = q, reason, sdUM, orders
	s.Step.Estimate, s.Estimate, s.Sites[0].Estimate, s.Sites[0].Quality = &e, &e, &e, q
	s.Step.Forecast.SDUM = sdUM
	return s
}

// lifted is at rest between two stretches of polishing.
func lifted() Snapshot {
	s := live(300, 3.19)
	s.Step.Forecast.Contact = false
	s.Step.Advice.NextStretchS = 12.7
	s.Step.Advice.Reason = "the first stretch teaches the rate"
	return s
}

// undecided has several fringe orders open.
func undecided() Snapshot {
	s := ambiguous()
	s.Step.Forecast.Undecided, s.Step.Forecast.SDUM = true, 0.061
	s.Sites[0].Forecast.Undecided = true
	return s
}

// broken is a line that broke off with the pad on the die.
func broken() Snapshot {
	s := blind()
	s.State, s.StateText = LineLost, "the port is gone; trying again in 2 s"
	s.Received = noon().Add(-6 * time.Second)
	return s
}

// twoChannels is a reading that the other channel contradicts.
func twoChannels() Snapshot {
	s := live(300, 4.61)
	s.Step.Disagreement = &guide.Disagreement{Channel: "nir", ThicknessUM: 4.748, SDUM: 0.007}
	s.Step.Advice = advised(advice.Blind, 300, 4.61, "channels nir and vis have disagreed at site c for 3.5 s: lift, clean, look")
	s.Step.Advice.Rule = "witness"
	return s
}

func advised(l advice.Level, timeS, um float64, reason string) guide.Advice {
	return guide.Advice{TimeS: timeS, Level: l, Rule: "target", Reason: reason, ThinnestUM: um, Site: "c", NextStretchS: nan()}
}

// left is the time to remove a thickness at 0.58 µm/min.
func left(um float64) removal.Interval {
	s := max(um/0.58*60, 0)
	return removal.Interval{P05S: s * 0.92, P50S: s, P95S: s * 1.11}
}

func preparing() Snapshot {
	s := live(412.5, 2.104)
	s.Step.Advice = advised(advice.Prepare, 412.5, 2.104, "target in 10.8 s; the reaction time is 2.0 s")
	for t := 405.0; t <= 412; t++ {
		s.History.Add(Point{TimeS: 412.5 + (t-405)/100, ThicknessUM: 2.104, EdgeNM: nan(), EdgeExpectedNM: nan(), Level: advice.Prepare})
	}
	s.Log.Add(Entry{TimeS: 31, Kind: PadMoved, Text: "pad on the die"})
	s.Log.Add(Entry{TimeS: 380, Kind: NoteMade, Text: "slurry added"})
	s.Log.Add(Entry{TimeS: 405, Kind: AdviceChanged, Level: advice.Prepare, Text: "prepare: target in 18.1 s"})
	return s
}

func stopping() Snapshot {
	s := live(421, 2.021)
	s.Step.Advice = advised(advice.Stop, 421, 2.021, "in the reaction time of 2.0 s the target of 2.000 µm is reached")
	return s
}

// blind is 6 s under slurry: no spectrum at this moment, an older picture.
func blind() Snapshot {
	s := live(406, 2.166)
	s.Step = guide.Step{TimeS: 412, Forecast: s.Step.Forecast, Advice: advised(advice.Blind, 412, 2.108,
		"no trustworthy sight for 6.0 s; the floor could be reached in 38 s")}
	s.Log.Add(Entry{TimeS: 411, Kind: AdviceChanged, Level: advice.Blind, Text: "blind: no trustworthy sight for 5.0 s"})
	f := &s.Step.Forecast
	f.TimeS, f.ThicknessUM, f.SDUM, f.SinceGoodS = 412, 2.108, 0.021, 6
	f.ToTargetS = removal.Interval{P05S: 7.8, P50S: 11.2, P95S: 15.1}
	s.History = track(412, 2.108)
	s.Sites[0].History = s.History
	s.Health.RateHz, s.Health.Refused, s.Health.LastFault = 0.4, 3, "line 830: 511 values for 512 pixels"
	return s
}

// lost has light but no answer.
func lost() Snapshot {
	s := blind()
	e := *s.Estimate
	e.TimeS, e.Quality, e.ThicknessUM, e.SDUM, e.SpreadUM, e.EdgeNM = 412, estimate.Lost, nan(), nan(), nan(), nan()
	e.AbsorptionUM, e.AbsorptionSDUM = nan(), nan()
	e.Reason = "no thickness explains the spectrum: it has no fringes"
	e.Picture.Model, e.Picture.VisibilityExpected, e.Picture.EdgeExpectedNM = nil, nil, nan()
	e.Picture.Reflectance = append([]float64(nil), e.Picture.Reflectance...)
	for i := range e.Picture.Reflectance {
		e.Picture.Reflectance[i] = 0.21 + 0.01*math.Sin(float64(i)*1.7)
	}
	e.Picture.Visibility = append([]float64(nil), e.Picture.Visibility...)
	for i := range e.Picture.Visibility {
		e.Picture.Visibility[i] = 0.02
	}
	s.Step.Estimate, s.Estimate, s.Sites[0].Estimate = &e, &e, &e
	s.Sites[0].Quality = estimate.Lost
	return s
}

// many has five sites; the thinnest is not the one measured last.
func many() Snapshot {
	s := live(380, 2.52)
	s.Sites = nil
	for i, name := range []string{"c", "ne", "nw", "sw", "se"} {
		x := []float64{0, 2.5, -2.5, -2.5, 2.5}[i]
		y := []float64{0, 2.5, 2.5, -2.5, -2.5}[i]
		um, timeS := 2.54-0.04*float64(i), 380-0.5*float64(i)
		e := *s.Estimate
		e.Site, e.TimeS, e.ThicknessUM, e.Picture = name, timeS, um+0.001, picture(um, 512, true)
		f := s.Step.Forecast
		f.Site, f.TimeS, f.ThicknessUM, f.ToTargetS = name, timeS, um, left(um-2)
		s.Sites = append(s.Sites, Site{Name: name, XMM: x, YMM: y, ThicknessUM: um, SDUM: 0.003, TimeS: timeS,
			Forecast: f, Estimate: &e, History: track(timeS, um)})
	}
	s.Sites[2].Quality = estimate.Ambiguous
	f := s.Step.Forecast
	f.Site, f.TimeS, f.ThicknessUM, f.ToTargetS = "se", 378, 2.38, left(0.38)
	s.Thinnest = &f
	s.Step.Advice.ThinnestUM, s.Step.Advice.Site = 2.361, "se"
	s.History = track(380, 2.361)
	return s
}

// screen returns a model of a size that has looked at the snapshot.
func screen(t testing.TB, s Snapshot, w, h int, options Options) Model {
	t.Helper()
	var b Board
	b.Publish(s)
	if options.Now == nil {
		options.Now = noon
	}
	return sized(New(&b, options), w, h)
}

// sized gives a model the size of its terminal.
func sized(m Model, w, h int) Model {
	next, _ := m.Update(tea.WindowSizeMsg{Width: w, Height: h})
	return next.(Model)
}
