package die

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// How many shapes Params.Dispersion and Params.Absorption have. More of them would follow
// other tables closer and cost more time.
const (
	Dispersions = 4
	Absorptions = 2
)

// How far the index of silicon may be from its table, relative: a standard deviation
// that goes from one value to another along the wavelength, with deviations alike over
// alikeNM.
//
// Of n, Vuye 1993 turns by 0.25 % against Green 2008 between 540 and 640 nm and Schinke
// 2015 by 0.1 % around 600 nm; from 700 to 900 nm Schinke and Green stay within 0.03 % of
// a common factor. Of k, Schinke and Green differ by 10 % at 450 and 500 nm, 7 % at 600
// and 3 to 4 % beyond; of a difference of two tables each has 1/√2. All at 50 nm steps, so
// that the length is our choice; a test holds the whole against these differences.
const alikeNM = 60

// ramp is a standard deviation that goes evenly from one value to the other.
type ramp struct{ fromNM, sd, toNM, otherSD float64 }

func ofN() ramp { return ramp{700, 0.0015, 850, 0.0005} }
func ofK() ramp { return ramp{525, 0.07, 700, 0.03} }

func (a ramp) at(nm float64) float64 {
	t := (nm - a.fromNM) / (a.toNM - a.fromNM)
	return a.sd + (a.otherSD-a.sd)*math.Max(0, math.Min(1, t))
}

func (a ramp) covariance(nm, otherNM float64) float64 {
	u := (nm - otherNM) / alikeNM
	return a.at(nm) * a.at(otherNM) * math.Exp(-u*u/2)
}

// commonSD is of a factor on the whole table of n, which acts as a factor on the
// thickness: Green and Schinke differ by 0.16 % on average, and either may be true.
const commonSD = 0.0016

// shapes are independent ways, one standard deviation large, in which a quantity may
// deviate along the wavelength: the Karhunen-Loève expansion of a Gaussian process with
// squared-exponential covariance (C. E. Rasmussen and C. K. I. Williams, Gaussian
// Processes for Machine Learning, 2006, eq. 4.9 and section 4.3).
type shapes struct {
	lowNM, stepNM float64
	values        [][]float64 // [shape][node], the largest shape first
	meanSD        float64     // of the mean over the wavelengths
}

// newShapes expands a process between two wavelengths, nm, with its mean over them or,
// where something else takes the mean up, without.
func newShapes(sd ramp, low, high float64, count int, withMean bool) shapes {
	const n = 48 // closer than a third of alikeNM in a channel of 950 nm
	s := shapes{lowNM: low, stepNM: (high - low) / n}
	node := func(i int) float64 { return low + s.stepNM*(float64(i)+0.5) }
	c := mat.NewSymDense(n, nil)
	rowMean, mean := make([]float64, n), 0.0
	for i := range n {
		for j := range n {
			v := sd.covariance(node(i), node(j))
			c.SetSym(i, j, v)
			rowMean[i] += v / n
		}
		mean += rowMean[i] / n
	}
	s.meanSD = math.Sqrt(mean)
	if !withMean {
		for i := range n {
			for j := i; j < n; j++ {
				c.SetSym(i, j, c.At(i, j)-rowMean[i]-rowMean[j]+mean)
			}
		}
	}
	var eigen mat.EigenSym
	var vectors mat.Dense
	if !eigen.Factorize(c, true) {
		panic("die: a finite symmetric matrix without eigenvalues")
	}
	eigen.VectorsTo(&vectors)
	variances := eigen.Values(nil) // rising
	for k := n - 1; k >= n-count; k-- {
		shape := mat.Col(nil, k, &vectors)
		for i := range shape {
			shape[i] *= math.Sqrt(math.Max(0, variances[k]))
		}
		s.values = append(s.values, shape)
	}
	return s
}

// at writes the shapes at a wavelength in nm to dst.
func (s shapes) at(dst []float64, nm float64) {
	if s.stepNM == 0 {
		return
	}
	x := (nm-s.lowNM)/s.stepNM - 0.5
	left := int(math.Max(0, math.Min(float64(len(s.values[0])-2), math.Floor(x))))
	t := x - float64(left)
	for k, v := range s.values {
		dst[k] = (1-t)*v[left] + t*v[left+1]
	}
}

// IndexRelSD is the standard uncertainty, relative, of a thickness from n of the table,
// beyond what Params.Dispersion takes up.
func (m *Model) IndexRelSD() float64 { return m.indexRelSD }

// Deviations returns the shapes of Params.Dispersion and Params.Absorption at the
// wavelengths: what one of each adds to n and to k of silicon, relative.
func (m *Model) Deviations() (n, k [][]float64) {
	n, k = make([][]float64, Dispersions), make([][]float64, Absorptions)
	for _, px := range m.pixels {
		for j, v := range px.ofN {
			n[j] = append(n[j], v)
		}
		for j, v := range px.ofK {
			k[j] = append(k[j], v)
		}
	}
	return n, k
}
