package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"bluefringe/removal"
)

// Defaults, all common practice, no source.
const (
	DefaultMargin = 1.5 // of the deepest damage, left for the next step
	thinDamage    = 0.1 // of the target: more damage in the finished die is worth a word
)

// Job is what is to be done.
type Job struct {
	StartUM       float64
	StartDamageUM float64 // under the face as it comes, at most; 0: none
	TargetUM      float64
	FloorUM       float64 // no place may ever be thinner; 0: not set

	Margin    float64 // times the deepest damage is left for the next step; 1 or more
	ReactionS float64 // from the word to pad off the die
	DieMM2    float64 // area of the die; 0: not known

	ForceMinN, ForceMaxN float64 // that the machine holds; 0: no bound
	Channels             []Channel
}

// Step is one grind or polish.
type Step struct {
	Name       string
	AbrasiveUM float64 // mean size
	Damage     Damage  // that it leaves
	StopUM     float64 // NaN: follows from the steps after it

	PadMM, ForceN, SpeedMS float64
	Rate                   Rate
}

// PressurePa is the force over the area of the round pad; NaN when one is not known.
func (s Step) PressurePa() float64 {
	if !(s.PadMM > 0) {
		return math.NaN()
	}
	return removal.Process{ForceN: s.ForceN, PadMM: s.PadMM}.PressurePa()
}

// Stage is a step with its place in the plan.
type Stage struct {
	Step
	FromUM, ToUM float64
	NeedUM       float64 // least that it must remove: the damage it finds
	SpareUM      float64 // below ToUM before harm is done; NaN when that is not known
	TimeS        removal.Interval
	Look         Look

	Problems []string // why it cannot be done
	Warnings []string
}

// RemoveUM is how much the stage takes off.
func (s Stage) RemoveUM() float64 { return s.FromUM - s.ToUM }

// Plan is the steps in their order.
type Plan struct {
	Stages []Stage
	// TimeS is the sum. Its 5 and 95 % points are those of the stages added up, as if all
	// erred together: never too narrow.
	TimeS removal.Interval
}

// Feasible tells whether every step can be done.
func (p Plan) Feasible() bool {
	return !slices.ContainsFunc(p.Stages, func(s Stage) bool { return len(s.Problems) > 0 })
}

// Make lays out steps, the first one first.
func Make(job Job, steps []Step) (Plan, error) {
	switch {
	case len(steps) == 0:
		return Plan{}, errors.New("plan: no steps")
	case !(job.StartUM > job.TargetUM && job.TargetUM > 0):
		return Plan{}, fmt.Errorf("plan: start %g um, target %g um: a start above a target above 0 is allowed", job.StartUM, job.TargetUM)
	case !(job.Margin >= 1):
		return Plan{}, fmt.Errorf("plan: margin %g: 1 or more is allowed", job.Margin)
	}
	stops := job.stops(steps)
	p := Plan{Stages: make([]Stage, len(steps))}
	for i, step := range steps {
		s := Stage{Step: step, FromUM: job.StartUM, ToUM: stops[i], NeedUM: job.StartDamageUM}
		if i > 0 {
			s.FromUM, s.NeedUM = stops[i-1], steps[i-1].Damage.MostUM
		}
		if last := i == len(steps)-1; !last {
			s.SpareUM = s.ToUM - (stops[i+1] + step.Damage.MostUM)
		} else if s.SpareUM = math.NaN(); job.FloorUM > 0 {
			s.SpareUM = s.ToUM - job.FloorUM
		}
		s.TimeS = step.Rate.TimeS(math.Max(0, s.RemoveUM()))
		p.TimeS.P05S += s.TimeS.P05S
		p.TimeS.P50S += s.TimeS.P50S
		p.TimeS.P95S += s.TimeS.P95S
		p.Stages[i] = s
	}
	for i := range p.Stages {
		p.judge(job, i)
	}
	return p, nil
}

// stops says where each step stops: the last at the target, each before it so much
// higher that the next removes its damage with the margin.
func (job Job) stops(steps []Step) []float64 {
	stops := make([]float64, len(steps))
	next := job.TargetUM
	for i, step := range slices.Backward(steps) {
		switch last := i == len(steps)-1; {
		case !math.IsNaN(step.StopUM):
			next = step.StopUM
		case !last:
			next += job.Margin * step.Damage.MostUM
		}
		stops[i] = next
	}
	return stops
}

// Fitting drops the leading steps for which the die is too thin as it comes.
func (job Job) Fitting(steps []Step) (kept, dropped []Step) {
	stops := job.stops(steps)
	first := 0
	for first < len(steps)-1 && stops[first] >= job.StartUM {
		first++
	}
	return steps[first:], steps[:first]
}

// Ladder is the steps where none are given; their sizes are common practice, no source.
// Pad, force, speed and rate are open.
func Ladder() []Step {
	nan := math.NaN()
	step := func(name string, abrasiveUM float64) Step {
		return Step{Name: name, AbrasiveUM: abrasiveUM, Damage: FromAbrasive(abrasiveUM), StopUM: nan,
			PadMM: nan, ForceN: nan, SpeedMS: nan, Rate: DefaultRate(abrasiveUM)}
	}
	return []Step{step("coarse grind", 30), step("fine grind", 9), step("fine polish", 1), step("final polish", 0.05)}
}
