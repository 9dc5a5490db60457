package lesson

import (
	"math"

	"bluefringe/removal/guide"
	"bluefringe/removal/trial"
)

// Moment is what was said and what was true at one time: as often as spectra are due.
type Moment struct {
	TimeS      float64
	Steps      []guide.Step // what the engine said since the moment before
	SiteUM     []float64    // truth, by site
	ThinnestUM float64      // truth: thinnest place of the die, on a site or not
	RateUMMin  float64      // truth: with the pad on the die
	Touching   bool
}

// Run is one run from the first look to the pad off the die for good.
type Run struct {
	Lesson   Known
	Moments  []Moment // in the order of time, at least one
	Actions  []Action
	Stopped  bool    // by the trainee; false: the time was up, or the silicon gone
	TouchedS float64 // when the pad first came down
	LiftedS  float64 // when it came off for the last time
}

// Known is what a debrief needs of the lesson.
type Known struct {
	Fault              string // that the lesson is about
	Sites              []string
	TargetUM, FloorUM  float64
	ToleranceUM        float64 // how far from the target the thinnest place may end
	NominalUMMin       float64 // rate by the set-up
	LiftS, PersonS     float64
	FromNM, ToNM       float64 // between which fringes are counted
	IndexFrom, IndexTo float64 // of silicon there
	StaleReference     bool    // the light has changed since the reference
}

// Landing is where the run ended.
func (r *Run) Landing() trial.Landing {
	last := r.Moments[len(r.Moments)-1]
	l := trial.Landing{Ended: r.Stopped, ThinnestUM: last.ThinnestUM, ThinnestSiteUM: math.Inf(1),
		TargetUM: r.Lesson.TargetUM, FloorUM: r.Lesson.FloorUM, TimeS: r.LiftedS}
	for _, um := range last.SiteUM {
		l.ThinnestSiteUM = math.Min(l.ThinnestSiteUM, um)
	}
	lastS := r.Moments[0].TimeS
	for i := range r.Moments {
		m := &r.Moments[i]
		if m.Touching {
			l.ContactS += m.TimeS - lastS
		}
		if i > 0 && m.Touching && !r.Moments[i-1].Touching && m.TimeS > r.TouchedS+1 {
			l.Lifts++
		}
		lastS = m.TimeS
	}
	return l
}

// DecidedS is when the trainee took the pad off for the last time, by a stop or by a lift
// after which he stopped; NaN where he never stopped.
func (r *Run) DecidedS() float64 {
	decidedS, down := math.NaN(), true
	for _, a := range r.Actions {
		switch {
		case a.Kind == Polish:
			down = true
		case down && (a.Kind == Lift || a.Kind == Stop):
			decidedS, down = a.TimeS, false
		}
	}
	if !r.Stopped {
		return math.NaN()
	}
	return decidedS
}

// at returns the last moment up to a time, the first when there is none.
func (r *Run) at(timeS float64) *Moment {
	found := &r.Moments[0]
	for i := range r.Moments {
		if r.Moments[i].TimeS <= timeS {
			found = &r.Moments[i]
		}
	}
	return found
}

// reaches is when the thinnest place is down to a level, between moments in a straight
// line; NaN when it never is.
func (r *Run) reaches(levelUM float64) float64 {
	for i := 1; i < len(r.Moments); i++ {
		a, b := &r.Moments[i-1], &r.Moments[i]
		if b.ThinnestUM <= levelUM && a.ThinnestUM > b.ThinnestUM {
			return a.TimeS + (b.TimeS-a.TimeS)*math.Max(0, (a.ThinnestUM-levelUM)/(a.ThinnestUM-b.ThinnestUM))
		}
	}
	return math.NaN()
}
