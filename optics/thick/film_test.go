package thick

import (
	"math"
	"math/cmplx"
	"testing"

	"bluefringe/optics/die"

	"gonum.org/v1/gonum/diff/fd"
)

func testFilm(t *testing.T, setup die.Setup, w []float64) *film {
	t.Helper()
	f, err := newFilm(setup, w)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// The film must be the one of package die: two codes for one series.
func TestFilmEqualsDieModel(t *testing.T) {
	w := pixels(905, 1695, 300)
	spacing := w[1] - w[0]
	bare := commonDie(2)
	bare.Reflector = ""
	two := commonDie(1)
	two.Under = []die.Layer{{Material: "SiO2", ThicknessNM: 300}, {Material: "resist", ThicknessNM: 500}}
	two.Ambient = "water"
	for name, setup := range map[string]die.Setup{"metal": commonDie(2), "bare": bare, "two layers": two} {
		model, err := die.NewModel(setup, w, spacing)
		if err != nil {
			t.Fatal(err)
		}
		ws := newWorkspace(testFilm(t, setup, w))
		for _, d := range []float64{3000, 17000, 60000} {
			p := model.Nominal(d)
			p.Coverage *= 1.3
			x := ws.around(start{nm: d, coverage: p.Coverage, underNM: p.UnderNM}, 100)
			x[atSpread] = 0
			ws.Cost(x, 1)
			e := model.NewEvaluation()
			model.Evaluate(e, p)
			first := model.Fundamental(p)
			for i := range w {
				if diff := math.Abs(e.Reflectance[i] - ws.model[i]); diff > 8e-4 {
					t.Fatalf("%s, %g nm at %.0f nm: reflectance %.5f, die has %.5f", name, d, w[i], ws.model[i], e.Reflectance[i])
				}
				if diff := math.Abs(e.Mean[i] - ws.mean[i]); diff > 8e-4 {
					t.Fatalf("%s, %g nm at %.0f nm: mean %.5f, die has %.5f", name, d, w[i], ws.mean[i], e.Mean[i])
				}
				if diff := cmplx.Abs(first[i] - ws.first[i]); diff > 8e-4 {
					t.Fatalf("%s, %g nm at %.0f nm: fundamental %.5f, die has %.5f", name, d, w[i], ws.first[i], first[i])
				}
			}
		}
	}
}

func TestJacobian(t *testing.T) {
	w := pixels(950, 1650, 80)
	ws := newWorkspace(testFilm(t, commonDie(3), w))
	x := ws.around(start{nm: 9000, phase: 0.4, coverage: 0.6, underNM: []float64{780}}, 500)
	x[atBend], x[atContrast], x[atSpread] = 0.2, -0.1, 500
	steps := []float64{0.01, 1e-4, 1e-4, 1e-4, 1, 1e-4, 0.01, 1e-4, 1e-4, 1e-4, 1e-4, 1e-4}
	if len(steps) != len(x) {
		t.Fatalf("%d parameters", len(x))
	}
	other := newWorkspace(ws.film)
	other.around(start{nm: 9000, underNM: []float64{780}}, 500)
	ws.Cost(x, 1)
	for k := range x {
		for i := range w {
			numeric := fd.Derivative(func(v float64) float64 {
				y := append([]float64(nil), x...)
				y[k] = v
				other.Cost(y, 1)
				return other.model[i]
			}, x[k], &fd.Settings{Formula: fd.Central, Step: steps[k]})
			// The thickness slope leaves out absorption, the layer slope is a difference.
			tolerance := 2e-2*math.Abs(numeric) + 2e-5
			if k != atThickness && k != atUnder {
				tolerance = 1e-3*math.Abs(numeric) + 1e-5
			}
			if diff := math.Abs(numeric - ws.Jacobian[k][i]); diff > tolerance {
				t.Fatalf("parameter %d at %.0f nm: %g, numeric %g", k, w[i], ws.Jacobian[k][i], numeric)
			}
		}
	}
}

// Fringe period λ²/(2·ng·d) at 1550 nm. The values are for ng = 3.6053, from Salzberg and
// Villa 1957 with Tatian 1984; Li 1980, which package material has, differs by 0.2 %.
func TestFringePeriod(t *testing.T) {
	w := pixels(1500, 1600, 101)
	f := testFilm(t, commonDie(0), w)
	const at1550 = 50
	for um, want := range map[float64]float64{1: 333.19, 2: 166.60, 5: 66.638, 10: 33.319, 50: 6.664, 100: 3.332, 775: 0.4299} {
		got := f.pixelsPerFringe(at1550, um*1000) * f.spacingNM[at1550]
		if math.Abs(got/want-1) > 0.003 {
			t.Errorf("%g µm: period %.4f nm, want %.4f", um, got, want)
		}
	}
	// Neighbouring maxima: 2d(n₁/λ₁ - n₂/λ₂) = 1, so over the band as many fringes as
	// the phase has turns.
	turns := (f.phase[0] - f.phase[100]) * 10000 / (2 * math.Pi)
	steps := 0.0
	for i := range 100 {
		steps += (w[i+1] - w[i]) * 10000 * (f.rate[i] + f.rate[i+1]) / (4 * math.Pi)
	}
	if math.Abs(steps/turns-1) > 1e-3 {
		t.Errorf("10 µm: %.4f fringes by phase, %.4f by period", turns, steps)
	}
}

func TestLimits(t *testing.T) {
	for _, c := range channels() {
		w := pixels(c.from, c.to, c.pixels)
		low, high := testFilm(t, commonDie(c.fwhmNM), w).limits()
		t.Logf("%s, FWHM %g nm: %.2f to %.0f µm", c.name, c.fwhmNM, low/1000, high/1000)
		// The fringes of the upper limit where they are widest, at the red end; ng 3.57
		// to 3.70 (Li 1980).
		period := c.to * c.to / (2 * 3.6 * high)
		if spacing := w[1] - w[0]; period < 2.45*spacing || period < 0.8*c.fwhmNM {
			t.Errorf("%s: fringes of %.0f µm are %.2f nm wide", c.name, high/1000, period)
		}
		fringes := 2 * low * 3.65 * (1/c.from - 1/c.to)
		if math.Abs(fringes-minFringes) > 0.1*minFringes {
			t.Errorf("%s: %.2f fringes of %.2f µm in the band", c.name, fringes, low/1000)
		}
	}
}
