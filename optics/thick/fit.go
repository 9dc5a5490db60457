package thick

import (
	"math"
	"math/cmplx"
	"slices"

	"bluefringe/optics/estimate"
	"bluefringe/optics/leastsq"
)

// The order of the parameters: the film, its layers, then the lamp.
const (
	atThickness = iota
	atPhase     // added to the fringe phase
	atBend      // of the fringe phase over the band, that neither thickness nor phase can follow
	atContrast  // ln of what the fringes have against the model
	atSpread    // variance of thickness; may be negative where the line is narrower than stated
	atCoverage
	atUnder
)

// What is believed before a spectrum is seen, as standard deviations. Ground faces
// scatter and couplings drift, so brightness says little. Common practice, no source.
const (
	contrastSD  = 0.2
	scaleSD     = 0.2
	slopeSD     = 0.1
	curvatureSD = 0.05
	cubicSD     = 0.03
	offsetSD    = 0.02
)

const (
	lampTerms  = 4 // Legendre polynomials of the lamp
	sigmaFloor = 2e-4
	outlierSD  = 4
	maxSpread  = 300 // nm
)

// workspace holds the room of one estimator.
type workspace struct {
	*leastsq.Fit // its weights lose what outliers lose

	film *film

	bare, metal           area
	cellSum               []complex128 // by node, as are the next
	cellNorm              []float64
	product, turn         []complex128
	bareSwing, metalSwing []complex128
	shape                 [lampTerms][]float64
	bend                  []float64
	data, weight          []float64
	aroundNM              float64   // what the parameters are open around
	sight                 []float64 // by pixel: what it says of the fringes
	evaluated             []float64 // the last parameters, to which the next belong
	model, mean           []float64
	swing                 []float64
	first                 []complex128
	sizes                 []float64
}

func newWorkspace(f *film) *workspace {
	pixels, layers := len(f.phase), len(f.setup.Under)
	n, nodes := atUnder+layers+lampTerms+1, len(f.front.nodeNM)
	w := &workspace{film: f, bare: newArea(layers, nodes), metal: newArea(layers, nodes)}
	floats := func(n int, to ...*[]float64) {
		for _, p := range to {
			*p = make([]float64, n)
		}
	}
	w.Fit = leastsq.New(w, n, pixels)
	w.Tolerance = 1e-2
	floats(pixels, &w.bend, &w.data, &w.weight, &w.sight, &w.model, &w.mean, &w.swing)
	floats(n, &w.evaluated)
	floats(nodes, &w.cellNorm)
	w.first = make([]complex128, pixels)
	for _, p := range []*[]complex128{&w.cellSum, &w.product, &w.turn, &w.bareSwing, &w.metalSwing} {
		*p = make([]complex128, nodes)
	}
	for k := range w.shape {
		w.shape[k] = make([]float64, pixels)
	}
	first, last := f.wavelengthNM[0], f.wavelengthNM[pixels-1]
	for i, nm := range f.wavelengthNM {
		for k, v := range legendre(2*(nm-first)/(last-first) - 1) {
			w.shape[k][i] = v
		}
	}

	none := math.Inf(1)
	clear(w.Free)
	set := func(k int, prior, sd, low, high float64) {
		w.Prior[k], w.PriorSD[k], w.Low[k], w.High[k], w.Free[k] = prior, sd, low, high, high > low
	}
	set(atPhase, 0, none, -none, none)
	set(atContrast, 0, contrastSD, -3, 1)
	set(atSpread, 0, none, 0, maxSpread*maxSpread)
	if s := f.setup; s.Reflector != "" {
		// A rectangle has the standard deviation width/√12 (JCGM 100, 4.3.7).
		set(atCoverage, (s.CoverageMin+s.CoverageMax)/2, (s.CoverageMax-s.CoverageMin)/math.Sqrt(12), s.CoverageMin, s.CoverageMax)
	}
	for j, layer := range f.setup.Under {
		tol := layer.ToleranceNM
		set(atUnder+j, layer.ThicknessNM, tol/math.Sqrt(3), math.Max(0, layer.ThicknessNM-1.5*tol), layer.ThicknessNM+1.5*tol)
	}
	lamp := w.lamp()
	set(lamp, 1, scaleSD, 0.05, 3)
	set(lamp+1, 0, slopeSD, -1, 1)
	set(lamp+2, 0, curvatureSD, -1, 1)
	set(lamp+3, 0, cubicSD, -1, 1)
	set(lamp+lampTerms, 0, offsetSD, -0.2, 0.3)
	return w
}

