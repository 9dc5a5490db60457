package surface

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/floats/scalar"
	"gonum.org/v1/gonum/stat/distuv"
)

// NIST StRD, linear least squares: Norris (36 points, line) and Pontius (40 points,
// quadratic), data and certified values from memory; solving the data in rational
// arithmetic gives the certified values to 14 digits.
var (
	norrisX = []float64{0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
		0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
		0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5}
	norrisY = []float64{0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
		0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
		0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2}
	pontiusY = []float64{.11019, .21956, .32949, .43899, .54803, .65694, .76562, .87487, .98292, 1.09146,
		1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
		.11052, .22018, .32939, .43886, .54798, .65739, .76596, .87474, .98300, 1.09150,
		1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829}
)

// at is a point that shares no error with others.
func at(xMM, yMM, um, sdUM float64) Point {
	return Point{XMM: xMM, YMM: yMM, ThicknessUM: um, SDUM: sdUM}
}

// twice puts data of one variable on two lines at y = ±offset. The slope in y is then
// 0, and what depends on x alone is the fit of the single data, whose variances
// follow from those of the doubled fit: half the points, other degrees of freedom.
func twice(x, z []float64, offset, sd float64) []Point {
	var points []Point
	for i := range x {
		points = append(points, at(x[i], offset, z[i], sd), at(x[i], -offset, z[i], sd))
	}
	return points
}

func equal(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !scalar.EqualWithinRel(got, want, relative) {
		t.Errorf("%s: got %.15g, want %.15g", what, got, want)
	}
}

// The standard deviations test the scaling by chi-square, which makes stated
// uncertainties that are too small into those that the residuals show.
func TestNorris(t *testing.T) {
	const offset = 500
	points := twice(norrisX, norrisY, offset, 1e-3)
	s := solved(t, points, 3)
	n := float64(len(norrisX))
	perSD := math.Sqrt((2*n - 3) / (n - 2)) // residual variance: 2·RSS/(2n-3) becomes RSS/(n-2); the design halves
	equal(t, "B0", s.MiddleUM, -0.262323073774029, 1e-10)
	equal(t, "B1", s.TiltXUMPerMM, 1.00211681802045, 1e-12)
	sdX, _ := s.TiltSD()
	equal(t, "sd of B0", s.MiddleSDUM*perSD, 0.232818234301152, 1e-10)
	equal(t, "sd of B1", sdX*perSD, 0.429796848199937e-3, 1e-10)
	equal(t, "residual sum", s.ChiSquare*1e-6/2, 26.6173985294224, 1e-10)
	equal(t, "residual deviation", s.ResidualUM*perSD/math.Sqrt2, 0.884796396144373, 1e-10)
	if math.Abs(s.TiltYUMPerMM) > 1e-12 {
		t.Errorf("slope in y: %g", s.TiltYUMPerMM)
	}
}

func TestPontius(t *testing.T) {
	const offset = 1e6
	x := make([]float64, len(pontiusY))
	for i := range x {
		x[i] = 150000 * float64(i%20+1)
	}
	s, err := Fit(twice(x, pontiusY, offset, 1e-6))
	if err != nil || !s.HasBow() {
		t.Fatal(err, s.HasBow())
	}
	n := float64(len(x))
	perSD := math.Sqrt((2*n - 4) / (n - 3))
	equal(t, "B0", s.MiddleUM+s.BowUMPerMM2*offset*offset, 0.673565789473684e-3, 1e-9)
	equal(t, "B1", s.TiltXUMPerMM, 0.732059160401003e-6, 1e-12)
	equal(t, "B2", s.BowUMPerMM2, -0.316081871345029e-14, 1e-9)
	sdX, _ := s.TiltSD()
	equal(t, "sd of B1", sdX*perSD, 0.157817399981659e-9, 1e-9)
	equal(t, "sd of B2", s.BowSDUMPerMM2*perSD, 0.486652849992036e-16, 1e-9)
	equal(t, "residual deviation", s.ResidualUM*perSD/math.Sqrt2, 0.205177424076185e-3, 1e-9)
}

