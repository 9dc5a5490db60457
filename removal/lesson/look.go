package lesson

import (
	"math"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
)

// unseenS is how long the pad may take silicon without a good reading before it counts as
// polishing without sight.
const unseenS = 4.0

// estimates calls f with every estimate and the moment it came in, until f says no.
func (r *Run) estimates(f func(*Moment, *guide.Estimate) (more bool)) {
	for i := range r.Moments {
		m := &r.Moments[i]
		for j := range m.Steps {
			if e := m.Steps[j].Estimate; e != nil && !f(m, e) {
				return
			}
		}
	}
}

// lastGoodS is the time of the last good reading of a channel up to a time, of any
// channel for ""; -Inf when there is none.
func (r *Run) lastGoodS(channel string, timeS float64) float64 {
	last := math.Inf(-1)
	r.estimates(func(_ *Moment, e *guide.Estimate) bool {
		if e.TimeS > timeS {
			return false
		}
		if e.Quality == estimate.Good && (channel == "" || e.Channel == channel) {
			last = e.TimeS
		}
		return true
	})
	return last
}

// count is the number of spectra after a time and up to another.
func (r *Run) count(fromS, toS float64) (n int) {
	r.estimates(func(_ *Moment, e *guide.Estimate) bool {
		if e.TimeS > fromS && e.TimeS <= toS {
			n++
		}
		return e.TimeS <= toS
	})
	return n
}

// near returns the newest estimate up to a time, of several channels one that is not lost;
// the first when there is none before, nil without any.
func (r *Run) near(timeS float64) (found *guide.Estimate) {
	r.estimates(func(_ *Moment, e *guide.Estimate) bool {
		if e.TimeS > timeS && found != nil {
			return false
		}
		if found == nil || e.TimeS > found.TimeS || found.Quality == estimate.Lost {
			found = e
		}
		return true
	})
	return found
}

// edgeNM is the median contrast edge of the spectra of the seconds around a time, NaN
// without any.
func (r *Run) edgeNM(timeS float64) float64 {
	const aroundS = 3
	var edges []float64
	r.estimates(func(_ *Moment, e *guide.Estimate) bool {
		if math.Abs(e.TimeS-timeS) <= aroundS && !math.IsNaN(e.EdgeNM) {
			edges = append(edges, e.EdgeNM)
		}
		return e.TimeS <= timeS+aroundS
	})
	return median(edges)
}

// fringes is how many fringes silicon of a thickness shows between the two wavelengths:
// the order m = 2nd/λ at one less that at the other.
func (k *Known) fringes(thicknessUM float64) float64 {
	return 2000 * thicknessUM * (k.IndexFrom/k.FromNM - k.IndexTo/k.ToNM)
}

// leadUM is what goes from the decision to the pad off the die, at the rate of a moment.
func (r *Run) leadUM(m *Moment) float64 { return m.RateUMMin / 60 * r.Lesson.LiftS }

// pressS is when the decision should have come: the lift before the target is reached.
// Where the run ended within tolerance above it, the truth is carried on with its last
// rate; where it ended sooner, NaN.
func (r *Run) pressS() float64 {
	k, last := &r.Lesson, &r.Moments[len(r.Moments)-1]
	if t := r.reaches(k.TargetUM); !math.IsNaN(t) {
		return t - k.LiftS
	}
	if aboveUM := last.ThinnestUM - k.TargetUM; aboveUM <= k.ToleranceUM && last.RateUMMin > 0 {
		return r.LiftedS + 60*aboveUM/last.RateUMMin - k.LiftS
	}
	return math.NaN()
}

// fastest is the highest true rate of the run with the pad on the die.
func (r *Run) fastest() float64 {
	most := 0.0
	for i := range r.Moments {
		if r.Moments[i].Touching {
			most = math.Max(most, r.Moments[i].RateUMMin)
		}
	}
	return most
}
