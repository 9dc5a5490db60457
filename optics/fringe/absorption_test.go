package fringe

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"bluefringe/optics/die"
	"bluefringe/optics/material"
)

// alphaPerUM is absorption of silicon, Green 2008.
func alphaPerUM(t *testing.T, wavelengthNM []float64) []float64 {
	t.Helper()
	si, err := material.Lookup("Si")
	if err != nil {
		t.Fatal(err)
	}
	alpha := make([]float64, len(wavelengthNM))
	for i, w := range wavelengthNM {
		depth, err := si.AbsorptionDepthUM(w, 27)
		if err != nil {
			t.Fatal(err)
		}
		alpha[i] = 1 / depth
	}
	return alpha
}

// made is a pair of curves of which the measured one is exp(-α·shift) of the other,
// times what lamp and spread may do.
func made(t *testing.T, thicknessUM, shiftUM, noise float64, rng *rand.Rand) (measured, expected Curve, alpha []float64) {
	t.Helper()
	var w []float64
	for nm := 440.0; nm < 900; nm += stepNM {
		w = append(w, nm)
	}
	alpha = alphaPerUM(t, w)
	measured, expected = Curve{WavelengthNM: w}, Curve{WavelengthNM: w, SD: make([]float64, len(w))}
	for i, a := range alpha {
		e := 0.6 * math.Exp(-a*thicknessUM)
		v := e * math.Exp(-a*shiftUM) * 0.9 * math.Exp(-0.05e6/(w[i]*w[i]))
		measured.Visibility = append(measured.Visibility, math.Hypot(v+noise*rng.NormFloat64(), noise*rng.NormFloat64()))
		measured.SD = append(measured.SD, noise)
		expected.Visibility = append(expected.Visibility, e)
	}
	return measured, expected, alpha
}

// A shift that was made is found, through a lower lamp, more spread and bad points. The
// factor exp(-αΔ) is derived at Absorption; α of silicon is Green 2008.
func TestAbsorptionOfMadeVisibility(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	for _, d := range []float64{0.6, 1, 2, 4} {
		for _, rel := range []float64{-0.4, -0.2, 0, 0.2, 0.4} {
			measured, expected, alpha := made(t, d, rel*d, 1e-5, rng)
			shift, sd := Absorption(measured, expected, alpha, d)
			if !(math.Abs(shift-rel*d) < 0.06*d) {
				t.Errorf("%g µm: shift %.3f ± %.3f, made with %.3f", d, shift, sd, rel*d)
			}
			measured, expected, alpha = made(t, d, rel*d, 0.001, rng)
			measured.Visibility[20], measured.Visibility[31] = 0.8, 0.1
			measured.Visibility[25], measured.SD[26] = math.NaN(), math.NaN()
			if shift, sd := Absorption(measured, expected, alpha, d); !(math.Abs(shift-rel*d) < sd) {
				t.Errorf("%g µm with bad points: shift %.3f ± %.3f, made with %.3f", d, shift, sd, rel*d)
			}
			// Published absorption differs by 3 to 10 % (Green 2008, Schinke 2015): the
			// uncertainty can be neither below that nor useless.
			if rel == 0 && !(sd > 0.03*d && sd < 0.2*d) {
				t.Errorf("%g µm: uncertainty %.3f", d, sd)
			}
		}
	}
}

// dieCurves measures a noisy spectrum of a die of thicknessUM as a fit of fittedUM sees
// it that follows the phase of the fringes.
func dieCurves(t *testing.T, reflector string, thicknessUM, fittedUM, noise float64, rng *rand.Rand) (shiftUM, sdUM float64) {
	t.Helper()
	w := pixels()
	setup := die.Setup{Ambient: "air", TemperatureC: 27, Under: []die.Layer{{Material: "SiO2", ThicknessNM: 800}},
		Reflector: reflector, CoverageMin: 0.2, CoverageMax: 0.9}
	m, err := die.NewModel(setup, w, 0)
	if err != nil {
		t.Fatal(err)
	}
	truth, fitted := m.NewEvaluation(), m.NewEvaluation()
	m.Evaluate(truth, m.Nominal(thicknessUM*1000))
	m.Evaluate(fitted, m.Nominal(fittedUM*1000))
	for i := range w {
		truth.Reflectance[i] += noise * rng.NormFloat64()
	}
	phase := m.PhasePerNM()
	for i := range phase {
		phase[i] *= thicknessUM * 1000
	}
	measured := Measure(w, truth.Reflectance, phase, m.Fundamental(m.Nominal(thicknessUM*1000)))
	expected := measured.Expected(w, fitted.Mean, m.Fundamental(m.Nominal(fittedUM*1000)))
	return Absorption(measured, expected, alphaPerUM(t, measured.WavelengthNM), fittedUM)
}

