package thick

import (
	"math"
	"math/cmplx"
	"slices"

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
	floats(pixels, &w.bend, &w.data, &w.weight, &w.model, &w.mean, &w.swing)
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
		x := 2*(nm-first)/(last-first) - 1
		w.shape[0][i], w.shape[1][i], w.shape[2][i], w.shape[3][i] = 1, x, (3*x*x-1)/2, (5*x*x-3)*x/2
	}

	none := math.Inf(1)
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

// seen is how much pixel i says of the fringes of a thickness.
func (w *workspace) seen(i int, nm float64) float64 {
	const least = 1e-9 // keeps equations from becoming singular
	c := w.film.contrast(i, nm)
	return w.weight[i]*c*c + least
}

// straighten makes the bend a parabola without the part that thickness and phase can
// follow, so that leaving it free costs no precision.
func (w *workspace) straighten(nm float64) {
	f := w.film
	last := len(f.phase) - 1
	place := func(i int) float64 { return 2*(f.phase[0]-f.phase[i])/(f.phase[0]-f.phase[last]) - 1 }
	var moments [4]float64
	for i := range f.phase {
		v := w.seen(i, nm)
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
	w.straighten(s.nm)
	_, bendSD := w.doubt(s.nm, func(i int) float64 { return w.seen(i, s.nm) })
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

// gain is the lamp against the reference at pixel i.
func (w *workspace) gain(x []float64, i int) float64 {
	lamp := w.lamp()
	g := 0.0
	for k := range w.shape {
		g += x[lamp+k] * w.shape[k][i]
	}
	return g
}

// Evaluate is the model of package leastsq: thick silicon under the lamp.
func (w *workspace) Evaluate(x, residual []float64, jacobian [][]float64) {
	f, lamp := w.film, w.lamp()
	under := x[atUnder:lamp]
	freeUnder := w.Free[atUnder:lamp]
	w.bare.set(&f.front, under, freeUnder, false)
	hasMetal := f.front.metal != nil
	if hasMetal {
		w.metal.set(&f.front, under, freeUnder, true)
	}
	contrast := math.Exp(x[atContrast])
	d, c := x[atThickness], x[atCoverage]
	for i := range w.data {
		phase := f.phase[i]*d + x[atPhase] + x[atBend]*w.bend[i]
		turn := cmplx.Rect(f.inner[i]*math.Exp(-f.absorb[i]*d), phase)
		decay := math.Exp(-(f.smear[i]*d*d + f.phase[i]*f.phase[i]*x[atSpread]) / 2)
		r := f.fringe(i, turn*f.front.at(w.bare.rho, i), decay, contrast)
		coverage := 0.0
		for j := range under {
			jacobian[atUnder+j][i] = 0
			if freeUnder[j] {
				jacobian[atUnder+j][i] = (1 - c) * r.along(f.front.at(w.bare.slope[j], i))
			}
		}
		if hasMetal {
			m := f.fringe(i, turn*f.front.at(w.metal.rho, i), decay, contrast)
			coverage = m.value - r.value
			for j := range under {
				if freeUnder[j] {
					jacobian[atUnder+j][i] += c * m.along(f.front.at(w.metal.slope[j], i))
				}
			}
			r.value += c * (m.value - r.value)
			r.mean += c * (m.mean - r.mean)
			r.first += complex(c, 0) * (m.first - r.first)
			r.phase += c * (m.phase - r.phase)
			r.blur += c * (m.blur - r.blur)
			r.contrast += c * (m.contrast - r.contrast)
		}
		gain := w.gain(x, i)
		w.mean[i] = gain*r.mean + x[lamp+lampTerms]
		w.model[i] = gain*r.value + x[lamp+lampTerms]
		w.swing[i] = gain * r.contrast
		w.first[i] = complex(gain, 0) * r.first
		residual[i] = w.data[i] - w.model[i]

		jacobian[atThickness][i] = gain * (r.phase*f.phase[i] + r.blur*f.smear[i]*d)
		jacobian[atPhase][i] = gain * r.phase
		jacobian[atBend][i] = gain * r.phase * w.bend[i]
		jacobian[atContrast][i] = gain * r.contrast
		jacobian[atSpread][i] = gain * r.blur * f.phase[i] * f.phase[i] / 2
		jacobian[atCoverage][i] = gain * coverage
		for j := range under {
			jacobian[atUnder+j][i] *= gain
		}
		for k := range w.shape {
			jacobian[lamp+k][i] = r.value * w.shape[k][i]
		}
		jacobian[lamp+lampTerms][i] = 1
	}
}

// reweigh sets the scale of the residuals at x (1.4826 times their median size) and
// takes weight from outliers: the weights of Huber's loss (P. J. Huber, Robust
// Statistics, 1981).
func (w *workspace) reweigh(x []float64) (sigma float64) {
	w.Cost(x, 1)
	w.sizes = w.sizes[:0]
	for i, r := range w.Residual {
		if w.weight[i] > 0 {
			w.sizes = append(w.sizes, math.Abs(r))
		}
	}
	slices.Sort(w.sizes)
	sigma = math.Max(1.4826*w.sizes[len(w.sizes)/2], sigmaFloor)
	for i, r := range w.Residual {
		w.Weight[i] = w.weight[i]
		if size := math.Abs(r); size > outlierSD*sigma {
			w.Weight[i] *= outlierSD * sigma / size
		}
	}
	return sigma
}

// settle descends from x, which it moves, and returns the scale of the residuals.
func (w *workspace) settle(x []float64, sigma float64) float64 {
	copy(w.Weight, w.weight)
	w.Descend(x, sigma, 12)
	for range 2 {
		sigma = w.reweigh(x)
		w.Descend(x, sigma, 8)
	}
	return sigma
}

// covariance returns the covariance of thickness and phase at x: all of it, and the
// part that noise of standard deviation sigma brings. ok is false when the spectrum
// fixes no thickness.
func (w *workspace) covariance(x []float64, sigma float64) (all, noise [2][2]float64, ok bool) {
	c, ok := w.Covariance(x, sigma)
	if !ok {
		return all, noise, false
	}
	pick := [2]int{atThickness, atPhase}
	for a, k := range pick {
		for b, l := range pick {
			all[a][b] = c.At(k, l)
			// What the priors bring to the estimate's covariance is taken off:
			// C(N-P)C = C - CPC for the normal matrix N with priors P.
			noise[a][b] = c.At(k, l)
			for m := range x {
				if w.Free[m] {
					noise[a][b] -= c.At(k, m) * c.At(m, l) / (w.PriorSD[m] * w.PriorSD[m])
				}
			}
		}
	}
	return all, noise, true
}

// correlation is the lag-one autocorrelation of the residuals.
func (w *workspace) correlation() float64 {
	sum, cross := 0.0, 0.0
	for i, r := range w.Residual {
		sum += w.Weight[i] * r * r
		if i > 0 {
			cross += math.Sqrt(w.Weight[i]*w.Weight[i-1]) * r * w.Residual[i-1]
		}
	}
	if sum == 0 {
		return 0
	}
	return min(max(cross/sum, 0), 0.98)
}
