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
	var c Curve
	if len(wavelengthNM) < minPoints {
		return c
	}
	first, last := wavelengthNM[0], wavelengthNM[len(wavelengthNM)-1]
	for w := first + minHalfNM; w <= last-minHalfNM; w += stepNM {
		low, high := window(nearest(wavelengthNM, w), wavelengthNM, phase)
		v, sd := at(w, wavelengthNM, reflectance, phase, carrier)
		c.windowNM = append(c.windowNM, wavelengthNM[high]-wavelengthNM[low])
		c.WavelengthNM = append(c.WavelengthNM, w)
		c.Visibility = append(c.Visibility, v)
		c.SD = append(c.SD, sd)
	}
	return c
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

// at fits one window.
func at(center float64, wavelengthNM, reflectance, phase []float64, carrier []complex128) (visibility, sd float64) {
	middle := nearest(wavelengthNM, center)
	low, high := window(middle, wavelengthNM, phase)
	var rows []int
	for i := low; i <= high; i++ {
		if !math.IsNaN(reflectance[i]) {
			rows = append(rows, i)
		}
	}
	if len(rows) < minPoints {
		return math.NaN(), math.NaN()
	}
	half := math.Max(center-wavelengthNM[low], wavelengthNM[high]-center)
	perPoint := math.Abs(phase[high]-phase[low]) / float64(high-low)
	if perPoint > coarsest {
		return math.NaN(), math.NaN()
	}
	columns := 4
	if perPoint < coarsest/2 {
		columns = 6 // the points are close enough for the second harmonic
	}
	a := mat.NewDense(len(rows), columns, nil)
	b := mat.NewVecDense(len(rows), nil)
	for k, i := range rows {
		first := relative(carrier[i], carrier[middle])
		second := first * first
		row := [...]float64{1, (wavelengthNM[i] - center) / half, real(first), imag(first), real(second), imag(second)}
		a.SetRow(k, row[:columns])
		b.SetVec(k, reflectance[i])
	}
	var qr mat.QR
	qr.Factorize(a)
	// Less than a good part of a fringe in the window cannot be told from a slope.
	const illConditioned = 30
	if qr.Cond() > illConditioned {
		return math.NaN(), math.NaN()
	}
	var x, fitted mat.VecDense
	if err := qr.SolveVecTo(&x, false, b); err != nil {
		return math.NaN(), math.NaN()
	}
	fitted.MulVec(a, &x)
	sum := 0.0
	for k := range rows {
		r := b.AtVec(k) - fitted.AtVec(k)
		sum += r * r
	}
	n := float64(len(rows))
	mean := x.AtVec(0)
	if mean <= 0 {
		return math.NaN(), math.NaN()
	}
	amplitude := math.Hypot(x.AtVec(2), x.AtVec(3))
	// The amplitude of a sinusoid in n points of noise σ: σ·√(2/n) (S. M. Kay,
	// Fundamentals of Statistical Signal Processing I, ex. 3.14).
	sd = math.Sqrt(sum/(n-float64(columns))) * math.Sqrt(2/n) / mean
	return math.Min(amplitude/mean, 1), sd
}

// relative is the carrier in units of its size in the middle of the window. The
// change is bounded: where the front side cancels the fringes the ratio means little.
func relative(carrier, middle complex128) complex128 {
	const most = 3
	size := cmplx.Abs(carrier) / math.Max(cmplx.Abs(middle), math.SmallestNonzeroFloat64)
	return cmplx.Rect(min(max(size, 1./most), most), cmplx.Phase(carrier))
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

func nearest(sorted []float64, x float64) int {
	best := 0
	for i, v := range sorted {
		if math.Abs(v-x) < math.Abs(sorted[best]-x) {
			best = i
		}
	}
	return best
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
