package die

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// OrdersApart returns how many standard deviations lie between the fringe phases of
// silicon of a thickness and of silicon one fringe order thicker or thinner, when all that
// is known of a phase is what the table of n leaves open and noise does not hide, and what
// the front side adds is not known. Few of them say that the spacing of the fringes cannot
// tell the orders; more than four that it can, a chance of 6e-5.
//
// It is the Mahalanobis distance of the two phase curves: the fringes that a channel shows
// change their number by no more than a fraction when the thickness changes by λ/2n, while
// a relative error ε of n moves a phase by 4πn·d·ε/λ.
func (m *Model) OrdersApart(thicknessNM float64) float64 {
	const ( // common practice, no source
		nodes     = 50
		seen      = 0.02 // of the amplitude
		noise     = 0.02 // rad at a node where nothing is lost: 0.4 % on fringes of 20 %
		frontSide = 2    // rad: any phase, the same for all
	)
	var at []int
	var left []float64
	every := max(1, len(m.pixels)/nodes)
	for i := 0; i < len(m.pixels); i += every {
		if _, l := m.Fringe(i, thicknessNM); l >= seen {
			at, left = append(at, i), append(left, l)
		}
	}
	if len(at) == 0 {
		return 0
	}
	n := len(at)
	c, order := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	perNM, weight, turns := make([]float64, n), 0.0, 0.0
	for i, k := range at {
		perNM[i] = real(m.pixels[k].turn)
		weight += left[i] * left[i]
		turns += left[i] * left[i] * 2 * math.Pi / perNM[i]
	}
	for i, k := range at {
		// The thickness of an order, times the phase per nm; whole turns are not seen.
		order.SetVec(i, perNM[i]*turns/weight-2*math.Pi)
		for j := i; j < n; j++ {
			c.SetSym(i, j, perNM[i]*perNM[j]*thicknessNM*thicknessNM*ofN().covariance(m.pixels[k].wavelength, m.pixels[at[j]].wavelength)+frontSide*frontSide)
		}
		c.SetSym(i, i, c.At(i, i)+noise*noise/(left[i]*left[i]))
	}
	var factor mat.Cholesky
	var solved mat.VecDense
	if !factor.Factorize(c) || factor.SolveVecTo(&solved, order) != nil {
		return 0
	}
	return math.Sqrt(math.Max(0, mat.Dot(order, &solved)))
}
