package ratebook

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// next is an invented run to come; past is one that matches it in all.
func next() Query {
	return Query{Material: "silicon", Pad: "felt", Slurry: "colloid A", PadMM: 3, PressurePa: 2e5, SpeedMS: 0.25, Factor: 2}
}

func past(n int) Run {
	return Run{
		ID: int64(n), Checksum: strings.Repeat("0", 15) + fmt.Sprintf("%049d", n), When: time.Date(2026, 3, 1+n, 8, 0, 0, 0, time.UTC),
		Job: "invented", Material: "Silicon", Pad: "felt", Slurry: "Colloid A", PadMM: 3, ForceN: 1.4137, PressurePa: 2e5, SpeedMS: 0.25,
		PrestonPerPa: 2e-13, PrestonRelSD: 0.05, GlazingS: 300, RemovedUM: 2.5, PolishedS: 240,
	}
}

func TestPriorRelaxes(t *testing.T) {
	vary := func(n int, change func(*Run)) Run {
		r := past(n)
		change(&r)
		return r
	}
	otherSize := func(r *Run) { r.PadMM = 5 }
	otherPressure := func(r *Run) { r.PressurePa = 5e5 }
	otherSpeed := func(r *Run) { r.SpeedMS = 0.1 }
	unknownSpeed := func(r *Run) { r.SpeedMS = math.NaN() }
	otherSlurry := func(r *Run) { r.Slurry = "colloid B" }
	otherPad := func(r *Run) { r.Pad = "foam" }
	otherMaterial := func(r *Run) { r.Material = "glass" }
	several := func(n int, change func(*Run)) []Run {
		var out []Run
		for i := range n {
			out = append(out, vary(10+i, change))
		}
		return out
	}
	cases := map[string]struct {
		runs    []Run
		used    []int64
		relaxed []string
	}{
		"none":          {},
		"material only": {runs: several(3, otherMaterial)},
		"one":           {runs: []Run{past(1)}, used: []int64{1}},
		"enough match":  {runs: append(several(9, otherSize), past(1), past(2), past(3), past(4), past(5)), used: []int64{1, 2, 3, 4, 5}},
		"one that matches and some of another pad size": {runs: append(several(3, otherSize), past(1)),
			used: []int64{10, 11, 12, 1}, relaxed: []string{"pad size 3"}},
		"one that matches and many of another slurry": {runs: append(several(30, otherSlurry), past(1)), used: []int64{1}},
		"only what was needed": {runs: append(several(4, otherSpeed), vary(1, otherPressure), vary(2, otherSlurry)),
			used: []int64{10, 11, 12, 13, 1}, relaxed: []string{"pressure or speed 5"}},
		"unknown never matches": {runs: []Run{vary(1, unknownSpeed), vary(2, unknownSpeed)}, used: []int64{1, 2}, relaxed: []string{"pressure or speed 2"}},
		"slurry before pad":     {runs: []Run{vary(1, otherPad), vary(2, otherSlurry)}, used: []int64{2}, relaxed: []string{"slurry 1"}},
		"pad":                   {runs: []Run{vary(1, otherPad), vary(2, otherMaterial)}, used: []int64{1}, relaxed: []string{"pad 1"}},
		"all": {runs: []Run{vary(1, func(r *Run) { otherSize(r); otherSpeed(r); otherSlurry(r); otherPad(r) })},
			used: []int64{1}, relaxed: []string{"pad size 1", "pressure or speed 1", "slurry 1", "pad 1"}},
	}
	for name, c := range cases {
		p := next().prior(c.runs)
		var used []int64
		for _, r := range p.Runs {
			used = append(used, r.ID)
		}
		var relaxed []string
		extra := 0.0
		for _, r := range p.Relaxed {
			relaxed = append(relaxed, fmt.Sprintf("%s %d", r.What, r.Runs))
			extra += r.LnSD * r.LnSD
		}
		if !slices.Equal(used, c.used) || !slices.Equal(relaxed, c.relaxed) {
			t.Errorf("%s: used %v relaxed %q, want %v %q", name, used, relaxed, c.used, c.relaxed)
		}
		if len(c.used) == 0 {
			if !math.IsNaN(p.PrestonPerPa) || !math.IsNaN(p.RelSD) {
				t.Errorf("%s: a prior of no run: %+v", name, p)
			}
			continue
		}
		if want := (p.BetweenLnSD*p.BetweenLnSD+p.MeanLnSD*p.MeanLnSD)*p.FewRuns*p.FewRuns + extra; math.Abs(p.LnSD*p.LnSD/want-1) > 1e-12 {
			t.Errorf("%s: variance %g is not the sum of its parts %g", name, p.LnSD*p.LnSD, want)
		}
		if math.Abs(p.PrestonPerPa/2e-13-1) > 1e-12 {
			t.Errorf("%s: %g of runs that all say 2e-13", name, p.PrestonPerPa)
		}
	}
}