// JCGM 100:2008, H.3: calibration of a thermometer, a line through 11 points, and the
// correction that it predicts at 30 °C with its uncertainty, where the correlation of
// the parameters counts. Data and results from memory, as printed there.
func TestGUM(t *testing.T) {
	x := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	for i := range x {
		x[i] -= 20
	}
	b := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	s := solved(t, twice(x, b, 2, 1e-5), 3)
	n := float64(len(x))
	perSD := math.Sqrt((2*n - 3) / (n - 2))
	um, sd := s.At(10, 0)
	sdX, _ := s.TiltSD()
	for _, c := range []struct {
		what             string
		got, want, digit float64
	}{
		{"y1", s.MiddleUM, -0.1712, 1e-4}, {"s(y1)", s.MiddleSDUM * perSD, 0.0029, 1e-4},
		{"y2", s.TiltXUMPerMM, 0.00218, 1e-5}, {"s(y2)", sdX * perSD, 0.00067, 1e-5},
		{"b(30)", um, -0.1494, 1e-4}, {"s(b(30))", sd * perSD, 0.0041, 1e-4},
		{"s", s.ResidualUM * perSD / math.Sqrt2, 0.0035, 1e-4},
	} {
		if math.Abs(c.got-c.want) > c.digit/2*1.001 {
			t.Errorf("%s: got %.6f, want %g", c.what, c.got, c.want)
		}
	}
}

// solved fits n parameters, also where Fit would take more.
func solved(t *testing.T, points []Point, n int) Surface {
	t.Helper()
	var s Surface
	s.place(points)
	if !s.solve(points, n) {
		t.Fatal("not determined")
	}
	return s
}

// A plane through three exact points has a closed form: through (0,0), (a,0), (0,b).
func TestExactPlane(t *testing.T) {
	s, err := Fit([]Point{at(0, 0, 2, 0.003), at(4, 0, 2.1, 0.004), at(0, 5, 1.8, 0.005)})
	if err != nil {
		t.Fatal(err)
	}
	sdX, sdY := s.TiltSD()
	for _, c := range [][2]float64{
		{s.MiddleUM, 2}, {s.MiddleSDUM, 0.003},
		{s.TiltXUMPerMM, 0.1 / 4}, {s.TiltYUMPerMM, -0.2 / 5},
		{sdX, math.Hypot(0.003, 0.004) / 4}, {sdY, math.Hypot(0.003, 0.005) / 5},
	} {
		equal(t, "plane", c[0], c[1], 1e-12)
	}
	if s.HasBow() || s.DegreesOfFreedom != 0 || !math.IsNaN(s.ResidualUM) {
		t.Errorf("bow %v, %d degrees of freedom, residual %g", s.HasBow(), s.DegreesOfFreedom, s.ResidualUM)
	}
	um, sd := s.At(4, 0)
	equal(t, "at a point", um, 2.1, 1e-12)
	equal(t, "sd at a point", sd, 0.004, 1e-12)
	// Beyond: t = 2(1-x/a-y/b) + 2.1x/a + 1.8y/b.
	um, sd = s.At(8, 5)
	equal(t, "beyond", um, 2*(1-2-1)+2.1*2+1.8, 1e-12)
	equal(t, "sd beyond", sd, math.Sqrt(math.Pow(2*0.003, 2)+math.Pow(2*0.004, 2)+0.005*0.005), 1e-12)
}

func TestTilt(t *testing.T) {
	// 0.03 to the right and 0.04 up: 0.05, at 53.13 degrees.
	s, err := Fit([]Point{at(0, 0, 2, 0.001), at(1, 0, 2.03, 0.001), at(0, 1, 2.04, 0.001), at(-1, 0, 1.97, 0.001), at(0, -1, 1.96, 0.001)})
	if err != nil {
		t.Fatal(err)
	}
	tilt := s.Tilt()
	equal(t, "size", tilt.UMPerMM, 0.05, 1e-12)
	equal(t, "direction", tilt.TowardsDeg, 53.13010235415598, 1e-12)
	equal(t, "sd", tilt.SDUMPerMM, 0.001/math.Sqrt2, 1e-9)
	equal(t, "sd of the direction", tilt.SDDeg, 0.001/math.Sqrt2/0.05*180/math.Pi, 1e-9)

	flat := Surface{mm: 1, own: matrix{1: {1: 4}, 2: {2: 9}}}
	if tilt := flat.Tilt(); tilt.UMPerMM != 0 || tilt.SDUMPerMM != 3 || !math.IsNaN(tilt.TowardsDeg) || !math.IsNaN(tilt.SDDeg) {
		t.Errorf("a flat die has tilt %+v", tilt)
	}
}

