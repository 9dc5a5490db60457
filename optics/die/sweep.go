package die

import (
	"math"
	"math/cmplx"
)

// Shape is one spread of thickness inside the spot.
type Shape struct {
	SpreadNM, Tilt float64
}

// Sweep returns the reflectance of one kind of area (metal or bare) for all given
// thicknesses and shapes: what a search needs thousands of. It leaves out that a spread
// averages the absorption too, which costs up to 0.008 of reflectance. Row
// d·len(shapes)+s of Pixels() values is thickness d with shape s.
func (m *Model) Sweep(thicknessNM, underNM []float64, shapes []Shape, metal bool) []float32 {
	const harmonics = 12
	n := len(m.pixels)
	out := make([]float32, len(thicknessNM)*len(shapes)*n)
	w := m.newRoom()
	weights := make([][harmonics]float64, len(shapes))
	for i := range m.pixels {
		px := &m.pixels[i]
		faces := px.bareFaces
		if metal {
			faces = px.metalFaces
		}
		for j, turn := range px.underTurn {
			w.waves[j] = wave(turn, underNM[j])
		}
		rho := px.inner * frontSide(faces, px.underTurn, w.waves, w.bare)
		for s, shape := range shapes {
			w.blur.start(complex(real(px.turn), 0), shape.SpreadNM*shape.SpreadNM, shape.Tilt, 0)
			for k := range harmonics {
				weights[s][k] = real(w.blur.harmonic(k).weight)
			}
		}
		base := power(px.outer)
		for d, nm := range thicknessNM {
			q := rho * cmplx.Exp(complex(0, nm)*px.turn)
			qq := power(q)
			s := px.gainPower * qq / (1 - qq)
			k := px.kappa + complex(s, 0)
			blur := math.Exp(-px.smear * nm * nm / 2)
			var term [harmonics]float64
			factor, step := blur, blur*blur
			z, used := k, 0
			for used < harmonics {
				z *= q * complex(factor, 0)
				factor *= step
				term[used] = 2 * real(z)
				used++
				if math.Abs(real(z))+math.Abs(imag(z)) < 5e-5 {
					break
				}
			}
			row := out[d*len(shapes)*n+i:]
			for j := range shapes {
				sum := base + s
				for h := range used {
					sum += weights[j][h] * term[h]
				}
				row[j*n] = float32(sum)
			}
		}
	}
	return out
}
