package die

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"bluefringe/optics"
)

// seriesTolerance is the size of |w_m q^m| below which the series ends; the
// reflectance is then exact to about 1e-6.
const seriesTolerance = 1e-6

// maxHarmonics bounds the series. |q| stays below 0.62 for silicon in air over any
// metal, so that it is never reached.
const maxHarmonics = 64

// Params are the unknowns of one spot.
type Params struct {
	ThicknessNM  float64
	SpreadVarNM2 float64 // variance of thickness inside the spot; the spread is its root
	Tilt         float64 // shape of that spread, from 0 (Gaussian) to 1 (uniform: a tilted face)
	Coverage     float64 // part of the spot that is metal
	// Dispersion is a relative error of the silicon index along the wavelengths, as
	// Legendre polynomials of degree 1 and 2 on -1 to 1 from the shortest to the longest:
	// tables differ in it by some 0.1 %, which is a fringe phase in a thick film.
	Dispersion [2]float64
	UnderNM    []float64 // thickness of each layer under the silicon
}

// Model is a Setup compiled for a list of wavelengths. It is read-only after
// NewModel and may be shared between goroutines; each needs its own Evaluation.
type Model struct {
	setup  Setup
	pixels []pixel
	layers int
}

// pixel holds what does not change with the unknowns.
type pixel struct {
	wavelength float64
	turn       complex128 // 4πN/λ: round-trip phase of silicon per nm
	outer      complex128 // A
	inner      complex128 // r10
	gain       complex128 // T/r10
	gainPower  float64    // |T/r10|²
	kappa      complex128 // (T/r10)·A*
	shape      [2]float64 // of Params.Dispersion here
	smear      float64    // variance of the fringe phase from resolution and aperture, per nm² of silicon

	silicon, metal, end complex128
	under               []complex128
}

