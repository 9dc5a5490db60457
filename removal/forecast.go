package removal

import "math"

// Forecast looks ahead from one State, as if the pad polished on from its time
// without a break. Thickness, the parts of the rate with their correlations and fading,
// and the wander still to come, are all in it.
//
// The rate factor is log-normal with the track's moments: it is positive, and it may be
// known badly. How the rate will change is in proportion to the factor. The thickness
// after a time t is then
//
//	z(t) = constant - lever·F - F·U + e
//
// with F the log-normal factor, U what trend and wander may add to what is removed per unit
// of the factor, skewed such that the amount removed stays positive, and e Gaussian.
// Mean, variance and third central moment of it are exact; the shifted log-normal that has
// them is right at both ends: Gaussian when the thickness is the doubt, log-normal when
// the rate is. A quadrature over the rate would make stairs of the distribution wherever
// the thickness is known better than the distance between two nodes.
//
// Since removal never adds, P(z(t) <= level) is also the distribution of the
// time of first passage. A place that is undecided is a mixture of its rivals. A Forecast
// is a value; using it allocates nothing.
type Forecast struct {
	umPerS             float64 // removal rate of factor 1
	breakInS, glazingS float64
	wander, own        noise

	thicknessUM float64 // mean
	residualUM2 float64 // variance of thickness beyond its relation to the factor
	slopeUM     float64 // change of thickness with the factor: their correlation
	factor      moments

	// The parts of the rate at the start: mean, change with the factor, and what is then
	// left of their covariance with each other and with the thickness.
	mean, share  [parts]float64
	residual     [parts][parts]float64
	withResidual [parts]float64

	systematicUM2 float64
	rivals        [maxRivals]Rival // of an undecided place; their number:
	undecided     int
}

// noise is a part of the rate that comes and goes: rate constant and density, 1/s.
type noise struct{ theta, density float64 }

// NewForecast looks ahead from s. systematicSDUM is the standard uncertainty of
// thickness that all measurements share, which the track does not know; 0 when
// there is none. Without a track every answer is NaN.
func NewForecast(s State, systematicSDUM float64) Forecast {
	k, p := &s.kinetics, &s.place
	f := Forecast{thicknessUM: math.NaN()}
	if math.IsNaN(s.ThicknessUM) {
		return f
	}
	f.umPerS, f.breakInS, f.glazingS = k.umPerS, k.breakInS, k.glazingS
	f.wander, f.own = noise{1 / k.wander.memoryS, k.wander.perS()}, noise{1 / k.own.memoryS, k.own.perS()}
	x := p.pair()
	mean, sd := positive(x.b, math.Sqrt(math.Max(0, x.bb)))
	f.factor = logNormal(mean, sd)
	f.takeParts(p, x, mean-x.b)
	f.systematicUM2 = systematicSDUM * systematicSDUM
	f.residualUM2 = math.Max(0, x.aa-f.slopeUM*x.ab) + f.systematicUM2
	if s.Undecided {
		f.rivals = s.Rivals
		for f.undecided < maxRivals && f.rivals[f.undecided].Weight > 0 {
			f.undecided++
		}
	}
	return f
}

// takeParts splits the parts of the rate into what goes with the whole factor and the
// rest. moved is how far positivity moved the factor.
func (f *Forecast) takeParts(p *place, x gauss2, moved float64) {
	var with [parts]float64 // covariance with the factor
	for a := range parts {
		for b := range parts {
			with[a] += p.cov[part(a)*placeSize+part(b)]
		}
		if x.bb > 0 {
			f.share[a] = with[a] / x.bb
		}
		f.mean[a] = p.mean[part(a)] + f.share[a]*moved
	}
	if x.bb > 0 {
		f.slopeUM = x.ab / x.bb
	}
	f.thicknessUM = x.a + f.slopeUM*moved
	for a := range parts {
		f.withResidual[a] = p.cov[commons*placeSize+part(a)] - f.share[a]*x.ab
		for b := range parts {
			f.residual[a][b] = p.cov[part(a)*placeSize+part(b)] - f.share[a]*with[b]
		}
	}
	// What lasts of the rate is positive too, however fast it falls now.
	lasting, _ := positive(f.mean[level], math.Sqrt(math.Max(0, p.cov[level*placeSize+level])))
	f.mean[glazing] -= lasting - f.mean[level]
	f.mean[level] = lasting
}

