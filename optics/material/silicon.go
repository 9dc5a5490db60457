package material

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/mat"
)

const (
	siliconMinNM, siliconMaxNM = 250, 1800

	// greenMaxNM is the end of Green's table; beyond it silicon has k = 0.
	greenMaxNM = 1450

	// Between these the index passes from Green's spline to the fit.
	fitFromNM, fitWhollyNM = 900, 1000

	// Between these its temperature coefficient does; the fit has so many terms.
	thermalFitNM, thermalWhollyNM = 500, 550
	thermalTerms                  = 4

	greenK = 300 // temperature of Green's table, kelvin
	liK    = 293 // and of Li's
)

// loadSilicon joins Green 2008 and Li 1980; see the package comment.
func loadSilicon() (*Material, error) {
	green, err := readTable("si_green2008.csv")
	if err != nil {
		return nil, err
	}
	li, err := readTable("si_li1980.csv")
	if err != nil {
		return nil, err
	}
	th, err := loadThermal(li)
	if err != nil {
		return nil, err
	}
	spline, k := new(interp.NaturalCubic), new(interp.NaturalCubic)
	fit, err := fitInfrared(green, li, th.n)
	if err := errors.Join(err, spline.Fit(green.columns[0], green.columns[1]), k.Fit(green.columns[0], logs(green.columns[2]))); err != nil {
		return nil, err
	}
	return &Material{
		source: green.head + li.head, minNM: siliconMinNM, maxNM: siliconMaxNM,
		n: blend{spline, fit, fitFromNM, fitWhollyNM},
		k: k, logK: true, kMaxNM: greenMaxNM,
		thermal: &th,
	}, nil
}

// fitInfrared fits n² = Σ c·λ^p, p = 2, 0, -2, -4, -6, to Green's rows from 850
// to 1190 nm and Li's from 1200 to 1800 nm, brought from 293 to 300 K. The
// standard deviations are one unit of the last decimal for Li and what rounding
// leaves of one, 1/√12, for Green.
func fitInfrared(green, li table, thermal predictor) (predictor, error) {
	const greenFromNM, liFromNM = 850, 1200
	const greenSD, liSD = 3e-4, 1e-4
	var nm, square, sd []float64
	add := func(w, n, nSD float64) {
		nm, square, sd = append(nm, w), append(square, n*n), append(sd, 2*n*nSD)
	}
	for i, w := range green.columns[0] {
		if w >= greenFromNM && w < liFromNM {
			add(w, green.columns[1][i], greenSD)
		}
	}
	for i, w := range li.columns[0] {
		add(w, li.columns[1][i]*warmed(thermal.Predict(w), greenK, liK), liSD)
	}
	fit, err := fitSeries(nm, square, sd, 1, 5)
	return root{fit}, err
}

// thermal holds the normalised temperature coefficients of silicon,
// (1/n)dn/dT and (1/k)dk/dT, in 1/K (M. A. Green, Sol. Energy Mater. Sol. Cells
// 92 (2008) 1305). The published coefficients are complete from 390 nm (n) and
// 370 nm (k) up; below, the nearest one is held: silicon is opaque there at any
// thickness at which this program measures.
//
// Green prints one decimal of the coefficient of n, in 1e-4/K, so that a spline
// would climb steps. From 500 nm up it is a smooth fit through his steps, and
// through Li's values in the infrared.
type thermal struct {
	n, k predictor
}

// liThermal is dn/dT in 1/K from Li's tables at 293 and 350 K.
func liThermal() (nm, perK []float64) {
	return []float64{1200, 1300, 1550}, []float64{2.05e-4, 2.00e-4, 1.90e-4}
}

func loadThermal(li table) (thermal, error) {
	t, err := readTable("si_green2008_tempco.csv")
	if err != nil {
		return thermal{}, err
	}
	// from returns the rows from a wavelength up, in 1/K.
	from := func(fromNM float64, column int) (nm, perK []float64) {
		for i, w := range t.columns[0] {
			if w >= fromNM {
				nm, perK = append(nm, w), append(perK, t.columns[column][i]*1e-4)
			}
		}
		return nm, perK
	}
	var blue, k interp.AkimaSpline
	var liN interp.PiecewiseLinear
	if err := errors.Join(blue.Fit(from(390, 2)), k.Fit(from(370, 3)), liN.Fit(li.columns[0], li.columns[1])); err != nil {
		return thermal{}, err
	}

	const greenSD, liSD = 0.03e-4, 0.003e-4 // what rounding leaves
	nm, perK := from(thermalFitNM, 2)
	sd := make([]float64, len(nm))
	for i := range sd {
		sd[i] = greenSD
	}
	liNM, liPerK := liThermal()
	for i, w := range liNM {
		nm, perK, sd = append(nm, w), append(perK, liPerK[i]/liN.Predict(w)), append(sd, liSD)
	}
	fit, err := fitSeries(nm, perK, sd, 0, thermalTerms)
	return thermal{n: blend{&blue, fit, thermalFitNM, thermalWhollyNM}, k: &k}, err
}

// factors returns what n and k at 300 K must be multiplied by.
func (t *thermal) factors(wavelengthNM, temperatureC float64) (fn, fk float64) {
	kelvin := temperatureC + 273.15
	return warmed(t.n.Predict(wavelengthNM), kelvin, greenK), warmed(t.k.Predict(wavelengthNM), kelvin, greenK)
}

// warmed is Green's power law, X(T)/X(T0) = (T/T0)^(C·T0), C being the
// normalised coefficient at T0 = 300 K.
func warmed(coefficient, kelvin, fromKelvin float64) float64 {
	return math.Exp(coefficient * greenK * math.Log(kelvin/fromKelvin))
}

// predictor is a function of the wavelength in nanometres.
type predictor interface {
	Predict(nm float64) float64
}

// blend is below up to one wavelength, above from another, and passes between
// them with continuous slope and curvature.
type blend struct {
	below, above predictor
	fromNM, toNM float64
}

func (b blend) Predict(nm float64) float64 {
	x := (nm - b.fromNM) / (b.toNM - b.fromNM)
	switch {
	case x <= 0:
		return b.below.Predict(nm)
	case x >= 1:
		return b.above.Predict(nm)
	}
	w := x * x * x * (10 + x*(6*x-15))
	return (1-w)*b.below.Predict(nm) + w*b.above.Predict(nm)
}

// root is the square root of a function.
type root struct{ of predictor }

func (r root) Predict(nm float64) float64 { return math.Sqrt(r.of.Predict(nm)) }

// series is Σ c[j]·λ^(2(first-j)), λ in micrometres.
type series struct {
	first int
	c     []float64
}

func (s series) Predict(nm float64) float64 {
	sum, square := 0.0, nm*nm/1e6
	for j := len(s.c) - 1; j >= 0; j-- {
		sum = sum/square + s.c[j]
	}
	return sum * math.Pow(square, float64(s.first))
}

// fitSeries is the least-squares series of so many terms through y with
// standard deviations sd.
func fitSeries(nm, y, sd []float64, first, terms int) (series, error) {
	s := series{first: first, c: make([]float64, terms)}
	a, b := mat.NewDense(len(nm), terms, nil), mat.NewVecDense(len(nm), nil)
	for i := range nm {
		square := nm[i] * nm[i] / 1e6
		for j := range terms {
			a.Set(i, j, math.Pow(square, float64(first-j))/sd[i])
		}
		b.SetVec(i, y[i]/sd[i])
	}
	return s, mat.NewVecDense(terms, s.c).SolveVec(a, b)
}

func logs(values []float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = math.Log(v)
	}
	return out
}
