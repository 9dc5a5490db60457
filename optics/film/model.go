package film

import (
	"fmt"
	"math"

	"bluefringe/optics"
	"bluefringe/optics/material"

	"gonum.org/v1/gonum/mat"
)

// model is film and silicon at the wavelengths of a grid, ready to be evaluated.
type model struct {
	nm       []float64
	variance []float64 // of the wavelengths inside a band, nm²
	ambient  []float64
	silicon  []complex128
	n, slope []float64  // of the film as its table has it; slope is dn/dλ in 1/nm
	cauchy   [3]float64 // A, B, C through the table, of a resist
}

// filmState is one state of film and line.
type filmState struct {
	thicknessNM  float64
	lineVariance float64 // of the instrument's line, nm²
	a, b, c      float64 // added to the index: a + b/λ² + c/λ⁴, λ in µm
}

const ambientName = "air"

func newModel(s Setup, g grid) (*model, error) {
	m := &model{nm: g.wavelengthNM, variance: g.variance}
	silicon, err := lookup("Si", s, m.nm)
	if err != nil {
		return nil, err
	}
	ambient, err := lookup(ambientName, s, m.nm)
	if err != nil {
		return nil, err
	}
	index, err := lookup(string(s.Film), s, m.nm)
	if err != nil {
		return nil, err
	}
	m.silicon = silicon
	for i := range m.nm {
		m.ambient = append(m.ambient, real(ambient[i]))
		m.n = append(m.n, real(index[i]))
	}
	if s.Film == Resist {
		if m.cauchy, err = fitCauchy(m.nm, m.n); err != nil {
			return nil, err
		}
	}
	const step = 0.5 // nm
	var beside [2][]complex128
	for k, offset := range []float64{-step, step} {
		moved := make([]float64, len(m.nm))
		for i, nm := range m.nm {
			moved[i] = nm + offset
		}
		if beside[k], err = lookup(string(s.Film), s, moved); err != nil {
			return nil, err
		}
	}
	for i := range m.nm {
		m.slope = append(m.slope, real(beside[1][i]-beside[0][i])/(2*step))
	}
	return m, nil
}

func lookup(name string, s Setup, nm []float64) ([]complex128, error) {
	table, err := material.Lookup(name)
	if err != nil {
		return nil, err
	}
	index, err := table.Indices(nm, s.TemperatureC)
	if err != nil {
		return nil, fmt.Errorf("film check: %w", err)
	}
	return index, nil
}

// fitCauchy returns A, B and C of n = A + B/λ² + C/λ⁴, λ in µm, nearest to an index.
func fitCauchy(nm, n []float64) (c [3]float64, err error) {
	rows := mat.NewDense(len(nm), len(c), nil)
	for i, w := range nm {
		square := 1e6 / (w * w)
		rows.SetRow(i, []float64{1, square, square * square})
	}
	if err := mat.NewVecDense(len(c), c[:]).SolveVec(rows, mat.NewVecDense(len(n), n)); err != nil {
		return c, fmt.Errorf("film check: Cauchy formula: %w", err)
	}
	return c, nil
}

// harmonics of the fringes that count: each is |r01·r12|, about a twelfth, of the one
// before.
const harmonics = 5

// evaluate writes the reflectance as the instrument's line averages it, and the part
// of it that does not swing.
//
// With q = -r01·r12·exp(i4πnd/λ), the Airy sum gives
//
//	R = r01² + B + 2(B - (1-r01²)) Re Σ q^m,  B = (1-r01²)²|r12|²/(1-|r01·r12|²),
//
// so a Gaussian line of variance v only multiplies the m-th harmonic by
// exp(-(m·φ')²v/2), φ' being the change of the phase with wavelength; its curvature
// turns the first one by φ"v/2·(1-φ'²v).
func (m *model) evaluate(reflectance, mean []float64, f filmState) {
	for i := range m.nm {
		c0, size, q := m.wave(i, f)
		rate, curvature := m.phaseRate(i, f)
		v := f.lineVariance + m.variance[i]
		damp := math.Exp(-rate * rate * v / 2)
		turn := curvature * v / 2 * (1 - rate*rate*v)
		sum := damp * (real(q) - turn*imag(q))
		raised, step := q, damp
		left := damp // exp(-k²φ'²v/2)
		for range harmonics - 1 {
			raised *= q
			step *= damp * damp
			left *= step
			sum += left * real(raised)
		}
		reflectance[i], mean[i] = c0+size*sum, c0
	}
}

// wave returns the steady part, the size of the fringes and q at a band.
func (m *model) wave(i int, f filmState) (steady, size float64, q complex128) {
	n := m.index(i, f)
	r01 := real(optics.Interface(complex(m.ambient[i], 0), complex(n, 0)))
	r12 := optics.Interface(complex(n, 0), m.silicon[i])
	rho := real(r12)*real(r12) + imag(r12)*imag(r12)
	through := 1 - r01*r01
	b := through * through * rho / (1 - r01*r01*rho)
	sin, cos := math.Sincos(4 * math.Pi * n * f.thicknessNM / m.nm[i])
	return r01*r01 + b, 2 * (b - through), complex(-r01, 0) * r12 * complex(cos, sin)
}

func (m *model) index(i int, f filmState) float64 {
	square := 1e6 / (m.nm[i] * m.nm[i])
	return m.n[i] + f.a + (f.b+f.c*square)*square
}

// phaseRate returns the first and second derivative of the fringe phase by wavelength,
// in 1/nm and 1/nm²; the second one with the index held.
func (m *model) phaseRate(i int, f filmState) (rate, curvature float64) {
	nm := m.nm[i]
	square := 1e6 / (nm * nm)
	slope := m.slope[i] - (2*f.b+4*f.c*square)*square/nm
	n := m.index(i, f)
	scale := 4 * math.Pi * f.thicknessNM / (nm * nm)
	return scale * (slope*nm - n), 2 * scale * (n/nm - slope)
}

// phase is the fringe phase of the film, 4πnd/λ.
func (m *model) phase(f filmState) []float64 {
	out := make([]float64, len(m.nm))
	for i := range out {
		out[i] = 4 * math.Pi * m.index(i, f) * f.thicknessNM / m.nm[i]
	}
	return out
}

// carrier is the first harmonic of the fringes without an instrument.
func (m *model) carrier(f filmState) []complex128 {
	out := make([]complex128, len(m.nm))
	for i := range out {
		_, size, q := m.wave(i, f)
		out[i] = complex(size, 0) * q
	}
	return out
}