func (w *workspace) lamp() int { return len(w.Prior) - lampTerms - 1 }

// resume opens the parameters at the thickness now expected where an earlier reading
// stood, and evaluates there. The phase then is what takes the fringes of the earlier fit, turned by
// how far the thickness went, onto those of the model.
func (w *workspace) resume(earlier estimate.Result, nm, halfNM float64) []float64 {
	x := w.around(start{nm: nm, coverage: earlier.Coverage, underNM: earlier.UnderNM}, halfNM)
	x[w.lamp()] = earlier.Scale
	x[atSpread] = math.Pow(1000*earlier.SpreadUM, 2)
	w.Clamp(x)
	w.Cost(x, 1)
	ratio := complex(0, 0)
	norm := 0.0
	for i, phase := range w.film.phase {
		ratio += earlier.Fundamental[i] * cmplx.Rect(1, phase*(nm-1000*earlier.ThicknessUM)) * cmplx.Conj(w.first[i])
		norm += real(w.first[i])*real(w.first[i]) + imag(w.first[i])*imag(w.first[i])
	}
	x[atPhase] = cmplx.Phase(ratio)
	x[atContrast] = math.Log(cmplx.Abs(ratio) / norm)
	w.Clamp(x)
	w.Cost(x, 1)
	return x
}

// legendre returns the Legendre polynomials of degree 0 to 3.
func legendre(x float64) [lampTerms]float64 {
	return [lampTerms]float64{1, x, (3*x*x - 1) / 2, (5*x*x - 3) * x / 2}
}

// look sets how much each pixel says of the fringes of a thickness, and makes the bend a
// parabola without the part that thickness and phase can follow, so that leaving it free
// costs no precision.
func (w *workspace) look(nm float64) {
	const least = 1e-9 // keeps equations from becoming singular
	f := w.film
	last := len(f.phase) - 1
	place := func(i int) float64 { return 2*(f.phase[0]-f.phase[i])/(f.phase[0]-f.phase[last]) - 1 }
	var moments [4]float64
	for i := range f.phase {
		c := f.contrast(i, nm)
		w.sight[i] = w.weight[i]*c*c + least
		v := w.sight[i]
		for k, p := 0, place(i); k < len(moments); k++ {
			moments[k] += v
			v *= p
		}
	}
	// Weighted least squares of the parabola on a line.
	mean := moments[1] / moments[0]
	slope := (moments[3]/moments[0] - mean*moments[2]/moments[0]) / (moments[2]/moments[0] - mean*mean)
	for i := range w.bend {
		p := place(i)
		w.bend[i] = p*p - moments[2]/moments[0] - slope*(p-mean)
	}
}

// around opens the parameters around a start: the thickness within halfNM, and the
// spread down to where it would undo half of the stated line width.
func (w *workspace) around(s start, halfNM float64) []float64 {
	w.aroundNM = s.nm
	w.look(s.nm)
	_, bendSD := w.doubt(s.nm, w.sight)
	x := slices.Clone(w.Prior)
	w.Low[atThickness], w.High[atThickness], w.Free[atThickness] = math.Max(s.nm-halfNM, 1), s.nm+halfNM, true
	w.Prior[atThickness], w.PriorSD[atThickness] = 0, math.Inf(1)
	w.PriorSD[atBend], w.Low[atBend], w.High[atBend], w.Free[atBend] = bendSD, -4*bendSD, 4*bendSD, true
	undo := math.Inf(1)
	for i, v := range w.film.smear {
		undo = math.Min(undo, v*s.nm*s.nm/(w.film.phase[i]*w.film.phase[i]))
	}
	w.Low[atSpread] = -undo / 2
	x[atThickness], x[atPhase], x[atBend], x[atCoverage] = s.nm, s.phase, 0, s.coverage
	copy(x[atUnder:], s.underNM)
	x[atSpread] = 100
	return x
}

