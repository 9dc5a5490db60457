// Package fringe measures how visible the fringes of a silicon film are at each
// wavelength, and where toward the blue they end: the contrast edge.
//
// Silicon absorbs blue light within a tenth of a micrometre and red light within
// several, so for each thickness there is a shortest wavelength at which fringes
// can be seen. It moves toward the blue as the die thins, without any fringe
// order to slip: a second witness of thickness.
package fringe

import (
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Threshold is the visibility at which the contrast edge is read unless another
// is given. Our own choice: about where an eye loses fringes in a spectrum with
// half a per cent of noise.
const Threshold = 0.05

// Curve is fringe visibility by wavelength.
type Curve struct {
	WavelengthNM []float64 // rising
	Visibility   []float64 // amplitude over mean; NaN where it cannot be told
	SD           []float64 // standard uncertainty from the residual of the local fit

	windowNM []float64 // width of the window of each point
}

const (
	stepNM      = 8.0 // spacing of the curve
	minHalfNM   = 10.0
	maxHalfNM   = 90.0
	minPoints   = 9
	coarsest    = 2.5 // rad of fringe phase from point to point; beyond, fringes alias
	significant = 2.0 // an edge is believed where visibility exceeds this many SDs
)

// Measure returns the visibility of the fringes in a spectrum. wavelengthNM
// (rising), reflectance (NaN: no value), phase (rad, 4πn·thickness/λ, which sets how
// wide a fringe is) and carrier (the first harmonic of the fringes as the fitted die
// has it, of which only the direction is used) have one value per point.
//
// Around each wavelength of the curve, over one fringe to either side where the
// spectrum reaches that far, a line plus the carrier and, where the points are close enough, its square
// (the second harmonic) are fitted by linear least squares, their sizes and phases free: the
// carrier gives only how phase and size change inside the window, so fringes that
// the fitted die does not expect are measured all the same. Michelson's visibility
// (max-min)/(max+min) of a sinusoid is its amplitude over its mean; the first
// harmonic is taken. Near the edge, where it matters, the higher ones have died: each
// costs another round trip.
func Measure(wavelengthNM, reflectance, phase []float64, carrier []complex128) Curve {
	return MeasureAll(wavelengthNM, [][]float64{reflectance}, phase, carrier)[0]
}

// MeasureAll is Measure for several spectra at once, such as a measured one and its fit,
// each where the first of them has values.
func MeasureAll(wavelengthNM []float64, spectra [][]float64, phase []float64, carrier []complex128) []Curve {
	curves := make([]Curve, len(spectra))
	if len(wavelengthNM) < minPoints {
		return curves
	}
	m := newMeter(wavelengthNM, spectra, phase, carrier)
	first, last := wavelengthNM[0], wavelengthNM[len(wavelengthNM)-1]
	var centers, windows []float64
	for w := first + minHalfNM; w <= last-minHalfNM; w += stepNM {
		centers = append(centers, w)
	}
	values := make([]float64, 2*len(spectra)*len(centers))
	for k := range curves {
		from := 2 * k * len(centers)
		curves[k].Visibility = values[from : from+len(centers)]
		curves[k].SD = values[from+len(centers) : from+2*len(centers)]
		curves[k].WavelengthNM = centers
	}
	for i, w := range centers {
		windows = append(windows, m.at(w))
		for k := range curves {
			curves[k].Visibility[i], curves[k].SD[i] = m.visibility(k)
		}
	}
	for k := range curves {
		curves[k].windowNM = windows
	}
	return curves
}

// Expected returns the visibility that a fitted die shows at the wavelengths of the
// curve c: the size of the carrier over the mean reflectance.
func (c Curve) Expected(wavelengthNM, mean []float64, carrier []complex128) Curve {
	e := Curve{WavelengthNM: c.WavelengthNM, Visibility: make([]float64, len(c.WavelengthNM)), SD: make([]float64, len(c.WavelengthNM))}
	for i, w := range c.WavelengthNM {
		k := nearest(wavelengthNM, w)
		e.Visibility[i] = math.Min(cmplx.Abs(carrier[k])/mean[k], 1)
	}
	return e
}

// terms are what is fitted in a window: a line, the carrier and its square.
const terms = 6

// meter fits one window after another; it owns the room for that.
type meter struct {
	wavelengthNM, phase []float64
	spectra             [][]float64
	direction           []complex128 // of the carrier
	size                []float64

	rows          int
	normal        [terms][terms]float64
	right         [][terms]float64 // of each spectrum
	power         []float64        // sum of the squares of each
	narrow, broad system           // without the square of the carrier, and with it
	solved        *system          // of the window; nil: nothing can be told
}

// system is one size of the equations.
type system struct {
	normal          *mat.SymDense
	chol            mat.Cholesky
	right, solution *mat.VecDense
}

func newSystem(columns int) system {
	return system{normal: mat.NewSymDense(columns, nil), right: mat.NewVecDense(columns, nil), solution: mat.NewVecDense(columns, nil)}
}

func newMeter(wavelengthNM []float64, spectra [][]float64, phase []float64, carrier []complex128) *meter {
	m := &meter{wavelengthNM: wavelengthNM, phase: phase, spectra: spectra,
		direction: make([]complex128, len(carrier)), size: make([]float64, len(carrier)),
		right: make([][terms]float64, len(spectra)), power: make([]float64, len(spectra)), narrow: newSystem(4), broad: newSystem(terms)}
	for i, c := range carrier {
		m.size[i] = cmplx.Abs(c)
		m.direction[i] = 1
		if m.size[i] > 0 {
			m.direction[i] = c / complex(m.size[i], 0)
		}
	}
	return m
}

// at sums up the window around a wavelength and returns its width.
func (m *meter) at(center float64) (widthNM float64) {
	middle := nearest(m.wavelengthNM, center)
	low, high := window(middle, m.wavelengthNM, m.phase)
	widthNM = m.wavelengthNM[high] - m.wavelengthNM[low]
	m.solved, m.rows = nil, 0
	perPoint := math.Abs(m.phase[high]-m.phase[low]) / float64(high-low)
	if perPoint > coarsest {
		return widthNM
	}
	equations := &m.narrow
	if perPoint < coarsest/2 {
		equations = &m.broad // the points are close enough for the second harmonic
	}
	columns := equations.right.Len()
	m.normal = [terms][terms]float64{}
	clear(m.right)
	clear(m.power)
	half := math.Max(center-m.wavelengthNM[low], m.wavelengthNM[high]-center)
	for i := low; i <= high; i++ {
		if math.IsNaN(m.spectra[0][i]) {
			continue
		}
		m.rows++
		first := m.relative(i, middle)
		second := first * first
		row := [terms]float64{1, (m.wavelengthNM[i] - center) / half, real(first), imag(first), real(second), imag(second)}
		for k := range columns {
			for l := range k + 1 {
				m.normal[k][l] += row[k] * row[l]
			}
			for s, spectrum := range m.spectra {
				m.right[s][k] += row[k] * spectrum[i]
			}
		}
		for s, spectrum := range m.spectra {
			m.power[s] += spectrum[i] * spectrum[i]
		}
	}
	if m.rows < minPoints {
		return widthNM
	}
	for k := range columns {
		for l := range k + 1 {
			equations.normal.SetSym(k, l, m.normal[k][l])
		}
	}
	// Less than a good part of a fringe in the window cannot be told from a slope. The
	// normal matrix has the square of the condition of the fit itself.
	const illConditioned = 30 * 30
	if equations.chol.Factorize(equations.normal) && equations.chol.Cond() <= illConditioned {
		m.solved = equations
	}
	return widthNM
}

// visibility solves the window for one of the spectra.
func (m *meter) visibility(spectrum int) (visibility, sd float64) {
	nan := math.NaN()
	if m.solved == nil {
		return nan, nan
	}
	columns, x := m.solved.right.Len(), m.solved.solution
	left := m.power[spectrum] // of the squares: |y|² - xᵀAᵀy
	for k := range columns {
		m.solved.right.SetVec(k, m.right[spectrum][k])
	}
	if m.solved.chol.SolveVecTo(x, m.solved.right) != nil {
		return nan, nan
	}
	for k := range columns {
		left -= x.AtVec(k) * m.right[spectrum][k]
	}
	n := float64(m.rows)
	mean := x.AtVec(0)
	if mean <= 0 {
		return nan, nan
	}
	amplitude := math.Hypot(x.AtVec(2), x.AtVec(3))
	// The amplitude of a sinusoid in n points of noise σ: σ·√(2/n) (S. M. Kay,
	// Fundamentals of Statistical Signal Processing I, ex. 3.14).
	sd = math.Sqrt(math.Max(left, 0)/(n-float64(columns))) * math.Sqrt(2/n) / mean
	return math.Min(amplitude/mean, 1), sd
}

// relative is the carrier in units of its size in the middle of the window. The
// change is bounded: where the front side cancels the fringes the ratio means little.
func (m *meter) relative(i, middle int) complex128 {
	const most = 3
	size := m.size[i] / math.Max(m.size[middle], math.SmallestNonzeroFloat64)
	size = min(max(size, 1./most), most)
	return complex(size*real(m.direction[i]), size*imag(m.direction[i]))
}

// window spans one fringe to either side of a point, within bounds.
func window(middle int, wavelengthNM, phase []float64) (low, high int) {
	reach := func(i int) bool {
		d := math.Abs(wavelengthNM[i] - wavelengthNM[middle])
		return d <= minHalfNM || (d <= maxHalfNM && math.Abs(phase[i]-phase[middle]) <= 2*math.Pi)
	}
	low, high = middle, middle
	for low > 0 && reach(low-1) {
		low--
	}
	for high < len(wavelengthNM)-1 && reach(high+1) {
		high++
	}
	return low, high
}

func nearest(rising []float64, x float64) int {
	i, _ := slices.BinarySearch(rising, x)
	if i == len(rising) || (i > 0 && x-rising[i-1] <= rising[i]-x) {
		i--
	}
	return i
}

// EdgeNM returns the contrast edge: the shortest wavelength at which visibility
// is above the threshold and above its own noise, at that point of the curve and
// the next; between the last point below and the first above it is interpolated.
// NaN when there is none. Where even the shortest wavelength measured shows
// fringes, that wavelength is the edge: the true one may lie further in the blue.
func (c Curve) EdgeNM(threshold float64) float64 {
	seen := func(i int) bool {
		return i < len(c.Visibility) && c.Visibility[i] >= threshold && c.Visibility[i] >= significant*c.SD[i]
	}
	for i := range c.Visibility {
		if !seen(i) || !seen(i+1) {
			continue
		}
		if i == 0 || !(c.Visibility[i-1] < threshold) {
			return c.WavelengthNM[i]
		}
		t := (threshold - c.Visibility[i-1]) / (c.Visibility[i] - c.Visibility[i-1])
		return c.WavelengthNM[i-1] + t*(c.WavelengthNM[i]-c.WavelengthNM[i-1])
	}
	return math.NaN()
}
