package film

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"bluefringe/optics"
	"bluefringe/optics/estimate"
)

func typical() specimen {
	return specimen{thicknessNM: 3200, index: malitson, fwhmNM: 4, stray: 0.06, scale: 1.02, slope: 0.01, noise: 0.002}
}

// The contrast of a Gaussian line is exp(-(dφ/dλ)²σ²/2), its Fourier transform; stray
// light s adds s times the mean light to the light R̄ under the fringes and leaves
// R̄/(R̄ + s·mean) of that.
func TestContrast(t *testing.T) {
	g := newGenerator(t, 800, 410, 950)
	s := typical()
	s.thicknessNM, s.fwhmNM = 4500, 6
	e := newEstimator(t, Oxide, g)
	r, err := e.Measure(g.spectrum(s, rand.New(rand.NewPCG(3, 3))))
	if err != nil || r.Quality != estimate.Good {
		t.Fatalf("%s, %s, %v", r.Quality, r.Reason, err)
	}
	c := r.Contrast()
	under := func(nm float64) float64 {
		const parts = 8 // of one fringe
		sum := 0.0
		for k := range parts {
			turned := s
			turned.thicknessNM += float64(k) / parts * nm / (2 * malitson(nm))
			sum += g.exact(nm, turned) / parts
		}
		return sum
	}
	mean := 0.0
	for _, nm := range g.nm {
		mean += under(nm) / float64(len(g.nm))
	}
	expected := func(nm float64) float64 {
		const h = 0.5
		phase := func(nm float64) float64 { return 4 * math.Pi * malitson(nm) * s.thicknessNM / nm }
		rate := (phase(nm+h) - phase(nm-h)) / (2 * h)
		d := rate * s.fwhmNM / math.Sqrt(8*math.Ln2)
		return math.Exp(-d*d/2) * under(nm) / (under(nm) + s.stray*mean)
	}
	told := 0
	for i, nm := range c.WavelengthNM {
		if math.IsNaN(c.Visibility[i]) {
			continue
		}
		told++
		tolerance := 3*c.SD[i] + 0.01
		if math.Abs(c.Visibility[i]-expected(nm)) > tolerance || math.Abs(c.Fitted[i]-expected(nm)) > 0.015 {
			t.Errorf("contrast at %.0f nm is %.3f ± %.3f, fitted %.3f, want %.3f", nm, c.Visibility[i], c.SD[i], c.Fitted[i], expected(nm))
		}
	}
	if told < len(c.WavelengthNM)*3/4 || told == 0 {
		t.Errorf("contrast told at %d of %d wavelengths", told, len(c.WavelengthNM))
	}
	half := 410.0
	for expected(half) < 0.5 {
		half++
	}
	t.Logf("half of the contrast down to %.0f nm, expected %.0f nm", c.Half(), half)
	if math.Abs(c.Half()-half) > 4 {
		t.Errorf("half of the contrast down to %.0f nm, want %.0f nm", c.Half(), half)
	}
}

// Stray light comes in counts, on film and reference, and weighs most where the lamp is
// weak; the calibration then divides one by the other.
func TestStrayInCounts(t *testing.T) {
	g := newGenerator(t, 500, 420, 950)
	s := typical()
	s.stray, s.noise, s.scale, s.slope = 0, 0, 1, 0
	const stray = 0.05
	rng := rand.New(rand.NewPCG(3, 8))
	pure := g.spectrum(s, rng)
	film, reference := make([]float64, len(pure)), make([]float64, len(pure))
	filmMean, referenceMean := 0.0, 0.0
	for i, nm := range g.nm {
		lamp := 1e4 * math.Exp(-math.Pow((nm-650)/140, 2)/2)
		bare := s
		bare.thicknessNM = 0
		film[i], reference[i] = lamp*pure[i], lamp*g.exact(nm, bare)
		filmMean += film[i] / float64(len(pure))
		referenceMean += reference[i] / float64(len(pure))
	}
	spectrum := make([]float64, len(pure))
	for i, nm := range g.nm {
		reference[i] += stray * referenceMean
		table, err := g.green.Index(nm, 25)
		if err != nil {
			t.Fatal(err)
		}
		standard := optics.Reflectance(nm, 1, nil, table, 0, optics.S)
		noise := 1 + 0.003*rng.NormFloat64()
		spectrum[i] = standard * (film[i] + stray*filmMean) * noise / reference[i]
	}
	for name, light := range map[string][]float64{"known": reference, "unknown": nil} {
		e, err := New(Setup{Film: Oxide, TemperatureC: 25, Light: light}, g.nm)
		if err != nil {
			t.Fatal(err)
		}
		r, err := e.Measure(spectrum)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("light %s: %.1f ± %.1f nm, line %.2f ± %.2f nm, stray %.4f ± %.4f, %s", name, r.ThicknessNM, r.SDNM, r.ResolutionNM, r.ResolutionSDNM, r.Stray, r.StraySD, r.Quality)
		if light == nil {
			continue // the same stray light everywhere does not explain it
		}
		if math.Abs(r.ThicknessNM-s.thicknessNM) > 0.003*s.thicknessNM || math.Abs(r.ResolutionNM/s.fwhmNM-1) > 0.1 || math.Abs(r.Stray-stray) > 0.01 {
			t.Errorf("got %.1f nm, line %.2f nm, stray %.4f; want %g, %g, %g", r.ThicknessNM, r.ResolutionNM, r.Stray, s.thicknessNM, s.fwhmNM, stray)
		}
	}
	if _, err := New(Setup{Film: Oxide, Light: reference[1:]}, g.nm); err == nil {
		t.Error("light at too few pixels is no error")
	}
}

