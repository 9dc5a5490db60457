package die

import (
	"math"
	"math/rand/v2"
	"testing"

	"bluefringe/optics"

	"gonum.org/v1/gonum/diff/fd"
)

func testSetup() Setup {
	return Setup{
		Ambient: "air", TemperatureC: 25,
		Under:     []Layer{{"Si3N4", 40, 10}, {"SiO2", 800, 80}},
		Reflector: "Al", CoverageMin: 0.2, CoverageMax: 0.9,
	}
}

func wavelengths(from, to float64, n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return w
}

// The series must be the Airy recursion: two algorithms for one quantity.
func TestModelEqualsStackRecursion(t *testing.T) {
	setup := testSetup()
	w := wavelengths(410, 1000, 120)
	m, err := NewModel(setup, w, 0)
	if err != nil {
		t.Fatal(err)
	}
	all, err := setup.indices(w)
	if err != nil {
		t.Fatal(err)
	}
	e := m.NewEvaluation()
	for _, d := range []float64{0, 5, 150, 400, 2000, 8000, 12000, 775000} {
		p := Params{ThicknessNM: d, Coverage: 0.37, UnderNM: []float64{43, 771}}
		m.Evaluate(e, p)
		bare, metal := m.Areas(p)
		for i, nm := range w {
			si := optics.Layer{Index: all.silicon[i], ThicknessNM: d}
			sin := optics.Layer{Index: all.under[0][i], ThicknessNM: 43}
			ox := optics.Layer{Index: all.under[1][i], ThicknessNM: 771}
			rBare := optics.Reflectance(nm, all.ambient[i], []optics.Layer{si, sin}, all.under[1][i], 0, optics.S)
			rMetal := optics.Reflectance(nm, all.ambient[i], []optics.Layer{si, sin, ox}, all.metal[i], 0, optics.S)
			want := 0.37*rMetal + 0.63*rBare
			if math.Abs(e.Reflectance[i]-want) > 5e-6 || math.Abs(bare[i]-rBare) > 5e-6 || math.Abs(metal[i]-rMetal) > 5e-6 {
				t.Fatalf("d = %g nm, %g nm: series %.8f, recursion %.8f", d, nm, e.Reflectance[i], want)
			}
		}
	}
}

// Spread by the series against a direct average over a Gaussian of thickness.
func TestSpreadEqualsQuadrature(t *testing.T) {
	w := wavelengths(430, 950, 60)
	m, err := NewModel(testSetup(), w, 0)
	if err != nil {
		t.Fatal(err)
	}
	e := m.NewEvaluation()
	for _, sd := range []float64{5, 20, 40} {
		p := Params{ThicknessNM: 2000, Coverage: 0.5, UnderNM: []float64{40, 800}}
		average := make([]float64, len(w))
		weights := 0.0
		for u := -5.0; u <= 5.0001; u += 0.05 {
			weight := math.Exp(-u * u / 2)
			q := p
			q.ThicknessNM += u * sd
			m.Evaluate(e, q)
			for i, r := range e.Reflectance {
				average[i] += weight * r
			}
			weights += weight
		}
		p.SpreadVarNM2 = sd * sd
		m.Evaluate(e, p)
		for i := range w {
			// What is left is the average over S·q^m as a product of averages.
			if diff := math.Abs(e.Reflectance[i] - average[i]/weights); diff > 5e-4 {
				t.Errorf("spread %g nm at %g nm: series differs from the average by %.2g", sd, w[i], diff)
			}
		}
	}
}

// A tilted face against a direct average over a uniform spread of thickness.
func TestTiltEqualsQuadrature(t *testing.T) {
	w := wavelengths(430, 950, 60)
	m, err := NewModel(testSetup(), w, 0)
	if err != nil {
		t.Fatal(err)
	}
	e := m.NewEvaluation()
	for _, sd := range []float64{5, 20, 40} {
		p := Params{ThicknessNM: 2000, Coverage: 0.5, UnderNM: []float64{40, 800}}
		average := make([]float64, len(w))
		const nodes = 400
		for k := range nodes {
			q := p
			q.ThicknessNM += sd * math.Sqrt(3) * (2*(float64(k)+0.5)/nodes - 1)
			m.Evaluate(e, q)
			for i, r := range e.Reflectance {
				average[i] += r / nodes
			}
		}
		p.SpreadVarNM2, p.Tilt = sd*sd, 1
		m.Evaluate(e, p)
		for i := range w {
			if diff := math.Abs(e.Reflectance[i] - average[i]); diff > 2e-3 {
				t.Errorf("tilt %g nm at %g nm: series differs from the average by %.2g", sd, w[i], diff)
			}
		}
	}
}