func TestNotDetermined(t *testing.T) {
	line := func(n int) []Point {
		var p []Point
		for i := range n {
			p = append(p, at(float64(i), 0.3*float64(i), 2, 0.001))
		}
		return p
	}
	circle := func(n int) []Point {
		var p []Point
		for i := range n {
			a := 2 * math.Pi * float64(i) / float64(n)
			p = append(p, at(3+2*math.Cos(a), 1+2*math.Sin(a), 2+0.01*float64(i%3), 0.001))
		}
		return p
	}
	triangle := []Point{at(0, 0, 2, 0.01), at(1, 0, 2, 0.01), at(0, 1, 2, 0.01)}
	cases := map[string]struct {
		points []Point
		want   error
		bow    bool
	}{
		"none":               {nil, ErrTooFew, false},
		"two":                {line(2), ErrTooFew, false},
		"line":               {line(9), ErrOnLine, false},
		"one place":          {[]Point{at(1, 1, 2, 1), at(1, 1, 2, 1), at(1, 1, 2, 1)}, ErrOnLine, false},
		"three":              {triangle, nil, false},
		"four":               {append(circle(3), at(3, 1, 2, 0.01)), nil, false},
		"corners and middle": {append(circle(4), at(3, 1, 2, 0.01)), nil, true},
		"circle":             {circle(8), nil, false},
		"circle and middle":  {append(circle(8), at(3, 1, 2, 0.01)), nil, true},
		"three places twice": {append(append([]Point(nil), triangle...), triangle...), nil, false},
		"no uncertainty":     {[]Point{at(0, 0, 2, 0), at(1, 0, 2, 1), at(0, 1, 2, 1)}, ErrValue, false},
		"not known":          {[]Point{at(0, 0, 2, 1), at(1, 0, 2, 1), {YMM: 1, ThicknessUM: 2, SDUM: 1, CommonUM: math.NaN()}}, ErrValue, false},
		"no thickness":       {[]Point{at(0, 0, math.NaN(), 1), at(1, 0, 2, 1), at(0, 1, 2, 1)}, ErrValue, false},
		"nowhere":            {[]Point{at(math.Inf(1), 0, 2, 1), at(1, 0, 2, 1), at(0, 1, 2, 1)}, ErrValue, false},
		"beyond the moon":    {[]Point{at(1e300, 0, 2, 1), at(-1e300, 0, 2, 1), at(0, 1, 2, 1)}, ErrValue, false},
	}
	for name, c := range cases {
		s, err := Fit(c.points)
		if !errors.Is(err, c.want) || (err == nil && s.HasBow() != c.bow) {
			t.Errorf("%s: error %v, want %v; bow %v", name, err, c.want, s.HasBow())
		}
	}
}

// Noise of known size on a known surface, far from the origin as well: what is stated
// must be what happens. The sums of squares lie inside 99.9 % of their chi-square
// distributions.
func TestStatedUncertainties(t *testing.T) {
	const runs = 600
	truth := struct{ c, gx, gy, a float64 }{2.1, 0.014, -0.006, 0.0021}
	height := func(x, y float64) float64 { return truth.c + truth.gx*x + truth.gy*y + truth.a*(x*x+y*y) }
	for _, centre := range []float64{0, 20} {
		rng := rand.New(rand.NewPCG(5, uint64(centre)))
		var fits, dof, middle, tiltX, tiltY, bow, edge float64
		for range runs {
			var points []Point
			for i := range 9 {
				x, y := centre+2.5*float64(i%3-1), 2*float64(i/3-1)
				sd := 0.001 + 0.002*rng.Float64()
				points = append(points, at(x, y, height(x, y)+sd*rng.NormFloat64(), sd))
			}
			s, err := Fit(points)
			if err != nil || !s.HasBow() {
				t.Fatal(err)
			}
			narrow(&s)
			square := func(got, want, sd float64) float64 { return math.Pow((got-want)/sd, 2) }
			sdX, sdY := s.TiltSD()
			fits += s.ChiSquare
			dof += float64(s.DegreesOfFreedom)
			_, sdMiddle := s.At(0, 0)
			middle += square(s.MiddleUM, truth.c, sdMiddle)
			tiltX += square(s.TiltXUMPerMM, truth.gx, sdX)
			tiltY += square(s.TiltYUMPerMM, truth.gy, sdY)
			bow += square(s.BowUMPerMM2, truth.a, s.sd(s.bow()))
			um, sd := s.At(centre+3, 3)
			edge += square(um, height(centre+3, 3), sd)
		}
		within := func(what string, sum, n float64) {
			d := distuv.ChiSquared{K: n}
			if low, high := d.Quantile(0.0005), d.Quantile(0.9995); sum < low || sum > high {
				t.Errorf("middle at %g mm: %s: chi-square %.0f for %.0f, %.0f to %.0f is expected", centre, what, sum, n, low, high)
			}
		}
		within("fit", fits, dof)
		within("middle", middle, runs)
		within("tilt x", tiltX, runs)
		within("tilt y", tiltY, runs)
		within("bow", bow, runs)
		within("beyond the sites", edge, runs)
	}
}