// Rising or falling pixels, fresh or used estimator: the same answer to the last bit.
func TestSameAnswer(t *testing.T) {
	g := newGenerator(t, 500, 420, 950)
	spectrum := g.spectrum(typical(), rand.New(rand.NewPCG(3, 4)))
	e := newEstimator(t, Oxide, g)
	first, err := e.Measure(spectrum)
	if err != nil {
		t.Fatal(err)
	}
	dark := make([]float64, len(spectrum))
	if r, err := e.Measure(dark); err != nil || r.Quality != estimate.Lost {
		t.Errorf("no light: %s, %v", r.Quality, err)
	}
	again, err := e.Measure(spectrum)
	if err != nil || !sameBits(again, first) {
		t.Errorf("a used estimator says %.6f, a fresh one %.6f nm", again.ThicknessNM, first.ThicknessNM)
	}
	slices.Reverse(spectrum)
	slices.Reverse(g.nm)
	falling, err := newEstimator(t, Oxide, g).Measure(spectrum)
	if err != nil || !sameBits(falling, first) {
		t.Errorf("falling pixels say %.6f, rising ones %.6f nm", falling.ThicknessNM, first.ThicknessNM)
	}
}

// sameBits compares results that hold no NaN but in fields that both lack.
func sameBits(a, b Result) bool {
	for _, r := range []*Result{&a, &b} {
		r.Cauchy, r.CauchyASD = [3]float64{}, 0
	}
	return reflect.DeepEqual(a, b)
}

// Spectra of one film, each with its own noise, agree as their fit says they should.
func TestAgain(t *testing.T) {
	g := newGenerator(t, 500, 420, 950)
	rng := rand.New(rand.NewPCG(3, 5))
	s := typical()
	e := newEstimator(t, Oxide, g)
	r, err := e.Measure(g.spectrum(s, rng))
	if err != nil {
		t.Fatal(err)
	}
	const n = 30
	squares := 0.0
	for range n {
		nm, err := e.Again(g.spectrum(s, rng), r)
		if err != nil {
			t.Fatal(err)
		}
		squares += (nm - r.ThicknessNM) * (nm - r.ThicknessNM) / n
	}
	// The one they are compared with has noise of its own.
	ratio := math.Sqrt(squares/2) / r.FitSDNM
	t.Logf("spread over stated: %.2f", ratio)
	if ratio < 0.6 || ratio > 1.7 {
		t.Errorf("spectra spread %.3f nm, stated %.3f nm", math.Sqrt(squares/2), r.FitSDNM)
	}
	if _, err := e.Again(make([]float64, 3), r); err == nil {
		t.Error("a wrong number of pixels is no error")
	}
}

