package main

import (
	"fmt"
	"math"
	"strings"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/guide"
	written "bluefringe/tui/report"
)

// newWritten puts together what is reported of a finished session.
func newWritten(c *collector, t *listener, s *session) *written.Report {
	r := &written.Report{
		Job: event.Clean(c.run.Job), Started: c.run.Started,
		SetupName: event.Clean(c.chosen.Name), SetupTOML: c.chosen.Raw,
		TargetUM: c.chosen.Target.ThicknessUM, FloorUM: c.chosen.Target.FloorUM,
		DieMM: [2]float64{c.chosen.Die.WidthMM, c.chosen.Die.HeightMM},
		End:   c.end, Advice: c.advice.kept, More: c.advice.extra,
		Gaps: c.gaps.kept, GapsMore: c.gaps.extra,
		Faults: c.faults.kept, FaultsMore: c.faults.extra,
		Preston:  written.Preston{PerPa: c.chosen.Process.PrestonPerPa, RelSD: c.chosen.Process.PrestonRelSD},
		Problems: problemsOf(c, t, s), Setup: setupFacts(c.chosen), Counts: countFacts(s.counts),
	}
	r.Versions, r.Modules = versionFacts()
	r.End.Site = event.Clean(r.End.Site)
	for i := range r.Advice {
		a := &r.Advice[i]
		a.Rule, a.Reason, a.LastReason, a.Site = event.Clean(a.Rule), event.Clean(a.Reason), event.Clean(a.LastReason), event.Clean(a.Site)
	}
	for q, n := range c.qualities {
		r.Qualities = append(r.Qualities, written.Fact{Name: estimate.Quality(q).String() + " readings", Value: fmt.Sprint(n)})
	}
	for _, text := range c.notices {
		r.Notes = append(r.Notes, written.Note{TimeS: math.NaN(), Text: text + " (said by the program)"})
	}
	for _, n := range t.notes.kept {
		r.Notes = append(r.Notes, written.Note{TimeS: n.TimeS, Text: event.Clean(n.Text)})
	}
	r.NotesMore = t.notes.extra
	r.Track = withPreston(c.track.kept, process(c.chosen), t.processes.kept)
	addSites(r, c)
	if run, err := s.learnt(); err == nil {
		r.Learnt = written.Preston{PerPa: run.PrestonPerPa, RelSD: run.PrestonRelSD}
	}
	return r
}

