package removal

import (
	"math"
	"testing"
)

// The end gauge of JCGM 100:2008, H.1: four independent inputs that count, their
// sensitivity coefficients as weights. Contributions 25, 9.7, 2.9 and 16.6 nm, combined
// standard uncertainty 32 nm (31.66 unrounded).
func TestBetweenCombinesLikeTheGUM(t *testing.T) {
	const lengthNM = 50.000623e6
	die := NewDie(DieConfig{})
	die.Process(0, false, 0.5)
	var shares []Share
	for i, input := range []struct{ u, sensitivity, contribution float64 }{
		{25, 1, 25},                         // the standard, nm
		{9.7, 1, 9.7},                       // the difference, nm
		{0.58e-6, lengthNM * 0.1, 2.9},      // of the coefficients of expansion, 1/°C at -0.1 °C
		{0.029, -lengthNM * 11.5e-6, -16.6}, // of the temperatures, °C
	} {
		site := die.Site(names[i])
		die.Update(site, 0, 1, input.u)
		shares = append(shares, Share{site, input.sensitivity})
		one := die.Between(0, shares[i:], 0)
		within(t, "contribution in nm", one.SDUM, math.Abs(input.contribution), 0.1)
	}
	within(t, "combined standard uncertainty in nm", die.Between(0, shares, 0).SDUM, 32, 0.5)
}
