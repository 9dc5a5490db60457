package trial

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Bands of time left by which forecasts are judged, longest first: from the figure on.
var bandFromS = [...]float64{120, 60, 30, 10, 0}

// Bands is their number.
const Bands = len(bandFromS)

// BandName says which band i is.
func BandName(i int) string {
	return [Bands]string{"> 120 s", "60–120 s", "30–60 s", "10–30 s", "< 10 s"}[i]
}

// Coverage counts how often the 90 % interval of the time to target held the truth in
// one run, by the time that the forecast itself said was left (its median).
type Coverage struct {
	Band [Bands]Held
}

// Held counts the forecasts of a band.
type Held struct {
	Said, Early, Late int // all; truth before the interval, after it

	// Sums over the forecasts with a median of at least a second, of parts of that
	// median: how much later the truth came, the square of that, and the standard
	// deviation that the interval states.
	Timed                int
	Later, Square, State float64
}

// widthSD is the width of a 90 % interval in standard deviations of a Gaussian.
const widthSD = 2 * 1.6449

// Add judges the forecast of a moment: of the site that is said to be the thinnest, from
// first contact until it is down to the target.
func (c *Coverage) Add(m Moment) {
	f := m.Step.Forecast
	to := f.ToTargetS
	if !m.Touched || f.Site != m.Step.Advice.Site || !(m.ToTargetS > 0) || math.IsNaN(to.P50S) {
		return
	}
	band := slices.IndexFunc(bandFromS[:], func(fromS float64) bool { return to.P50S >= fromS })
	h := &c.Band[band]
	h.Said++
	switch {
	case m.ToTargetS < to.P05S:
		h.Early++
	case !(m.ToTargetS <= to.P95S):
		h.Late++
	}
	if to.P50S >= 1 && !math.IsNaN(to.P95S) {
		later := m.ToTargetS/to.P50S - 1
		h.Timed++
		h.Later += later
		h.Square += later * later
		h.State += (to.P95S - to.P05S) / to.P50S / widthSD
	}
}

// Result is one case under one way of working.
type Result struct {
	Case     *Case
	Landing  Landing
	Coverage Coverage
}

// Score plays a case and scores it.
func Score(c *Case, way Way) (Result, error) {
	r := Result{Case: c}
	var err error
	r.Landing, err = Play(c, way, r.Coverage.Add)
	return r, err
}

// Summary is many results in figures.
type Summary struct {
	Runs, Ended    int
	P05, P50, P95  float64 // of thinnest place less target, µm
	RMS            float64 // of the same
	Within         int     // in tolerance
	SiteWithin     int     // by the thinnest site
	Crossed        int     // below the floor somewhere
	FalseStops     int
	Lifts, LiftedS float64 // means of a run
	LiftedP95S     float64
	AdviceRMS      float64 // of what the advice, the hand and unseen places made of the miss
	HandRMS        float64
	PlaceRMS       float64
	Band           [Bands]BandSummary
}

// BandSummary is how the intervals of a band held, every run with the same weight.
type BandSummary struct {
	Runs              int // that had a forecast in the band
	Held, Early, Late float64
	Later             float64 // by which part of the median the truth came later, mean
	RMS               float64 // the same, root mean square
	StatedSD          float64 // what it should be by the intervals
}

// Summarise makes figures of results, in their order.
func Summarise(results []Result) Summary {
	var s Summary
	var misses, lifted []float64
	var bands [Bands]BandSummary
	var timedRuns [Bands]float64
	for i := range results {
		l := &results[i].Landing
		s.Runs++
		if l.Ended {
			s.Ended++
		}
		if l.Within() {
			s.Within++
		}
		if l.SiteWithin() {
			s.SiteWithin++
		}
		if l.Crossed() {
			s.Crossed++
		}
		if l.FalseStop() {
			s.FalseStops++
		}
		misses, lifted = append(misses, l.MissUM()), append(lifted, l.LiftedS)
		s.Lifts += float64(l.Lifts)
		s.RMS += l.MissUM() * l.MissUM()
		s.AdviceRMS += l.AdviceUM() * l.AdviceUM()
		s.HandRMS += l.HandUM() * l.HandUM()
		s.PlaceRMS += l.PlaceUM() * l.PlaceUM()
		for b, h := range results[i].Coverage.Band {
			if h.Said == 0 {
				continue
			}
			said := float64(h.Said)
			bands[b].Runs++
			bands[b].Early += float64(h.Early) / said
			bands[b].Late += float64(h.Late) / said
			if h.Timed > 0 {
				timed := float64(h.Timed)
				timedRuns[b]++
				bands[b].Later += h.Later / timed
				bands[b].RMS += h.Square / timed
				bands[b].StatedSD += h.State / timed
			}
		}
	}
	if s.Runs == 0 {
		return s
	}
	n := float64(s.Runs)
	s.Lifts /= n
	for _, sum := range []*float64{&s.RMS, &s.AdviceRMS, &s.HandRMS, &s.PlaceRMS} {
		*sum = math.Sqrt(*sum / n)
	}
	s.LiftedS = stat.Mean(lifted, nil)
	slices.Sort(misses)
	slices.Sort(lifted)
	at := func(p float64, sorted []float64) float64 { return stat.Quantile(p, stat.Empirical, sorted, nil) }
	s.P05, s.P50, s.P95, s.LiftedP95S = at(0.05, misses), at(0.5, misses), at(0.95, misses), at(0.95, lifted)
	for b, sum := range bands {
		if sum.Runs == 0 {
			continue
		}
		m := float64(sum.Runs)
		s.Band[b] = BandSummary{Runs: sum.Runs, Held: 1 - (sum.Early+sum.Late)/m, Early: sum.Early / m, Late: sum.Late / m,
			Later: sum.Later / timedRuns[b], RMS: math.Sqrt(sum.RMS / timedRuns[b]), StatedSD: sum.StatedSD / timedRuns[b]}
	}
	return s
}

// HeldIn is the share of intervals that held in the bands from first to last, NaN
// without any.
func (s *Summary) HeldIn(first, last int) float64 {
	held, runs := 0.0, 0.0
	for _, b := range s.Band[first : last+1] {
		held += b.Held * float64(b.Runs)
		runs += float64(b.Runs)
	}
	return held / runs
}

// Worst returns the n results that ended farthest from target for what the advice did,
// the farthest first.
func Worst(results []Result, n int) []Result {
	sorted := slices.Clone(results)
	slices.SortStableFunc(sorted, func(a, b Result) int {
		x, y := math.Abs(a.Landing.AdviceUM()), math.Abs(b.Landing.AdviceUM())
		switch {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	return sorted[:min(n, len(sorted))]
}