func TestAbsorptionOfDies(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	inside, all := 0, 0
	for _, reflector := range []string{"", "Al"} {
		for _, d := range []float64{0.5, 1, 2, 4, 6} {
			for range 5 {
				shift, sd := dieCurves(t, reflector, d, d, 0.005, rng)
				if !(math.Abs(shift) < 2*sd) || sd > 0.25*d {
					t.Errorf("%g µm over %q: shift %.3f ± %.3f", d, reflector, shift, sd)
				}
				if math.Abs(shift) < sd {
					inside++
				}
				all++
			}
			// A fit that is wrong by half is caught, one that is wrong by a tenth cannot be.
			if shift, sd := dieCurves(t, reflector, d, 1.5*d, 0.003, rng); !(shift < -4*sd) {
				t.Errorf("%g µm over %q fitted as %g: shift %.3f ± %.3f", d, reflector, 1.5*d, shift, sd)
			}
			if shift, sd := dieCurves(t, reflector, d, d/1.5, 0.003, rng); !(shift > 2.5*sd) {
				t.Errorf("%g µm over %q fitted as %.2f: shift %.3f ± %.3f", d, reflector, d/1.5, shift, sd)
			}
			if shift, sd := dieCurves(t, reflector, d, 1.1*d, 0.003, rng); !(math.Abs(shift) < 3*sd) {
				t.Errorf("%g µm over %q fitted as %g: shift %.3f ± %.3f", d, reflector, 1.1*d, shift, sd)
			}
		}
	}
	// 68 % of a Gaussian lie inside; α has no error here, so nearly all must.
	if inside < all*9/10 {
		t.Errorf("%d of %d within one standard uncertainty", inside, all)
	}
}

// Silicon that absorbs as Schinke 2015 (AIP Adv. 5, 067168) says, read with Green 2008:
// absorption depths in µm of both every 50 nm from 450 to 900 nm.
func TestAbsorptionOfAnotherTable(t *testing.T) {
	green := []float64{0.4149, 0.9009, 1.565, 2.395, 3.584, 5.291, 7.634, 11.76, 18.73, 33.00}
	schinke := []float64{0.3755, 0.8197, 1.561, 2.578, 3.580, 5.244, 7.837, 12.09, 19.55, 33.96}
	rng := rand.New(rand.NewPCG(8, 1))
	for _, d := range []float64{0.5, 1, 2, 4, 6} {
		measured, expected, alpha := made(t, d, 0, 0.001, rng)
		for i, w := range measured.WavelengthNM {
			at := math.Max(0, (w-450)/50)
			k := min(int(at), len(green)-2)
			ratio := func(k int) float64 { return green[k] / schinke[k] }
			more := ratio(k) + (at-float64(k))*(ratio(k+1)-ratio(k)) - 1
			measured.Visibility[i] *= math.Exp(-more * alpha[i] * d)
		}
		shift, sd := Absorption(measured, expected, alpha, d)
		t.Logf("%g µm: shift %.3f ± %.3f", d, shift, sd)
		if !(math.Abs(shift) < 2*sd) {
			t.Errorf("%g µm: shift %.3f ± %.3f", d, shift, sd)
		}
	}
}

// Where absorption cannot tell there is no number.
func TestAbsorptionCannotTell(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	check := func(what string, shift, sd float64) {
		t.Helper()
		if !math.IsNaN(shift) || !math.IsNaN(sd) {
			t.Errorf("%s: shift %g ± %g", what, shift, sd)
		}
	}
	shift, sd := Absorption(Curve{}, Curve{}, nil, 2)
	check("no curve", shift, sd)

	measured, expected, alpha := made(t, 2, 0, 0.2, rng)
	shift, sd = Absorption(measured, expected, alpha, 2)
	check("all noise", shift, sd)

	measured, expected, alpha = made(t, 2, 0, 0.001, rng)
	shift, sd = Absorption(measured, expected, slices.Repeat([]float64{0.5}, len(alpha)), 2)
	check("α that does not vary", shift, sd)
	shift, sd = Absorption(measured, expected, make([]float64, len(alpha)), 2)
	check("no absorption", shift, sd)

	// 0.5 µm of silicon absorb less than a tenth beyond 700 nm.
	measured, expected, alpha = made(t, 0.5, 0, 0.001, rng)
	for i, w := range measured.WavelengthNM {
		if w < 700 {
			measured.Visibility[i] = math.NaN()
		}
	}
	shift, sd = Absorption(measured, expected, alpha, 0.5)
	check("red alone", shift, sd)

	measured, expected, alpha = made(t, 2, 0, 0.001, rng)
	for i := range measured.Visibility {
		measured.Visibility[i], measured.SD[i] = math.NaN(), math.NaN()
	}
	shift, sd = Absorption(measured, expected, alpha, 2)
	check("nothing measured", shift, sd)
}

func BenchmarkAbsorption(b *testing.B) {
	w := make([]float64, 60)
	c := Curve{WavelengthNM: w, SD: slices.Repeat([]float64{0.001}, len(w))}
	alpha := make([]float64, len(w))
	for i := range w {
		w[i] = 440 + stepNM*float64(i)
		alpha[i] = 2.4 * math.Exp(-float64(i)/10)
		c.Visibility = append(c.Visibility, 0.5*math.Exp(-2*alpha[i]))
	}
	b.ReportAllocs()
	for b.Loop() {
		Absorption(c, c, alpha, 2)
	}
}
