package surface

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// JCGM 100:2008, 5.2.2, example: ten resistors of 1000 Ω, all calibrated against one
// standard with an uncertainty of 100 mΩ, give 10 kΩ in series with an uncertainty of
// 10 times 100 mΩ, 1 Ω. Taken as independent it would be 0.32 Ω, which is wrong there.
// From memory. The mean of ten is a tenth of their sum.
func TestTenResistors(t *testing.T) {
	ten := func(p Point) []Point {
		p.ThicknessUM = 1000
		var points []Point
		for range 10 {
			points = append(points, p)
		}
		return points
	}
	for name, c := range map[string]struct {
		one        Point
		sum        float64
		difference float64 // of two of them: the same equation with the signs + and -
	}{
		"one standard": {Point{CommonUM: 0.1}, 1, 0},
		"independent":  {Point{SDUM: 0.1}, 0.1 * math.Sqrt(10), 0.1 * math.Sqrt2},
		"not known":    {Point{OpenUM: 0.1}, 1, 0.1 * math.Sqrt2}, // the worse of both
	} {
		points := ten(c.one)
		mean, sd := Mean(points)
		equal(t, name+": sum", 10*mean, 10000, 1e-15)
		equal(t, name+": u of the sum", 10*sd, c.sum, 1e-14)
		difference, sd := Difference(points[0], points[1])
		if difference != 0 || math.Abs(sd-c.difference) > 1e-15 {
			t.Errorf("%s: difference %g, u %g, want %g", name, difference, sd, c.difference)
		}
	}
	if um, sd := Mean(nil); !math.IsNaN(um) || !math.IsNaN(sd) {
		t.Errorf("mean of nothing: %g ± %g", um, sd)
	}
}

func TestAlike(t *testing.T) {
	points := []Point{at(0, 0, 2, 0.001), at(1, 0, 2.001, 0.001), at(0, 1, 1.999, 0.001)}
	if !Alike(points) {
		t.Error("points within their uncertainty differ")
	}
	points[0].ThicknessUM = 2.01
	if Alike(points) {
		t.Error("ten standard uncertainties are nothing")
	}
}

// Whatever is computed is linear in the thicknesses, Σ cᵢ·tᵢ, so its variance is cᵀ·V·c
// with their covariance matrix V (JCGM 100:2008, equation 13 in the matrix form of JCGM
// 102:2011, 6.2, from memory). Here c comes of moving one thickness after the other, and V is
// written out, for an error that is shared and for one that may be.
func TestCovarianceMatrix(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 1))
	for _, n := range []int{4, 12} { // plane and bow
		var points []Point
		for range n {
			x, y := 10*rng.Float64(), 10*rng.Float64()
			points = append(points, Point{x, y, 2 + 0.01*x - 0.02*y + 0.003*(x*x+y*y)*float64(n/12),
				0.001 + rng.Float64(), 2 * rng.Float64(), rng.Float64()})
		}
		fit := func(p []Point) *Surface {
			s, err := Fit(p)
			if err != nil || s.HasBow() != (n == 12) {
				t.Fatal(err)
			}
			return &s
		}
		for name, c := range map[string]struct {
			value func([]Point) float64
			sd    func() float64
		}{
			"mean":       {func(p []Point) float64 { um, _ := Mean(p); return um }, func() float64 { _, sd := Mean(points); return sd }},
			"difference": {func(p []Point) float64 { um, _ := Difference(p[1], p[3]); return um }, func() float64 { _, sd := Difference(points[1], points[3]); return sd }},
			"middle":     {func(p []Point) float64 { return fit(p).MiddleUM }, func() float64 { return fit(points).MiddleSDUM }},
			"at":         {func(p []Point) float64 { um, _ := fit(p).At(-3, 20); return um }, func() float64 { _, sd := fit(points).At(-3, 20); return sd }},
			"tilt x":     {func(p []Point) float64 { return fit(p).TiltXUMPerMM }, func() float64 { sd, _ := fit(points).TiltSD(); return sd }},
			"tilt y":     {func(p []Point) float64 { return fit(p).TiltYUMPerMM }, func() float64 { _, sd := fit(points).TiltSD(); return sd }},
			"bow":        {func(p []Point) float64 { return fit(p).BowUMPerMM2 }, func() float64 { return fit(points).BowSDUMPerMM2 }},
		} {
			if name == "bow" && n < MinBow {
				continue
			}
			const step = 1e-3 // far below the uncertainties: none is widened
			gain := mat.NewVecDense(n, nil)
			for i := range points {
				moved := append([]Point(nil), points...)
				moved[i].ThicknessUM += step
				gain.SetVec(i, (c.value(moved)-c.value(points))/step)
			}
			worst := 0.0
			for _, correlation := range []float64{0, 0.5, 1} { // of what is open
				v := mat.NewSymDense(n, nil)
				for i, a := range points {
					for j, b := range points {
						shared := a.CommonUM*b.CommonUM + correlation*a.OpenUM*b.OpenUM
						if i == j {
							shared += a.SDUM*a.SDUM + (1-correlation)*a.OpenUM*a.OpenUM
						}
						v.SetSym(i, j, shared)
					}
				}
				worst = math.Max(worst, math.Sqrt(mat.Inner(gain, v, gain)))
			}
			equal(t, name, c.sd(), worst, 1e-8)
		}
	}
}

