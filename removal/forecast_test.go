package removal

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// stateOf makes a state with a thickness and a rate of stated uncertainty.
func stateOf(z, sd, baseUM, relSD, correlation float64) State {
	c := TrackerConfig{}.withDefaults()
	return State{
		ThicknessUM: z, SDUM: sd,
		joint:  gauss2{a: z, aa: sd * sd, b: 1, ab: correlation * sd * relSD, bb: relSD * relSD},
		baseUM: baseUM,
		model:  rateModel{mean: 1, relSD: c.RateRelSD, wander: c.WanderPerSqrtS},
	}
}

func TestForecastExactWhenAllIsKnown(t *testing.T) {
	s := stateOf(3, 1e-9, 0.6, 1e-9, 0)
	s.model.wander = 1e-12
	f := NewForecast(s, 0)
	got := f.TimeTo(2)
	for _, v := range []float64{got.P05S, got.P50S, got.P95S} {
		within(t, "1 µm at 0.6 µm/min", v, 100, 1e-4)
	}
	within(t, "mean after 30 s", f.MeanAfter(30), 2.7, 1e-9)
	within(t, "quantile", f.QuantileAfter(0.05, 30), 2.7, 1e-6)
}

// A rate known by a factor only: the time is log-normal like the rate, and its
// points are exp(±1.645 s) about the median (identity).
func TestForecastLogNormalRate(t *testing.T) {
	const lnSD = 0.5
	relSD := math.Sqrt(math.Expm1(lnSD * lnSD))
	s := stateOf(3, 1e-9, 0.6, relSD, 0)
	s.model.wander = 1e-12
	s.joint.b = 1
	f := NewForecast(s, 0)
	got := f.TimeTo(2)
	// The Gaussian of the filter loses its negative part before it becomes a
	// log-normal; take that from the forecast's own moments.
	ln := math.Log1p(f.rate.variance / (f.rate.mean * f.rate.mean))
	median := 100 / (f.rate.mean * math.Exp(-ln/2))
	within(t, "median", got.P50S/median, 1, 5e-7)
	within(t, "5 %", got.P05S/(median*math.Exp(-1.6448536*math.Sqrt(ln))), 1, 1e-6)
	within(t, "95 %", got.P95S/(median*math.Exp(1.6448536*math.Sqrt(ln))), 1, 1e-6)
}

// Only the thickness is in doubt: Gaussian, with the constant rate as the scale.
func TestForecastGaussianThickness(t *testing.T) {
	s := stateOf(3, 0.03, 0.6, 1e-9, 0)
	s.model.wander = 1e-12
	f := NewForecast(s, 0.04)
	got := f.TimeTo(2)
	within(t, "5 %", got.P05S, 100-1.6448536*0.05/0.01, 1e-3)
	within(t, "95 %", got.P95S, 100+1.6448536*0.05/0.01, 1e-3)
	within(t, "probability", f.ProbabilityBelow(2.5, 40), normalCDF(-2), 1e-6)
}

func TestForecastEdges(t *testing.T) {
	nan := NewForecast(NewTracker(TrackerConfig{}).At(0), 0)
	if v := nan.TimeTo(2); !math.IsNaN(v.P05S) || !math.IsNaN(v.P50S) || !math.IsNaN(v.P95S) {
		t.Errorf("no track: %+v", v)
	}
	if p, m := nan.ProbabilityBelow(2, 1), nan.MeanAfter(1); !math.IsNaN(p) || !math.IsNaN(m) {
		t.Errorf("no track: %g %g", p, m)
	}
	f := NewForecast(stateOf(2, 0.01, 0.5, 0.1, -0.3), 0)
	if v := f.TimeTo(2.1); v != (Interval{}) {
		t.Errorf("already past: %+v", v)
	}
	if v := f.TimeTo(2); v.P05S != 0 || v.P50S > 0.01 || v.P95S <= 0 {
		t.Errorf("at the level: %+v", v)
	}
	if v := f.TimeTo(math.NaN()); !math.IsNaN(v.P50S) {
		t.Errorf("no level: %+v", v)
	}
	rest := NewForecast(stateOf(2, 0.01, 0, 0.1, 0), 0)
	if v := rest.TimeTo(1); !math.IsNaN(v.P05S) || !math.IsNaN(v.P95S) {
		t.Errorf("zero rate: %+v", v)
	}
	slow := NewForecast(stateOf(700, 0.01, 0.1, 0.1, 0), 0)
	if v := slow.TimeTo(1); !math.IsNaN(v.P50S) {
		t.Errorf("beyond a day: %+v", v)
	}
}

func TestForecastMonotone(t *testing.T) {
	for _, relSD := range []float64{0.02, 0.3, 3} {
		f := NewForecast(stateOf(3, 0.02, 0.5, relSD, -0.5), 0)
		last := 0.0
		for level := 0.5; level < 3.2; level += 0.01 {
			p := f.ProbabilityBelow(level, 60)
			if p < last-1e-12 || p > 1 {
				t.Fatalf("rel sd %g: probability %g after %g at %g µm", relSD, p, last, level)
			}
			last = p
		}
		before := Interval{math.Inf(1), math.Inf(1), math.Inf(1)}
		for level := 2.0; level < 3; level += 0.05 {
			v := f.TimeTo(level)
			if !(v.P05S <= v.P50S && v.P50S <= v.P95S) || v.P50S > before.P50S || v.P95S > before.P95S {
				t.Fatalf("rel sd %g, level %g: %+v after %+v", relSD, level, v, before)
			}
			before = v
		}
		for _, p := range []float64{0.001, 0.05, 0.5, 0.95} {
			within(t, "quantile and probability", f.ProbabilityBelow(f.QuantileAfter(p, 20), 20), p, 1e-9)
		}
	}
}

