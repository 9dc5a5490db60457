package thick

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"bluefringe/optics/estimate"
)

// The sources of the uncertainty of a reading, those of estimate.Budget.
const (
	fromFit = iota
	fromTable
	fromTemperature
	fromWavelength
	fromUnderlayer
	sources
)

// newBudget takes variances of the thickness in nm².
func newBudget(variance [sources]float64) estimate.Budget {
	um := func(source int) float64 { return math.Sqrt(variance[source]) / 1000 }
	return estimate.Budget{FitUM: um(fromFit), TableUM: um(fromTable), TemperatureUM: um(fromTemperature),
		WavelengthUM: um(fromWavelength), UnderlayerUM: um(fromUnderlayer)}
}

// covariance is that of thickness (nm) and fringe phase (rad).
type covariance [2][2]float64

func (c *covariance) add(other covariance, factor float64) {
	for a := range c {
		for b := range c[a] {
			c[a][b] += factor * other[a][b]
		}
	}
}

// How far the index of silicon is trusted, as standard deviations. Published
// near-infrared tables (Li 1980; Salzberg and Villa 1957 with Tatian 1984; Green 2008)
// differ by 0.0003 to 0.003 in n and by 0.2 to 0.36 % in the group index between 1250 and
// 1550 nm. With these the thickness from frequency alone is uncertain by about 0.2 %, that
// from phase by 0.04 %.
func indexSD() [3]float64 { return [3]float64{0.0015, 0.0022, 0.0010} } // Legendre terms over tableFromNM..tableToNM

const (
	tableFromNM, tableToNM = 900, 1750

	carriersRelSD   = 0.25 // of what carriers do to the index, see material.Carriers
	temperatureSDK  = 6    // warm from polishing by what nobody measures, as in package estimate
	wavelengthRelSD = 2e-4 // of the spectrometer's scale, as in package estimate
)

// What the front side may hide beyond its stated layers. Common practice, no source.
const (
	frontPhaseSD = 0.2  // rad, the same at all wavelengths
	frontDelaySD = 5    // nm of silicon
	frontBendSD  = 0.15 // rad
)

// phaseError is what may be wrong with the fringe phase, in all spectra alike.
type phaseError struct {
	source int
	perNM  []float64 // by pixel: what one standard deviation adds, rad per nm of silicon
}

func (f *film) newPhaseErrors() ([]phaseError, error) {
	warmer := f.setup
	warmer.TemperatureC++
	warm, err := newSilicon(warmer, f.wavelengthNM)
	if err != nil {
		return nil, err
	}
	var list []phaseError
	add := func(source int, perNM func(i int, lambda float64) float64) {
		e := phaseError{source, make([]float64, len(f.phase))}
		for i, lambda := range f.wavelengthNM {
			e.perNM[i] = perNM(i, lambda)
		}
		list = append(list, e)
	}
	for k, sd := range indexSD() {
		add(fromTable, func(_ int, lambda float64) float64 {
			return 4 * math.Pi / lambda * sd * legendre(2*(lambda-tableFromNM)/(tableToNM-tableFromNM) - 1)[k]
		})
	}
	add(fromTable, func(_ int, lambda float64) float64 {
		dn, _ := f.setup.Carriers.Shift(lambda)
		return 4 * math.Pi / lambda * dn * carriersRelSD
	})
	add(fromTemperature, func(i int, _ float64) float64 { return (warm.phase[i] - f.phase[i]) * temperatureSDK })
	add(fromWavelength, func(i int, lambda float64) float64 { return f.rate[i] * lambda * wavelengthRelSD })
	return list, nil
}

// doubt is the covariance that phase errors and front side bring at a thickness, by
// source, and the standard deviation of the bend. seen is how much each pixel says of the
// fringes.
func (w *workspace) doubt(nm float64, seen []float64) (by [sources]covariance, bendSD float64) {
	f := w.film
	// Least squares on thickness and phase, as the fit does it: the bend stands
	// at right angles to both.
	normal, right := mat.NewDense(3, 3, nil), mat.NewDense(3, len(f.errors), nil)
	columns := [3][]float64{f.phase, w.shape[0], w.bend}
	for a, column := range columns {
		for b, other := range columns {
			normal.Set(a, b, dot(column, other, seen))
		}
		for k, e := range f.errors {
			right.Set(a, k, nm*dot(column, e.perNM, seen))
		}
	}
	by[fromUnderlayer] = covariance{{frontDelaySD * frontDelaySD, 0}, {0, frontPhaseSD * frontPhaseSD}}
	bendVar := frontBendSD * frontBendSD
	var x mat.Dense
	if err := x.Solve(normal, right); err != nil && x.IsEmpty() {
		return by, math.Sqrt(bendVar)
	}
	for k, e := range f.errors {
		nm, phase, bend := x.At(0, k), x.At(1, k), x.At(2, k)
		by[e.source].add(covariance{{nm * nm, nm * phase}, {nm * phase, phase * phase}}, 1)
		bendVar += bend * bend
	}
	return by, math.Sqrt(bendVar)
}
