package removal

import "math"

const secondsPerMinute = 60

// Process holds the machine settings that set the removal rate by Preston's
// law, dz/dt = Kp·P·v: F. W. Preston, "The theory and design of plate glass
// polishing machines", J. Soc. Glass Technol. 11 (1927) 214-256.
type Process struct {
	PrestonPerPa float64 // Preston coefficient Kp in 1/Pa (m²/N)
	ForceN       float64 // normal force on the pad
	PadMM        float64 // diameter of the round pad
	SpeedMS      float64 // speed between pad and die
}

// PressurePa is the force over the round area of the pad, π/4·d². It is +Inf or
// NaN when the pad has no area.
func (p Process) PressurePa() float64 {
	diameterM := p.PadMM * 1e-3
	return p.ForceN / (math.Pi / 4 * diameterM * diameterM)
}

// RateUMMin is the removal rate in µm/min under the pad. It is NaN when a
// setting is missing (NaN) or negative, or when the pad has no area: the rate is
// then not known.
func (p Process) RateUMMin() float64 {
	if !(p.PadMM > 0) {
		return math.NaN()
	}
	return PrestonRateUMMin(p.PrestonPerPa, p.PressurePa(), p.SpeedMS)
}

// PrestonRateUMMin is Kp·P·v in µm/min, for a pressure that is already known.
// It is NaN when a factor is negative or not finite.
func PrestonRateUMMin(prestonPerPa, pressurePa, speedMS float64) float64 {
	for _, factor := range [...]float64{prestonPerPa, pressurePa, speedMS} {
		if !(factor >= 0) || math.IsInf(factor, 0) {
			return math.NaN()
		}
	}
	return prestonPerPa * pressurePa * speedMS * 1e6 * secondsPerMinute
}

// SpringForceN is the force of a linear spring: its rate in N/mm times the
// compression in mm.
func SpringForceN(springNMM, compressionMM float64) float64 {
	return springNMM * compressionMM
}

// AreaShare is the part of the time that a round pad smaller than the die spends on each
// place of it, π/4·d²/(width·height), at most 1: multiply the rate under the pad by it. It
// assumes that the pad wanders over the whole die evenly, so that every place is under it
// for the same share of time, and that what the pad overhangs at the edges is little
// (derived; a pattern that dwells somewhere removes more there). NaN unless all three
// lengths are positive.
func AreaShare(padMM, widthMM, heightMM float64) float64 {
	if !(padMM > 0 && widthMM > 0 && heightMM > 0) {
		return math.NaN()
	}
	return math.Min(1, math.Pi/4*padMM*padMM/(widthMM*heightMM))
}
