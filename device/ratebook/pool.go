package ratebook

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// sample is one run's ln Kp with its variance.
type sample struct{ y, variance float64 }

// betweenVariance estimates the variance τ² of the true values behind samples that
// are known with different uncertainties: the τ² ≥ 0 at which the weighted sum of
// squares about the weighted mean, with weights 1/(σᵢ²+τ²), is its expectation k-1.
// 0 when the samples scatter no more than their own uncertainties explain, and for
// fewer than two.
//
// R. C. Paule, J. Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377-385; solved by
// Newton's method from 0 as in R. DerSimonian, R. Kacker, Contemp. Clin. Trials 28
// (2007) 105-114 (both from memory). The sum falls and is convex in τ², so that the
// steps never pass the root.
func betweenVariance(samples []sample) float64 {
	if len(samples) < 2 {
		return 0
	}
	const steps = 200
	tau2 := 0.0
	for range steps {
		mean, _ := weightedMean(samples, tau2)
		excess, slope := -float64(len(samples)-1), 0.0
		for _, s := range samples {
			weight := 1 / (s.variance + tau2)
			term := weight * (s.y - mean) * (s.y - mean)
			excess += term
			slope += weight * term
		}
		step := excess / slope
		if !(excess > 0) || !(step > 1e-15*tau2) {
			break
		}
		tau2 += step
	}
	return tau2
}

// weightedMean is the mean with weights 1/(σᵢ²+τ²), and its variance 1/Σ weights.
func weightedMean(samples []sample, tau2 float64) (mean, variance float64) {
	sum, weights := 0.0, 0.0
	for _, s := range samples {
		weight := 1 / (s.variance + tau2)
		sum += weight * s.y
		weights += weight
	}
	return sum / weights, 1 / weights
}

// What is assumed of the spread between runs before any run: a standard deviation of
// 0.2 in ln Kp, which counts as much as five runs that showed it (common practice, no
// source). Two or three runs that happen to agree thus do not pass for a process that
// never varies.
const (
	usualBetweenSD = 0.2
	usualFreedom   = 4
)

// moderated is a between-run variance found with some degrees of freedom, drawn to
// the usual one: the scale of the posterior under a scaled-inverse-χ² prior (A. Gelman
// et al., Bayesian Data Analysis, 3rd ed., section 2.6, from memory).
func moderated(tau2 float64, freedom int) float64 {
	const usual = usualBetweenSD * usualBetweenSD
	return (usualFreedom*usual + float64(freedom)*tau2) / float64(usualFreedom+freedom)
}

// fewRuns is by how much a standard deviation is widened because the between-run
// variance is itself known with few degrees of freedom: a new run then follows
// Student's t (Gelman et al., section 3.2; J. P. T. Higgins, S. G. Thompson, D. J.
// Spiegelhalter, J. R. Stat. Soc. A 172 (2009) 137-159, section 4.1; both from memory).
// The normal distribution so widened has the same 5 and 95 % points.
func fewRuns(freedom int) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(usualFreedom + freedom)}.Quantile(0.95) / z95
}

// z95 is the 95 % point of the normal distribution.
const z95 = 1.6448536269514722

// lnVariance is the variance of the logarithm of a log-normal quantity whose standard
// deviation is relSD times its mean; relSD undoes it.
func lnVariance(relSD float64) float64 { return math.Log1p(relSD * relSD) }
func relSD(lnVariance float64) float64 { return math.Sqrt(math.Expm1(lnVariance)) }