func TestDerivativesEqualDifferences(t *testing.T) {
	setup := testSetup()
	setup.ResolutionNM = 1.5
	w := wavelengths(420, 980, 40)
	m, err := NewModel(setup, w, 1)
	if err != nil {
		t.Fatal(err)
	}
	at := func(x []float64) Params {
		return Params{ThicknessNM: x[0], SpreadVarNM2: x[1], Coverage: x[2], UnderNM: []float64{x[3], x[4]}, Tilt: x[5], Dispersion: [Dispersions]float64{x[6], x[7], x[8], x[9]}, Absorption: [Absorptions]float64{x[10], x[11]}}
	}
	e, other := m.NewEvaluation(), m.NewEvaluation()
	rng := rand.New(rand.NewPCG(1, 1))
	for range 20 {
		x := []float64{150 + 6000*rng.Float64(), 900 * rng.Float64(), rng.Float64(), 20 + 40*rng.Float64(), 700 + 200*rng.Float64(), rng.Float64(),
			rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
		m.Evaluate(e, at(x))
		analytic := [][]float64{e.Thickness, e.SpreadVar, e.Coverage, e.Under[0], e.Under[1], e.Tilt, e.Dispersion[0], e.Dispersion[1], e.Dispersion[2], e.Dispersion[3], e.Absorption[0], e.Absorption[1]}
		steps := []float64{1e-3, 1e-2, 1e-4, 1e-3, 1e-3, 1e-4, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3}
		for k := range x {
			for i := range w {
				numeric := fd.Derivative(func(v float64) float64 {
					y := append([]float64(nil), x...)
					y[k] = v
					m.Evaluate(other, at(y))
					return other.Reflectance[i]
				}, x[k], &fd.Settings{Formula: fd.Central, Step: steps[k]})
				if math.Abs(numeric-analytic[k][i]) > 1e-6+1e-4*math.Abs(numeric) {
					t.Fatalf("parameter %d at %g nm, x = %v: analytic %g, numeric %g", k, w[i], x, analytic[k][i], numeric)
				}
			}
		}
	}
}

func TestSetupsThatCannotBeCompiled(t *testing.T) {
	cases := map[string]struct {
		change func(*Setup)
		w      []float64
	}{
		"no wavelengths":   {func(*Setup) {}, nil},
		"unknown material": {func(s *Setup) { s.Under[0].Material = "unobtainium" }, []float64{500}},
		"outside a table":  {func(*Setup) {}, []float64{500, 1900}},
		"coverage order":   {func(s *Setup) { s.CoverageMin, s.CoverageMax = 0.9, 0.2 }, []float64{500}},
	}
	for name, c := range cases {
		setup := testSetup()
		c.change(&setup)
		if _, err := NewModel(setup, c.w, 0); err == nil {
			t.Errorf("%s: compiled", name)
		} else {
			t.Log(err)
		}
	}
}

func BenchmarkEvaluate1024(b *testing.B) {
	setup := testSetup()
	setup.Under = setup.Under[1:]
	m, err := NewModel(setup, wavelengths(420, 980, 1024), 0)
	if err != nil {
		b.Fatal(err)
	}
	e := m.NewEvaluation()
	p := Params{ThicknessNM: 2000, SpreadVarNM2: 100, Coverage: 0.5, UnderNM: []float64{800}}
	b.ReportAllocs()
	for b.Loop() {
		m.Evaluate(e, p)
	}
}

// The sweep of a search against the model itself.
func TestSweepEqualsEvaluate(t *testing.T) {
	w := wavelengths(430, 950, 30)
	m, err := NewModel(testSetup(), w, 3)
	if err != nil {
		t.Fatal(err)
	}
	thickness, under := []float64{400, 2000, 7000}, []float64{40, 800}
	shapes := []Shape{{}, {SpreadNM: 20}, {SpreadNM: 30, Tilt: 1}}
	e := m.NewEvaluation()
	for _, metal := range []bool{false, true} {
		rows := m.Sweep(thickness, under, shapes, metal)
		for d, nm := range thickness {
			for s, shape := range shapes {
				p := Params{ThicknessNM: nm, SpreadVarNM2: shape.SpreadNM * shape.SpreadNM, Tilt: shape.Tilt, UnderNM: under}
				if metal {
					p.Coverage = 1
				}
				m.Evaluate(e, p)
				for i := range w {
					if got := float64(rows[(d*len(shapes)+s)*len(w)+i]); math.Abs(got-e.Reflectance[i]) > 8e-3 {
						t.Errorf("metal %v, %g nm, %+v at %.0f nm: sweep %.5f, model %.5f", metal, nm, shape, w[i], got, e.Reflectance[i])
					}
				}
			}
		}
	}
}

// A cone of light against the average of the stack recursion over it, half s and half
// p. What the cone does to the interfaces themselves is left out of the model.
func TestApertureEqualsAverageOverTheCone(t *testing.T) {
	const na, thickness = 0.25, 4000
	setup := testSetup()
	setup.NA = na
	w := wavelengths(600, 950, 80)
	m, err := NewModel(setup, w, 0)
	if err != nil {
		t.Fatal(err)
	}
	all, err := setup.indices(w)
	if err != nil {
		t.Fatal(err)
	}
	e := m.NewEvaluation()
	p := m.Nominal(thickness)
	p.Coverage = 0
	m.Evaluate(e, p)
	ignored := setup
	ignored.NA = 0
	flat, err := NewModel(ignored, w, 0)
	if err != nil {
		t.Fatal(err)
	}
	parallel := flat.NewEvaluation()
	flat.Evaluate(parallel, p)
	worst, without := 0.0, 0.0
	for i, nm := range w {
		sum := 0.0
		const rays = 60
		for k := range rays {
			angle := math.Asin(na * math.Sqrt((float64(k)+0.5)/rays))
			layers := []optics.Layer{{Index: all.silicon[i], ThicknessNM: thickness}, {Index: all.under[0][i], ThicknessNM: 40}}
			for _, pol := range []optics.Polarisation{optics.S, optics.P} {
				sum += optics.Reflectance(nm, 1, layers, all.under[1][i], angle, pol) / (2 * rays)
			}
		}
		worst = math.Max(worst, math.Abs(e.Reflectance[i]-sum))
		without = math.Max(without, math.Abs(parallel.Reflectance[i]-sum))
	}
	if worst > 0.006 || without < 3*worst {
		t.Errorf("cone: model differs by %.4f, parallel light by %.4f", worst, without)
	}
	t.Logf("cone: model differs by %.4f, parallel light by %.4f", worst, without)
}