// The thinnest place inside a rectangle, against a look at many places of it.
func TestLowest(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 7))
	for run := range 40 {
		gx, gy, bow := rng.NormFloat64(), rng.NormFloat64(), 0.2*rng.NormFloat64()
		if run%4 == 0 {
			bow = 0
		}
		var points []Point
		for i := range 16 {
			x, y := float64(i%4)-1, 2*float64(i/4)-3
			points = append(points, at(x, y, 50+gx*x+gy*y+bow*(x*x+y*y), 0.01))
		}
		s, err := Fit(points)
		if err != nil {
			t.Fatal(err)
		}
		o := OutlineOf(points)
		if want := (Outline{-1, 2, -3, 3}); o != want {
			t.Fatalf("outline %+v, want %+v", o, want)
		}
		low := s.Lowest(o)
		seen := math.Inf(1)
		const steps = 60
		for i := range steps + 1 {
			for j := range steps + 1 {
				um, _ := s.At(o.MinXMM+3*float64(i)/steps, o.MinYMM+6*float64(j)/steps)
				seen = math.Min(seen, um)
			}
		}
		// A step off the bottom of a bow lifts by less than bow·(0.05² + 0.1²).
		if low.ThicknessUM > seen+1e-9 || low.ThicknessUM < seen-math.Abs(bow)*0.0125-1e-9 {
			t.Errorf("tilt %g, %g, bow %g: %+v, but %g is seen", gx, gy, bow, low, seen)
		}
		um, sd := s.At(low.XMM, low.YMM)
		if um != low.ThicknessUM || sd != low.SDUM || low.XMM < -1 || low.XMM > 2 || low.YMM < -3 || low.YMM > 3 {
			t.Errorf("%+v is %g ± %g", low, um, sd)
		}
	}
}

func BenchmarkAt(b *testing.B) {
	var points []Point
	for i := range 9 {
		points = append(points, at(float64(i%3), float64(i/3), 2+0.01*float64(i), 0.002))
	}
	s, err := Fit(points)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		s.At(1.5, 0.5)
	}
}

func BenchmarkFit(b *testing.B) {
	var points []Point
	for i := range 49 {
		x, y := float64(i%7-3), float64(i/7-3)
		points = append(points, at(x, y, 2+0.01*x+0.001*(x*x+y*y), 0.002))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Fit(points); err != nil {
			b.Fatal(err)
		}
	}
}

// The surface is linear in the thicknesses: shares of the points give it at any place.
func TestWeights(t *testing.T) {
	for _, n := range []int{5, 9} {
		var points []Point
		for i := range n {
			x, y := float64(i%3)-1, float64(i/3)-1
			points = append(points, Point{XMM: x, YMM: y, ThicknessUM: 2 + 0.1*x - 0.05*y + 0.02*float64(i*i%5), SDUM: 0.002 * float64(1+i%2)})
		}
		s, err := Fit(points)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range [][2]float64{{0, 0}, {1, 1}, {-1.5, 0.3}} {
			sum, um := 0.0, 0.0
			for i, w := range s.Weights(at[0], at[1]) {
				sum += w
				um += w * points[i].ThicknessUM
			}
			if want, _ := s.At(at[0], at[1]); math.Abs(um-want) > 1e-9 || math.Abs(sum-1) > 1e-9 {
				t.Errorf("%d points at %v: %.9f µm by weights that sum to %.9f, surface %.9f", n, at, um, sum, want)
			}
		}
	}
}
