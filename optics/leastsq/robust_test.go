package leastsq

import (
	"math"
	"math/rand/v2"
	"testing"
)

// constant is y = a.
type constant []float64

func (c constant) Evaluate(p, residual []float64, jacobian [][]float64) {
	for i, y := range c {
		residual[i], jacobian[0][i] = y-p[0], 1
	}
}

// One in ten far off: the scale stays that of the others, and what is far off loses as
// Huber's loss says, limit/size.
func TestReweigh(t *testing.T) {
	const sd, limit = 0.01, 4
	rng := rand.New(rand.NewPCG(1, 1))
	y := make(constant, 4000)
	full := make([]float64, len(y))
	for i := range y {
		y[i], full[i] = 1+sd*rng.NormFloat64(), 1
		if i%10 == 0 {
			y[i] = 2
		}
	}
	full[7] = 0
	f := New(y, 1, len(y))
	f.Cost([]float64{1}, 1)
	sigma, changed := f.Reweigh(full, 1e-9, limit)
	// The median of sizes of which a tenth is large: Φ⁻¹(1/2 + 0.5/(2·0.9))·σ for σ·0.6745.
	if want := sd * 0.7647 / 0.6745; !changed || math.Abs(sigma/want-1) > 0.05 {
		t.Errorf("scale %.5f, want %.5f; changed %v", sigma, want, changed)
	}
	if got, want := f.Weight[10], limit*sigma; math.Abs(got-want) > 1e-12 || f.Weight[7] != 0 {
		t.Errorf("weight of an outlier %.5f, want %.5f; of what does not count %g", got, want, f.Weight[7])
	}
	if _, changed := f.Reweigh(full, 1e-9, limit); changed {
		t.Error("the same weights again are said to be changed")
	}
	if sigma, _ := f.Reweigh(full, 5, limit); sigma != 5 {
		t.Errorf("scale %g below its floor", sigma)
	}
}

// An autoregressive process of first order has its coefficient for lag-one
// autocorrelation.
func TestCorrelation(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	for _, rho := range []float64{-0.5, 0, 0.6, 0.999} {
		y := make(constant, 20000)
		for i := 1; i < len(y); i++ {
			y[i] = rho*y[i-1] + rng.NormFloat64()
		}
		f := New(y, 1, len(y))
		f.Cost([]float64{0}, 1)
		if got, want := f.Correlation(), math.Min(math.Max(rho, 0), 0.98); math.Abs(got-want) > 0.02 {
			t.Errorf("correlation %.3f, want %.3f", got, want)
		}
	}
}