// Against first passages of simulated dies that start from the forecast's own
// distribution. 20000 dies: the standard error of a probability is at most 0.0035.
func TestForecastAgainstMonteCarlo(t *testing.T) {
	const dies = 20000
	random := rand.New(rand.NewPCG(3, 3))
	for _, c := range []struct {
		name                          string
		sd, relSD, correlation, level float64
	}{
		{"rate known well", 0.003, 0.02, -0.5, 2.5},
		{"rate known badly", 0.003, 0.3, 0, 2.5},
		{"thickness in doubt", 0.05, 0.05, -0.6, 2.8},
		{"both", 0.05, 0.4, -0.3, 2.6},
	} {
		s := stateOf(3, c.sd, 0.5, c.relSD, c.correlation)
		f := NewForecast(s, 0)
		v := f.TimeTo(c.level)
		s2 := math.Log1p(f.rate.variance / (f.rate.mean * f.rate.mean))
		residual := math.Sqrt(f.residualVarUM)
		times := make([]float64, dies)
		for i := range times {
			die := truth{random: random, model: s.model, baseUM: 0.5}
			die.rate = f.rate.mean * math.Exp(math.Sqrt(s2)*random.NormFloat64()-s2/2)
			die.z = 3 + f.slopeUM*(die.rate-f.pivot) + residual*random.NormFloat64()
			step := v.P50S / 40
			for die.z > c.level {
				before := die.z
				die.polish(step)
				if die.z <= c.level {
					die.timeS -= step * (c.level - die.z) / (before - die.z)
				}
			}
			times[i] = die.timeS
		}
		slices.Sort(times)
		share := func(at float64) float64 {
			n, _ := slices.BinarySearch(times, at+1e-12)
			return float64(n) / dies
		}
		t.Logf("%-18s 5/50/95 %%: %.2f %.2f %.2f s; shares of dies %.4f %.4f %.4f", c.name, v.P05S, v.P50S, v.P95S, share(v.P05S), share(v.P50S), share(v.P95S))
		// 4 binomial standard errors, and 0.005 for the three-moment form.
		within(t, c.name+" 5 %", share(v.P05S), 0.05, 4*math.Sqrt(0.05*0.95/dies)+0.005)
		within(t, c.name+" 50 %", share(v.P50S), 0.5, 4*math.Sqrt(0.25/dies)+0.005)
		within(t, c.name+" 95 %", share(v.P95S), 0.95, 4*math.Sqrt(0.05*0.95/dies)+0.005)
	}
}

// The 90 % interval of the time to target must hold 87 to 93 % of the crossings
// of dies that follow the model, from the first readings to the last moment.
func TestIntervalsHoldCrossings(t *testing.T) {
	const dies, baseUM, sdUM, target = 2000, 0.5, 0.003, 2.0
	random := rand.New(rand.NewPCG(4, 4))
	left := []float64{0.9, 0.5, 0.2, 0.1, 0.05, 0.02} // µm above target
	held := make([]int, len(left))
	late := make([]int, len(left)) // crossings after the 95 % point
	width := make([]float64, len(left))
	for range dies {
		die := newTruth(random, baseUM, 3)
		tracker := NewTracker(TrackerConfig{})
		tracker.Process(0, true, baseUM)
		type stated struct {
			Interval
			atS float64
		}
		var said []stated
		crossed := math.NaN()
		for math.IsNaN(crossed) {
			tracker.Update(die.timeS, die.measure(sdUM), sdUM)
			s := tracker.At(die.timeS)
			if len(said) < len(left) && s.ThicknessUM <= target+left[len(said)] {
				f := NewForecast(s, 0)
				said = append(said, stated{f.TimeTo(target), die.timeS})
			}
			before := die.z
			die.polish(0.5)
			if die.z <= target {
				crossed = die.timeS - 0.5*(target-die.z)/(before-die.z)
			}
		}
		for i, v := range said {
			after := crossed - v.atS
			if after >= v.P05S && after <= v.P95S {
				held[i]++
			}
			if after > v.P95S {
				late[i]++
			}
			width[i] += v.P95S - v.P05S
		}
	}
	t.Log("µm left  held %  late %  mean width s")
	for i := range left {
		share := 100 * float64(held[i]) / dies
		t.Logf("%7.2f %7.1f %7.1f %9.2f", left[i], share, 100*float64(late[i])/dies, width[i]/dies)
		if share < 87 || share > 93 {
			t.Errorf("%.2f µm left: %.1f %% of crossings held, want 87 to 93", left[i], share)
		}
	}
}

func BenchmarkForecastTimeTo(b *testing.B) {
	b.ReportAllocs()
	s := steady(40, 5, 0.5).At(20)
	for b.Loop() {
		f := NewForecast(s, 0.002)
		f.TimeTo(2)
	}
}
