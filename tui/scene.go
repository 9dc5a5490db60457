package tui

import (
	"math"
	"slices"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
)

// scene is what the pictures show: one moment of the run, now or in the past,
// at one place of the die.
type scene struct {
	waiting  bool
	held     bool // not the present
	veiled   bool // nothing computed is shown
	atS      float64
	nowS     float64 // the newest moment known to the pictures
	site     string  // whose pictures
	thinnest string
	sites    []Site
	estimate *guide.Estimate // nil: none
	other    *guide.Disagreement
	forecast guide.Forecast // from atS
	history  *History
	points   []Point
	entries  []Entry
	window   window

	targetUM, floorUM float64
}

// compose makes the scene from the newest snapshot, or from what is kept of the
// moment that is held.
func (m *Model) compose() {
	s := &m.snapshot
	if m.past.held {
		s = &m.past.frozen
	}
	sc := &m.scene
	was := sc.window
	if s.Step.TimeS < sc.nowS && !m.past.held {
		m.axes = axes{} // another run
		was = window{}
	}
	*sc = scene{
		waiting: s.State == Waiting, held: m.past.held, veiled: s.Host.HideNumbers,
		atS: s.Step.TimeS, nowS: s.Step.TimeS,
		thinnest: s.Step.Advice.Site, sites: s.Sites,
		site: m.choices.site, forecast: s.thinnest(), history: s.History,
		targetUM: s.TargetUM, floorUM: s.FloorUM,
		points: sc.points[:0], entries: s.Log.Entries(sc.entries[:0]),
	}
	if one := s.site(sc.site); one != nil {
		sc.forecast = one.Forecast
		if one.History != nil {
			sc.history = one.History
		}
	}
	sc.estimate = s.pictured(sc.site)
	if sc.estimate != nil {
		sc.other = s.disagreementOf(sc.estimate.Site)
	}
	if m.past.held && m.past.atS < s.Step.TimeS {
		sc.goBack(s, m.past.atS)
	}

	sc.window = m.choices.window(s, sc.forecast, was)
	if m.past.held {
		sc.window = sc.window.around(sc.atS, was)
	}
	sc.points = sc.history.Points(sc.points, sc.window.lo)
	if end := slices.IndexFunc(sc.points, func(p Point) bool { return p.TimeS > sc.nowS }); m.past.held && end >= 0 {
		sc.points = sc.points[:end]
	}
}

// pictured returns the estimate whose spectrum is shown: of the chosen site, or
// of the thinnest while that is looked at, else the newest of all.
func (s *Snapshot) pictured(site string) *guide.Estimate {
	if site != "" {
		return s.estimateOf(site)
	}
	e := s.estimateOf(s.Step.Advice.Site)
	if e == nil || s.Estimate != nil && s.Step.TimeS-e.TimeS > s.roundS() {
		return s.Estimate
	}
	return e
}

// roundS is how long it takes, with patience, until each site has had its turn.
func (s *Snapshot) roundS() float64 {
	round := 1.5
	if s.Health.RateHz > 0 {
		round = max(round, 2.5*float64(len(s.Sites))/s.Health.RateHz)
	}
	return min(round, 10)
}

// goBack replaces what the present says by what is kept of an earlier moment.
func (sc *scene) goBack(s *Snapshot, atS float64) {
	sc.atS = atS
	sc.estimate, sc.other = s.Album.At(atS, sc.site), nil
	p, ok := sc.history.At(atS)
	if !ok {
		p.ThicknessUM, p.SDUM, p.RateUMMin = math.NaN(), math.NaN(), math.NaN()
	}
	f := &sc.forecast
	f.TimeS, f.ThicknessUM, f.SDUM, f.RateUMMin, f.ToTargetS = p.TimeS, p.ThicknessUM, p.SDUM, p.RateUMMin, p.ToTargetS
	sites := make([]Site, 0, len(s.Sites))
	for _, one := range s.Sites {
		if q, ok := one.History.At(atS); ok {
			one.TimeS, one.ThicknessUM, one.SDUM, one.Quality = q.TimeS, q.ThicknessUM, q.SDUM, q.Quality
			one.Disagreement = nil
			sites = append(sites, one)
		}
	}
	sc.sites, sc.thinnest = sites, thinnestOf(sites, sc.thinnest)
}

// thinnestOf returns the name of the thinnest site, the given one when nothing
// is known.
func thinnestOf(sites []Site, name string) string {
	least := math.Inf(1)
	for _, one := range sites {
		if one.ThicknessUM < least {
			least, name = one.ThicknessUM, one.Name
		}
	}
	return name
}

// trusted tells whether the pictured estimate fits at all.
func (sc *scene) trusted() bool {
	return sc.estimate != nil && sc.estimate.Quality != estimate.Lost && sc.estimate.Picture.Model != nil
}

// window is a stretch of run time: three quarters of it past, the rest ahead,
// unless it was moved to an earlier moment.
type window struct{ lo, hi float64 }

// pastS is the length of the part for the past.
func (w window) pastS() float64 { return 0.75 * (w.hi - w.lo) }

// windowSteps are the lengths of the past that can be shown, in seconds.
func windowSteps() []float64 {
	return []float64{10, 20, 30, 60, 90, 120, 180, 300, 450, 600, 900, 1200, 1800, 3600, 7200, 14400, 28800}
}

// window returns the stretch of the run shown against time: the chosen length,
// or four times the time left, so that the way to the target can be judged, and
// a third of that ahead. Its length goes in steps and, once shorter would do,
// stays for a while, so that it neither creeps nor flutters.
func (c *choices) window(s *Snapshot, f guide.Forecast, was window) window {
	now := s.Step.TimeS
	if !finite(now) {
		now = 0
	}
	back := c.windowS
	if back <= 0 {
		need := 60.0
		if left := f.ToTargetS.P50S; finite(left) {
			need = max(need, min(4*left, now))
		}
		back = was.pastS()
		if !(need <= back*(1+1e-9) && need > 0.6*back) {
			steps := windowSteps()
			i, _ := slices.BinarySearch(steps, min(need, steps[len(steps)-1]))
			back = steps[i]
		}
	}
	return window{lo: now - back, hi: now + back/3}
}

// around moves a window so that it holds a moment, and leaves it where it was
// if that does.
func (w window) around(atS float64, was window) window {
	length := w.hi - w.lo
	if math.Abs((was.hi-was.lo)-length) < 1e-6*length && atS >= was.lo && atS <= was.hi {
		return was
	}
	if atS >= w.lo {
		return w
	}
	lo := atS - length/3
	return window{lo: lo, hi: lo + length}
}
