package die

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Dispersions is the number of shapes in Params.Dispersion. More of them would follow
// tables closer and cost more time; these four tell fringe orders apart as well as eight.
const Dispersions = 4

// How far the silicon index may be from the table, as a relative deviation that wanders
// along the wavelength: its standard deviation and how far it stays alike. Vuye 1993
// turns by 0.25 % against Green 2008 between 540 and 640 nm and Schinke 2015 by 0.1 %
// around 600 nm; from 700 to 900 nm Schinke and Green stay within 0.03 % of a common
// factor (tables at 50 nm steps).
const (
	blueSD, blueToNM   = 0.0015, 700
	redSD, redFromNM   = 0.0005, 850
	dispersionLengthNM = 60
	// commonSD is of a factor on the whole table, which acts as a factor on the
	// thickness: Green and Schinke differ by 0.16 % on average, a rectangular
	// statement (JCGM 100, 4.3.7).
	commonSD = 0.0009
)

func indexSD(wavelengthNM float64) float64 {
	t := (wavelengthNM - blueToNM) / (redFromNM - blueToNM)
	return blueSD + (redSD-blueSD)*math.Max(0, math.Min(1, t))
}

// dispersionShapes returns, for each wavelength (nm), how the relative deviation of the
// silicon index from its table may run, in shapes that are independent of each other and
// one standard deviation large: the Karhunen-Loève expansion of a Gaussian process with
// squared-exponential covariance (C. E. Rasmussen and C. K. I. Williams, Gaussian
// Processes for Machine Learning, 2006, eq. 4.9 and 4.3.1), about its mean over the
// wavelengths. The mean cannot be told from the thickness: meanSD is its standard
// deviation, relative.
func dispersionShapes(wavelengthNM []float64, low, high float64) (shapes [][Dispersions]float64, meanSD float64) {
	shapes = make([][Dispersions]float64, len(wavelengthNM))
	if !(high > low) {
		return shapes, math.Hypot(indexSD(low), commonSD)
	}
	const n = 48 // nodes: closer than a quarter of the length in any channel in use
	step := (high - low) / n
	node := func(i int) float64 { return low + step*(float64(i)+0.5) }
	c := mat.NewSymDense(n, nil)
	rowMean, mean := make([]float64, n), 0.0
	for i := range n {
		for j := range n {
			u := (node(i) - node(j)) / dispersionLengthNM
			v := indexSD(node(i)) * indexSD(node(j)) * math.Exp(-u*u/2)
			c.SetSym(i, j, v)
			rowMean[i] += v / n
		}
		mean += rowMean[i] / n
	}
	for i := range n {
		for j := i; j < n; j++ {
			c.SetSym(i, j, c.At(i, j)-rowMean[i]-rowMean[j]+mean)
		}
	}
	var of mat.EigenSym
	var vectors mat.Dense
	if !of.Factorize(c, true) {
		panic("die: covariance of the silicon index without eigenvalues") // of a finite symmetric matrix: cannot be
	}
	of.VectorsTo(&vectors)
	variances := of.Values(nil) // rising
	for k := range Dispersions {
		column := n - 1 - k
		sd := math.Sqrt(math.Max(0, variances[column]))
		for i, nm := range wavelengthNM {
			x := (nm-low)/step - 0.5
			left := int(math.Max(0, math.Min(n-2, math.Floor(x))))
			t := x - float64(left)
			shapes[i][k] = sd * ((1-t)*vectors.At(left, column) + t*vectors.At(left+1, column))
		}
	}
	return shapes, math.Hypot(math.Sqrt(mean), commonSD)
}

// IndexRelSD is the standard uncertainty, relative, of a thickness from the silicon index
// of the table, beyond what Params.Dispersion takes up.
func (m *Model) IndexRelSD() float64 { return m.indexRelSD }

// DispersionShapes returns the shapes of Params.Dispersion at the wavelengths.
func (m *Model) DispersionShapes() [Dispersions][]float64 {
	var out [Dispersions][]float64
	for _, px := range m.pixels {
		for k, s := range px.shape {
			out[k] = append(out[k], s)
		}
	}
	return out
}
