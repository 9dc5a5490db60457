package main

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
	written "bluefringe/tui/report"
)

// Bounds of what a report keeps, however long the run.
const (
	reportTrack    = 2000
	reportReadings = 1000 // a site
	reportSites    = 64
	reportAdvice   = 300
	reportGaps     = 100
	gapLeastS      = 2 // shorter breaks are no gap
	gapTimes       = 4 // nor those below so many usual intervals (both common practice, no source)
)

// collector keeps what a report tells of the steps of a run. Numbers are rounded as in
// the lines of --json.
type collector struct {
	faultLog
	progress progress
	run      event.Run
	chosen   setup.Setup
	begun    bool

	found     int // estimates
	qualities [estimate.Lost + 1]int
	first     string // faults
	last      string
	faults    bounded[string]
	notices   []string

	track     thinned[written.Track]
	forecasts map[string]guide.Forecast // newest, by site
	sites     []*reportSite
	unsited   int // readings of sites beyond the bound
	advice    bounded[written.Told]
	told      *written.Told // the newest, also when it is beyond the bound
	gaps      bounded[written.Gap]
	spectraS  float64 // time of the newest spectrum
	usualS    float64 // between spectra
	end       written.End
	endS      float64
}

// reportSite is what a report keeps of one place.
type reportSite struct {
	name      string
	all, good int
	readings  thinned[written.Reading]
	best      *guide.Estimate // the newest good one
}

func newCollector() *collector {
	nan := math.NaN()
	return &collector{
		faults: bounded[string]{most: faultLines}, track: thinned[written.Track]{most: reportTrack},
		forecasts: map[string]guide.Forecast{}, advice: bounded[written.Told]{most: reportAdvice}, gaps: bounded[written.Gap]{most: reportGaps},
		spectraS: nan, usualS: nan, endS: nan,
		end: written.End{TimeS: nan, ThicknessUM: nan, SDUM: nan, RateUMMin: nan, RateSDUMMin: nan, LowestUM: nan, LowestTimeS: nan},
	}
}

func (c *collector) opened(run event.Run, s setup.Setup) { c.run, c.chosen, c.begun = run, s, true }

func (c *collector) notice(text string) {
	c.notices = append(c.notices, event.Clean(text))
	c.progress.clear()
	c.faultLog.notice(text)
}

func (c *collector) fault(err error) {
	c.last = event.Clean(err.Error())
	if c.first == "" {
		c.first = c.last
	}
	c.faults.add(c.last)
	c.progress.clear()
	c.faultLog.fault(err)
}

// rounded is a value as --json writes it.
func rounded(v float64, decimals int) float64 {
	if p := number(v, decimals); p != nil {
		return *p
	}
	return math.NaN()
}

func (c *collector) stepped(step guide.Step) error {
	c.endS = step.TimeS
	if e := step.Estimate; e != nil {
		c.found++
		c.progress.step()
		c.qualities[e.Quality]++
		c.gap(e.TimeS, step.Forecast.Contact)
		if s := c.site(e.Site); s != nil {
			s.add(e)
		}
	}
	if f := step.Forecast; f.Site != "" && !math.IsNaN(f.ThicknessUM) {
		c.forecasts[f.Site] = f
	}
	c.follow(step)
	c.hear(step.Advice)
	return nil
}

// gap notes a long time without spectra.
func (c *collector) gap(timeS float64, contact bool) {
	gapS := timeS - c.spectraS
	c.spectraS = timeS
	switch {
	case math.IsNaN(gapS):
		return
	case math.IsNaN(c.usualS):
		c.usualS = gapS
	case gapS > gapTimes*c.usualS:
	default:
		c.usualS += (gapS - c.usualS) / 10
	}
	if gapS > gapLeastS && gapS > gapTimes*c.usualS {
		c.gaps.add(written.Gap{FromS: timeS - gapS, ToS: timeS, Contact: contact})
	}
}

