package thick

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/material"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// channel is a spectrometer to try.
type channel struct {
	name     string
	from, to float64
	pixels   int
	fwhmNM   float64
}

func channels() []channel {
	return []channel{
		{"900-1700 nm, 512 pixels", 900, 1700, 512, 3.2},
		{"900-1700 nm, 1024 pixels", 900, 1700, 1024, 1.6},
		{"1270-1370 nm, 512 pixels", 1270, 1370, 512, 0.4},
		{"1510-1590 nm, 1024 pixels", 1510, 1590, 1024, 0.12},
	}
}

func newEstimator(t testing.TB, setup die.Setup, w []float64) *Estimator {
	t.Helper()
	e, err := New(setup, w, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func measure(t testing.TB, e *Estimator, spectrum []float64) estimate.Result {
	t.Helper()
	r, err := e.Measure(spectrum)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// shift returns by how much readings with the index of package material must be off,
// relative, on silicon of another index: from frequency alone and from phase alone.
func shift(t *testing.T, e *Estimator, nm float64, index func(float64) float64) (frequency, phase float64) {
	f := e.film
	a, b := mat.NewDense(len(f.phase), 2, nil), mat.NewVecDense(len(f.phase), nil)
	sum, all := 0.0, 0.0
	for i, w := range f.wavelengthNM {
		c := f.contrast(i, nm)
		extra := 4*math.Pi/w*index(w) - f.phase[i]
		a.SetRow(i, []float64{c * f.phase[i], c})
		b.SetVec(i, c*extra)
		sum += c * extra
		all += c * f.phase[i]
	}
	var x mat.VecDense
	if err := x.SolveVec(a, b); err != nil {
		t.Fatal(err)
	}
	return x.AtVec(0), sum / all
}

// Cold readings over the whole range of each channel: goal max(20 nm, 0.05 %) plus what
// the tables differ by.
func TestThickness(t *testing.T) {
	const spectra = 8
	other := independentIndex(t)
	for _, c := range channels() {
		w := pixels(c.from, c.to, c.pixels)
		e := newEstimator(t, commonDie(c.fwhmNM), w)
		minUM, maxUM := e.Limits()
		minUM, maxUM = math.Max(minUM, 5), math.Min(maxUM, 775)
		for _, index := range []func(float64) float64{nil, other} {
			g := newGenerator(t, w, c.fwhmNM, index)
			rng := rand.New(rand.NewPCG(1, 1))
			table := "same table"
			if index != nil {
				table = "other table"
			}
			right, flagged, beyond := 0, 0, 0
			worst := 0.0
			for k := range spectra {
				s := randomSpecimen(rng, 1, 2)
				s.um = minUM * math.Pow(maxUM/minUM, (float64(k)+rng.Float64())/spectra)
				r := measure(t, e, g.spectrum(s, rng))
				if r.Quality > estimate.Weak {
					flagged++
					t.Logf("%s, %s: %+v: %v, %s", c.name, table, s, r.Quality, r.Reason)
					continue
				}
				goal := math.Max(0.020, 5e-4*s.um)
				if index != nil {
					frequency, phase := shift(t, e, s.um*1000, index)
					goal += math.Max(math.Abs(frequency), math.Abs(phase)) * s.um
				}
				miss := math.Abs(r.ThicknessUM - s.um)
				worst = math.Max(worst, miss/r.SDUM)
				if miss <= goal {
					right++
				} else {
					beyond++
					t.Logf("%s, %s: %+v: read %.3f ± %.3f, noise %.3f µm: off by %.1f nm, goal %.1f", c.name, table, s,
						r.ThicknessUM, r.SDUM, r.FitSDUM, 1000*miss, 1000*goal)
				}
				if miss > 3*r.SDUM {
					t.Errorf("%s, %s: %+v: read %.3f ± %.3f", c.name, table, s, r.ThicknessUM, r.SDUM)
				}
			}
			t.Logf("%s, %s, %.3g to %.3g µm: right %d, flagged %d, beyond the goal %d of %d; worst miss %.1f standard uncertainties",
				c.name, table, minUM, maxUM, right, flagged, beyond, spectra, worst)
			if beyond > spectra/8 {
				t.Errorf("%s, %s: %d of %d beyond the goal", c.name, table, beyond, spectra)
			}
			if flagged > spectra/8 {
				t.Errorf("%s, %s: %d of %d flagged", c.name, table, flagged, spectra)
			}
		}
	}
}

// Two to five fringes in a narrow band, where another number of fringes and another
// front side come close.
func TestFewFringes(t *testing.T) {
	c := channels()[2]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	g := newGenerator(t, w, c.fwhmNM, nil)
	rng := rand.New(rand.NewPCG(77, 1))
	flagged := 0
	const spectra = 8
	for range spectra {
		s := randomSpecimen(rng, 4, 13)
		r := measure(t, e, g.spectrum(s, rng))
		if r.Quality > estimate.Weak {
			flagged++
		} else if math.Abs(r.ThicknessUM-s.um) > math.Max(0.020, 3*r.SDUM) {
			t.Errorf("%+v: read %.3f ± %.3f, %v", s, r.ThicknessUM, r.SDUM, r.Quality)
		}
	}
	if flagged > spectra/4 {
		t.Errorf("%d of %d flagged", flagged, spectra)
	}
}

// bound is the Cramér-Rao bound of thickness for fringes of the given sizes and phase,
// amplitude and phase unknown: the exact Fisher matrix behind S. M. Kay, Fundamentals of
// Statistical Signal Processing I, ex. 3.14.
func bound(size, phase []float64, nm, sigma float64) float64 {
	fisher := mat.NewSymDense(3, nil)
	for i, a := range size {
		sin, cos := math.Sincos(phase[i] * nm)
		d := [3]float64{-a * sin * phase[i], -a * sin, a * cos}
		for k := range d {
			for l := range k + 1 {
				fisher.SetSym(k, l, fisher.At(k, l)+d[k]*d[l]/(sigma*sigma))
			}
		}
	}
	var c mat.Cholesky
	if !c.Factorize(fisher) {
		return math.NaN()
	}
	inverse := mat.NewSymDense(3, nil)
	if c.InverseTo(inverse) != nil {
		return math.NaN()
	}
	return math.Sqrt(inverse.At(0, 0))
}

// The bound itself against Kay's formula: var(w) = 24σ²/(A²N(N²-1)), with w = 4π·ng·d·step
// and 1024 points evenly over 1/1700 to 1/900 nm, A 0.30, σ 0.003, ng 3.6: 0.0647 nm.
func TestBoundAgainstFormula(t *testing.T) {
	const n = 1024
	size, phase := make([]float64, n), make([]float64, n)
	for i := range size {
		size[i] = 0.30
		phase[i] = 4 * math.Pi * 3.6 * (1/1700. + (1/900.-1/1700.)*float64(i)/(n-1))
	}
	if got := bound(size, phase, 20000, 0.003); math.Abs(got-0.0647) > 0.0002 {
		t.Errorf("bound %.4f nm, want 0.0647", got)
	}
}

// Scatter of readings under noise alone, against the bound of a phase that is free and
// against what the readings state.
func TestNoise(t *testing.T) {
	setup := die.Setup{Ambient: "air", TemperatureC: 26.85}
	cases := []struct {
		channel
		um float64
		// Where the phase is trusted a reading may beat the bound.
		phaseTrusted bool
	}{
		{channel{"900-1700 nm, 1024 pixels", 900, 1700, 1024, 1.6}, 12, true},
		{channel{"900-1700 nm, 1024 pixels", 900, 1700, 1024, 0.5}, 60, false},
		{channel{"1510-1590 nm, 1024 pixels", 1510, 1590, 1024, 0.12}, 400, false},
	}
	const spectra = 60
	for _, c := range cases {
		w := pixels(c.from, c.to, c.pixels)
		setup.ResolutionNM = c.fwhmNM
		e := newEstimator(t, setup, w)
		g := newGenerator(t, w, c.fwhmNM, nil)
		rng := rand.New(rand.NewPCG(2, 1))
		s := specimen{um: c.um, scale: 1, noise: 0}
		clean := g.spectrum(s, rng)
		const sigma = 0.005
		var read []float64
		stated := 0.0
		size := make([]float64, len(w))
		for range spectra {
			spectrum := slices.Clone(clean)
			for i := range spectrum {
				spectrum[i] += sigma * rng.NormFloat64()
			}
			r := measure(t, e, spectrum)
			read = append(read, 1000*r.ThicknessUM)
			stated += 1000 * r.FitSDUM / spectra
			for i, f := range r.Fundamental {
				size[i] += math.Hypot(real(f), imag(f)) / spectra
			}
		}
		limit := bound(size, e.film.phase, 1000*c.um, sigma)
		scatter := stat.StdDev(read, nil)
		t.Logf("%s, %g µm: scatter %.4f nm, stated %.4f, bound with free phase %.4f", c.name, c.um, scatter, stated, limit)
		if !(scatter <= 1.2*limit) {
			t.Errorf("%s, %g µm: scatter is %.2f of the bound", c.name, c.um, scatter/limit)
		}
		if !c.phaseTrusted && !(scatter >= 0.8*limit) {
			t.Errorf("%s, %g µm: scatter is %.2f of the bound", c.name, c.um, scatter/limit)
		}
		// 60 readings give the deviation to 9 %.
		if !(math.Abs(scatter/stated-1) <= 0.25) {
			t.Errorf("%s, %g µm: scatter %.4f nm, stated %.4f", c.name, c.um, scatter, stated)
		}
	}
}

// Front sides and faces that nobody declared: nitride under the silicon, oxide far off,
// no metal at all, nothing but metal, a rough or a dim spot. Readings stand by their
// uncertainty or are flagged.
func TestUndeclared(t *testing.T) {
	cases := map[string]func(s *specimen, rng *rand.Rand){
		"nitride": func(s *specimen, rng *rand.Rand) { s.linerNM = 60 * rng.Float64() },
		"oxide":   func(s *specimen, rng *rand.Rand) { s.oxideNM = 800 + 300*(2*rng.Float64()-1) },
		"bare":    func(s *specimen, _ *rand.Rand) { s.coverage = 0 },
		"metal":   func(s *specimen, _ *rand.Rand) { s.coverage = 1 },
		"spread":  func(s *specimen, rng *rand.Rand) { s.spreadNM = 50 * rng.Float64() },
		"dim":     func(s *specimen, _ *rand.Rand) { s.scale, s.slope, s.noise = 0.6, 0.2, 0.02 },
	}
	c := channels()[0]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	g := newGenerator(t, w, c.fwhmNM, nil)
	for _, name := range []string{"nitride", "oxide", "bare", "metal", "spread", "dim"} {
		rng := rand.New(rand.NewPCG(3, 1))
		const spectra = 8
		weak, flagged, worst := 0, 0, 0.0
		for range spectra {
			s := randomSpecimen(rng, 5, 70)
			cases[name](&s, rng)
			r := measure(t, e, g.spectrum(s, rng))
			if r.Quality > estimate.Weak {
				flagged++
				continue
			}
			miss := math.Abs(r.ThicknessUM - s.um)
			if r.Quality == estimate.Weak {
				weak++
			}
			worst = math.Max(worst, miss/r.SDUM)
			if miss > 3*r.SDUM {
				t.Errorf("%s: %+v: read %.3f ± %.3f", name, s, r.ThicknessUM, r.SDUM)
			}
		}
		t.Logf("%s: weak %d, flagged %d of %d, worst miss %.1f standard uncertainties", name, weak, flagged, spectra, worst)
		if flagged > spectra/2 {
			t.Errorf("%s: %d of %d flagged", name, flagged, spectra)
		}
	}
}

// Strong second harmonics, from round trips over a bright front side, must not halve or
// double a thickness. Without a front side to cancel them the fundamental is always
// there.
func TestHarmonics(t *testing.T) {
	for _, reflector := range []string{"Al", "Cu"} {
		setup := die.Setup{Ambient: "air", TemperatureC: 26.85, ResolutionNM: 0.8, Reflector: reflector, CoverageMin: 0, CoverageMax: 1,
			Under: []die.Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}}}
		w := pixels(1100, 1700, 1024)
		e := newEstimator(t, setup, w)
		model, err := die.NewModel(setup, w, 0)
		if err != nil {
			t.Fatal(err)
		}
		rng := rand.New(rand.NewPCG(4, 1))
		for _, um := range []float64{6, 11, 23, 48} {
			for _, coverage := range []float64{0.3, 0.6, 0.7, 0.8, 0.9, 1} {
				p := model.Nominal(um * 1000)
				p.Coverage = coverage
				evaluation := model.NewEvaluation()
				model.Evaluate(evaluation, p)
				spectrum := slices.Clone(evaluation.Reflectance)
				for i := range spectrum {
					spectrum[i] += 0.003 * rng.NormFloat64()
				}
				r := measure(t, e, spectrum)
				if r.Quality > estimate.Weak || math.Abs(r.ThicknessUM-um) > 3*r.SDUM {
					t.Errorf("%s in %.0f %%, %g µm: read %.3f ± %.3f, %v, %s", reflector, 100*coverage, um, r.ThicknessUM, r.SDUM, r.Quality, r.Reason)
				}
			}
		}
	}
}

// A second film in the light path gives fringes of its own; which one is the silicon is
// not for the fit to say.
func TestTwoFilms(t *testing.T) {
	c := channels()[1]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	g := newGenerator(t, w, c.fwhmNM, nil)
	rng := rand.New(rand.NewPCG(5, 1))
	one := specimen{um: 20, oxideNM: 800, coverage: 0.4, scale: 1, noise: 0.003}
	two := one
	two.um = 33
	a, b := g.spectrum(one, rng), g.spectrum(two, rng)
	for i := range a {
		a[i] = (a[i] + b[i]) / 2
	}
	r := measure(t, e, a)
	if r.Quality != estimate.Ambiguous || len(r.Candidates) < 2 || r.Reason == "" {
		t.Errorf("20 and 33 µm: %v, %.3f µm, %s", r.Quality, r.ThicknessUM, r.Reason)
	}
	sum := 0.0
	for _, candidate := range r.Candidates {
		sum += candidate.Weight
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("weights add up to %g", sum)
	}
}

func TestNothingToRead(t *testing.T) {
	c := channels()[0]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	rng := rand.New(rand.NewPCG(6, 1))
	cases := map[string]func(i int) float64{
		"flat":      func(int) float64 { return 0.35 },
		"dark":      func(int) float64 { return math.NaN() },
		"zero":      func(int) float64 { return 0 },
		"saturated": func(int) float64 { return 1 },
		"no pixel left": func(i int) float64 {
			if i%9 == 0 {
				return 0.4
			}
			return math.NaN()
		},
		"huge":        func(int) float64 { return 1e300 },
		"infinite":    func(int) float64 { return math.Inf(1) },
		"slow change": func(i int) float64 { return 0.3 + 0.1*float64(i)/512 },
		"step": func(i int) float64 {
			if i < 200 {
				return 0.3
			}
			return 0.4
		},
	}
	for _, sd := range []float64{0.0005, 0.005, 0.05} {
		for k := range 12 {
			cases[fmt.Sprintf("noise %g (%d)", sd, k)] = func(int) float64 { return 0.35 + sd*rng.NormFloat64() }
		}
	}
	for name, f := range cases {
		r := make([]float64, len(w))
		for i := range r {
			r[i] = f(i)
		}
		got := measure(t, e, r)
		if got.Quality != estimate.Lost || !math.IsNaN(got.ThicknessUM) || !math.IsNaN(got.SDUM) || got.Reason == "" || got.Model != nil {
			t.Errorf("%s: %v, %g µm, %q", name, got.Quality, got.ThicknessUM, got.Reason)
		}
	}
	if _, err := e.Measure(make([]float64, 3)); !errors.Is(err, estimate.ErrLength) {
		t.Errorf("three pixels: %v", err)
	}
}

// Silicon outside the limits of a channel must be called lost, with the limits in the
// reason, and never be read as something inside: at the thin end the fringes of the band
// are too few, at the thick end closer than pixels and line show, and what of them is
// left is folded back (aliased) to wider ones.
func TestOutsideLimits(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	for _, c := range append(channels(), channel{"900-1700 nm, sharp line", 900, 1700, 300, 0.05}) {
		w := pixels(c.from, c.to, c.pixels)
		e := newEstimator(t, commonDie(c.fwhmNM), w)
		low, high := e.Limits()
		limits := fmt.Sprintf("this channel measures %.3g to %.3g µm", low, high)
		g := newGenerator(t, w, c.fwhmNM, nil)
		for _, um := range []float64{0.1 * low, 0.4 * low, 0.7 * low, 0.9 * low, 1.08 * high, 1.4 * high, 2 * high, 4 * high} {
			s := randomSpecimen(rng, um, um)
			r := measure(t, e, g.spectrum(s, rng))
			if r.Quality != estimate.Lost || !math.IsNaN(r.ThicknessUM) || !strings.Contains(r.Reason, limits) {
				t.Errorf("%s (%.3g to %.3g µm), %.3f µm: %v %.3f ± %.3f %s", c.name, low, high, um, r.Quality, r.ThicknessUM, r.SDUM, r.Reason)
			}
		}
		for _, um := range []float64{1.15 * low, 0.85 * high} {
			s := randomSpecimen(rng, um, um)
			s.coverage, s.noise = 0.5, 0.001
			if r := measure(t, e, g.spectrum(s, rng)); r.Quality == estimate.Lost || !(math.Abs(r.ThicknessUM-um) <= 3*r.SDUM) {
				t.Errorf("%s (%.3g to %.3g µm), %.3f µm: %v %.3f ± %.3f %s", c.name, low, high, um, r.Quality, r.ThicknessUM, r.SDUM, r.Reason)
			}
		}
	}
	// Limits that the options set are the channel's as well.
	w := pixels(900, 1700, 512)
	e, err := New(commonDie(3.2), w, Options{MinUM: 10, MaxUM: 40})
	if err != nil {
		t.Fatal(err)
	}
	g := newGenerator(t, w, 3.2, nil)
	for _, um := range []float64{6, 9, 44, 70} {
		r := measure(t, e, g.spectrum(randomSpecimen(rng, um, um), rng))
		if r.Quality != estimate.Lost || !strings.Contains(r.Reason, "this channel measures 10 to 40 µm") {
			t.Errorf("%g µm, asked for are 10 to 40: %v %.3f µm, %s", um, r.Quality, r.ThicknessUM, r.Reason)
		}
	}
}

// What a screen says when a reading is not good.
func TestReasons(t *testing.T) {
	c := channels()[0]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	g := newGenerator(t, w, c.fwhmNM, nil)
	clean := specimen{um: 20, oxideNM: 800, coverage: 0.5, scale: 1, noise: 0.003}
	blind := func(part int) func([]float64) {
		return func(r []float64) {
			for i := range r {
				if i%part > 0 {
					r[i] = math.NaN()
				}
			}
		}
	}
	faint := func(left, noise float64) func(*specimen, []float64) {
		return func(_ *specimen, r []float64) {
			rng := rand.New(rand.NewPCG(15, 1))
			for i := range r {
				r[i] = 0.4 + left*(r[i]-0.4) + noise*rng.NormFloat64()
			}
		}
	}
	cases := []struct {
		name    string
		change  func(s *specimen)
		spoil   func(s *specimen, r []float64)
		quality estimate.Quality
		reason  string
	}{
		{name: "good", quality: estimate.Good},
		{name: "half of the pixels", spoil: func(_ *specimen, r []float64) { blind(2)(r) }, quality: estimate.Good},
		{name: "saturated", spoil: func(_ *specimen, r []float64) { blind(4)(r); r[0] = 1.9 }, quality: estimate.Lost,
			reason: "only 126 of 512 bands can be used: too dark or saturated"},
		{name: "low coupling", change: func(s *specimen) { s.scale = 0.4 }, quality: estimate.Weak,
			reason: "40 % of the brightness expected: out of focus, something on the view, or a wrong reference"},
		{name: "slurry", change: func(s *specimen) { s.scale, s.noise = 0.2, 0.0005 },
			spoil: func(_ *specimen, r []float64) {
				for i := range r {
					r[i] += 0.1
				}
			}, quality: estimate.Weak, reason: "of scattered light: slurry or a film on the view"},
		{name: "wrong reference", change: func(s *specimen) { s.scale = 1.8 }, quality: estimate.Weak,
			reason: "of the brightness expected: a wrong reference, or the lamp has drifted"},
		{name: "no light back", change: func(s *specimen) { s.scale, s.noise = 0.005, 0.002 }, quality: estimate.Lost,
			reason: "1 % of the brightness of bare silicon: out of focus, something on the view, or a wrong reference; this channel measures 3 to 91.3 µm"},
		{name: "too bright", spoil: func(s *specimen, r []float64) {
			faint(0, 0.003)(s, r)
			for i := range r {
				r[i] *= 4
			}
		}, quality: estimate.Lost, reason: "160 % of the light comes back: a wrong reference, or the lamp has drifted; this channel measures"},
		{name: "faint", spoil: faint(0.2, 0.03), quality: estimate.Weak, reason: "of reflectance are faint"},
		{name: "too faint", spoil: faint(0.003, 0.0001), quality: estimate.Lost, reason: "of reflectance are too faint; this channel measures"},
		{name: "noisy", spoil: faint(0.02, 0.003), quality: estimate.Lost, reason: "drown in noise; this channel measures"},
		{name: "no fringes", spoil: faint(0.02, 0.01), quality: estimate.Lost, reason: "no clear fringes; this channel measures"},
	}
	for _, c := range cases {
		s := clean
		if c.change != nil {
			c.change(&s)
		}
		spectrum := g.spectrum(s, rand.New(rand.NewPCG(14, 1)))
		if c.spoil != nil {
			c.spoil(&s, spectrum)
		}
		r := measure(t, e, spectrum)
		t.Logf("%s: %v %.3f ± %.3f µm, %s", c.name, r.Quality, r.ThicknessUM, r.SDUM, r.Reason)
		if r.Quality != c.quality || !strings.Contains(r.Reason, c.reason) || (c.reason == "") != (r.Reason == "") {
			t.Errorf("%s: %v, %q: want %v, %q", c.name, r.Quality, r.Reason, c.quality, c.reason)
		}
	}
}

// The parts of the budget add up to the uncertainty (JCGM 100, 5.1.2), and one standard
// deviation of a cause moves a reading by its part: a die 6 K warmer than the set-up
// says, a spectrometer off by 0.02 %, carriers that do a quarter more.
func TestBudget(t *testing.T) {
	for _, c := range channels() {
		w := pixels(c.from, c.to, c.pixels)
		setup := commonDie(c.fwhmNM)
		e := newEstimator(t, setup, w)
		low, high := e.Limits()
		rng := rand.New(rand.NewPCG(16, 1))
		for _, um := range []float64{3 * low, math.Min(0.6*high, 300)} {
			s := specimen{um: um, oxideNM: 800, coverage: 0.5, scale: 1}
			read := func(nm []float64, index func(float64) float64) estimate.Result {
				return measure(t, e, newGenerator(t, nm, c.fwhmNM, index).spectrum(s, rng))
			}
			r := read(w, nil)
			b := r.Budget
			t.Logf("%s, %.3g µm: ± %.4f: %+v", c.name, um, r.SDUM, b)
			if b.SDUM() != r.SDUM || b.FitUM != r.FitSDUM {
				t.Errorf("%s, %g µm: %+v adds up to %g, stated %g and %g", c.name, um, b, b.SDUM(), r.SDUM, r.FitSDUM)
			}
			sum := 0.0
			for _, part := range []float64{b.FitUM, b.TableUM, b.TemperatureUM, b.WavelengthUM, b.UnderlayerUM} {
				if !(part > 0) {
					t.Errorf("%s, %g µm: %+v", c.name, um, b)
				}
				sum += part * part
			}
			if !(math.Abs(math.Sqrt(sum)/r.SDUM-1) < 1e-12) {
				t.Errorf("%s, %g µm: parts add up to %g, stated %g", c.name, um, math.Sqrt(sum), r.SDUM)
			}
			si, err := material.Lookup("Si")
			if err != nil {
				t.Fatal(err)
			}
			_, longest := si.RangeNM()
			warm := read(w, func(nm float64) float64 {
				n, err := si.Index(math.Min(nm, longest), setup.TemperatureC+temperatureSDK)
				if err != nil {
					t.Fatal(err)
				}
				return real(n)
			})
			off := slices.Clone(w)
			for i := range off {
				off[i] *= 1 + wavelengthRelSD
			}
			shifted := read(off, nil)
			for name, moved := range map[string][2]float64{
				"temperature": {warm.ThicknessUM, b.TemperatureUM}, "wavelength": {shifted.ThicknessUM, b.WavelengthUM},
			} {
				if ratio := math.Abs(moved[0]-r.ThicknessUM) / moved[1]; !(ratio > 0.7 && ratio < 1.3) {
					t.Errorf("%s, %g µm: %s moves the reading by %.5f µm, its part is %.5f", c.name, um, name, moved[0]-r.ThicknessUM, moved[1])
				}
			}
		}
	}
}

// Doped silicon, a cone of light and a layer of the operator's own are read with what the
// set-up says of them, and doped silicon wrongly without.
func TestSetupIsHeeded(t *testing.T) {
	w := pixels(1000, 1700, 700)
	own, err := material.ParseTable("lowk.csv", []byte("wavelength_nm,n,k\n800,1.31,0\n1100,1.30,0\n1400,1.295,0\n1800,1.29,0\n"))
	if err != nil {
		t.Fatal(err)
	}
	library := new(material.Library)
	if err := library.Add("lowk", own); err != nil {
		t.Fatal(err)
	}
	plain := commonDie(1.5)
	doped, cone, lowk := plain, plain, plain
	doped.Carriers = material.Carriers{Type: material.PType, PerCM3: 5e18}
	cone.NA = 0.2
	lowk.Library, lowk.Under = library, []die.Layer{{Material: "lowk", ThicknessNM: 600, ToleranceNM: 30}}
	for name, setup := range map[string]die.Setup{"doped": doped, "cone": cone, "own material": lowk} {
		model, err := die.NewModel(setup, w, w[1]-w[0])
		if err != nil {
			t.Fatal(err)
		}
		const um = 30
		p := model.Nominal(1000 * um)
		e := model.NewEvaluation()
		model.Evaluate(e, p)
		r := measure(t, newEstimator(t, setup, w), e.Reflectance)
		if r.Quality != estimate.Good || !(math.Abs(r.ThicknessUM-um) <= 0.002) {
			t.Errorf("%s: %v %.4f ± %.4f µm, %s", name, r.Quality, r.ThicknessUM, r.SDUM, r.Reason)
		}
		if name == "own material" {
			continue
		}
		without := measure(t, newEstimator(t, plain, w), e.Reflectance)
		t.Logf("%s: with %.4f, without %.4f ± %.4f µm, %v", name, r.ThicknessUM, without.ThicknessUM, without.SDUM, without.Quality)
		if math.Abs(without.ThicknessUM-um) < 0.002 {
			t.Errorf("%s: read as well without: %.4f µm", name, without.ThicknessUM)
		}
	}
	doped.Carriers.Type = "x"
	if _, err := New(doped, w, Options{}); err == nil {
		t.Error("carriers of type x are no error")
	}
}

// The same spectrum must read the same whatever was measured before, and whichever way
// the pixels run.
func TestMeasureKeepsNoHistory(t *testing.T) {
	c := channels()[0]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	g := newGenerator(t, w, c.fwhmNM, nil)
	rng := rand.New(rand.NewPCG(8, 1))
	a := g.spectrum(randomSpecimen(rng, 30, 31), rng)
	b := g.spectrum(randomSpecimen(rng, 8, 9), rng)
	first := measure(t, e, a)
	measure(t, e, b)
	second := measure(t, e, a)
	slices.Reverse(w)
	slices.Reverse(a)
	falling := measure(t, newEstimator(t, commonDie(c.fwhmNM), w), a)
	for _, r := range []estimate.Result{second, falling} {
		if r.ThicknessUM != first.ThicknessUM || r.SDUM != first.SDUM || r.FitSDUM != first.FitSDUM {
			t.Errorf("first %v ± %v, then %v ± %v", first.ThicknessUM, first.SDUM, r.ThicknessUM, r.SDUM)
		}
	}
}

// Saturated, dead and spiked pixels must not move a reading.
func TestBadPixels(t *testing.T) {
	c := channels()[0]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	g := newGenerator(t, w, c.fwhmNM, nil)
	rng := rand.New(rand.NewPCG(9, 1))
	for range 6 {
		s := randomSpecimen(rng, 6, 50)
		spectrum := g.spectrum(s, rng)
		for range 6 {
			spectrum[rng.IntN(len(spectrum))] = 0   // dead
			spectrum[rng.IntN(len(spectrum))] = 1.4 // spike
		}
		first := rng.IntN(400)
		for i := first; i < first+60; i++ {
			spectrum[i] = math.NaN()
		}
		r := measure(t, e, spectrum)
		if r.Quality > estimate.Weak || math.Abs(r.ThicknessUM-s.um) > math.Max(0.02, 0.001*s.um) {
			t.Errorf("%+v: read %.3f ± %.3f, %v, %s", s, r.ThicknessUM, r.SDUM, r.Quality, r.Reason)
		}
		if len(r.Model) != len(r.WavelengthNM) || len(r.Mean) != len(r.WavelengthNM) || len(r.Fundamental) != len(r.WavelengthNM) || !math.IsNaN(r.Model[first]) {
			t.Errorf("a result of %d wavelengths has %d model values", len(r.WavelengthNM), len(r.Model))
		}
	}
}

// The drops of spikes must leave fringes, also coarse ones.
func TestSpikesAreNotFringes(t *testing.T) {
	w := pixels(1300, 1600, 400)
	ws := newWorkspace(testFilm(t, commonDie(0), w))
	rng := rand.New(rand.NewPCG(10, 1))
	for _, period := range []float64{2.5, 3.1, 7, 50, 300} {
		for i := range ws.data {
			ws.data[i], ws.weight[i] = 0.35+0.1*math.Cos(2*math.Pi*float64(i)/period)+0.001*rng.NormFloat64(), 1
		}
		ws.data[200] += 0.9
		ws.dropSpikes()
		for i, v := range ws.weight {
			if (v == 0) != (i == 200) {
				t.Errorf("%g pixels a fringe: pixel %d has the weight %g", period, i, v)
			}
		}
	}
}

func TestChannelsThatCannotMeasure(t *testing.T) {
	good := pixels(900, 1700, 512)
	cases := map[string]struct {
		setup   func(*die.Setup)
		w       []float64
		options Options
	}{
		"no pixels":        {w: nil},
		"visible":          {w: pixels(400, 800, 1024)},
		"too coarse":       {w: pixels(900, 1700, 70), options: Options{MinUM: 50}},
		"doubled pixel":    {w: append([]float64{900}, good...)},
		"unknown material": {w: good, setup: func(s *die.Setup) { s.Under[0].Material = "unobtainium" }},
		"coverage order":   {w: good, setup: func(s *die.Setup) { s.CoverageMin, s.CoverageMax = 0.9, 0.2 }},
		"upside down":      {w: good, options: Options{MinUM: 60, MaxUM: 50}},
	}
	for name, c := range cases {
		setup := commonDie(3)
		if c.setup != nil {
			c.setup(&setup)
		}
		if _, err := New(setup, c.w, c.options); err == nil {
			t.Errorf("%s: compiled", name)
		} else {
			t.Log(err)
		}
	}
}

// What weighing the phase does: with all orders possible, thickness is that of the
// frequency; with one, the phase sharpens it.
func TestWeighOrders(t *testing.T) {
	weigh := func(doubt covariance) (nm, sd, noiseSD float64) {
		by := [sources]covariance{fromFit: {{100, 0}, {0, 0.01}}, fromTable: doubt}
		nm, variance := weighOrders(10000, 0.3, by)
		b := newBudget(variance)
		return nm, 1000 * b.SDUM(), 1000 * b.FitUM
	}
	// Regression of thickness on phase: 1.9/(0.01+0.01)·0.3 = 28.5 nm. What is left of the
	// variance is 500 - 1.9²/0.02 = 319.5 nm², of which noise has 100 + 95²·0.01.
	nm, sd, noiseSD := weigh(covariance{{400, 1.9}, {1.9, 0.01}})
	if math.Abs(nm-(10000-28.5)) > 1e-6 || math.Abs(sd-math.Sqrt(319.5)) > 1e-6 || math.Abs(noiseSD-math.Sqrt(190.25)) > 1e-6 {
		t.Errorf("trusted phase: %.3f ± %.3f nm, noise %.3f", nm, sd, noiseSD)
	}
	for _, phaseSD := range []float64{4, 40} {
		nm, sd, noiseSD := weigh(covariance{{400, 5 * phaseSD}, {5 * phaseSD, phaseSD * phaseSD}})
		if math.Abs(nm-10000) > 0.5 || math.Abs(sd-math.Sqrt(500)) > 0.1 || math.Abs(noiseSD-10) > 0.1 {
			t.Errorf("phase to %g rad: %.3f ± %.3f nm, noise %.3f", phaseSD, nm, sd, noiseSD)
		}
	}
}

func BenchmarkMeasure(b *testing.B) {
	for _, c := range channels() {
		w := pixels(c.from, c.to, c.pixels)
		e := newEstimator(b, commonDie(c.fwhmNM), w)
		g := newGenerator(b, w, c.fwhmNM, nil)
		_, high := e.Limits()
		for _, um := range []float64{10, high / 2} {
			rng := rand.New(rand.NewPCG(11, 1))
			spectrum := g.spectrum(randomSpecimen(rng, um, um), rng)
			b.Run(fmt.Sprintf("%s, %.0f µm", c.name, um), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := e.Measure(spectrum); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func BenchmarkNew(b *testing.B) {
	if _, err := material.Lookup("Si"); err != nil {
		b.Fatal(err)
	}
	w := pixels(900, 1700, 1024)
	b.ReportAllocs()
	for b.Loop() {
		newEstimator(b, commonDie(1.6), w)
	}
}