// What is no film is told as lost, with a reason and without numbers.
func TestNoFilm(t *testing.T) {
	g := newGenerator(t, 160, 420, 950)
	rng := rand.New(rand.NewPCG(3, 6))
	fill := func(f func(i int) float64) []float64 {
		out := make([]float64, len(g.nm))
		for i := range out {
			out[i] = f(i)
		}
		return out
	}
	cases := map[string][]float64{
		"nothing":      fill(func(int) float64 { return math.NaN() }),
		"infinite":     fill(func(int) float64 { return math.Inf(1) }),
		"zeros":        fill(func(int) float64 { return 0 }),
		"flat":         fill(func(int) float64 { return 0.4 }),
		"huge":         fill(func(i int) float64 { return 1e200 * float64(i%2) }),
		"negative":     fill(func(int) float64 { return -0.05 }),
		"noise":        fill(func(int) float64 { return 0.3 + 0.05*rng.NormFloat64() }),
		"one pixel":    fill(func(i int) float64 { return map[bool]float64{true: 0.3, false: math.NaN()}[i == 7] }),
		"bare silicon": g.spectrum(specimen{index: malitson, scale: 1, noise: 0.003}, rng),
		"metal":        fill(func(i int) float64 { return 0.9 - 0.0002*float64(i) + 0.003*rng.NormFloat64() }),
	}
	for _, kind := range []Kind{Oxide, Resist} {
		e := newEstimator(t, kind, g)
		for name, spectrum := range cases {
			r, err := e.Measure(spectrum)
			if err != nil || r.Quality != estimate.Lost || r.Reason == "" || !math.IsNaN(r.ThicknessNM) || r.Model != nil {
				t.Errorf("%s, %s: %s, %q, %.1f nm, %v", kind, name, r.Quality, r.Reason, r.ThicknessNM, err)
			}
			if c := r.Contrast(); len(c.Visibility) != 0 || !math.IsNaN(c.Half()) {
				t.Errorf("%s: a contrast of %d points", name, len(c.Visibility))
			}
			t.Logf("%s, %s: %s", kind, name, r.Reason)
		}
		if _, err := e.Measure(make([]float64, 7)); err == nil {
			t.Error("a wrong number of pixels is no error")
		}
	}
}

func TestNewRefuses(t *testing.T) {
	few := make([]float64, 30)
	close := make([]float64, 500)
	for i := range few {
		few[i] = 450 + 10*float64(i)
	}
	for i := range close {
		close[i] = 500 + 0.1*float64(i)
	}
	for name, nm := range map[string][]float64{"none": nil, "few": few, "narrow": close} {
		if _, err := New(Setup{Film: Oxide, TemperatureC: 25}, nm); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := New(Setup{Film: "butter", TemperatureC: 25}, newGenerator(t, 200, 420, 950).nm); err == nil {
		t.Error("an unknown film is no error")
	}
	if _, err := ParseKind("glass"); err == nil {
		t.Error("an unknown film is no error")
	}
	if kind, err := ParseKind("sio2"); err != nil || kind != Oxide {
		t.Errorf("sio2 is %q, %v", kind, err)
	}
}

// Group index of silica by Malitson's formula over that of silicon at 700 nm, 4.65 from
// M. A. Green's table (2008) by a spline, good to 2 %.
func TestAsSilicon(t *testing.T) {
	const h = 0.1
	silica := malitson(700) - 700*(malitson(700+h)-malitson(700-h))/(2*h)
	got := AsSiliconNM(Oxide, 2000, 700, 25)
	want := 2000 * silica / 4.65
	if math.Abs(got/want-1) > 0.02 {
		t.Errorf("2 µm of silica is like %.0f nm of silicon, want %.0f", got, want)
	}
	if v := AsSiliconNM(Oxide, 2000, 5000, 25); !math.IsNaN(v) {
		t.Errorf("outside the tables: %g", v)
	}
}

func BenchmarkMeasure(b *testing.B) {
	g := newGenerator(b, 1024, 420, 950)
	e := newEstimator(b, Oxide, g)
	spectrum := g.spectrum(typical(), rand.New(rand.NewPCG(3, 7)))
	b.ReportAllocs()
	for b.Loop() {
		if r, err := e.Measure(spectrum); err != nil || r.Quality != estimate.Good {
			b.Fatal(r.Quality, err)
		}
	}
}

func BenchmarkContrast(b *testing.B) {
	g := newGenerator(b, 1024, 420, 950)
	r, err := newEstimator(b, Oxide, g).Measure(g.spectrum(typical(), rand.New(rand.NewPCG(3, 7))))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		r.Contrast()
	}
}
