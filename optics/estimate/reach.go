package estimate

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/die"
)

// What must be left to see for a thickness to be in reach (common practice, no source).
const (
	reachFringes = 0.5  // of a fringe in the band: from an extreme to the next
	reachLeft    = 0.02 // of the amplitude, after absorption, resolution and aperture
	reachPixels  = 2.5  // to a fringe
	reachStep    = 1.02 // from thickness to thickness tried
)

// reach narrows the thickness searched to what a channel can show: thin enough that
// fringes are left somewhere in the band, thick enough that there is a good part of one.
func reach(setup die.Setup, wavelengthNM []float64, o Options) (minUM, maxUM float64, err error) {
	g := newGrid(wavelengthNM, o.MinNM, o.MaxNM, func(float64) float64 { return 0 }) // pixel by pixel
	if len(g.wavelengthNM) < minBands {
		return 0, 0, fmt.Errorf("estimator: %d pixels between %g and %g nm: at least %d are needed", len(g.wavelengthNM), o.MinNM, o.MaxNM, minBands)
	}
	model, err := die.NewBandModel(setup, g.wavelengthNM, g.widthNM)
	if err != nil {
		return 0, 0, err
	}
	phase := model.PhasePerNM()
	fringes := func(thicknessUM float64) float64 {
		nm := thicknessUM * 1000
		sum := 0.0
		for i := 1; i < len(phase); i++ {
			period, left := model.Fringe(i, nm)
			if left >= reachLeft && period >= reachPixels*(g.wavelengthNM[i]-g.wavelengthNM[i-1]) {
				sum += (phase[i-1] - phase[i]) * nm / (2 * math.Pi)
			}
		}
		return sum
	}
	var inReach []float64
	for um := o.MinUM; um < o.MaxUM*reachStep; um *= reachStep {
		if um = math.Min(um, o.MaxUM); fringes(um) >= reachFringes {
			inReach = append(inReach, um)
		}
	}
	if len(inReach) == 0 {
		return 0, 0, fmt.Errorf("estimator: silicon of no thickness between %g and %g µm shows fringes from %g to %g nm", o.MinUM, o.MaxUM, slices.Min(g.wavelengthNM), slices.Max(g.wavelengthNM))
	}
	return inReach[0], inReach[len(inReach)-1], nil
}

// tellable returns the thickness up to which a channel that searches up to maxUM can tell
// fringe orders, µm.
func tellable(model *die.Model, minUM, maxUM float64) float64 {
	const apart = 4 // standard deviations between neighbouring orders, a chance of 6e-5
	for um := maxUM; um > minUM; um /= reachStep {
		if model.OrdersApart(1000*um) >= apart {
			return um
		}
	}
	return minUM
}
