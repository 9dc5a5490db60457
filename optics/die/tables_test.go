package die

import (
	"math"
	"testing"

	"bluefringe/optics/material"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// Published silicon is a likely draw of what the shapes allow: the n of C. Schinke et al.,
// AIP Advances 5 (2015) 067168, and of G. Vuye et al., Thin Solid Films 233 (1993) 166,
// against M. A. Green, Sol. Energy Mater. Sol. Cells 92 (2008) 1305, in per cent about the
// mean, and Schinke's absorption. Least squares with the priors needs coefficients of about
// one, and leaves less than it found.
func TestPublishedTablesAreLikely(t *testing.T) {
	for _, c := range []struct {
		name   string
		sd     ramp
		count  int
		mean   bool
		nm     []float64
		differ []float64 // per cent
	}{
		{"n of Schinke", ofN(), Dispersions, false, []float64{450, 500, 550, 600, 650, 700, 750, 800, 850, 900, 950},
			[]float64{-0.39, -0.12, -0.10, -0.23, -0.24, -0.19, -0.13, -0.16, -0.14, -0.11, -0.20}},
		{"n of Vuye", ofN(), Dispersions, false, []float64{460, 480, 500, 520, 540, 560, 580, 600, 620, 640},
			[]float64{-0.08, -0.14, -0.19, -0.18, -0.15, -0.12, -0.04, -0.03, 0.05, 0.12}},
		{"k of Schinke", ofK(), Absorptions, true, []float64{450, 500, 550, 600, 650, 700, 750, 800, 850, 900, 950},
			[]float64{10.5, 9.9, 0.3, -7.1, 0.1, 0.9, -2.6, -2.7, -4.2, -2.8, -3.4}},
	} {
		low, high := c.nm[0], c.nm[len(c.nm)-1]
		s := newShapes(c.sd, low, high, c.count, c.mean)
		n := len(c.nm)
		a, b := mat.NewDense(n+c.count, c.count, nil), mat.NewVecDense(n+c.count, nil)
		mean := 0.0
		if !c.mean {
			mean = stat.Mean(c.differ, nil)
		}
		row := make([]float64, c.count)
		before := 0.0
		for i, nm := range c.nm {
			v := (c.differ[i] - mean) / 100 / c.sd.at(nm)
			b.SetVec(i, v)
			before += v * v
			s.at(row, nm)
			for k := range row {
				a.Set(i, k, row[k]/c.sd.at(nm))
			}
		}
		for k := range c.count {
			a.Set(n+k, k, 1)
		}
		var x, left mat.VecDense
		if err := x.SolveVec(a, b); err != nil {
			t.Fatal(err)
		}
		left.MulVec(a, &x)
		left.SubVec(b, &left)
		after := 0.0
		for i := range n {
			after += left.AtVec(i) * left.AtVec(i)
		}
		t.Logf("%s: coefficients %.1f, chi-square %.1f of %d before and %.1f after", c.name, x.RawVector().Data, before, n, after)
		if !(mat.Norm(&x, math.Inf(1)) < 2.5) || !(before < 2*float64(n)) {
			t.Errorf("%s: a difference that is not expected", c.name)
		}
		if !(after < 0.8*before) {
			t.Errorf("%s: the shapes do not follow it", c.name)
		}
	}
}

// The shapes of a process are independent, so their squares add up to its variance, less
// what the shapes that are left out hold.
func TestShapesHoldTheVariance(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		least     float64 // part of the variance
	}{{430, 720, 0.9}, {410, 1000, 0.7}} {
		var all, kept float64
		full := newShapes(ofN(), c.low, c.high, 48, true)
		s := newShapes(ofN(), c.low, c.high, Dispersions, false)
		wide, some := make([]float64, 48), make([]float64, Dispersions)
		const nodes = 100
		var means [Dispersions]float64
		for i := range nodes {
			nm := c.low + (c.high-c.low)*(float64(i)+0.5)/nodes
			full.at(wide, nm)
			s.at(some, nm)
			sum := 0.0
			for _, v := range wide {
				sum += v * v
			}
			all += sum / nodes
			if want := ofN().covariance(nm, nm); math.Abs(sum/want-1) > 0.06 { // between nodes, and where its slope breaks
				t.Errorf("%g to %g nm, at %.0f nm: variance %.3g, of the process %.3g", c.low, c.high, nm, sum, want)
			}
			for k, v := range some {
				kept += v * v / nodes
				means[k] += v / nodes
			}
		}
		if part := kept / (all - s.meanSD*s.meanSD); part < c.least || part > 1.001 {
			t.Errorf("%g to %g nm: %d shapes hold %.2f of the variance about the mean", c.low, c.high, Dispersions, part)
		}
		for k, m := range means {
			if math.Abs(m) > 2e-5 {
				t.Errorf("%g to %g nm: shape %d has mean %.2g", c.low, c.high, k, m)
			}
		}
	}
}

// With nothing but the number of fringes to go by, an order of silicon m fringes thick
// moves it by N/m when N are seen: by hand from n of Green 2008, where N is
// 2d(n₁/λ₁-n₂/λ₂). A broad channel moves it by half a fringe and more and tells 8 µm, a
// narrow one by a tenth and does not; a thinner film is told easier.
func TestOrdersApart(t *testing.T) {
	si, err := material.Lookup("Si")
	if err != nil {
		t.Fatal(err)
	}
	n := func(nm float64) float64 {
		index, err := si.Index(nm, 25)
		if err != nil {
			t.Fatal(err)
		}
		return real(index)
	}
	apart := func(from, to, nm float64) float64 {
		setup := testSetup()
		m, err := NewModel(setup, wavelengths(from, to, 160), 0)
		if err != nil {
			t.Fatal(err)
		}
		return m.OrdersApart(nm)
	}
	moved := func(from, to float64) float64 { return (n(from)/from - n(to)/to) * to / n(to) }
	if m := moved(700, 1000); m < 0.45 || apart(700, 1000, 8000) < 4 {
		t.Errorf("700 to 1000 nm: an order moves %.2f of a fringe, %.1f standard deviations at 8 µm", m, apart(700, 1000, 8000))
	}
	if m := moved(640, 720); m > 0.2 || apart(640, 720, 6000) > 2 {
		t.Errorf("640 to 720 nm: an order moves %.2f of a fringe, %.1f standard deviations at 6 µm", m, apart(640, 720, 6000))
	}
	last := math.Inf(1)
	for nm := 500.; nm < 12000; nm *= 1.5 {
		a := apart(430, 720, nm)
		if !(a > 0 && a < last) {
			t.Errorf("430 to 720 nm: %.2f standard deviations at %.0f nm, %.2f thinner", a, nm, last)
		}
		last = a
	}
	if a := apart(410, 480, 9000); a != 0 {
		t.Errorf("no fringe is left from 410 to 480 nm at 9 µm: %g", a)
	}
}
