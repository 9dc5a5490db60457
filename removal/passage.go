package removal

import "math"

// horizonS is how far ahead a crossing is looked for.
const horizonS = 24 * 3600

// Normal deviates of the points of an Interval.
const deviate95 = 1.6448536269514722

// TimeTo returns when the thickness comes down to levelUM: the 5, 50 and 95 %
// points of polishing time from the state's time. A point is 0 when the level is
// already passed with that probability, NaN when it is not reached within 24 h,
// the rate is zero, or there is no track.
func (f *Forecast) TimeTo(levelUM float64) Interval {
	if f.undecided > 0 {
		return Interval{f.mixedTimeTo(levelUM, 0.05), f.mixedTimeTo(levelUM, 0.50), f.mixedTimeTo(levelUM, 0.95)}
	}
	now := f.after(0)
	middle := f.passage(levelUM, 0, edge, now, f.guess(levelUM))
	// The time is off by about what the thickness is, over the rate.
	from := middle
	if math.IsNaN(from) {
		from = horizonS
	}
	relSD := math.Sqrt(f.factor.variance) / f.factor.mean
	away := deviate95 * (now.sdUM/(f.umPerS*f.factor.mean) + from*relSD)
	return Interval{
		P05S: f.passage(levelUM, -deviate95, edge, now, math.Max(from-away, from/2)),
		P50S: middle,
		P95S: f.passage(levelUM, deviate95, edge, now, from+away),
	}
}

// TimeToMean is the polishing time in s after which the expected thickness is levelUM: 0
// when it is already below, NaN as for TimeTo.
func (f *Forecast) TimeToMean(levelUM float64) float64 {
	return f.passage(levelUM, 0, mean, f.after(0), f.guess(levelUM))
}

// LongestFor is the longest polishing time in s after which the thickness is at or below
// levelUM with a probability of at most risk: how long the pad may go on unseen. It is 0
// when the risk is there already, +Inf when it does not come within 24 h, NaN without a
// track.
func (f *Forecast) LongestFor(levelUM, risk float64) float64 {
	switch {
	case math.IsNaN(f.thicknessUM) || math.IsNaN(levelUM) || math.IsNaN(risk):
		return math.NaN()
	case risk <= 0:
		return 0
	case risk >= 1:
		return math.Inf(1)
	}
	var t float64
	if f.undecided > 0 {
		t = f.mixedTimeTo(levelUM, risk)
	} else {
		t = f.passage(levelUM, deviate(risk), edge, f.after(0), f.guess(levelUM))
	}
	if math.IsNaN(t) {
		return math.Inf(1)
	}
	return t
}

func (f *Forecast) mixedTimeTo(levelUM, p float64) float64 {
	u := deviate(p)
	return f.mixed(func(rival int) float64 {
		g := f.alone(rival)
		return g.passage(levelUM, u, edge, g.after(0), g.guess(levelUM))
	}, func(t float64) bool { return f.ProbabilityBelow(levelUM, t) >= p })
}

// guess is the time that the present rate would take.
func (f *Forecast) guess(levelUM float64) float64 {
	return (f.thicknessUM - levelUM) / (f.umPerS * f.factor.mean)
}

// edge and mean are heights that come down to a level.
func edge(s spread, u float64) float64 { return s.quantile(u) }
func mean(s spread, _ float64) float64 { return s.meanUM }

// passage is the time at which a height comes down to a level, by secants which a bracket
// keeps in hand: heights are nearly straight in time, so that few steps do. now is the
// distribution at the start.
func (f *Forecast) passage(levelUM, u float64, height func(spread, float64) float64, now spread, guessS float64) float64 {
	rate := f.umPerS * f.factor.mean
	if math.IsNaN(f.thicknessUM) || math.IsNaN(levelUM) {
		return math.NaN()
	}
	above := height(now, u) - levelUM
	if above <= 0 {
		return 0
	}
	if !(rate > 0) {
		return math.NaN()
	}
	low, high := 0.0, math.Inf(1)
	t, slope := guessS, -rate
	if !(t > 0) {
		t = above / rate
	}
	lastT, last := 0.0, above
	for range 100 {
		t = math.Min(t, horizonS)
		left := height(f.after(t), u) - levelUM
		if left > 0 {
			if t == horizonS {
				return math.NaN()
			}
			low = t
		} else {
			high = t
		}
		if t != lastT {
			slope = (left - last) / (t - lastT)
		}
		lastT, last = t, left
		change := -left / slope
		if slope < 0 && math.Abs(change) <= 1e-4*t+1e-6 {
			return t + change // secants double the digits
		}
		next := t + change
		if !(slope < 0) || next <= low || next >= high {
			next = low + (high-low)/2
			if math.IsInf(high, 1) {
				next = 2 * low
			}
		}
		t = next
	}
	return t
}
