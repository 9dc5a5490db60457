package tune

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
	"bluefringe/removal/trial"
)

// Event is one thing that an adviser was told: a reading, a change of the process or, with
// neither, that time has passed.
type Event struct {
	TimeS   float64
	Reading *guide.Reading
	Process *guide.ProcessChange
}

// Record is a run that is over.
type Record struct {
	Name              string
	TargetUM, FloorUM float64 // FloorUM 0: there is none
	Events            []Event // in the order in which they came; must not change any more
	Truth             Truth

	// Adviser makes a new adviser for a setting; nil is the set-up's own. It is called from
	// several goroutines.
	Adviser func(Setting) (trial.Adviser, error)
}

// Run is a record with what can be said of it before any setting is tried. It is not
// changed by Play.
type Run struct {
	Record
	// ReactionS is what the operator takes from the stop to the pad off the die. It must be
	// set before a run is scored.
	ReactionS float64

	lifts    []float64 // times at which the pad went up
	lastLift int       // event of the lift that ended the run; len(Events): it did not end with a lift
	endS     float64   // time of that, or of the last event
	everyS   float64   // usual time between readings
	hidden   bool      // the pad hides the die: nothing was seen while it was down
}

// NewRun looks over a record.
func NewRun(r Record) (*Run, error) {
	if !(r.TargetUM > 0) {
		return nil, fmt.Errorf("%s: its set-up has no target thickness: [target] thickness_um is needed", r.Name)
	}
	run := &Run{Record: r, ReactionS: math.NaN(), lastLift: len(r.Events)}
	touching, touched := true, false
	seenUp, seenDown := 0, 0
	lastS := math.NaN()
	var gaps []float64
	for i, e := range r.Events {
		run.endS = math.Max(run.endS, e.TimeS)
		switch {
		case e.Reading != nil:
			if gap := e.TimeS - lastS; gap > 0 {
				gaps = append(gaps, gap)
			}
			lastS = e.TimeS
			touched = touched || touching
			switch q := e.Reading.Estimate.Quality; {
			case q != estimate.Good && q != estimate.Weak:
			case touching:
				seenDown++
			case touched:
				seenUp++
			}
		case e.Process != nil && e.Process.Contact != nil && *e.Process.Contact != touching:
			touching = !touching
			if touching {
				touched, run.lastLift = true, len(r.Events)
			} else if i > 0 {
				run.lifts = append(run.lifts, e.TimeS)
				run.lastLift = i
			}
		}
	}
	if len(gaps) == 0 {
		return nil, fmt.Errorf("%s: fewer than two readings", r.Name)
	}
	if !touched {
		run.lifts, run.lastLift = nil, len(r.Events)
	}
	if run.lastLift < len(r.Events) {
		run.endS = r.Events[run.lastLift].TimeS
	}
	slices.Sort(gaps)
	run.everyS = gaps[len(gaps)/2]
	run.hidden = seenDown == 0 && seenUp > 0
	return run, nil
}

// Anchor makes a truth from the thickness at the end, measured by other means, and the
// track of the set-up's own adviser, which tells what was removed before.
func (r *Run) Anchor(finalUM float64) error {
	adviser, err := r.Adviser(nil)
	if err != nil {
		return err
	}
	var track []Point
	for _, e := range r.Events {
		for _, s := range tell(adviser, e) {
			if um := s.Advice.ThinnestUM; !math.IsNaN(um) {
				track = append(track, Point{s.TimeS, um})
			}
		}
	}
	if len(track) == 0 {
		return nil
	}
	shiftUM := finalUM - track[len(track)-1].ThicknessUM
	for i := range track {
		track[i].ThicknessUM += shiftUM
	}
	r.Truth = NewTruth(map[string][]Point{"": track})
	return nil
}

// longestReactionS is the longest lift that still counts as the answer to a stop.
const longestReactionS = 60

// Reaction is how long the operator of the record took from the stop that he was given,
// by the set-up's own setting, to the pad off the die; NaN when he was given none with
// the pad down, or did not end the run with it.
func (r *Run) Reaction() (float64, error) {
	none := math.NaN()
	if r.lastLift == len(r.Events) {
		return none, nil
	}
	p, err := r.play(nil)
	if err != nil {
		return none, err
	}
	if took := r.endS - p.stopS; p.touching && took > 0 && took <= longestReactionS && r.nextLift(p.stopS) == r.endS {
		return took, nil
	}
	return none, nil
}

// nextLift is when the pad first goes up at or after a time; +Inf: never.
func (r *Run) nextLift(timeS float64) float64 {
	for _, s := range r.lifts {
		if s >= timeS {
			return s
		}
	}
	return math.Inf(1)
}

func tell(adviser trial.Adviser, e Event) []guide.Step {
	switch {
	case e.Reading != nil:
		return adviser.Take(*e.Reading)
	case e.Process != nil:
		return adviser.Process(*e.Process)
	}
	return adviser.Advance(e.TimeS)
}
