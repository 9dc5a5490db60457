package die

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"bluefringe/optics"
)

// Params are the unknowns of one spot.
type Params struct {
	ThicknessNM  float64
	SpreadVarNM2 float64 // variance of thickness inside the spot; the spread is its root
	Tilt         float64 // shape of that spread, from 0 (Gaussian) to 1 (uniform: a tilted face)
	Coverage     float64 // part of the spot that is metal
	// Dispersion and Absorption are how n and k of silicon deviate from their table along
	// the wavelengths, in standard deviations of the shapes that tables leave open: some
	// 0.1 % of n, which is a good part of a fringe in a thick film, and 3 to 7 % of k.
	Dispersion [Dispersions]float64
	Absorption [Absorptions]float64
	UnderNM    []float64 // thickness of each layer under the silicon
	// RoughnessVarNM2 is the square of the rms roughness of the polished face, which
	// scatters light out of the specular beam: a factor exp(-(4πσ/λ)²) on the whole
	// reflectance (H. E. Bennett and J. O. Porteus, J. Opt. Soc. Am. 51 (1961) 123, eq. 1).
	RoughnessVarNM2 float64
}

// Model is a Setup compiled for a list of wavelengths. It is read-only after
// NewModel and may be shared between goroutines; each needs its own Evaluation.
type Model struct {
	setup  Setup
	pixels []pixel
	layers int

	indexRelSD float64
}

// pixel holds what does not change with the unknowns.
type pixel struct {
	wavelength float64
	turn       complex128           // 4πN/λ: round-trip phase of silicon per nm
	outer      complex128           // A
	inner      complex128           // r10
	gain       complex128           // T/r10
	gainPower  float64              // |T/r10|²
	kappa      complex128           // (T/r10)·A*
	ofN        [Dispersions]float64 // shapes of Params.Dispersion here
	ofK        [Absorptions]float64 // and of Params.Absorption
	smear      float64              // variance of the fringe phase from resolution and aperture, per nm² of silicon
	scatter    float64              // (4π/λ)²
	groupIndex float64              // of silicon

	underTurn []complex128 // i·4πN/λ of each layer: what a nanometre of it does to the phase
	// The interfaces that light meets going down, as coefficients at normal incidence:
	// from the silicon through the layers to what ends them. One more than layers.
	bareFaces, metalFaces []complex128
}

// NewModel compiles a set-up for the given wavelengths (nm, each inside the
// tables of all materials named). binNM is the width of the band that each
// wavelength stands for, 0 for none.
func NewModel(setup Setup, wavelengthNM []float64, binNM float64) (*Model, error) {
	return NewBandModel(setup, wavelengthNM, slices.Repeat([]float64{binNM}, len(wavelengthNM)))
}

// NewBandModel is NewModel for bands that are not all of one width.
func NewBandModel(setup Setup, wavelengthNM, binNM []float64) (*Model, error) {
	if len(wavelengthNM) == 0 {
		return nil, errors.New("die model: no wavelengths")
	}
	if setup.Reflector != "" && !(0 <= setup.CoverageMin && setup.CoverageMin <= setup.CoverageMax && setup.CoverageMax <= 1) {
		return nil, fmt.Errorf("die model: coverage %g to %g: allowed is 0 to 1 in rising order", setup.CoverageMin, setup.CoverageMax)
	}
	all, err := setup.indices(wavelengthNM)
	if err != nil {
		return nil, fmt.Errorf("die model: %w", err)
	}
	groupIndex, err := setup.siliconGroupIndex(wavelengthNM)
	if err != nil {
		return nil, fmt.Errorf("die model: %w", err)
	}
	low, high := slices.Min(wavelengthNM), slices.Max(wavelengthNM)
	n, k := newShapes(ofN(), low, high, Dispersions, false), newShapes(ofK(), low, high, Absorptions, true)
	m := &Model{setup: setup, layers: len(setup.Under), pixels: make([]pixel, len(wavelengthNM)), indexRelSD: math.Hypot(n.meanSD, commonSD)}
	for i, w := range wavelengthNM {
		outer := optics.Interface(all.ambient[i], all.silicon[i])
		// In a filled cone the square of the sine inside the silicon is uniform up to
		// (NA/n)², so cos θ is on average 1-(NA/2n)² and uniform over twice that: a film
		// that looks thinner, and a blur.
		cone := setup.NA / (2 * real(all.silicon[i]))
		cone *= cone
		p := pixel{
			wavelength: w,
			turn:       complex(4*math.Pi/w*(1-cone), 0) * all.silicon[i],
			outer:      outer,
			inner:      -outer,
			gain:       (1 - outer*outer) / -outer,
			groupIndex: groupIndex[i],
			scatter:    16 * math.Pi * math.Pi / (w * w),
		}
		n.at(p.ofN[:], w)
		k.at(p.ofK[:], w)
		p.gainPower = power(p.gain)
		p.kappa = p.gain * cmplx.Conj(outer)
		phasePerNM := 4 * math.Pi * groupIndex[i] / (w * w) // dφ/dλ per nm of silicon
		// Variance of a rectangle of width binNM and of a Gaussian of the given FWHM.
		lineVar := binNM[i]*binNM[i]/12 + setup.ResolutionNM*setup.ResolutionNM/(8*math.Ln2)
		coneSD := real(p.turn) * 2 * cone / math.Sqrt(12)
		p.smear = phasePerNM*phasePerNM*lineVar + coneSD*coneSD
		above := all.silicon[i]
		for j := range m.layers {
			here := all.under[j][i]
			p.underTurn = append(p.underTurn, complex(0, 4*math.Pi/w)*here)
			p.metalFaces = append(p.metalFaces, optics.Interface(above, here))
			above = here
		}
		// Without metal the last layer has no end, so nothing lies below its upper face.
		if m.layers > 0 {
			p.bareFaces = p.metalFaces[:m.layers:m.layers]
		} else {
			p.bareFaces = []complex128{optics.Interface(above, all.end[i])}
		}
		if all.metal != nil {
			p.metalFaces = append(p.metalFaces, optics.Interface(above, all.metal[i]))
		}
		m.pixels[i] = p
	}
	return m, nil
}