// Readings of a die with errors of every kind: what is stated of the mean, of
// differences, tilt and bow must be what happens. The sums of squares lie inside 99.9 %
// of their chi-square distributions.
func TestBudgetMonteCarlo(t *testing.T) {
	const (
		noiseUM, siteUM = 0.0004, 0.0007
		tableRel        = 0.0009
		temperatureRel  = 0.0006
		wavelengthRel   = 0.0002
	)
	commonRel := math.Sqrt(tableRel*tableRel + temperatureRel*temperatureRel + wavelengthRel*wavelengthRel)
	height := func(x, y float64) float64 { return 3.1 + 0.016*x - 0.009*y + 0.0021*(x*x+y*y) }
	for name, c := range map[string]struct {
		runs, readings int
		repeated       float64 // part of the variance of the noise
	}{
		"one reading a site": {1000, 1, 0},
		"five, half alike":   {600, 5, 0.5},
	} {
		rng := rand.New(rand.NewPCG(11, uint64(c.readings)))
		square, stated := map[string]float64{}, map[string]float64{}
		note := func(what string, got, sd, want float64) {
			square[what] += (got - want) * (got - want)
			stated[what] += sd * sd
		}
		for range c.runs {
			wrong := 1 + tableRel*rng.NormFloat64() + temperatureRel*rng.NormFloat64() + wavelengthRel*rng.NormFloat64()
			var points []Point
			for i := range 9 {
				x, y := 2.5*float64(i%3-1), 2*float64(i/3-1)
				um := height(x, y)*wrong + siteUM*rng.NormFloat64() + math.Sqrt(c.repeated)*noiseUM*rng.NormFloat64()
				var a Average
				for range c.readings {
					v := um + math.Sqrt(1-c.repeated)*noiseUM*rng.NormFloat64()
					a.Add(Reading{ThicknessUM: v, NoiseUM: noiseUM, SiteUM: siteUM, CommonUM: commonRel * v})
				}
				points = append(points, a.Point(x, y))
			}
			thin, thick := points[6], points[5] // nine times their uncertainty from the next
			um, sd := Mean(points)
			note("mean", um, sd, 3.1+0.0021*6*(6.25+4)/9)
			um, sd = Difference(thick, thin)
			note("range", um, sd, height(2.5, 0)-height(-2.5, 2))
			note("thinnest", thin.ThicknessUM, thin.TotalSDUM(), height(-2.5, 2))

			s, err := Fit(points)
			if err != nil || !s.HasBow() {
				t.Fatal(err)
			}
			narrow(&s)
			sdX, sdY := s.TiltSD()
			note("tilt x", s.TiltXUMPerMM, sdX, 0.016)
			note("tilt y", s.TiltYUMPerMM, sdY, -0.009)
			tilt := s.Tilt()
			note("tilt", tilt.UMPerMM, tilt.SDUMPerMM, math.Hypot(0.016, 0.009))
			note("direction", tilt.TowardsDeg, tilt.SDDeg, math.Atan2(-0.009, 0.016)*180/math.Pi)
			note("bow", s.BowUMPerMM2, s.sd(s.bow()), 0.0021)
			um, sd = s.At(3.5, -3)
			note("beyond the sites", um, sd, height(3.5, -3))
			low := s.Lowest(OutlineOf(points))
			note("lowest", low.ThicknessUM, low.SDUM, height(-2.5, 2))
		}
		d := distuv.ChiSquared{K: float64(c.runs)}
		for what := range square {
			sum := square[what] / stated[what] * float64(c.runs)
			if low, high := d.Quantile(0.0005), d.Quantile(0.9995); sum < low || sum > high {
				t.Errorf("%s: %s: chi-square %.0f, %.0f to %.0f is expected", name, what, sum, low, high)
			}
		}
	}
}

// narrow takes the widening by chi-square off a surface, which goes only one way.
func narrow(s *Surface) {
	widened := math.Max(1, s.ChiSquare/float64(s.DegreesOfFreedom))
	for j := range s.own {
		for k := range s.own {
			s.own[j][k] /= widened
			s.apart[j][k] /= widened
		}
	}
}
