package simulate

import (
	"math"
	"math/rand/v2"
	"slices"
)

// schedule lists the episodes of a fault in the order of their start: those that
// were asked for and those that chance brings before the end.
func (f Fault) schedule(rng *rand.Rand, endS float64) []Episode {
	list := slices.Clone(f.At)
	if f.PerMin > 0 && f.MeanS > 0 {
		for t := rng.ExpFloat64() * 60 / f.PerMin; t < endS; t += rng.ExpFloat64() * 60 / f.PerMin {
			list = append(list, Episode{StartS: t, DurationS: rng.ExpFloat64() * f.MeanS})
		}
	}
	slices.SortStableFunc(list, func(a, b Episode) int {
		switch {
		case a.StartS < b.StartS:
			return -1
		case a.StartS > b.StartS:
			return 1
		}
		return 0
	})
	return list
}

// onset is a fault that waits for a thickness, and the episodes it will join.
type onset struct {
	Onset
	list *[]Episode
}

// wipe lets the episodes that are under way decay from a time on.
func wipe(list []Episode, timeS float64) {
	for i := range list {
		if e := &list[i]; e.StartS <= timeS {
			e.DurationS = math.Min(e.DurationS, timeS-e.StartS)
		}
	}
}

// level is how much of a fault is on the view, 0 to 1: it grows over onsetS from
// the start of an episode and is gone decayS after its duration.
func level(list []Episode, timeS, onsetS, decayS float64) float64 {
	most := 0.0
	for _, e := range list {
		rise, fall := timeS-e.StartS, timeS-e.StartS-e.DurationS
		if rise < 0 || fall >= decayS {
			continue
		}
		up, down := 1.0, 1.0
		if onsetS > 0 {
			up = smoothStep(rise / onsetS)
		}
		if fall > 0 {
			down = smoothStep(1 - fall/decayS)
		}
		most = math.Max(most, up*down)
	}
	return most
}

// veil changes a reflectance to what is seen through slurry of that level. Haze
// scatters more of the blue than of the red; its level is invented (common
// practice, no source).
func (s Slurry) veil(reflectance, wavelengthNM []float64, level float64) {
	if level == 0 {
		return
	}
	haze := s.Haze * level
	for i, nm := range wavelengthNM {
		scattered := 0.3 * math.Sqrt(600/nm)
		reflectance[i] = (1 - s.Attenuation*level) * ((1-haze)*reflectance[i] + haze*scattered)
	}
}
