package thick

import (
	"math"
	"math/rand/v2"
	"testing"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/testspectra"
)

// Whatever the set-up says is there, spectra of just that are read right: layers known
// exactly or not at all, none, no metal, under water, warm, with a wide aperture. The
// spectra come from package die, so that this is of the set-up and not of the optics.
func TestSetupsOfAllKinds(t *testing.T) {
	for name, change := range testspectra.Setups() {
		t.Run(name, func(t *testing.T) {
			setup := die.Setup{Ambient: "air", TemperatureC: 25, Under: []die.Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}},
				Reflector: "Al", CoverageMin: 0.2, CoverageMax: 0.9, ResolutionNM: 1}
			change(&setup)
			w := pixels(1100, 1300, 512)
			e := newEstimator(t, setup, w)
			model, err := die.NewModel(setup, w, 0)
			if err != nil {
				t.Fatal(err)
			}
			shown := model.NewEvaluation()
			rng := rand.New(rand.NewPCG(12, 1))
			for _, um := range []float64{8, 60, 120} {
				model.Evaluate(shown, model.Nominal(1000*um))
				for i := range shown.Reflectance {
					shown.Reflectance[i] += 0.002 * rng.NormFloat64()
				}
				r, err := e.Measure(shown.Reflectance)
				if err != nil {
					t.Fatal(err)
				}
				// The table is the same on both sides.
				own := math.Sqrt(r.SDUM*r.SDUM - r.Budget.TableUM*r.Budget.TableUM)
				if r.Quality > estimate.Weak || !(math.Abs(r.ThicknessUM-um) < math.Max(0.02, 3*own)) {
					t.Errorf("%g µm: %v %s %.4f µm, %+v", um, r.Quality, r.Reason, r.ThicknessUM, r.Budget)
				}
			}
		})
	}
}

// A line of unknown width may be as wide as two pixels, and then hides fringes that the
// pixels would show: such a channel measures less far.
func TestUnknownLine(t *testing.T) {
	w := pixels(1000, 1350, 512)
	limit := func(resolutionNM float64) float64 {
		_, high := newEstimator(t, commonDie(resolutionNM), w).Limits()
		return high
	}
	twoPixels := 2 * (w[1] - w[0])
	if unknown := limit(0); !(unknown < limit(0.1) && unknown < limit(twoPixels)) {
		t.Errorf("unknown %.1f µm, 0.1 nm %.1f µm, %.2f nm %.1f µm", unknown, limit(0.1), twoPixels, limit(twoPixels))
	}
}
