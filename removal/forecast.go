package removal

import "math"

// horizonS is how far ahead a crossing is looked for.
const horizonS = 24 * 3600

// Forecast looks ahead from one State, as if the pad polished on from its time
// without a break. Thickness and rate with their correlation, and the wander of
// the rate still to come, are all in it.
//
// The removal rate is log-normal with the tracker's moments: it is positive, and
// it may be known badly. The thickness after a time t is then a Gaussian plus a
// log-normal part. Its mean, variance and third central moment are exact; the
// distribution between them is the shifted log-normal with these three moments
// (A. C. Cohen and B. J. Whitten, J. Am. Stat. Assoc. 75 (1980) 399; from memory),
// which is right at both ends: Gaussian when the thickness is the doubt,
// log-normal when the rate is. A quadrature over the rate would make stairs of
// the distribution wherever the thickness is known better than the distance
// between two nodes.
//
// Since removal never adds, P(z(t) <= level) is also the distribution of the
// time of first passage. A Forecast is a value; using it allocates nothing.
type Forecast struct {
	model         rateModel
	wanderUM      float64 // wander of the rate in µm/s per √s and unit factor
	umPerS        float64 // removal rate of factor 1
	thicknessUM   float64 // mean
	pivot         float64 // rate factor at which the thickness is thicknessUM
	slopeUM       float64 // change of thickness with the rate factor: their correlation
	residualVarUM float64 // variance of thickness beyond that, µm²
	rate          moments // of the rate factor
}

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

// NewForecast looks ahead from s. systematicSDUM is the standard uncertainty of
// thickness that all measurements share, which the tracker does not know; 0 when
// there is none. Without a track every answer is NaN.
func NewForecast(s State, systematicSDUM float64) Forecast {
	if math.IsNaN(s.ThicknessUM) || !(s.joint.bb > 0) {
		return Forecast{thicknessUM: math.NaN()}
	}
	slope := s.joint.ab / s.joint.bb
	return Forecast{
		model:         s.model,
		wanderUM:      s.model.wander * s.baseUM / secondsPerMinute,
		umPerS:        s.baseUM / secondsPerMinute,
		thicknessUM:   s.joint.a,
		pivot:         s.joint.b,
		slopeUM:       slope,
		residualVarUM: math.Max(0, s.joint.aa-slope*s.joint.ab) + systematicSDUM*systematicSDUM,
		rate:          logNormal(positive(s.joint.b, math.Sqrt(s.joint.bb))),
	}
}

// spread is the distribution of thickness at one moment.
type spread struct {
	meanUM, sdUM float64
	skewness     float64 // of the amount removed
}

func (f *Forecast) after(t float64) spread {
	in := f.model.over(t)
	r := f.rate
	// Thickness = constant - lever·ρ - wander·ρ·u + e, u and e Gaussian.
	lever := f.umPerS*in.reach - f.slopeUM
	w := f.wanderUM * f.wanderUM * in.qii
	variance := lever*lever*r.variance + w*(r.variance+r.mean*r.mean) + f.residualVarUM
	third := lever*lever*lever*r.third + 3*lever*w*(r.third+2*r.mean*r.variance)
	s := spread{
		meanUM: f.thicknessUM - f.slopeUM*f.pivot - f.umPerS*f.model.mean*(t-in.reach) - lever*r.mean,
		sdUM:   math.Sqrt(variance),
	}
	if variance > 0 {
		s.skewness = third / (variance * s.sdUM)
	}
	return s
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
	// (ω+2)·√(ω-1) = skewness is a cubic in ω = exp(s²); its real root is
	// r + 1/r - 1 with r the cube root of 1 + x. excess is ω-1.
	x := skewness * (skewness/2 + math.Sqrt(1+skewness*skewness/4))
	lnRoot := math.Log1p(x) / 3
	excess := math.Expm1(lnRoot) * -math.Expm1(-lnRoot)
	offset := 1 / math.Sqrt(excess)
	return shifted{median: offset / math.Sqrt(1+excess), s: math.Sqrt(math.Log1p(excess)), offset: offset}
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

// quantile is the thickness below which the die lies with probability p.
func (d spread) quantile(p float64) float64 {
	u := math.Sqrt2 * math.Erfinv(2*p-1)
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

// ProbabilityBelow is the probability that after afterS >= 0 seconds of polishing
// the thickness is at or below levelUM; NaN without a track.
func (f *Forecast) ProbabilityBelow(levelUM, afterS float64) float64 {
	if math.IsNaN(f.thicknessUM) {
		return math.NaN()
	}
	return f.after(math.Max(0, afterS)).probabilityBelow(levelUM)
}

// MeanAfter is the expected thickness in µm after afterS seconds of polishing,
// never below zero; NaN without a track.
func (f *Forecast) MeanAfter(afterS float64) float64 {
	return math.Max(0, f.after(math.Max(0, afterS)).meanUM)
}

// QuantileAfter is the thickness in µm, never below zero, under which the die
// lies with probability p after afterS seconds of polishing: an edge of the
// forecast's fan.
func (f *Forecast) QuantileAfter(p, afterS float64) float64 {
	return math.Max(0, f.after(math.Max(0, afterS)).quantile(p))
}

// TimeTo returns when the thickness comes down to levelUM: the 5, 50 and 95 %
// points of polishing time from the state's time. A point is 0 when the level is
// already passed with that probability, NaN when it is not reached within 24 h,
// the rate is zero, or there is no track.
func (f *Forecast) TimeTo(levelUM float64) Interval {
	return Interval{
		P05S: f.timeTo(levelUM, 0.05),
		P50S: f.timeTo(levelUM, 0.50),
		P95S: f.timeTo(levelUM, 0.95),
	}
}

// timeTo finds the time at which the probability of being below reaches p, by
// doubling and bisection.
func (f *Forecast) timeTo(levelUM, p float64) float64 {
	if math.IsNaN(f.thicknessUM) || math.IsNaN(levelUM) {
		return math.NaN()
	}
	if f.ProbabilityBelow(levelUM, 0) >= p {
		return 0
	}
	rate := f.umPerS * f.rate.mean
	if !(rate > 0) {
		return math.NaN()
	}
	low := 0.0
	high := math.Min(math.Max(1e-3, (f.thicknessUM-levelUM)/rate), horizonS)
	for f.ProbabilityBelow(levelUM, high) < p {
		if high == horizonS {
			return math.NaN()
		}
		low, high = high, math.Min(2*high, horizonS)
	}
	for high-low > 1e-7*high+1e-6 {
		middle := low + (high-low)/2
		if f.ProbabilityBelow(levelUM, middle) < p {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}
