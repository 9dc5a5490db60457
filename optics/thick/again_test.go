package thick

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"bluefringe/optics/estimate"
)

// Reading on from an earlier reading must say what a search says, to a tenth of the
// uncertainty, and must refuse what is not the continuation.
func TestAgain(t *testing.T) {
	const spectra = 8
	for _, c := range channels() {
		w := pixels(c.from, c.to, c.pixels)
		e := newEstimator(t, commonDie(c.fwhmNM), w)
		g := newGenerator(t, w, c.fwhmNM, nil)
		rng := rand.New(rand.NewPCG(12, 1))
		minUM, maxUM := e.Limits()
		minUM, maxUM = 1.1*minUM, math.Min(0.9*maxUM, 700)
		sure, followed, worst := 0, 0, 0.0
		for k := range spectra {
			s := randomSpecimen(rng, 1, 2)
			s.um = minUM * math.Pow(maxUM/minUM, (float64(k)+rng.Float64())/spectra)
			earlier := measure(t, e, g.spectrum(s, rng))
			if !earlier.Sure() {
				continue
			}
			sure++
			// A little thinner now, and the forecast is not quite right.
			went, wrong := -0.25*rng.Float64(), 0.02*(2*rng.Float64()-1)
			next := s
			next.um += went
			spectrum := g.spectrum(next, rng)
			again, ok, err := e.Again(spectrum, earlier, earlier.ThicknessUM+went+wrong)
			if err != nil {
				t.Fatal(err)
			}
			if ok {
				followed++
				cold := measure(t, e, spectrum)
				off := math.Abs(again.ThicknessUM-cold.ThicknessUM) / cold.SDUM
				worst = math.Max(worst, off)
				if again.Quality != cold.Quality || off > 0.1 || again.SDUM < 0.9*cold.SDUM || math.Abs(again.FitSDUM/cold.FitSDUM-1) > 0.2 {
					t.Errorf("%s: %+v: again %.5f ± %.5f (noise %.5f) %v, searched %.5f ± %.5f (%.5f) %v", c.name, next,
						again.ThicknessUM, again.SDUM, again.FitSDUM, again.Quality, cold.ThicknessUM, cold.SDUM, cold.FitSDUM, cold.Quality)
				}
				if !again.Sure() || again.Budget.SDUM() != again.SDUM {
					t.Errorf("%s: %+v: %+v", c.name, next, again)
				}
			}
			for _, orders := range []float64{-5, -1, -0.5, 0.5, 1, 5} {
				other := next
				other.um += orders * e.orderUM
				r, ok, err := e.Again(g.spectrum(other, rng), earlier, earlier.ThicknessUM+went)
				if ok || err != nil {
					t.Errorf("%s: %+v, %g orders from where it is expected: %v, %.4f µm, %v", c.name, other, orders, ok, r.ThicknessUM, err)
				}
			}
		}
		t.Logf("%s: %d of %d sure, %d followed, worst %.3f standard uncertainties from a search", c.name, sure, spectra, followed, worst)
		if sure < spectra/2 || followed < sure*3/4 {
			t.Errorf("%s: %d of %d sure, %d followed", c.name, sure, spectra, followed)
		}
	}
}

func TestAgainRefuses(t *testing.T) {
	c := channels()[0]
	w := pixels(c.from, c.to, c.pixels)
	e := newEstimator(t, commonDie(c.fwhmNM), w)
	g := newGenerator(t, w, c.fwhmNM, nil)
	rng := rand.New(rand.NewPCG(13, 1))
	s := specimen{um: 25, oxideNM: 810, coverage: 0.5, scale: 1, noise: 0.003}
	spectrum := g.spectrum(s, rng)
	earlier := measure(t, e, spectrum)
	if _, ok, err := e.Again(spectrum, earlier, earlier.ThicknessUM); !ok || err != nil {
		t.Fatalf("the same spectrum: %v, %v", ok, err)
	}
	cases := map[string]struct {
		spectrum []float64
		earlier  func(r *estimate.Result)
		expected float64
	}{
		"another die": {spectrum: func() []float64 {
			other := s
			other.um = 41
			return g.spectrum(other, rng)
		}()},
		"noisier": {spectrum: func() []float64 {
			other := s
			other.noise *= 2
			return g.spectrum(other, rng)
		}()},
		"dim": {spectrum: func() []float64 {
			other := s
			other.scale = 0.4
			return g.spectrum(other, rng)
		}()},
		"flat": {spectrum: func() []float64 {
			flat := make([]float64, len(w))
			for i := range flat {
				flat[i] = 0.35
			}
			return flat
		}()},
		"dark": {spectrum: func() []float64 {
			dark := make([]float64, len(w))
			for i := range dark {
				dark[i] = math.NaN()
			}
			return dark
		}()},
		"weak":            {earlier: func(r *estimate.Result) { r.Quality = estimate.Weak }},
		"lost":            {earlier: func(r *estimate.Result) { *r = e.lost("") }},
		"nothing":         {earlier: func(r *estimate.Result) { *r = estimate.Result{} }},
		"another channel": {earlier: func(r *estimate.Result) { r.Fundamental = r.Fundamental[1:] }},
		"too thin":        {expected: 2.9},
		"too thick":       {expected: 200},
		"no forecast":     {expected: math.NaN()},
	}
	for name, c := range cases {
		from, expected := earlier, earlier.ThicknessUM
		if c.earlier != nil {
			c.earlier(&from)
		}
		if c.expected != 0 {
			expected = c.expected
		}
		if c.spectrum == nil {
			c.spectrum = spectrum
		}
		if r, ok, err := e.Again(c.spectrum, from, expected); ok || err != nil {
			t.Errorf("%s: %v, %.4f µm, %v", name, r.Quality, r.ThicknessUM, err)
		}
	}
	if _, _, err := e.Again(spectrum[1:], earlier, 25); !errors.Is(err, estimate.ErrLength) {
		t.Errorf("a pixel less: %v", err)
	}
	// And none of that may have left a trace.
	if r := measure(t, e, spectrum); r.ThicknessUM != earlier.ThicknessUM || r.SDUM != earlier.SDUM {
		t.Errorf("first %v ± %v, then %v ± %v", earlier.ThicknessUM, earlier.SDUM, r.ThicknessUM, r.SDUM)
	}
}

func BenchmarkAgain(b *testing.B) {
	for _, c := range channels() {
		w := pixels(c.from, c.to, c.pixels)
		e := newEstimator(b, commonDie(c.fwhmNM), w)
		g := newGenerator(b, w, c.fwhmNM, nil)
		_, high := e.Limits()
		for _, um := range []float64{10, high / 2} {
			rng := rand.New(rand.NewPCG(11, 1))
			s := randomSpecimen(rng, um, um)
			earlier := measure(b, e, g.spectrum(s, rng))
			s.um -= 0.1
			spectrum := g.spectrum(s, rng)
			b.Run(fmt.Sprintf("%s, %.0f µm", c.name, um), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, ok, err := e.Again(spectrum, earlier, earlier.ThicknessUM-0.095); !ok || err != nil {
						b.Fatal(ok, err)
					}
				}
			})
		}
	}
}
