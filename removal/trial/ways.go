package trial

import (
	"math"

	"bluefringe/optics/estimate"
	"bluefringe/optics/surface"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// Adviser tells the operator of a run what to do. What it is told comes in the order of
// time. *guide.Engine is one.
type Adviser interface {
	Process(guide.ProcessChange) []guide.Step
	Take(guide.Reading) []guide.Step
	Advance(timeS float64) []guide.Step
}

var _ Adviser = (*guide.Engine)(nil)

// Way is a way of deciding when to stop.
type Way struct {
	Name string
	New  func(*Case, *Die) (Adviser, error) // for one run; only Perfect looks at the die

	Blindfold bool // the operator never lifts to look, and any stop is the end
}

// PrestonRelSD is what the set-up says of the Preston coefficient unless Engine is told
// otherwise: what Draw makes of it, a factor whose logarithm is uniform from ln 0.5 to
// ln 2, has a standard deviation of ln 4/√12.
const PrestonRelSD = 0.4

// Engine is the engine with the set-up of the case. change, if not nil, alters its
// configuration.
func Engine(name string, change func(*guide.Config)) Way {
	return Way{Name: name, New: func(c *Case, _ *Die) (Adviser, error) {
		config := guide.Config{
			Process: c.Process, PrestonRelSD: PrestonRelSD,
			Advice:     advice.Config{TargetUM: c.TargetUM, FloorUM: c.FloorUM, ReactionS: c.ReactionS},
			PositionMM: c.Shape.positionMM,
			Outline:    surface.Outline{MinXMM: -c.Shape.HalfMM, MaxXMM: c.Shape.HalfMM, MinYMM: -c.Shape.HalfMM, MaxYMM: c.Shape.HalfMM},
		}
		if change != nil {
			change(&config)
		}
		return guide.New(config)
	}}
}

// Clock stops when what is to be removed, over the rate that the set-up expects, has
// passed in contact. It knows the thickness at the start and looks at no reading.
func Clock() Way {
	return Way{Name: "clock", New: func(c *Case, d *Die) (Adviser, error) {
		return &clock{plain: newPlain(c), leftUM: d.thinnestSiteUM()*(1+c.Sight.ScaleErr) - c.TargetUM}, nil
	}, Blindfold: true}
}

// FirstReading stops at the first reading at or below the target, of any site.
func FirstReading() Way {
	return Way{Name: "first reading", New: func(c *Case, _ *Die) (Adviser, error) {
		return &firstReading{plain: newPlain(c), thinnestUM: math.Inf(1)}, nil
	}}
}

// Perfect knows the thinnest place of the die and its rate at every moment. What it
// misses is the operator's hand.
func Perfect() Way {
	return Way{Name: "perfect sight", New: func(c *Case, d *Die) (Adviser, error) {
		return &perfect{plain: newPlain(c), die: d}, nil
	}}
}

// plain is what the ways other than the engine share: the process as it is reported.
type plain struct {
	c       *Case
	process removal.Process
	timeS   float64
	contact bool
}

func newPlain(c *Case) plain { return plain{c: c, process: c.Process} }

func (p *plain) change(change guide.ProcessChange) {
	if change.ForceN != nil {
		p.process.ForceN = *change.ForceN
	}
	if change.Contact != nil {
		p.contact = *change.Contact
	}
}

// step says stop or not yet; toTargetS is the time left.
func (p *plain) step(stop bool, toTargetS float64) []guide.Step {
	nan := math.NaN()
	s := guide.Step{TimeS: p.timeS}
	s.Forecast.ToTargetS = removal.Interval{P05S: nan, P50S: toTargetS, P95S: nan}
	s.Advice = guide.Advice{TimeS: p.timeS, Rule: "target", ThinnestUM: nan, NextStretchS: nan}
	if stop {
		s.Advice.Level = advice.Stop
	}
	return []guide.Step{s}
}

type clock struct {
	plain
	leftUM float64
}

func (k *clock) Process(change guide.ProcessChange) []guide.Step {
	steps := k.Advance(change.TimeS)
	k.change(change)
	return steps
}

func (k *clock) Take(r guide.Reading) []guide.Step { return k.Advance(r.Estimate.TimeS) }

func (k *clock) Advance(timeS float64) []guide.Step {
	umS := k.process.RateUMMin() / 60
	if k.contact {
		k.leftUM -= umS * (timeS - k.timeS)
	}
	k.timeS = timeS
	leftS := k.leftUM / umS
	return k.step(leftS <= k.leadS(), leftS)
}

// leadS is how long before the end stop must be said by one who says it every tick.
// With the pad off the die nobody has to react, but the next stretch takes a while.
func (p *plain) leadS() float64 {
	if p.contact {
		return p.c.ReactionS + tickS/2
	}
	return shortestS / 2
}

type firstReading struct {
	plain
	thinnestUM float64
}

func (f *firstReading) Process(change guide.ProcessChange) []guide.Step {
	f.timeS = change.TimeS
	f.change(change)
	return nil
}

func (f *firstReading) Take(r guide.Reading) []guide.Step {
	f.timeS = r.Estimate.TimeS
	if r.Estimate.Quality <= estimate.Weak {
		f.thinnestUM = math.Min(f.thinnestUM, r.Estimate.ThicknessUM)
	}
	return f.step(f.thinnestUM <= f.c.TargetUM, (f.thinnestUM-f.c.TargetUM)/f.process.RateUMMin()*60)
}

func (f *firstReading) Advance(float64) []guide.Step { return nil }

type perfect struct {
	plain
	die *Die
}

func (p *perfect) Process(change guide.ProcessChange) []guide.Step {
	p.change(change)
	return p.Advance(change.TimeS)
}

func (p *perfect) Take(r guide.Reading) []guide.Step { return p.Advance(r.Estimate.TimeS) }

func (p *perfect) Advance(timeS float64) []guide.Step {
	p.timeS = timeS
	leftS := (p.die.thinnestUM(p.die.removedUM) - p.c.TargetUM) / p.die.rateUMS()
	return p.step(p.die.thinnestUM(p.die.after(p.leadS())) <= p.c.TargetUM, leftS)
}