// TestPriorOfOneRun: the usual spread between runs, once for the run it stands on and
// once for the one to come, and that run's own uncertainty; widened as Student's t with
// four degrees of freedom, whose 95 % point is 2.132 (any table).
func TestPriorOfOneRun(t *testing.T) {
	p := next().prior([]Run{past(1)})
	want := math.Sqrt(2*usualBetweenSD*usualBetweenSD+lnVariance(0.05)) * 2.132 / 1.645
	if math.Abs(p.LnSD/want-1) > 1e-3 || p.BetweenLnSD != usualBetweenSD {
		t.Errorf("standard deviation %g of which between runs %g, want %g and %g", p.LnSD, p.BetweenLnSD, want, usualBetweenSD)
	}
	low, high := p.Interval()
	// The 95 % point of the normal distribution is 1.645 (any table).
	if math.Abs(math.Log(high/2e-13)/want-1.645) > 2e-3 || math.Abs(low*high/4e-26-1) > 1e-12 {
		t.Errorf("interval %g to %g", low, high)
	}
}

func TestPriorWeighsByPrecision(t *testing.T) {
	sharp, vague, third := past(1), past(2), past(3)
	sharp.PrestonRelSD, vague.PrestonRelSD = 0.02, 1.5
	vague.PrestonPerPa = 4e-13
	p := next().prior([]Run{sharp, vague, third})
	if p.PrestonPerPa > 2.2e-13 {
		t.Errorf("a vague run pulls the prior to %g", p.PrestonPerPa)
	}
}

// TestPriorHoldsNewRuns draws labs with their own spread between runs, and counts how
// often the run after the first few lies inside the stated 90 %.
func TestPriorHoldsNewRuns(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 3))
	const labs = 1500
	always := func(between float64) func() float64 { return func() float64 { return between } }
	// Labs as they are assumed to be before any run: between² is ν·usual²/χ²(ν).
	anyLab := func() float64 {
		chi2 := 0.0
		for range usualFreedom {
			z := rng.NormFloat64()
			chi2 += z * z
		}
		return usualBetweenSD * math.Sqrt(usualFreedom/chi2)
	}
	for _, c := range []struct {
		name        string
		between     func() float64
		runs        int
		least, most float64 // percent of new runs inside
	}{
		{"any lab", anyLab, 1, 87, 93}, {"any lab", anyLab, 3, 87, 93}, {"any lab", anyLab, 10, 87, 93},
		{"0.2", always(0.2), 1, 92, 99}, {"0.2", always(0.2), 5, 88, 94}, {"0.2", always(0.2), 20, 87, 93},
		// A steadier lab gets more than it was promised, until its runs tell.
		{"0.1", always(0.1), 1, 98, 100}, {"0.1", always(0.1), 40, 89, 96},
		// A wilder one gets less at first: that is what is not known yet.
		{"0.4", always(0.4), 1, 65, 80}, {"0.4", always(0.4), 5, 75, 90}, {"0.4", always(0.4), 40, 86, 93},
	} {
		inside := 0
		for range labs {
			between := c.between()
			draw := func() Run {
				r := past(1)
				r.PrestonRelSD = 0.03 + 0.1*rng.Float64()
				own := math.Sqrt(lnVariance(r.PrestonRelSD))
				r.PrestonPerPa = 2e-13 * math.Exp(between*rng.NormFloat64()+own*rng.NormFloat64())
				return r
			}
			runs := make([]Run, c.runs)
			for i := range runs {
				runs[i] = draw()
			}
			low, high := next().prior(runs).Interval()
			truth := 2e-13 * math.Exp(between*rng.NormFloat64())
			if low <= truth && truth <= high {
				inside++
			}
		}
		percent := 100 * float64(inside) / labs
		t.Logf("spread %s, %2d runs: %.1f %% inside 90 %%", c.name, c.runs, percent)
		if percent < c.least || percent > c.most {
			t.Errorf("spread %s, %d runs: %.1f %% of new runs inside 90 %%, want %g to %g", c.name, c.runs, percent, c.least, c.most)
		}
	}
}
