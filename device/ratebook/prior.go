package ratebook

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"
)

// Query describes the next run.
type Query struct {
	Material, Pad, Slurry string  // as in Run; empty matches empty only
	PadMM                 float64 // diameter of the pad
	PressurePa            float64
	SpeedMS               float64 // between pad and die

	// Factor is by how much pressure and speed of a past run may differ. Default 2
	// (common practice, no source).
	Factor float64

	// Before leaves out runs that did not begin before this time, unless it is zero. A
	// replay asks for what was known when its run began, so that a run never
	// learns from itself.
	Before time.Time
}

// Prior is what past runs say about the Preston coefficient of the next run, taken
// as log-normal.
type Prior struct {
	PrestonPerPa float64 // median in 1/Pa; NaN when no run matches
	RelSD        float64 // standard deviation over mean, for a new run

	// LnSD is the same as a standard deviation of ln Kp: BetweenLnSD from one run to
	// another and MeanLnSD of the mean of the runs, together widened by the factor
	// FewRuns, and what was Relaxed, all in quadrature.
	LnSD, BetweenLnSD, MeanLnSD, FewRuns float64

	Runs    []Run     // that it stands on, the oldest first
	Relaxed []Relaxed // in what they differ from the query
}

// Relaxed is a difference that was let pass because few runs match in all.
type Relaxed struct {
	What string  // "pad size", "pressure or speed", "slurry", "pad"
	LnSD float64 // added in quadrature to the standard deviation of ln Kp
	Runs int     // how many of the runs differ
}

// Interval returns the 5 and 95 % points of a new run's coefficient, 1/Pa.
func (p Prior) Interval() (p05, p95 float64) {
	return p.PrestonPerPa * math.Exp(-z95*p.LnSD), p.PrestonPerPa * math.Exp(z95*p.LnSD)
}

// enough runs that match in all make looking further needless.
const enough = 5

// relaxation is one property in which a past run may differ from the next.
type relaxation struct {
	what    string
	lnSD    float64
	matches func(q Query, r Run) bool
}

// relaxations are looked at in this order, each on top of those before. The material is
// never relaxed. Preston's law already carries pad size, pressure and speed, though
// only roughly; slurry and pad change the coefficient itself. (Common practice, no
// source.)
func relaxations() []relaxation {
	return []relaxation{
		{"pad size", 0.1, func(q Query, r Run) bool { return within(q.PadMM, r.PadMM, sameSize) }},
		{"pressure or speed", 0.15, func(q Query, r Run) bool {
			return within(q.PressurePa, r.PressurePa, q.Factor) && within(q.SpeedMS, r.SpeedMS, q.Factor)
		}},
		{"slurry", 0.5, func(q Query, r Run) bool { return same(q.Slurry, r.Slurry) }},
		{"pad", 0.5, func(q Query, r Run) bool { return same(q.Pad, r.Pad) }},
	}
}

// Prior pools the runs of the same material that match the query. While fewer than
// five match, it looks what one relaxation after the other would give, and takes what
// leaves a new run least uncertain: a single run that matches in all is worth more
// than many with another slurry. No run at all is no error: see Prior.Runs.
func (b *Book) Prior(ctx context.Context, q Query) (Prior, error) {
	runs, err := b.list(ctx, Filter{Before: q.Before}.takes)
	if err != nil {
		return Prior{}, b.explain(ctx, err)
	}
	return Pool(q, runs)
}

// Pool is Prior over runs that were listed before, the oldest first.
func Pool(q Query, runs []Run) (Prior, error) {
	switch {
	case q.Factor == 0:
		q.Factor = 2
	case !(q.Factor >= 1) || math.IsInf(q.Factor, 0):
		return Prior{}, fmt.Errorf("prior from the rate book: factor: found %g: 1 or more is allowed", q.Factor)
	}
	q.Material, q.Pad, q.Slurry = clean(q.Material), clean(q.Pad), clean(q.Slurry)
	early := Filter{Before: q.Before}
	runs = slices.DeleteFunc(slices.Clone(runs), func(r Run) bool { return !early.takes(r) })
	return q.prior(runs), nil
}

// prior chooses among all runs and pools.
func (q Query) prior(runs []Run) Prior {
	nan := math.NaN()
	best := Prior{PrestonPerPa: nan, RelSD: nan, LnSD: nan, BetweenLnSD: nan, MeanLnSD: nan, FewRuns: nan}
	all := relaxations()
	last := 0
	for relaxed := range len(all) + 1 {
		chosen := q.choose(runs, all[relaxed:])
		if len(chosen) == last {
			continue // nothing new
		}
		last = len(chosen)
		if p := q.pool(chosen); len(best.Runs) == 0 || p.LnSD < best.LnSD {
			best = p
		}
		if len(chosen) >= enough {
			break
		}
	}
	return best
}

// pool is the prior that stands on these runs, at least one.
func (q Query) pool(runs []Run) Prior {
	samples := make([]sample, len(runs))
	for i, r := range runs {
		samples[i] = sample{math.Log(r.PrestonPerPa), lnVariance(r.PrestonRelSD)}
	}
	freedom := len(samples) - 1
	tau2 := moderated(betweenVariance(samples), freedom)
	mean, variance := weightedMean(samples, tau2)
	p := Prior{PrestonPerPa: math.Exp(mean), BetweenLnSD: math.Sqrt(tau2), MeanLnSD: math.Sqrt(variance),
		FewRuns: fewRuns(freedom), Runs: runs, Relaxed: q.differences(runs)}
	total := (tau2 + variance) * p.FewRuns * p.FewRuns
	for _, r := range p.Relaxed {
		total += r.LnSD * r.LnSD
	}
	p.LnSD, p.RelSD = math.Sqrt(total), relSD(total)
	return p
}

// choose returns the runs of the same material that match in all these.
func (q Query) choose(runs []Run, asked []relaxation) []Run {
	var chosen []Run
	for _, r := range runs {
		if q.accepts(r, asked) {
			chosen = append(chosen, r)
		}
	}
	return chosen
}

// accepts tells whether a run is of the same material and matches in all these.
func (q Query) accepts(r Run, asked []relaxation) bool {
	for _, a := range asked {
		if !a.matches(q, r) {
			return false
		}
	}
	return same(q.Material, r.Material)
}

// differences counts in what runs differ from the query. A relaxation that none of
// them needed does not widen.
func (q Query) differences(runs []Run) []Relaxed {
	var out []Relaxed
	for _, a := range relaxations() {
		n := 0
		for _, r := range runs {
			if !a.matches(q, r) {
				n++
			}
		}
		if n > 0 {
			out = append(out, Relaxed{What: a.what, LnSD: a.lnSD, Runs: n})
		}
	}
	return out
}
