package trial

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/integrate/quad"
)

// The integral of the rate is checked against Gauss-Legendre quadrature of gonum, cell
// by cell, its inverse against itself.
func TestPathIsTheIntegralOfTheRate(t *testing.T) {
	p := newPath(Draw(1, 3))
	sum := 0.0
	for i := range 2000 {
		from := gridS * float64(i)
		sum += quad.Fixed(p.rate, from, from+gridS, 4, nil, 0)
		if d := p.done(from+gridS) - sum; math.Abs(d) > 1e-9*sum {
			t.Fatalf("after %g s: %g done, quadrature %g", from+gridS, p.done(from+gridS), sum)
		}
	}
	for _, s := range []float64{0, 0.1, 0.5, 7.3, 999.9} {
		if got := p.when(p.done(s)); math.Abs(got-s) > 1e-9*(1+s) {
			t.Errorf("when(done(%g)) = %g", s, got)
		}
	}
	if got := p.when(1e9); !math.IsInf(got, 1) {
		t.Errorf("when of more than is ever done = %g", got)
	}
}

// In the long run the logarithm of the rate wanders by the standard deviation of the
// case, and forgets itself over its correlation time (Ornstein-Uhlenbeck).
func TestRateWandersAsTheCaseSays(t *testing.T) {
	c := Draw(1, 0)
	c.Rate = Rate{Factor: 1, ForceExponent: 1, BreakInS: 1, GlazedTo: 1, GlazingS: 1, WanderSD: 0.1, WanderS: 10}
	p := newPath(c)
	const lag = 10 / gridS
	n, square, product := 0.0, 0.0, 0.0
	for i := range 80000 {
		x, later := math.Log(p.rate(gridS*float64(i))), math.Log(p.rate(gridS*float64(i+lag)))
		n++
		square += x * x
		product += x * later
	}
	if sd := math.Sqrt(square / n); math.Abs(sd-0.1) > 0.005 {
		t.Errorf("standard deviation %g, want 0.1", sd)
	}
	if r := product / square; math.Abs(r-1/math.E) > 0.05 {
		t.Errorf("correlation after one correlation time %g, want 1/e", r)
	}
}

func TestThinnestPlaceIsTheLowestOfAFineGrid(t *testing.T) {
	for i := range 60 {
		c := Draw(2, i)
		d := newDie(c)
		removedUM := 0.4 * c.Shape.MiddleUM
		lowestUM := math.Inf(1)
		const steps = 60
		s := c.Shape
		s.Sites = make([]Site, 1)
		d.c = &Case{Shape: s}
		for ix := range steps + 1 {
			for iy := range steps + 1 {
				d.c.Shape.Sites[0] = Site{XMM: s.HalfMM * (2*float64(ix)/steps - 1), YMM: s.HalfMM * (2*float64(iy)/steps - 1)}
				lowestUM = math.Min(lowestUM, d.siteUM(0, removedUM))
			}
		}
		got := d.thinnestUM(removedUM)
		// Between two points of the grid the surface dips by less than this.
		dipUM := math.Abs(s.Bow) * math.Pow(s.HalfMM/steps, 2) * 2
		if got > lowestUM+1e-12 || got < lowestUM-dipUM-1e-12 {
			t.Errorf("case %d: thinnest place %.6f µm, grid %.6f µm", i, got, lowestUM)
		}
	}
}

// What the die tells of the time left comes true when the pad stays on it.
func TestTimeToLevelComesTrue(t *testing.T) {
	c := Draw(1, 7)
	d := newDie(c)
	d.touching = true
	d.advance(33)
	for site := range c.Shape.Sites {
		wantS := d.toLevelS(site, c.TargetUM, -3) - 3
		then := *d
		then.advance(33 + wantS)
		if um := then.siteUM(site, then.removedUM); math.Abs(um-c.TargetUM) > 1e-9 {
			t.Errorf("site %d: %.9f µm when the target of %.9f µm was due", site, um, c.TargetUM)
		}
	}
	// The rate is the slope of what is removed.
	slope := fd.Derivative(d.after, 0, nil)
	if math.Abs(slope-d.rateUMS()) > 1e-6*slope {
		t.Errorf("rate %g µm/s, slope %g", d.rateUMS(), slope)
	}
	d.touching = false
	before := d.removedUM
	if d.advance(500); d.removedUM != before {
		t.Error("a lifted pad removed silicon")
	}
}

func TestDrawKeepsItsRanges(t *testing.T) {
	sites := map[int]int{}
	intermittent := 0
	for i := range 2000 {
		c := Draw(1, i)
		for _, check := range []struct {
			name           string
			value, low, to float64
		}{
			{"start", c.Shape.MiddleUM, 2.5, 6},
			{"target", c.TargetUM, 0.3, 2.5},
			{"margin to the floor", c.TargetUM - c.FloorUM, math.Max(0.1, 0.1*c.TargetUM) - 1e-12, math.Max(0.1, 0.25*c.TargetUM) + 1e-12},
			{"rate factor", c.Rate.Factor, 0.5, 2},
			{"glazing", c.Rate.GlazingS, 120, 1200},
			{"wander", c.Rate.WanderSD, 0.05, 0.15},
			{"readings", 1 / c.Sight.EveryS, 0.5, 2},
		} {
			if check.value < check.low || check.value > check.to {
				t.Fatalf("case %d: %s is %g, want %g to %g", i, check.name, check.value, check.low, check.to)
			}
		}
		if rate := c.Process.RateUMMin(); rate < 0.3-1e-12 || rate > 0.9+1e-12 {
			t.Fatalf("case %d: expected rate %g µm/min", i, rate)
		}
		sites[len(c.Shape.Sites)]++
		if c.Intermittent() {
			intermittent++
		}
	}
	// Four standard deviations of a binomial.
	for n, share := range map[int]float64{1: 0.6, 5: 0.2, 9: 0.2} {
		if d := float64(sites[n]) - 2000*share; math.Abs(d) > 4*math.Sqrt(2000*share*(1-share)) {
			t.Errorf("%d of 2000 cases have %d sites, want a share of %g", sites[n], n, share)
		}
	}
	if math.Abs(float64(intermittent)-500) > 4*math.Sqrt(2000*0.25*0.75) {
		t.Errorf("%d of 2000 cases are intermittent, want a quarter", intermittent)
	}
	if a, b := rand.New(rand.NewPCG(1, 4*5)).Float64(), Draw(1, 5).stream(streamCase).Float64(); a != b {
		t.Error("the random numbers of a case are not the stream of its seed and number")
	}
}
