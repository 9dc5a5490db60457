package material

import (
	"math"

	"gonum.org/v1/gonum/interp"
)

// referenceK is the temperature of Green's silicon table, in kelvin.
const referenceK = 300

// thermal holds the normalised temperature coefficients of silicon,
// (1/n)dn/dT and (1/k)dk/dT, in 1/K (M. A. Green, Sol. Energy Mater. Sol. Cells
// 92 (2008) 1305). The published coefficients are complete from 390 nm (n) and
// 370 nm (k) up; below, the nearest one is held: silicon is opaque there at any
// thickness at which this program measures.
type thermal struct {
	n, k interp.AkimaSpline
}

func loadThermal() (*thermal, error) {
	t, err := readTable("si_green2008_tempco.csv")
	if err != nil {
		return nil, err
	}
	var th thermal
	fit := func(s *interp.AkimaSpline, column int, fromNM float64) error {
		var x, y []float64
		for i, w := range t.columns[0] {
			if w >= fromNM {
				x = append(x, w)
				y = append(y, t.columns[column][i]*1e-4)
			}
		}
		return s.Fit(x, y)
	}
	if err := fit(&th.n, 2, 390); err != nil {
		return nil, err
	}
	if err := fit(&th.k, 3, 370); err != nil {
		return nil, err
	}
	return &th, nil
}

// factors returns what n and k at 300 K must be multiplied by: the paper's
// power law X(T) = X(T0)·(T/T0)^(C·T0).
func (t *thermal) factors(wavelengthNM, temperatureC float64) (fn, fk float64) {
	ratio := math.Log((temperatureC + 273.15) / referenceK)
	return math.Exp(t.n.Predict(wavelengthNM) * referenceK * ratio),
		math.Exp(t.k.Predict(wavelengthNM) * referenceK * ratio)
}
