package tune

import (
	"math"

	"gonum.org/v1/gonum/stat"
)

// Summary is what a setting made of many runs. Counts are of the runs with truth but for
// StopS and TrackUM; means without any run are NaN.
type Summary struct {
	Runs         int     // with truth
	Cost         float64 // mean
	AbsMissNM    float64 // mean of the landing error without its sign, runs that were reached
	MissNM       float64 // mean of thinnest place less target, the same
	Crossed      int     // below the floor
	FalseStops   int
	Unreached    int
	Extrapolated int
	LostMin      float64 // mean time lost with looks
	WarnedS      float64 // mean time between prepare and stop, of those that had any
	StopS        float64 // mean run time of the stop, of all runs that were stopped
	TrackUM      float64 // mean thickness by the track then
}

// Summarise makes figures of the outcomes of one setting.
func Summarise(outcomes []Outcome, w Weights) Summary {
	s := Summary{}
	var cost, abs, miss, lost, warned, stopped, track mean
	for i := range outcomes {
		o := &outcomes[i]
		stopped.add(o.StopS)
		track.add(o.TrackUM)
		c := w.Cost(o)
		if math.IsNaN(c) {
			continue
		}
		s.Runs++
		cost.add(c)
		lost.add(o.LostMin())
		if !o.Reached() {
			s.Unreached++
			continue
		}
		l := &o.Landing
		missNM := 1000 * l.MissUM()
		abs.add(math.Abs(missNM))
		miss.add(missNM)
		warned.add(o.WarnedS)
		if o.BeyondS > 0 {
			s.Extrapolated++
		}
		if l.Crossed() {
			s.Crossed++
		}
		if l.FalseStop() {
			s.FalseStops++
		}
	}
	s.Cost, s.AbsMissNM, s.MissNM = cost.value(), abs.value(), miss.value()
	s.LostMin, s.WarnedS, s.StopS, s.TrackUM = lost.value(), warned.value(), stopped.value(), track.value()
	return s
}

// mean leaves out what is not a number.
type mean []float64

func (m *mean) add(v float64) {
	if !math.IsNaN(v) {
		*m = append(*m, v)
	}
}

func (m mean) value() float64 {
	if len(m) == 0 {
		return math.NaN()
	}
	return stat.Mean(m, nil)
}

// Costs are the costs of a setting, run by run; NaN without truth.
func Costs(outcomes []Outcome, w Weights) []float64 {
	costs := make([]float64, len(outcomes))
	for i := range outcomes {
		costs[i] = w.Cost(&outcomes[i])
	}
	return costs
}
