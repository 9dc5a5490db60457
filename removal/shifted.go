package removal

import "math"

// spread is the distribution of thickness at one moment: mean, standard deviation and
// third moment are given, and between them it is the shifted log-normal with these three
// (A. C. Cohen and B. J. Whitten, J. Am. Stat. Assoc. 75 (1980) 399; from memory).
type spread struct {
	meanUM, sdUM float64
	skewness     float64 // of the amount removed
}

// gaussianBelow is the skewness below which the shifted log-normal is a Gaussian
// to all digits that matter.
const gaussianBelow = 1e-4

// shifted is the standard (mean 0, sd 1) shifted log-normal
// median·exp(s·u) - offset of a given positive skewness.
type shifted struct {
	median, s, offset float64
}

func shiftedLogNormal(skewness float64) shifted {
	// With v² = exp(s²)-1 the skewness is v³+3v: Newton's method, from below the root for a
	// small one and near it for a large one.
	v := skewness / 3
	if skewness > 2 {
		v = math.Cbrt(skewness)
	}
	for range 20 {
		change := (v*(v*v+3) - skewness) / (3 * (v*v + 1))
		v -= change
		if math.Abs(change) <= 1e-7*v { // each step doubles the digits
			break
		}
	}
	return shifted{median: 1 / (v * math.Sqrt(1+v*v)), s: math.Sqrt(math.Log1p(v * v)), offset: 1 / v}
}

// probabilityBelow is the probability that the thickness is at or below a level.
func (d spread) probabilityBelow(levelUM float64) float64 {
	if d.sdUM == 0 {
		if d.meanUM <= levelUM {
			return 1
		}
		return 0
	}
	k := (levelUM - d.meanUM) / d.sdUM
	switch {
	case math.Abs(d.skewness) < gaussianBelow:
		return normalCDF(k)
	case d.skewness > 0:
		return removedBeyond(-k, d.skewness)
	default:
		return 1 - removedBeyond(k, -d.skewness)
	}
}

// removedBeyond is P(X >= k) for the standard shifted log-normal X.
func removedBeyond(k, skewness float64) float64 {
	d := shiftedLogNormal(skewness)
	x := k + d.offset
	if x <= 0 {
		return 1
	}
	return normalCDF(-math.Log(x/d.median) / d.s)
}

// quantile is the thickness below which the die lies with the probability whose normal
// deviate is u.
func (d spread) quantile(u float64) float64 {
	k := u
	if d.skewness >= gaussianBelow {
		q := shiftedLogNormal(d.skewness)
		k = q.offset - q.median*math.Exp(-q.s*u)
	} else if d.skewness <= -gaussianBelow {
		q := shiftedLogNormal(-d.skewness)
		k = q.median*math.Exp(q.s*u) - q.offset
	}
	return d.meanUM + k*d.sdUM
}

// deviate is the normal deviate of a probability.
func deviate(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

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

// moments of a log-normal number.
type moments struct {
	mean, variance, third float64
}

func logNormal(mean, sd float64) moments {
	if !(mean > 0) {
		return moments{}
	}
	r := sd * sd / (mean * mean)
	return moments{mean: mean, variance: sd * sd, third: mean * mean * mean * r * r * (3 + r)}
}

// cube is the mean of the third power.
func (m moments) cube() float64 {
	return m.mean*m.mean*m.mean + 3*m.mean*m.variance + m.third
}
