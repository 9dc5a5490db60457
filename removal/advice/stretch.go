package advice

import "math"

// How long the pad may polish unseen (common practice, no source).
const (
	shortestStretchS   = 1.0   // nobody polishes for less
	defaultRiskStretch = 0.05  // of passing the window of the target
	leastWindowUM      = 0.020 // of the target, unless it is set: this,
	windowPart         = 0.02  // or so much of it
	learntRelSD        = 0.1   // a rate known better than that has been measured
	unlearntPart       = 0.5   // of the time left, while it has not
)

// stretch returns how long the pad may polish before it must be lifted to look: until a
// place is expected at the target, and not so long that the risks of passing the window
// below the target or of crossing the floor exceed what is accepted. NaN when there is no
// level to go by.
func (a *Advisor) stretch(v *Values) float64 {
	longestS := math.NaN()
	limit := func(s float64) {
		if !(s >= longestS) && !math.IsNaN(s) { // also the first
			longestS = s
		}
	}
	for i := range v.Ahead {
		f := &v.Ahead[i].Forecast
		limit(f.LongestFor(a.config.FloorUM, a.config.RiskFloor))
		if math.IsNaN(a.config.TargetUM) {
			continue
		}
		limit(f.LongestFor(a.config.TargetUM-a.windowUM(), a.config.RiskStretch))
		toTargetS := f.TimeToMean(a.config.TargetUM)
		limit(toTargetS)
		if !(v.Ahead[i].RateRelSD < learntRelSD) {
			limit(math.Max(shortestStretchS, unlearntPart*toTargetS))
		}
	}
	return longestS
}

func (a *Advisor) windowUM() float64 {
	if a.config.WindowUM > 0 {
		return a.config.WindowUM
	}
	return math.Max(leastWindowUM, windowPart*a.config.TargetUM)
}
