package surface

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// NIST StRD, univariate: NumAcc1 to NumAcc4, data and certified values from memory.
// The standard deviation is that of a single value, ScatterSD that of the mean.
func TestNumAcc(t *testing.T) {
	alternating := func(first, low, high float64) []float64 {
		values := []float64{first}
		for range 500 {
			values = append(values, low, high)
		}
		return values
	}
	cases := map[string]struct {
		values   []float64
		mean, sd float64
		relative float64 // digits that doubles leave
	}{
		"NumAcc1": {[]float64{10000001, 10000003, 10000002}, 10000002, 1, 1e-12},
		"NumAcc2": {alternating(1.2, 1.1, 1.3), 1.2, 0.1, 1e-12},
		"NumAcc3": {alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-8},
		"NumAcc4": {alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-7},
	}
	for name, c := range cases {
		var a Average
		for _, v := range c.values {
			a.Add(Reading{ThicknessUM: v, NoiseUM: c.sd, SiteUM: 2 * c.sd})
		}
		equal(t, name+" mean", a.Mean(), c.mean, 1e-14)
		equal(t, name+" deviation", a.ScatterSD()*math.Sqrt(float64(a.N())), c.sd, c.relative)
		// Noise that is all shown by the scatter falls with the number of readings.
		equal(t, name+" uncertainty", a.Point(0, 0).SDUM, math.Hypot(c.sd/math.Sqrt(float64(a.N())), 2*c.sd), c.relative)
	}
}

func TestAverage(t *testing.T) {
	var none Average
	if p := none.Point(0, 0); !math.IsNaN(none.Mean()) || !math.IsNaN(p.ThicknessUM) || !math.IsNaN(p.TotalSDUM()) || none.N() != 0 {
		t.Errorf("empty: %+v", p)
	}
	var one Average
	one.Add(Reading{ThicknessUM: 2.1, NoiseUM: 0.003, SiteUM: 0.004, CommonUM: 0.012, OpenUM: 0.084})
	if !math.IsNaN(one.ScatterSD()) || !one.Consistent() || one.Moved() {
		t.Errorf("one reading: scatter %g", one.ScatterSD())
	}
	p := one.Point(1, -2)
	if want := (Point{1, -2, 2.1, p.SDUM, 0.012, 0.084}); p != want {
		t.Errorf("one reading: %+v, want %+v", p, want)
	}
	equal(t, "what is its own", p.SDUM, 0.005, 1e-15)
	equal(t, "all of it", p.TotalSDUM(), 0.085, 1e-15)

	// Weights 4:1 for noise 1:2, also of what the readings share.
	var two Average
	two.Add(Reading{ThicknessUM: 10, NoiseUM: 1, CommonUM: 5})
	two.Add(Reading{ThicknessUM: 12, NoiseUM: 2, CommonUM: 10})
	equal(t, "mean", two.Mean(), 10.4, 1e-15)
	equal(t, "shared", two.Point(0, 0).CommonUM, 6, 1e-15)
	if !two.Consistent() {
		t.Error("two readings within their noise are called inconsistent")
	}
	// JCGM 100:2008, 4.2: mean and experimental standard deviation of 1…5 are 3 and
	// the root of 2.5; readings that far apart are no repetitions.
	var apart Average
	for i := range 5 {
		apart.Add(Reading{ThicknessUM: float64(i + 1), NoiseUM: 0.01, SiteUM: 0.02})
	}
	low, high := apart.Range()
	if apart.Consistent() || !apart.Moved() || apart.Mean() != 3 || low != 1 || high != 5 || apart.N() != 5 {
		t.Errorf("apart: %g, %g to %g", apart.Mean(), low, high)
	}
	equal(t, "scatter", apart.ScatterSD(), math.Sqrt(2.5), 1e-12)
	equal(t, "apart, its own", apart.Point(0, 0).SDUM, math.Hypot(0.01, 0.02), 1e-12)
	equal(t, "apart, open", apart.Point(0, 0).OpenUM, math.Sqrt(2.5), 1e-12)
	// The same inside an uncertainty of 10 that they share: more than noise, no movement.
	var drift Average
	for i := range 5 {
		drift.Add(Reading{ThicknessUM: float64(i + 1), NoiseUM: 0.01, CommonUM: 10})
	}
	if drift.Consistent() || drift.Moved() {
		t.Errorf("drift: consistent %v, moved %v", drift.Consistent(), drift.Moved())
	}
}

// Noise of which a part is repeated in every reading: what is stated of the mean is what
// happens, with a bound on the safe side where none is repeated, which few readings
// cannot prove.
func TestRepeatedNoise(t *testing.T) {
	const runs, readings, sd = 4000, 6, 0.002
	for _, c := range []struct{ repeated, most float64 }{{0, 2.5}, {0.7, 1}, {0.9, 1}} { // variances
		rng := rand.New(rand.NewPCG(3, uint64(100*c.repeated)))
		squares, stated := 0.0, 0.0
		for range runs {
			var a Average
			offset := math.Sqrt(c.repeated) * sd * rng.NormFloat64()
			for range readings {
				a.Add(Reading{ThicknessUM: 2 + offset + math.Sqrt(1-c.repeated)*sd*rng.NormFloat64(), NoiseUM: sd})
			}
			p := a.Point(0, 0)
			squares += (p.ThicknessUM - 2) * (p.ThicknessUM - 2)
			stated += p.SDUM * p.SDUM
		}
		// Chi-square of runs: 99.9 % lie within these.
		d := distuv.ChiSquared{K: runs}
		low, high := runs/d.Quantile(0.9995), runs/d.Quantile(0.0005)
		if ratio := stated / squares; ratio < low || ratio > c.most*high {
			t.Errorf("repeated %g: stated variance is %.3f of what happens, %.3f to %.3f is expected", c.repeated, ratio, low, c.most*high)
		}
	}
}

// The mean of noisy readings: Student's t holds for its scatter, and one site in a
// thousand is called inconsistent.
func TestAverageOfNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	const sites, readings, sd = 4000, 6, 0.002
	beyond, inconsistent := 0, 0
	limit := distuv.StudentsT{Sigma: 1, Nu: readings - 1}.Quantile(0.975)
	for range sites {
		var a Average
		for range readings {
			a.Add(Reading{ThicknessUM: 2 + sd*rng.NormFloat64(), NoiseUM: sd})
		}
		if !a.Consistent() {
			inconsistent++
		} else if math.Abs(a.Mean()-2) > limit*a.ScatterSD() {
			beyond++
		}
	}
	// 5 % of 4000 with a standard deviation of 14; the bounds hold 99.9 % of cases.
	if beyond < 154 || beyond > 246 {
		t.Errorf("%d of %d means outside their 95 %% interval", beyond, sites)
	}
	// Poisson, mean 4: 0 to 14 holds 99.99 %.
	if inconsistent > 14 {
		t.Errorf("%d of %d sites called inconsistent", inconsistent, sites)
	}
}
