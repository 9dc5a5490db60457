package removal

import (
	"math"
	"testing"
)

// stateOf makes a state with a thickness and a rate of stated uncertainty, the rate
// wandering by 10 % about its level and nothing else.
func stateOf(z, sd, baseUM, relSD, correlation float64) State {
	var p place
	p.mean[level], p.mean[commons] = 1, z
	p.cov[level*placeSize+level], p.cov[commons*placeSize+commons] = relSD*relSD, sd*sd
	p.cov[level*placeSize+commons], p.cov[commons*placeSize+level] = correlation*sd*relSD, correlation*sd*relSD
	k := kinetics{umPerS: baseUM / 60, breakInS: math.Inf(1), glazingS: math.Inf(1),
		wander: comeAndGo{0.1, 240}, own: comeAndGo{0, math.Inf(1)}, scale: 1}
	return newState(0, true, &p, &k)
}

func TestForecastExactWhenAllIsKnown(t *testing.T) {
	s := stateOf(3, 1e-9, 0.6, 1e-9, 0)
	s.kinetics.wander.relSD = 1e-9
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
	s.kinetics.wander.relSD = 1e-9
	f := NewForecast(s, 0)
	got := f.TimeTo(2)
	// The Gaussian of the filter loses its negative part before it becomes a
	// log-normal; take that from the forecast's own moments.
	ln := math.Log1p(f.factor.variance / (f.factor.mean * f.factor.mean))
	median := 100 / (f.factor.mean * math.Exp(-ln/2))
	within(t, "median", got.P50S/median, 1, 5e-7)
	within(t, "5 %", got.P05S/(median*math.Exp(-1.6448536*math.Sqrt(ln))), 1, 1e-6)
	within(t, "95 %", got.P95S/(median*math.Exp(1.6448536*math.Sqrt(ln))), 1, 1e-6)
}

// Only the thickness is in doubt: Gaussian, with the constant rate as the scale.
func TestForecastGaussianThickness(t *testing.T) {
	s := stateOf(3, 0.03, 0.6, 1e-9, 0)
	s.kinetics.wander.relSD = 1e-9
	f := NewForecast(s, 0.04)
	got := f.TimeTo(2)
	within(t, "5 %", got.P05S, 100-1.6448536*0.05/0.01, 1e-3)
	within(t, "95 %", got.P95S, 100+1.6448536*0.05/0.01, 1e-3)
	within(t, "probability", f.ProbabilityBelow(2.5, 40), normalCDF(-2), 1e-6)
}

func TestForecastEdges(t *testing.T) {
	nan := NewForecast(noState(0, true), 0)
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
