package tune

import (
	"testing"

	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
	"bluefringe/removal/trial"
)

// tape is an engine that remembers what it was told.
type tape struct {
	*guide.Engine
	events []Event
}

func (t *tape) Process(p guide.ProcessChange) []guide.Step {
	t.events = append(t.events, Event{TimeS: p.TimeS, Process: &p})
	return t.Engine.Process(p)
}

func (t *tape) Take(r guide.Reading) []guide.Step {
	t.events = append(t.events, Event{TimeS: r.Estimate.TimeS, Reading: &r})
	return t.Engine.Take(r)
}

func (t *tape) Advance(timeS float64) []guide.Step {
	t.events = append(t.events, Event{TimeS: timeS})
	return t.Engine.Advance(timeS)
}

// configOf is the engine's configuration for a case, with the reaction time that the
// set-up states.
func configOf(c *trial.Case, reactionS float64) guide.Config {
	return guide.Config{
		Process: c.Process, PrestonRelSD: trial.PrestonRelSD,
		Advice: advice.Config{TargetUM: c.TargetUM, FloorUM: c.FloorUM, ReactionS: reactionS},
	}
}

// played lets the operator of package trial work on a case with a set-up that states
// that reaction time. A setting of the run is one value: another reaction time.
func played(t *testing.T, c *trial.Case, statedS float64) (*Run, trial.Landing) {
	t.Helper()
	var taped *tape
	way := trial.Way{New: func(c *trial.Case, _ *trial.Die) (trial.Adviser, error) {
		engine, err := guide.New(configOf(c, statedS))
		taped = &tape{Engine: engine}
		return taped, err
	}}
	var truth []Point
	landing, err := trial.Play(c, way, func(m trial.Moment) {
		truth = append(truth, Point{m.Step.TimeS, m.ThinnestUM})
	})
	if err != nil {
		t.Fatal(err)
	}
	run, err := NewRun(Record{
		Name: "run", TargetUM: c.TargetUM, FloorUM: c.FloorUM, Events: taped.events, Truth: NewTruth(map[string][]Point{"": truth}),
		Adviser: func(s Setting) (trial.Adviser, error) {
			reactionS := statedS
			if s != nil {
				reactionS = s[0]
			}
			return guide.New(configOf(c, reactionS))
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return run, landing
}

// oneSite makes a case one that is seen while polishing, at one place, twice a second, and
// that is soon over.
func oneSite(c *trial.Case) *trial.Case {
	c.Sight.EveryS = 0.5
	c.StretchS = 0
	c.Shape = trial.Shape{MiddleUM: c.TargetUM + 0.6, Sites: []trial.Site{{Name: "c"}}}
	c.Sight.UnderErr = c.Sight.UnderErr[:1]
	return c
}
