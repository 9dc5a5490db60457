package removal

import (
	"math"
	"testing"
)

func TestAgeingFactor(t *testing.T) {
	a := Ageing{BreakInS: 20, GlazingS: 300}
	last := a.Factor(0)
	within(t, "at first contact", last, 1-breakInMean, 1e-12)
	within(t, "glazed", a.Factor(1e6), 1/(1+glazingMean), 1e-12)
	within(t, "by the formula", a.Factor(60), (1+glazingMean*math.Exp(-60./300)-breakInMean*(1+glazingMean)*math.Exp(-60./20))/(1+glazingMean), 1e-12)
	none := Ageing{BreakInS: math.Inf(1), GlazingS: math.Inf(1)}
	for _, s := range []float64{0, 30, 3000} {
		within(t, "a pad that does not change", none.Factor(s), 1, 1e-12)
	}
	if usual := (Ageing{BreakInS: math.NaN()}); usual.Factor(40) != (Ageing{}).Factor(40) {
		t.Error("NaN must count as not known")
	}
}

// The die's mean rate before anything was measured follows the pad's course.
func TestPriorFollowsThePad(t *testing.T) {
	for _, a := range []Ageing{{}, {10, 200}, {60, math.Inf(1)}, {math.Inf(1), 900}} {
		die := NewDie(DieConfig{Ageing: a})
		die.Process(0, true, 0.6)
		for _, s := range []float64{0, 15, 100, 700} {
			die.Process(s, true, 0.6)
			mean, _ := die.factor()
			within(t, "mean rate factor", mean, a.Factor(s), 1e-9)
		}
	}
}

// A glazing pad: the rate falls as exp(-t/τ) to half. The forecast must not say that the
// target comes too soon, as a constant rate would.
func TestDieFollowsGlazing(t *testing.T) {
	const r0, sdUM = 0.5, 0.003
	for _, tauS := range []float64{180, 600} {
		removed := func(s float64) float64 { return r0 / 60 * (s/2 + tauS/2*-math.Expm1(-s/tauS)) }
		die := NewDie(DieConfig{})
		die.Process(0, true, r0)
		c := die.Site("c")
		for i := range 241 {
			s := 0.5 * float64(i)
			if outcome := die.Update(c, s, 5-removed(s)+sdUM*math.Sin(float64(7*i)), sdUM); outcome > Accepted {
				t.Fatalf("at %g s: %v", s, outcome)
			}
		}
		f := NewForecast(die.At(c, 120), 0)
		for _, ahead := range []float64{10, 30, 60, 120, 180} {
			v := f.TimeTo(5 - removed(120+ahead))
			constant := (removed(120+ahead) - removed(120)) / (r0 / 60 * (0.5 + math.Exp(-120/tauS)/2))
			t.Logf("τ %3.0f s, %3.0f s ahead: %.1f, %.1f, %.1f s; at constant rate %.1f s", tauS, ahead, v.P05S, v.P50S, v.P95S, constant)
			if ahead < v.P05S || ahead > v.P95S {
				t.Errorf("τ %g s, %g s ahead: not between %.1f and %.1f s", tauS, ahead, v.P05S, v.P95S)
			}
			if math.Abs(v.P50S-ahead) > math.Abs(constant-ahead)+0.02*ahead {
				t.Errorf("τ %g s, %g s ahead: median %.1f s, worse than a constant rate", tauS, ahead, v.P50S)
			}
		}
	}
}