// problemsOf says what is wrong with the record, the worst first.
func problemsOf(c *collector, t *listener, s *session) []string {
	var out []string
	tell := func(when bool, format string, args ...any) {
		if when {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	n := s.counts
	good := c.qualities[estimate.Good]
	tell(math.IsNaN(c.end.ThicknessUM), "No reading could be trusted: there is no thickness.")
	tell(good < c.found && 2*good < c.found, "Only %d of %d readings are good.", good, c.found)
	invalid := n.badLines
	if t.torn {
		invalid-- // it is told by itself
	}
	tell(invalid+n.badCRC > 0, "Lines that could not be used: %d not valid, %d with a wrong checksum.", invalid, n.badCRC)
	tell(n.refused > 0, "Refused by calibration: %d.", n.refused)
	tell(t.torn, "The last line is torn, as a crash or a pulled cable leaves it.")
	tell(!t.ended, "The record has no end line: the run was broken off, or goes on still.")
	tell(c.run.Format == 0, "The record has no run line that can be read.")
	tell(c.chosen.Raw == "", "No set-up is known: the default one was taken.")
	tell(c.unsited > 0, "%d readings are of sites beyond the first %d: they are left out of map and figures.", c.unsited, reportSites)
	tell(t.processes.extra > 0, "%d changes of the process beyond the first %d are left out of the Preston coefficient.", t.processes.extra, t.processes.most)
	return out
}

// withPreston adds the coefficient to the track: rate over pressure and speed, which
// changed at these times.
func withPreston(track []written.Track, p removal.Process, changes []event.Process) []written.Track {
	next := 0
	for i := range track {
		t := &track[i]
		for next < len(changes) && changes[next].TimeS <= t.TimeS {
			applyChange(&p, changes[next])
			next++
		}
		p.PrestonPerPa = 1
		if perUnit := p.RateUMMin(); t.Contact && perUnit > 0 {
			t.PrestonPerPa, t.PrestonSDPerPa = t.RateUMMin/perUnit, t.RateSDUMMin/perUnit
		}
	}
	return track
}

// addSites adds the readings of each site, the map, and the end point.
func addSites(r *written.Report, c *collector) {
	var last *guide.Estimate // of the thinnest site; else the newest good one
	for _, s := range c.sites {
		name := event.Clean(s.name)
		r.Sites = append(r.Sites, written.Site{Name: name, Good: s.good, All: s.all, Readings: s.readings.kept, EachOf: s.readings.every})
		e := s.best
		if e == nil {
			continue
		}
		thinnest := s.name == c.end.Site
		place := written.Place{Site: name, XMM: math.NaN(), YMM: math.NaN(), TimeS: e.TimeS,
			ThicknessUM: rounded(e.ThicknessUM, decimalsUM), SDUM: rounded(e.SDUM, decimalsUM), Thinnest: thinnest}
		if xy, ok := c.run.Sites[s.name]; ok {
			place.XMM, place.YMM = xy[0], xy[1]
		}
		r.Places = append(r.Places, place)
		if thinnest || last == nil || last.Site != c.end.Site && e.TimeS > last.TimeS {
			last = e
		}
	}
	if last != nil {
		addEnd(r, *last)
	}
}

// addEnd adds the fit and the budget of the reading that ends the run.
func addEnd(r *written.Report, e guide.Estimate) {
	p := e.Picture
	title := fmt.Sprintf("The last good reading of site %s, channel %s, at %g s: %s ± %s µm.", event.Clean(e.Site), event.Clean(e.Channel), e.TimeS,
		decimal(e.ThicknessUM, decimalsUM), decimal(e.SDUM, decimalsUM))
	r.Fit = written.Fit{Title: title, WavelengthNM: p.WavelengthNM, Measured: p.Reflectance, Model: p.Model}
	b := e.Budget
	r.BudgetOf = title
	r.Budget = []written.Part{
		{Source: "noise, through all that is fitted", UM: b.FitUM},
		{Source: "silicon index of the published table", UM: b.TableUM},
		{Source: "temperature of the die", UM: b.TemperatureUM},
		{Source: "wavelength scale of the spectrometer", UM: b.WavelengthUM},
		{Source: "front side: its layers within their tolerances, and what is no layer", UM: b.UnderlayerUM},
	}
	if open := sorted(e).OpenUM; open > 0 {
		r.Budget = append(r.Budget, written.Part{Source: "other", UM: open})
	}
}

// decimal prints a value as --json does.
func decimal(v float64, decimals int) string {
	if p := number(v, decimals); p != nil {
		return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.*f", decimals, *p), "0"), ".")
	}
	return "–"
}

// setupFacts is the set-up in words.
func setupFacts(s setup.Setup) []written.Fact {
	var list []written.Fact
	fact := func(name, format string, args ...any) {
		list = append(list, written.Fact{Name: name, Value: fmt.Sprintf(format, args...)})
	}
	set := func(name string, v float64, unit string) {
		if v > 0 {
			fact(name, "%g %s", v, unit)
		}
	}
	set("target", s.Target.ThicknessUM, "µm")
	set("floor", s.Target.FloorUM, "µm")
	fact("measured in", "%s at %g °C", s.Optics.Ambient, s.Optics.TemperatureC)
	for i, l := range s.Optics.Under {
		fact(fmt.Sprintf("layer %d under the silicon", i+1), "%s, %g ± %g nm", event.Clean(l.Material), l.ThicknessNM, l.ToleranceNM)
	}
	if m := s.Optics.Reflector; m != nil {
		fact("metal below", "%s over %g to %g %% of the spot", event.Clean(m.Material), 100*m.Coverage[0], 100*m.Coverage[1])
	}
	if d := s.Optics.Doping; d.PerCM3 > 0 {
		fact("doping", "%s, %g per cm³", d.Type, d.PerCM3)
	}
	if p := s.Process; p.Pad != "" {
		fact("pad", "%s", p.Pad)
	}
	if p := s.Process; p.Slurry != "" {
		fact("slurry", "%s", p.Slurry)
	}
	set("pad diameter", s.Process.PadMM, "mm")
	force, _ := s.Process.Force()
	set("force", force, "N")
	if p := process(s).PressurePa(); p > 0 && !math.IsInf(p, 0) {
		fact("pressure", "%.4g kPa", p/1000)
	}
	set("speed", s.Process.SpeedMS, "m/s")
	if s.Process.PrestonPerPa > 0 {
		fact("Preston coefficient before the run", "%g 1/Pa, relative standard deviation %g", s.Process.PrestonPerPa, s.Process.PrestonRelSD)
	}
	fact("reaction time", "%g s", s.Stop.ReactionS)
	fact("accepted risk of crossing the floor", "%g", s.Stop.RiskFloor)
	for _, rule := range s.Rule {
		fact("rule "+event.Clean(rule.Name), "%s when %s for %g s", rule.Advice, event.Clean(rule.When), rule.ForS)
	}
	return list
}

func countFacts(n counts) []written.Fact {
	var list []written.Fact
	for _, f := range []struct {
		name string
		n    int
	}{{"spectra", n.spectra}, {"lines not valid", n.badLines}, {"lines with a wrong checksum", n.badCRC},
		{"refused by calibration", n.refused}, {"lines of unknown type", n.unknown}} {
		list = append(list, written.Fact{Name: f.name, Value: fmt.Sprint(f.n)})
	}
	return list
}
