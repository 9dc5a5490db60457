package guide

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"bluefringe/optics/estimate"
	"bluefringe/optics/fringe"
	"bluefringe/optics/testspectra"
	"bluefringe/removal/advice"
)

// Absorption must not contradict sound readings: spectra of another table and another
// forward model, half of them of dies that do what nobody declared. Of a thousand of them
// none was contradicted; of the 684 that absorption could tell the worst lay 2.1 standard
// uncertainties off.
func TestWitnessIsQuietOnSoundReadings(t *testing.T) {
	w := make([]float64, 600)
	for i := range w {
		w[i] = 420 + 530*float64(i)/599
	}
	generator, err := testspectra.New(w, testspectra.Vuye)
	if err != nil {
		t.Fatal(err)
	}
	r, err := newReader("vis", w, testDie(), fringe.Threshold)
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 9))
	told, inside := 0, 0
	for i := range 16 {
		draw := testspectra.Ordinary
		if i%2 == 1 {
			draw = testspectra.Undeclared
		}
		s := draw(rng, 300, 6000)
		f, err := r.read(Spectrum{Channel: "vis", Reflectance: generator.Spectrum(s, rng)}, nil, math.NaN())
		if err != nil {
			t.Fatal(err)
		}
		e := f.estimate
		if e.witnessDisagrees() {
			t.Errorf("%+v: phase %.3f µm, absorption %.3f ± %.3f µm", s, e.ThicknessUM, e.AbsorptionUM, e.AbsorptionSDUM)
		}
		if !math.IsNaN(e.AbsorptionUM) {
			told++
			if math.Abs(e.AbsorptionUM-s.ThicknessNM/1000) < e.AbsorptionSDUM {
				inside++
			}
		}
	}
	if told < 8 || inside*10 < told*6 {
		t.Errorf("absorption told %d of 16 thicknesses, %d within its uncertainty", told, inside)
	}
}

const wrongBy = 1.5

// liar reads a thickness that is wrong by a factor with a fit that follows the phase of
// the fringes, as one of a slipped order does: its fringes fade as those of the wrong die.
type liar struct {
	estimator
	reader *reader
	t      *testing.T
	lies   func() bool
}

func (l liar) Measure(reflectance []float64) (estimate.Result, error) {
	r, err := l.estimator.Measure(reflectance)
	if err != nil || r.Quality == estimate.Lost || !l.lies() {
		return r, err
	}
	alphaPerUM, err := l.reader.absorptionAt(r.WavelengthNM)
	if err != nil {
		l.t.Fatal(err)
	}
	r.Model, r.Fundamental = slices.Clone(r.Model), slices.Clone(r.Fundamental)
	for i, a := range alphaPerUM {
		fade := math.Exp(-a * r.ThicknessUM * (wrongBy - 1))
		r.Model[i] = r.Mean[i] + fade*(r.Model[i]-r.Mean[i])
		r.Fundamental[i] *= complex(fade, 0)
	}
	r.ThicknessUM *= wrongBy
	return r, nil
}

func lyingEngine(t *testing.T, b *bench, lies func() bool) *Engine {
	t.Helper()
	e := b.engine(func(c *Config) { c.Advice.TargetUM, c.Advice.FloorUM = 0.5, 0.4 })
	r, err := e.reader("vis")
	if err != nil {
		t.Fatal(err)
	}
	r.estimator = liar{r.estimator, r, t, lies}
	return e
}

// A thickness that is wrong by half is told within seconds, as blind and not as stop.
func TestWitnessCatchesWrongThickness(t *testing.T) {
	const spectra = 8
	for _, um := range []float64{1, 1.5, 2} {
		b := newBench(t)
		e := lyingEngine(t, b, func() bool { return true })
		disagrees, told := 0, false
		for timeS := range spectra {
			step := last(feed(t, e, b.spectrum(float64(timeS), um, "c")))
			if r := step.Estimate; r.witnessDisagrees() {
				disagrees++
			} else {
				t.Logf("%g µm read as %.3f, by absorption %.3f ± %.3f", um, r.ThicknessUM, r.AbsorptionUM, r.AbsorptionSDUM)
			}
			if step.Advice.Rule == "witness" {
				told = true
			}
			if early := timeS < 4; (early && told) || step.Advice.Level > advice.Blind {
				t.Errorf("%g µm at %d s: %+v", um, timeS, step.Advice)
			}
		}
		if disagrees < spectra*3/4 || !told {
			t.Errorf("%g µm: %d of %d readings contradicted, told: %v", um, disagrees, spectra, told)
		}
	}
}

// One contradicted spectrum changes no advice, whether others follow or none.
func TestWitnessOfOneSpectrum(t *testing.T) {
	for _, follow := range []bool{true, false} {
		b := newBench(t)
		lie := false
		e := lyingEngine(t, b, func() bool { return lie })
		var steps []Step
		for timeS := 0.0; timeS < 8; timeS++ {
			lie = timeS == 2
			if timeS > 2 && !follow {
				break
			}
			steps = append(steps, feed(t, e, b.spectrum(timeS, 2, "c"))...)
			if got := last(steps).Estimate.witnessDisagrees(); got != lie {
				t.Errorf("at %g s: disagrees %v", timeS, got)
			}
		}
		steps = append(steps, e.Advance(10)...)
		for _, s := range steps {
			if s.Advice.Rule == "witness" {
				t.Errorf("at %g s: %+v", s.TimeS, s.Advice)
			}
		}
	}
}

// Infrared light is not absorbed: no number, and no contradiction.
func TestNoWitnessInTheInfrared(t *testing.T) {
	infrared := make([]float64, 200)
	for i := range infrared {
		infrared[i] = 1000 + 3*float64(i)
	}
	r, err := newReader("nir", infrared, testDie(), fringe.Threshold)
	if err != nil {
		t.Fatal(err)
	}
	reflectance := make([]float64, len(infrared))
	for i, w := range infrared {
		reflectance[i] = 0.3 + 0.1*math.Cos(4*math.Pi*3.5*12000/w)
	}
	f, err := r.read(Spectrum{Channel: "nir", Reflectance: reflectance}, nil, math.NaN())
	if err != nil {
		t.Fatal(err)
	}
	if e := f.estimate; !math.IsNaN(e.AbsorptionUM) || !math.IsNaN(e.AbsorptionSDUM) || e.witnessDisagrees() {
		t.Errorf("absorption %g ± %g µm", e.AbsorptionUM, e.AbsorptionSDUM)
	}
}