// after is the distribution of the thickness after t seconds of polishing.
func (f *Forecast) after(t float64) spread {
	wander, own := ornsteinUhlenbeck(f.wander.theta, t), ornsteinUhlenbeck(f.own.theta, t)
	_, glaze := fading(f.glazingS, t)
	_, breaking := fading(f.breakInS, t)
	reach := [parts]float64{t, glaze, breaking, wander.reach, own.reach}

	var gone, share, rest, cross float64 // per µm/s
	for a, ra := range reach {
		gone += ra * f.mean[a]
		share += ra * f.share[a]
		cross += ra * f.withResidual[a]
		sum := f.residual[a][a] * ra / 2
		for b := range a {
			sum += reach[b] * f.residual[a][b]
		}
		rest += 2 * ra * sum
	}
	u, m := f.umPerS, f.factor
	lever := u*share - f.slopeUM
	var w, third float64 // variance and third moment of U
	if m.mean > 0 {
		w = u * u * (math.Max(0, rest)/(m.mean*m.mean) + f.wander.density*wander.qii + f.own.density*own.qii)
		if unit := u * gone / m.mean; unit > 0 {
			// As skewed at most as where the spread is what goes: beyond, the form means nothing.
			third = math.Min(w*w/unit*(3+w/(unit*unit)), 4*w*math.Sqrt(w))
		}
	}
	variance := lever*lever*m.variance + w*(m.variance+m.mean*m.mean) + math.Max(0, f.residualUM2-2*u*cross)
	third = lever*lever*lever*m.third + 3*lever*w*(m.third+2*m.mean*m.variance) + third*m.cube()
	s := spread{meanUM: f.thicknessUM - u*gone, sdUM: math.Sqrt(variance)}
	if variance > 0 {
		s.skewness = third / (variance * s.sdUM)
	}
	return s
}

// alone is the forecast that holds if one rival is true.
func (f *Forecast) alone(rival int) Forecast {
	g := *f
	r := f.rivals[rival]
	g.undecided = 0
	g.thicknessUM = r.ThicknessUM
	g.residualUM2 = r.SDUM*r.SDUM + f.systematicUM2
	return g
}

// ProbabilityBelow is the probability that after afterS >= 0 seconds of polishing
// the thickness is at or below levelUM; NaN without a track.
func (f *Forecast) ProbabilityBelow(levelUM, afterS float64) float64 {
	if math.IsNaN(f.thicknessUM) {
		return math.NaN()
	}
	afterS = math.Max(0, afterS)
	if f.undecided == 0 {
		return f.after(afterS).probabilityBelow(levelUM)
	}
	var sum float64
	for i := range f.undecided {
		g := f.alone(i)
		sum += f.rivals[i].Weight * g.after(afterS).probabilityBelow(levelUM)
	}
	return sum
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
	afterS = math.Max(0, afterS)
	if f.undecided == 0 {
		return math.Max(0, f.after(afterS).quantile(deviate(p)))
	}
	u := deviate(p)
	return math.Max(0, f.mixed(func(rival int) float64 {
		g := f.alone(rival)
		return g.after(afterS).quantile(u)
	}, func(levelUM float64) bool { return f.ProbabilityBelow(levelUM, afterS) >= p }))
}

// mixed finds a point of a mixture's distribution between the same points of its rivals:
// the least at which enough is true.
func (f *Forecast) mixed(point func(rival int) float64, enough func(float64) bool) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range f.undecided {
		at := point(i)
		if math.IsNaN(at) {
			at = horizonS
		}
		low, high = math.Min(low, at), math.Max(high, at)
	}
	if enough(low) {
		return low
	}
	if !enough(high) {
		return math.NaN()
	}
	for range 60 {
		middle := low + (high-low)/2
		if enough(middle) {
			high = middle
		} else {
			low = middle
		}
	}
	return high
}