// siliconGroupIndex returns n - λ·dn/dλ, by a central difference on the spline.
func (s Setup) siliconGroupIndex(wavelengthNM []float64) ([]float64, error) {
	const step = 2.5 // nm: a quarter of the row spacing of the table
	shifted := func(by float64) ([]complex128, error) {
		w := make([]float64, len(wavelengthNM))
		for i := range w {
			w[i] = wavelengthNM[i] + by
		}
		all, err := Setup{Ambient: "air", TemperatureC: s.TemperatureC}.indices(w)
		return all.silicon, err
	}
	below, err := shifted(-step)
	if err != nil {
		return nil, err
	}
	above, err := shifted(step)
	if err != nil {
		return nil, err
	}
	group := make([]float64, len(wavelengthNM))
	for i, w := range wavelengthNM {
		slope := (real(above[i]) - real(below[i])) / (2 * step)
		group[i] = (real(above[i])+real(below[i]))/2 - w*slope
	}
	return group, nil
}

// Pixels returns the number of wavelengths.
func (m *Model) Pixels() int { return len(m.pixels) }

// Setup returns what the model was compiled from.
func (m *Model) Setup() Setup { return m.setup }

// HasMetal tells whether coverage is an unknown at all.
func (m *Model) HasMetal() bool { return m.setup.Reflector != "" }

// PhasePerNM returns 4πn/λ of silicon, the fringe phase per nanometre of
// thickness, for every pixel.
func (m *Model) PhasePerNM() []float64 {
	phase := make([]float64, len(m.pixels))
	for i := range m.pixels {
		phase[i] = real(m.pixels[i].turn)
	}
	return phase
}

// Fringe returns how far the next fringe lies from pixel i in wavelength, λ²/2n_g·d, and
// what a round trip through a thickness of silicon leaves of its amplitude there, after
// absorption, resolution and aperture.
func (m *Model) Fringe(i int, thicknessNM float64) (periodNM, left float64) {
	px := &m.pixels[i]
	return px.wavelength * px.wavelength / (2 * px.groupIndex * thicknessNM), math.Exp(-imag(px.turn)*thicknessNM - px.smear*thicknessNM*thicknessNM/2)
}

// ShortestPeriodNM returns λ/2n, the thickness by which one fringe passes, at the
// shortest wavelength whose round trip through the silicon keeps 3 % of the
// amplitude; at the longest wavelength when none does.
func (m *Model) ShortestPeriodNM(thicknessNM float64) float64 {
	const visible = 0.03
	shortest := &m.pixels[0]
	found := false
	for i := range m.pixels {
		px := &m.pixels[i]
		seen := math.Exp(-imag(px.turn)*thicknessNM) >= visible
		switch {
		case seen && (!found || px.wavelength < shortest.wavelength):
			shortest, found = px, true
		case !seen && !found && px.wavelength > shortest.wavelength:
			shortest = px
		}
	}
	return 2 * math.Pi / real(shortest.turn)
}

// Nominal returns the parameters of the set-up at a thickness: layers as drawn,
// coverage in the middle of its bounds, no spread.
func (m *Model) Nominal(thicknessNM float64) Params {
	p := Params{ThicknessNM: thicknessNM, UnderNM: make([]float64, m.layers)}
	if m.HasMetal() {
		p.Coverage = (m.setup.CoverageMin + m.setup.CoverageMax) / 2
	}
	for j, layer := range m.setup.Under {
		p.UnderNM[j] = layer.ThicknessNM
	}
	return p
}
