package tui

import (
	"math"
	"time"

	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// staleS is the age in seconds from which the last good spectrum is called old.
const staleS = 1

// reading is what the numbers on the screen say at one moment: a snapshot and
// the wall time, brought to the same instant.
type reading struct {
	site        string // thinnest
	thicknessUM float64
	sdUM        float64
	quality     estimate.Quality
	sighted     bool    // a spectrum has been judged at all
	predicted   bool    // the thickness is carried on by the rate, not seen
	goodAgeS    float64 // since the last good spectrum of any site, NaN: never
	silentS     float64 // since the last line came, 0 while lines come in
	contact     bool
	toTargetUM  float64 // still to be removed, NaN: no target
	toFloorUM   float64
	toTarget    removal.Interval
	rate        float64
	rateSD      float64

	estimate     *guide.Estimate // of the thinnest site, nil when there is none as young
	estimateAgeS float64
	other        *guide.Disagreement
	contradicted bool
	undecided    bool    // several fringe orders still explain the site
	freshS       float64 // the age from which the thickness is no longer seen but predicted
	nextS        float64 // most that the pad may polish when it comes down again; NaN: not known, or it is down
}

// read brings a snapshot to the wall time now.
func read(s *Snapshot, now time.Time) reading {
	f := s.thinnest()
	r := reading{
		site:        f.Site,
		thicknessUM: s.Step.Advice.ThinnestUM,
		sdUM:        f.SDUM,
		contact:     s.Step.Forecast.Contact,
		toTargetUM:  math.NaN(),
		toFloorUM:   math.NaN(),
		rate:        f.RateUMMin,
		rateSD:      f.RateSDUMMin,
	}
	r.nextS = math.NaN()
	if s.State == Waiting {
		nan := math.NaN()
		r.thicknessUM, r.sdUM, r.rate, r.rateSD, r.goodAgeS = nan, nan, nan, nan, nan
		r.toTarget = removal.Interval{P05S: nan, P50S: nan, P95S: nan}
		return r
	}
	if !finite(r.thicknessUM) {
		r.thicknessUM = f.ThicknessUM
	}
	r.quality, r.sighted = s.quality(f.Site)

	// The engine goes on while the line is silent: what its step says ages from the step
	// on, the silence from the last line on.
	age, silentS := 0.0, 0.0
	if (s.State == Live || s.State == LineLost) && !s.Received.IsZero() {
		silentS = max(0, now.Sub(s.Received).Seconds())
		age = silentS
		if !s.Stepped.IsZero() {
			age = max(0, now.Sub(s.Stepped).Seconds())
		}
	}
	// The thinnest site need not be the one measured last.
	carriedS := 0.0
	if f.Site != s.Step.Forecast.Site && finite(f.TimeS) {
		carriedS = max(0, s.Step.TimeS-f.TimeS)
	}
	r.goodAgeS = s.Step.Forecast.SinceGoodS + age
	if carriedS > 0 {
		r.goodAgeS = f.SinceGoodS + carriedS + age
	}
	r.freshS = s.freshS()
	if silentS >= s.patienceS() {
		r.silentS = silentS
	}
	r.other = s.disagreementOf(f.Site)
	r.contradicted = r.other != nil
	r.undecided = f.Undecided
	if e := s.estimateOf(f.Site); e != nil {
		if r.estimateAgeS = s.Step.TimeS - e.TimeS + age; r.estimateAgeS < 10 {
			r.estimate = e
		}
	}
	if next := s.Step.Advice.NextStretchS; !r.contact && s.State != Ended && shown(next) && next > 0 {
		r.nextS = next
	}
	r.predicted = !(r.goodAgeS < r.freshS) || !r.sighted || r.quality == estimate.Lost

	if set(s.TargetUM) {
		r.toTargetUM = r.thicknessUM - s.TargetUM
	}
	if set(s.FloorUM) {
		r.toFloorUM = r.thicknessUM - s.FloorUM
	}
	// Its forecast may be some seconds old, and its times run only while the pad
	// touches the die.
	elapsed := 0.0
	if r.contact {
		elapsed = max(0, s.Step.TimeS-f.TimeS)
	}
	r.toTarget = minus(f.ToTargetS, elapsed)
	return r
}

// set tells whether a target or a floor was given.
func set(um float64) bool { return finite(um) && um > 0 }

// quality returns how far the newest estimate of a site can be trusted.
func (s *Snapshot) quality(site string) (q estimate.Quality, ok bool) {
	if e := s.Step.Estimate; e != nil && e.Site == site {
		return e.Quality, true
	}
	for _, one := range s.Sites {
		if one.Name == site {
			return one.Quality, true
		}
	}
	if s.Estimate != nil && s.Estimate.Site == site {
		return s.Estimate.Quality, true
	}
	return estimate.Lost, false
}

// patienceS is how long a line may be silent before that is shown: a second,
// or some periods of a slow source.
func (s *Snapshot) patienceS() float64 {
	if s.Health.RateHz > 0 {
		return min(max(staleS, 2.5/s.Health.RateHz), 5)
	}
	return staleS
}

// freshS is the age from which a thickness is called old: a second, or, where
// sites take turns, one and a half rounds.
func (s *Snapshot) freshS() float64 {
	fresh := float64(staleS)
	if n := len(s.Sites); n > 1 && s.Health.RateHz > 0 {
		fresh = max(fresh, 1.5*float64(n)/s.Health.RateHz)
	}
	return min(fresh, 5)
}

// old tells whether the advice on the screen must not be taken as current.
func (r *reading) old(s *Snapshot) bool {
	return s.State == LineLost || r.silentS > 0
}

// level returns the advice of the newest step.
func (s *Snapshot) level() advice.Level { return s.Step.Advice.Level }