// NewModel compiles a set-up for the given wavelengths (nm, each inside the
// tables of all materials named). binNM is the width of the band that each
// wavelength stands for, 0 for none.
func NewModel(setup Setup, wavelengthNM []float64, binNM float64) (*Model, error) {
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
	// Variance of a rectangle of width binNM and of a Gaussian of the given FWHM.
	lineVar := binNM*binNM/12 + setup.ResolutionNM*setup.ResolutionNM/(8*math.Ln2)

	m := &Model{setup: setup, layers: len(setup.Under), pixels: make([]pixel, len(wavelengthNM))}
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
			silicon:    all.silicon[i],
			end:        all.end[i],
			under:      make([]complex128, m.layers),
		}
		if high > low {
			x := 2*(w-low)/(high-low) - 1
			p.shape = [2]float64{x, (3*x*x - 1) / 2}
		}
		p.gainPower = power(p.gain)
		p.kappa = p.gain * cmplx.Conj(outer)
		phasePerNM := 4 * math.Pi * groupIndex[i] / (w * w) // dφ/dλ per nm of silicon
		coneSD := real(p.turn) * 2 * cone / math.Sqrt(12)
		p.smear = phasePerNM*phasePerNM*lineVar + coneSD*coneSD
		for j := range p.under {
			p.under[j] = all.under[j][i]
		}
		if all.metal != nil {
			p.metal = all.metal[i]
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

// Evaluation is the reflectance at one set of parameters with its derivatives;
// every slice has one value per pixel.
type Evaluation struct {
	Reflectance []float64
	Mean        []float64    // the part that does not swing with thickness
	Thickness   []float64    // dR/d(thickness), 1/nm
	SpreadVar   []float64    // dR/d(spread²), 1/nm²
	Tilt        []float64    // dR/d(tilt)
	Coverage    []float64    // dR/d(coverage)
	Dispersion  [2][]float64 // dR/d(Dispersion)
	Under       [][]float64  // [layer]: dR/d(layer thickness), 1/nm

	slope []complex128 // of one pixel: (dρ/dt)/ρ for each layer
}

// NewEvaluation returns the room that Evaluate fills.
func (m *Model) NewEvaluation() *Evaluation {
	n := len(m.pixels)
	e := &Evaluation{
		Reflectance: make([]float64, n),
		Mean:        make([]float64, n),
		Thickness:   make([]float64, n),
		SpreadVar:   make([]float64, n),
		Tilt:        make([]float64, n),
		Coverage:    make([]float64, n),
		Dispersion:  [2][]float64{make([]float64, n), make([]float64, n)},
		Under:       make([][]float64, m.layers),
		slope:       make([]complex128, m.layers),
	}
	for j := range e.Under {
		e.Under[j] = make([]float64, n)
	}
	return e
}

// Evaluate fills e for the parameters p. It does not allocate.
func (m *Model) Evaluate(e *Evaluation, p Params) {
	for i := range m.pixels {
		m.evaluate(e, p, i)
		// dR/dε = dR/dd · d·shape/stretch: the index error acts as a stretched film.
		px := &m.pixels[i]
		stretch := 1 + p.Dispersion[0]*px.shape[0] + p.Dispersion[1]*px.shape[1]
		for k := range e.Dispersion {
			e.Dispersion[k][i] = e.Thickness[i] * p.ThicknessNM * px.shape[k] / stretch
		}
	}
}

func (m *Model) evaluate(e *Evaluation, p Params, i int) {
	px := &m.pixels[i]
	bare := px.fringe(px.frontSide(px.end, p.UnderNM, e.slope, false), p)
	e.Reflectance[i] = bare.value
	e.Mean[i] = bare.mean
	e.Thickness[i] = bare.thickness
	e.SpreadVar[i] = bare.spreadVar
	e.Tilt[i] = bare.tilt
	e.Coverage[i] = 0
	c := p.Coverage
	for j := range e.Under {
		e.Under[j][i] = (1 - c) * bare.along(e.slope[j])
	}
	if !m.HasMetal() {
		return
	}
	metal := px.fringe(px.frontSide(px.metal, p.UnderNM, e.slope, true), p)
	e.Reflectance[i] += c * (metal.value - bare.value)
	e.Mean[i] += c * (metal.mean - bare.mean)
	e.Thickness[i] += c * (metal.thickness - bare.thickness)
	e.SpreadVar[i] += c * (metal.spreadVar - bare.spreadVar)
	e.Tilt[i] += c * (metal.tilt - bare.tilt)
	e.Coverage[i] = metal.value - bare.value
	for j := range e.Under {
		e.Under[j][i] += c * metal.along(e.slope[j])
	}
}

// Areas returns the reflectance of the two kinds of area apart: dielectric
// without metal, and metal (nil without a reflector). The reflectance of the
// spot is linear in the coverage between them.
func (m *Model) Areas(p Params) (bare, metal []float64) {
	slope := make([]complex128, m.layers)
	bare = make([]float64, len(m.pixels))
	if m.HasMetal() {
		metal = make([]float64, len(m.pixels))
	}
	for i := range m.pixels {
		px := &m.pixels[i]
		bare[i] = px.fringe(px.frontSide(px.end, p.UnderNM, slope, false), p).value
		if metal != nil {
			metal[i] = px.fringe(px.frontSide(px.metal, p.UnderNM, slope, true), p).value
		}
	}
	return bare, metal
}

// Fundamental returns the first harmonic of the fringes at every pixel: near a
// wavelength the reflectance swings as the mean plus the real part of it, and its
// size over the mean is the fringe visibility where the higher harmonics have died.
// Its phase holds what the front side adds to that of the silicon.
func (m *Model) Fundamental(p Params) []complex128 {
	slope := make([]complex128, m.layers)
	out := make([]complex128, len(m.pixels))
	for i := range m.pixels {
		px := &m.pixels[i]
		out[i] = px.fringe(px.frontSide(px.end, p.UnderNM, slope, false), p).first
		if m.HasMetal() {
			metal := px.fringe(px.frontSide(px.metal, p.UnderNM, slope, true), p).first
			out[i] += complex(p.Coverage, 0) * (metal - out[i])
		}
	}
	return out
}

// frontSide returns ρ, the coefficient of what lies under the silicon seen from
// inside, for layers that end on the medium end. slope[j] becomes (dρ/dt_j)/ρ.
// Without metal the last layer has no end: it is the medium end itself.
func (px *pixel) frontSide(end complex128, underNM []float64, slope []complex128, metal bool) complex128 {
	last := len(underNM) - 1
	if !metal && last >= 0 {
		slope[last] = 0
		last--
	}
	below := end
	r := complex(0, 0) // of everything under `below`, at its upper face
	for j := last; j >= 0; j-- {
		here := px.under[j]
		top := optics.Interface(here, below)
		joined, gain := join(top, r)
		for l := j + 1; l <= last; l++ {
			slope[l] *= gain
		}
		turn := complex(0, 4*math.Pi/px.wavelength) * here
		r = joined * cmplx.Exp(turn*complex(underNM[j], 0))
		for l := j + 1; l <= last; l++ {
			slope[l] *= r / joined
		}
		slope[j] = turn * r
		below = here
	}
	top := optics.Interface(px.silicon, below)
	rho, gain := join(top, r)
	for l := 0; l <= last; l++ {
		slope[l] *= gain / rho
	}
	return rho
}

// join adds an interface of coefficient top to what returns from below it, and
// gives the derivative in the latter.
func join(top, below complex128) (r, gain complex128) {
	d := 1 / (1 + top*below)
	return (top + below) * d, (1 - top*top) * d * d
}

// fringe is the reflectance of one kind of area at one pixel with what its
// derivatives need.
type fringe struct {
	value, mean          float64
	thickness, spreadVar float64
	tilt                 float64
	first                complex128 // 2(κ+S) w_1 q
	swing                complex128 // (κ+S) Σ m w_m q^m
	power                float64    // dR/d(ln|q|) through |q|² alone
}

// along returns the derivative in a parameter of which (dq/dx)/q is given.
func (f fringe) along(logSlope complex128) float64 {
	return f.power*real(logSlope) + 2*real(f.swing*logSlope)
}

func (px *pixel) fringe(rho complex128, p Params) fringe {
	v := p.SpreadVarNM2
	stretch := 1 + p.Dispersion[0]*px.shape[0] + p.Dispersion[1]*px.shape[1]
	d := p.ThicknessNM * stretch
	turn := px.turn
	q := px.inner * rho * cmplx.Exp(complex(0, d)*turn)

	// A Gaussian of thickness under exp(i·m·turn·d) gives exp(-m²·turn²·v/2), also
	// where turn is complex; a Gaussian line blurs the phase alone. The phase that
	// absorption adds goes into the term, the loss of contrast into the weights of the
	// shape; the square of the absorption is left out, and so is that the spread also averages the
	// power that returns (together below 0.002 of reflectance at 40 nm of spread).
	absorbed := complex(0, imag(turn*turn)/2)
	decay := cmplx.Exp(-absorbed*complex(v, 0) - complex(px.smear*d*d/2, 0))
	step := decay * decay
	shape := newSpreadShape(real(turn), v, p.Tilt)

	var sum, sum1, sum2, sumV, sumT, first complex128
	term := complex(1, 0)
	for m := 1.0; ; m++ {
		term *= q * decay
		decay *= step
		w, slopeV, slopeT := shape.next(m)
		weighted := complex(w, 0) * term
		sum += weighted
		sum1 += complex(m, 0) * weighted
		sum2 += complex(m*m, 0) * weighted
		sumV += complex(slopeV, 0) * term
		sumT += complex(slopeT, 0) * term
		if m == 1 {
			first = weighted
		}
		// Also ends on NaN, which is not above anything.
		if size := math.Abs(real(term)) + math.Abs(imag(term)); !(size*shape.bound > seriesTolerance) || m == maxHarmonics {
			break
		}
	}

	absorb := imag(turn) * imag(turn)
	qq := power(q) * math.Exp(2*absorb*v)
	s := px.gainPower * qq / (1 - qq)
	sSlope := 2 * px.gainPower * qq / ((1 - qq) * (1 - qq)) // dS/d(ln|q|)
	k := px.kappa + complex(s, 0)
	f := fringe{
		mean:  power(px.outer) + s,
		first: 2 * k * first,
		swing: k * sum1,
		power: sSlope * (1 + 2*real(sum)),
		tilt:  2 * real(k*sumT),
	}
	f.value = f.mean + 2*real(k*sum)
	f.spreadVar = 2*real(k*(sumV-absorbed*sum2)) + f.power*absorb
	f.thickness = stretch * (f.along(complex(0, 1)*turn) - 2*real(k*sum2)*px.smear*d)
	return f
}

// spreadShape gives, harmonic by harmonic, what the spread leaves of the fringes: for
// a Gaussian of variance v the factor exp(-m²φ²v/2), for a uniform one of the same
// variance sin(mx)/(mx) with x = φ·√(3v), φ the phase per nm.
type spreadShape struct {
	tilt, v    float64
	half       float64 // φ²/2
	bound      float64 // no later weight is larger
	gauss      float64
	ratio      float64 // of this Gaussian factor to the last
	step       float64
	x          float64
	sin, cos   float64 // of m·x
	sin1, cos1 float64
}

func newSpreadShape(phase, v, tilt float64) spreadShape {
	half := phase * phase / 2
	e := math.Exp(-half * v)
	s := spreadShape{tilt: tilt, v: v, half: half, bound: 1, gauss: 1, ratio: e, step: e * e, cos: 1}
	if tilt != 0 {
		s.x = phase * math.Sqrt(3*v)
		s.sin1, s.cos1 = math.Sincos(s.x)
	}
	return s
}

// next returns the weight of harmonic m with its slopes in v and in tilt; m must
// rise from 1 by one.
func (s *spreadShape) next(m float64) (w, slopeV, slopeT float64) {
	s.gauss *= s.ratio
	s.ratio *= s.step
	w, slopeV = s.gauss, -m*m*s.half*s.gauss
	if s.tilt == 0 {
		s.bound = s.gauss
		// The slope at the end of the range, so that a fit can leave it.
		return w, slopeV, sinc(m*math.Sqrt(6*s.half*s.v)) - s.gauss
	}
	s.sin, s.cos = s.sin*s.cos1+s.cos*s.sin1, s.cos*s.cos1-s.sin*s.sin1
	uniform, uniformV := 1.0, -m*m*s.half
	if x := m * s.x; x > 1e-3 {
		uniform = s.sin / x
		uniformV = (s.cos - uniform) / (2 * s.v)
	}
	return w + s.tilt*(uniform-w), slopeV + s.tilt*(uniformV-slopeV), uniform - w
}

func sinc(x float64) float64 {
	if math.Abs(x) < 1e-3 {
		return 1 - x*x/6
	}
	return math.Sin(x) / x
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
