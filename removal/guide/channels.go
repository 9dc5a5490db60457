package guide

import (
	"math"

	"bluefringe/optics/estimate"
)

// Disagreement says that two channels see two thicknesses at one place.
type Disagreement struct {
	Channel     string  // the other channel
	ThicknessUM float64 // what it last saw, less what the track says was removed since
	SDUM        float64
}

const (
	// channelSigmas is how far two channels may lie apart, in standard uncertainties of
	// their difference. Both read the same silicon table, whose error is in either
	// uncertainty, so that it is counted twice: never too narrow.
	channelSigmas = 4
	// movedRelSD is the relative uncertainty of what the track says was removed between
	// the readings of two channels; beyond movedMostUM nothing is compared (common
	// practice, no source).
	movedRelSD  = 0.2
	movedMostUM = 0.5
	// sightingS is how long a reading is compared with those of other channels: a channel
	// that sees no more cannot take back what it said (common practice, no source).
	sightingS = 60
)

// sighting is the last usable reading of a channel, and where the track was then.
type sighting struct {
	timeS, thicknessUM, sdUM, trackUM float64
}

// compare returns the channel whose last reading contradicts an estimate by most; nil
// when none does. trackUM is the thickness of the track when the estimate was made.
func (s *site) compare(e *Estimate, trackUM float64) *Disagreement {
	if e.Quality != estimate.Good && e.Quality != estimate.Weak {
		return nil
	}
	var worst *Disagreement
	most := float64(channelSigmas)
	for channel, last := range s.sightings {
		movedUM := last.trackUM - trackUM
		if channel == e.Channel || math.Abs(movedUM) > movedMostUM || e.TimeS-last.timeS > sightingS {
			continue
		}
		d := Disagreement{Channel: channel, ThicknessUM: last.thicknessUM - movedUM,
			SDUM: math.Hypot(last.sdUM, movedRelSD*movedUM)}
		apart := math.Abs(d.ThicknessUM-e.ThicknessUM) / math.Hypot(d.SDUM, e.SDUM)
		// Of equals the first by name: maps have no order, replays do.
		if apart > most || (worst != nil && apart == most && channel < worst.Channel) {
			worst, most = &d, apart
		}
	}
	return worst
}

// remember keeps a reading for the next of another channel.
func (s *site) remember(e *Estimate, trackUM float64) {
	if e.Quality == estimate.Good || e.Quality == estimate.Weak {
		s.sightings[e.Channel] = sighting{e.TimeS, e.ThicknessUM, e.SDUM, trackUM}
	}
}
