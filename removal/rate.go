package removal

import "math"

// rateModel says how the rate factor ρ (removal rate over the Preston rate)
// behaves: it starts at mean with the relative standard deviation relSD, wanders
// by the fraction wander of itself per square root of a second, and is drawn
// back to mean so slowly that the wander alone keeps it at relSD for ever
// (Ornstein and Uhlenbeck, Phys. Rev. 36 (1930) 823). After a gap of any length
// no less is known than before the run.
type rateModel struct {
	mean   float64
	relSD  float64
	wander float64 // 1/√s
}

// pullPerS is the rate constant θ of the return to the mean, 1/s.
func (m rateModel) pullPerS() float64 {
	return m.wander * m.wander / (2 * m.relSD * m.relSD)
}

// integrals holds what an Ornstein-Uhlenbeck process of unit noise density
// gathers over a time t: decay e^(-θt), its integral in s, and the covariance of
// the integral of the process (i) and the process (v).
type integrals struct {
	decay, reach  float64
	qii, qiv, qvv float64
}

func (m rateModel) over(t float64) integrals {
	theta := m.pullPerS()
	x := theta * t
	if x < 1e-2 {
		// The closed forms below lose all digits to cancellation here.
		return integrals{
			decay: math.Exp(-x),
			reach: t * (1 - x/2*(1-x/3*(1-x/4*(1-x/5)))),
			qii:   t * t * t / 3 * (1 - x*3/4*(1-x*7/15*(1-x*5/14*(1-x*31/105)))),
			qiv:   t * t / 2 * (1 - x*(1-x*7/12*(1-x*3/7*(1-x*31/90)))),
			qvv:   t * (1 - x*(1-x*2/3*(1-x/2*(1-x*2/5)))),
		}
	}
	decay := math.Exp(-x)
	reach := -math.Expm1(-x) / theta
	qvv := -math.Expm1(-2*x) / (2 * theta)
	return integrals{
		decay: decay,
		reach: reach,
		qii:   (t - 2*reach + qvv) / (theta * theta),
		qiv:   reach * reach / 2,
		qvv:   qvv,
	}
}

// step is the motion of (thickness, factor) over t seconds when thickness falls
// by umPerS for each unit of the factor. second is the mean square of the factor,
// to which its wander is proportional.
func (m rateModel) step(t, umPerS, second float64) motion {
	in := m.over(t)
	q := m.wander * m.wander * second
	return motion{
		ab:      -umPerS * in.reach,
		bb:      in.decay,
		offsetA: -umPerS * m.mean * (t - in.reach),
		offsetB: m.mean * (1 - in.decay),
		qaa:     umPerS * umPerS * q * in.qii,
		qab:     -umPerS * q * in.qiv,
		qbb:     q * in.qvv,
	}
}

// positive returns mean and standard deviation of a Gaussian factor restricted
// to positive values: a pad removes, it never adds. Far from zero it changes
// nothing. (Truncated normal: N. L. Johnson, S. Kotz, N. Balakrishnan, Continuous
// Univariate Distributions 1, 1994, section 13.10; from memory.)
func positive(mean, sd float64) (float64, float64) {
	if !(sd > 0) {
		return math.Max(mean, 0), 0
	}
	alpha := -mean / sd
	if alpha < -8 {
		return mean, sd
	}
	// Beyond 6 sigma below zero the tail's shape no longer changes by much and
	// its numbers lose their digits.
	alpha = math.Min(alpha, 6)
	hazard := math.Exp(-alpha*alpha/2) / math.Sqrt(2*math.Pi) / normalCDF(-alpha)
	variance := 1 + alpha*hazard - hazard*hazard
	return sd * (hazard - alpha), sd * math.Sqrt(math.Max(variance, 1e-3))
}

func normalCDF(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }
