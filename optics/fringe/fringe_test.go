package fringe

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"bluefringe/optics/die"
	"bluefringe/optics/material"
)

func pixels() []float64 {
	w := make([]float64, 500)
	for i := range w {
		w[i] = 410 + 1.1*float64(i)
	}
	return w
}

func carrierOf(phase []float64) []complex128 {
	carrier := make([]complex128, len(phase))
	for i, p := range phase {
		carrier[i] = cmplx.Rect(1, p)
	}
	return carrier
}

// Visibility of a made sinusoid is what it was made with.
func TestMeasureSinusoid(t *testing.T) {
	w := pixels()
	r, phase := make([]float64, len(w)), make([]float64, len(w))
	rng := rand.New(rand.NewPCG(1, 2))
	for i, nm := range w {
		phase[i] = 4 * math.Pi * 3.8 * 2000 / nm
		r[i] = 0.35*(1+0.2*math.Cos(phase[i]+0.7)) + 0.003*rng.NormFloat64()
	}
	r[100] = math.NaN()
	c := Measure(w, r, phase, carrierOf(phase))
	if len(c.WavelengthNM) < 50 {
		t.Fatalf("%d points", len(c.WavelengthNM))
	}
	for i, v := range c.Visibility {
		if math.Abs(v-0.2) > 5*c.SD[i]+0.002 {
			t.Errorf("%g nm: visibility %.4f ± %.4f, made with 0.2", c.WavelengthNM[i], v, c.SD[i])
		}
	}
}

// The contrast edge must move toward the blue as silicon thins, and where it lies
// must follow from the absorption depth: fringes fade as exp(-αd).
func TestEdgeFollowsAbsorption(t *testing.T) {
	w := pixels()
	setup := die.Setup{Ambient: "air", TemperatureC: 27}
	m, err := die.NewModel(setup, w, 0)
	if err != nil {
		t.Fatal(err)
	}
	si, err := material.Lookup("Si")
	if err != nil {
		t.Fatal(err)
	}
	e := m.NewEvaluation()
	before := math.Inf(1)
	for _, d := range []float64{5, 3, 2, 1, 0.7} {
		m.Evaluate(e, m.Nominal(d*1000))
		phase := m.PhasePerNM()
		for i := range phase {
			phase[i] *= d * 1000
		}
		carrier := m.Fundamental(m.Nominal(d * 1000))
		curve := Measure(w, e.Reflectance, phase, carrier)
		edge := curve.EdgeNM(Threshold)
		if expected := curve.Expected(w, e.Mean, carrier).EdgeNM(Threshold); math.Abs(edge-expected) > 4 {
			t.Errorf("%g µm: edge measured at %.1f nm, by the model at %.1f nm", d, edge, expected)
		}
		if !(edge < before) {
			t.Errorf("%g µm: edge %.1f nm, not below %.1f", d, edge, before)
		}
		before = edge
		// Common practice, no source: a die of 2 µm shows no fringes in the blue.
		if d == 2 && edge < 460 {
			t.Errorf("2 µm: fringes down to %.1f nm", edge)
		}

		// Silicon on oxide shows an amplitude of 2·|r01|(1-r01²)|r12|e^{-αd} over a
		// mean of about r01²; index of silicon from Green 2008, of oxide Malitson 1965.
		index, err := si.Index(edge, 27)
		if err != nil {
			t.Fatal(err)
		}
		n := real(index)
		r01, r12 := (n-1)/(n+1), (n-1.46)/(n+1.46)
		depth, err := si.AbsorptionDepthUM(edge, 27)
		if err != nil {
			t.Fatal(err)
		}
		visibility := 2 * r01 * (1 - r01*r01) * r12 * math.Exp(-d/depth) / (r01 * r01)
		if math.Abs(visibility/Threshold-1) > 0.25 {
			t.Errorf("%g µm: at the edge of %.1f nm absorption leaves a visibility of %.3f, want about %.3f", d, edge, visibility, Threshold)
		}
		t.Logf("%g µm: edge %.1f nm, absorption depth there %.2f µm", d, edge, depth)
	}
}

func TestEdgeOfNothing(t *testing.T) {
	if e := (Curve{}).EdgeNM(Threshold); !math.IsNaN(e) {
		t.Errorf("empty curve: edge %g", e)
	}
	c := Curve{WavelengthNM: []float64{500, 508, 516}, Visibility: []float64{0.01, 0.2, 0.01}, SD: []float64{0, 0, 0}}
	if e := c.EdgeNM(Threshold); !math.IsNaN(e) {
		t.Errorf("one point alone above the threshold: edge %g", e)
	}
}

func BenchmarkMeasure(b *testing.B) {
	w := pixels()
	r, phase := make([]float64, len(w)), make([]float64, len(w))
	for i, nm := range w {
		phase[i] = 4 * math.Pi * 3.8 * 2000 / nm
		r[i] = 0.35 * (1 + 0.2*math.Cos(phase[i]))
	}
	carrier := carrierOf(phase)
	b.ReportAllocs()
	for b.Loop() {
		Measure(w, r, phase, carrier)
	}
}