func (c *collector) site(name string) *reportSite {
	if i := slices.IndexFunc(c.sites, func(s *reportSite) bool { return s.name == name }); i >= 0 {
		return c.sites[i]
	}
	if len(c.sites) == reportSites {
		c.unsited++
		return nil
	}
	s := &reportSite{name: name, readings: thinned[written.Reading]{most: reportReadings}}
	c.sites = append(c.sites, s)
	return s
}

func (s *reportSite) add(e *guide.Estimate) {
	s.all++
	if e.Quality == estimate.Good {
		s.good++
		s.best = e
	}
	if e.Quality != estimate.Good && e.Quality != estimate.Weak {
		return
	}
	p := e.Picture
	edgeNM := e.EdgeNM
	if nm := p.WavelengthNM; len(nm) > 0 && slices.Max(nm) > infraredNM {
		edgeNM = math.NaN() // no absorption makes an edge there
	}
	s.readings.add(written.Reading{
		TimeS: e.TimeS, ThicknessUM: rounded(e.ThicknessUM, decimalsUM), SDUM: rounded(e.SDUM, decimalsUM),
		EdgeNM: rounded(edgeNM, decimalsNM), EdgeExpectedNM: rounded(p.EdgeExpectedNM, decimalsNM), Residual: residualOf(p),
	})
}

// residualOf is the root mean square of measured less fitted.
func residualOf(p guide.Picture) float64 {
	sum, n := 0.0, 0
	for i := range p.Model {
		if d := p.Reflectance[i] - p.Model[i]; !math.IsNaN(d) {
			sum += d * d
			n++
		}
	}
	return math.Sqrt(sum / float64(n)) // NaN for none
}

// follow keeps the thinnest site of each moment.
func (c *collector) follow(step guide.Step) {
	a := step.Advice
	c.end.Advice = a.Level.String()
	c.end.TimeS = step.TimeS
	if math.IsNaN(a.ThinnestUM) {
		return
	}
	um := rounded(a.ThinnestUM, decimalsUM)
	f := c.forecasts[a.Site]
	point := written.Track{
		TimeS: step.TimeS, ThicknessUM: um, SDUM: rounded(f.SDUM, decimalsUM),
		RateUMMin: rounded(f.RateUMMin, decimalsRate), RateSDUMMin: rounded(f.RateSDUMMin, decimalsRate),
		PrestonPerPa: math.NaN(), PrestonSDPerPa: math.NaN(),
		Contact: step.Forecast.Contact, Advice: a.Level.String(),
	}
	c.track.add(point)
	c.end.Site, c.end.ThicknessUM, c.end.SDUM = a.Site, um, point.SDUM
	c.end.RateUMMin, c.end.RateSDUMMin = point.RateUMMin, point.RateSDUMMin
	if !(um >= c.end.LowestUM) {
		c.end.LowestUM, c.end.LowestTimeS = um, step.TimeS
	}
}

// hear notes a change of advice, of its level or of its rule.
func (c *collector) hear(a guide.Advice) {
	level := a.Level.String()
	if c.told != nil && c.told.Advice == level && c.told.Rule == a.Rule {
		c.told.ToS, c.told.LastReason = a.TimeS, a.Reason
		return
	}
	told := written.Told{FromS: a.TimeS, ToS: a.TimeS, Advice: level, Rule: a.Rule, Reason: a.Reason, LastReason: a.Reason,
		ThinnestUM: rounded(a.ThinnestUM, decimalsUM), Site: a.Site}
	n := len(c.advice.kept)
	c.advice.add(told)
	if len(c.advice.kept) > n {
		c.told = &c.advice.kept[n]
	} else {
		c.told = &told
	}
}

// verdict is an error when no spectrum could be read, and says why.
func (c *collector) verdict(path string, n counts) error {
	if c.found > 0 {
		return nil
	}
	why := ""
	switch {
	case c.first != c.last:
		why = fmt.Sprintf("; first fault: %s; last fault: %s", c.first, c.last)
	case c.first != "":
		why = ": " + c.first
	}
	if n.spectra == 0 {
		return fmt.Errorf("nothing to report: %s holds no spectra%s", event.Clean(path), why)
	}
	return fmt.Errorf("nothing to report: %s: none of its %d spectra can be read%s", event.Clean(path), n.spectra, why)
}