// Evaluate is the model of package leastsq: thick silicon under the lamp.
func (w *workspace) Evaluate(x, residual []float64, jacobian [][]float64) {
	f, lamp := w.film, w.lamp()
	copy(w.evaluated, x)
	under := x[atUnder:lamp]
	freeUnder := w.Free[atUnder:lamp]
	w.bare.set(&f.front, under, freeUnder, false)
	hasMetal := f.front.metal != nil
	if hasMetal {
		w.metal.set(&f.front, under, freeUnder, true)
	}
	contrast := math.Exp(x[atContrast])
	d, c := x[atThickness], x[atCoverage]
	var r, m fringe
	for i := range w.data {
		phasePerNM, smear, bend := f.phase[i], f.smear[i], w.bend[i]
		size := f.inner[i]
		if f.absorb[i] > 0 {
			size *= math.Exp(-f.absorb[i] * d)
		}
		sin, cos := math.Sincos(phasePerNM*d + x[atPhase] + x[atBend]*bend)
		turn := complex(size*cos, size*sin)
		decay := math.Exp(-(smear*d*d + phasePerNM*phasePerNM*x[atSpread]) / 2)
		gain := 0.0 // of the lamp against the reference
		for k := range w.shape {
			gain += x[lamp+k] * w.shape[k][i]
		}
		r.sum(f.inner[i], turn*f.front.at(w.bare.rho, i), decay, contrast)
		if hasMetal {
			m.sum(f.inner[i], turn*f.front.at(w.metal.rho, i), decay, contrast)
			jacobian[atCoverage][i] = gain * (m.value - r.value)
			for j, free := range freeUnder {
				if free {
					jacobian[atUnder+j][i] = gain * ((1-c)*r.along(f.front.at(w.bare.slope[j], i)) + c*m.along(f.front.at(w.metal.slope[j], i)))
				}
			}
			r.mix(&m, c)
		} else {
			for j, free := range freeUnder {
				if free {
					jacobian[atUnder+j][i] = gain * r.along(f.front.at(w.bare.slope[j], i))
				}
			}
		}
		w.mean[i] = gain*r.mean + x[lamp+lampTerms]
		w.model[i] = gain*r.value + x[lamp+lampTerms]
		w.swing[i] = gain * r.contrast
		w.first[i] = complex(gain, 0) * r.first
		residual[i] = w.data[i] - w.model[i]

		phase := gain * r.phase
		jacobian[atThickness][i] = phase*phasePerNM + gain*r.blur*smear*d
		jacobian[atPhase][i] = phase
		jacobian[atBend][i] = phase * bend
		jacobian[atContrast][i] = gain * r.contrast
		jacobian[atSpread][i] = gain * r.blur * phasePerNM * phasePerNM / 2
		for k := range w.shape {
			jacobian[lamp+k][i] = r.value * w.shape[k][i]
		}
		jacobian[lamp+lampTerms][i] = 1
	}
}

// reweigh takes weight from outliers where the fit stands and returns the scale of the
// residuals.
func (w *workspace) reweigh() (sigma float64) {
	sigma, _ = w.Reweigh(w.weight, sigmaFloor, outlierSD)
	return sigma
}

// settle descends from x, which it moves, with outliers losing weight as they show.
func (w *workspace) settle(x []float64, sigma float64) {
	copy(w.Weight, w.weight)
	w.Descend(x, sigma, 12)
	for range 2 {
		sigma = w.reweigh()
		w.DescendOn(x, sigma, 8)
	}
}

// covariance returns that of thickness and phase at x, where the fit must stand, in two
// parts: from noise of standard deviation sigma, and from what was believed beforehand of
// front side and lamp. ok is false when the spectrum fixes no thickness.
func (w *workspace) covariance(x []float64, sigma float64) (noise, beliefs covariance, ok bool) {
	c, ok := w.Covariance(x, sigma)
	if !ok {
		return noise, beliefs, false
	}
	pick := [2]int{atThickness, atPhase}
	for a, k := range pick {
		for b, l := range pick {
			// What the priors bring to the estimate's covariance is CPC: C(N-P)C = C - CPC
			// for the normal matrix N with priors P.
			for m := range x {
				if w.Free[m] {
					beliefs[a][b] += c.At(k, m) * c.At(m, l) / (w.PriorSD[m] * w.PriorSD[m])
				}
			}
			noise[a][b] = c.At(k, l) - beliefs[a][b]
		}
	}
	return noise, beliefs, true
}
