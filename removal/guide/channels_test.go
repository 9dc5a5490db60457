package guide

import (
	"math"
	"testing"

	"bluefringe/optics/estimate"
	"bluefringe/removal/advice"
)

// readingOf is a reading of one channel as the optics would hand it on.
func readingOf(channel string, timeS, um, sdUM float64) Reading {
	nan := math.NaN()
	return Reading{FitSDUM: sdUM, Estimate: &Estimate{TimeS: timeS, Site: "c", Channel: channel, Quality: estimate.Good,
		ThicknessUM: um, SDUM: sdUM, EdgeNM: nan, AbsorptionUM: nan, AbsorptionSDUM: nan}}
}

// twoChannels takes a reading of either channel every second, the infrared off by offUM,
// and returns all steps.
func twoChannels(t *testing.T, offUM float64) []Step {
	t.Helper()
	e := newBench(t).engine(nil)
	var steps []Step
	for timeS := 0.0; timeS < 20; timeS++ {
		um := 6 - rateUMS*timeS
		steps = append(steps, e.Take(readingOf("nir", timeS, um+offUM, 0.006))...)
		steps = append(steps, e.Take(readingOf("vis", timeS+0.5, um-rateUMS*0.5, 0.003))...)
	}
	return steps
}

// Where both channels see, a fringe order of the visible (λ/2n, some 130 nm) between
// them is told with both numbers, and the pad goes up to look.
func TestChannelsThatDisagree(t *testing.T) {
	told, blind := 0, false
	steps := twoChannels(t, 0.13)
	for _, s := range steps {
		if d := s.Disagreement; d != nil {
			told++
			if d.Channel == s.Estimate.Channel || math.Abs(math.Abs(d.ThicknessUM-s.Estimate.ThicknessUM)-0.13) > 0.02 {
				t.Errorf("at %g s %s reads %.3f µm, against %+v", s.TimeS, s.Estimate.Channel, s.Estimate.ThicknessUM, *d)
			}
		}
		if s.Advice.Level == advice.Blind && s.Advice.Rule == "witness" {
			blind = true
		}
	}
	if told < len(steps)-2 || !blind {
		t.Errorf("told in %d of %d steps, blind: %v", told, len(steps), blind)
	}
}

func TestChannelsThatAgree(t *testing.T) {
	for _, s := range twoChannels(t, 0.012) { // 1.8 standard uncertainties of the difference
		if s.Disagreement != nil || s.Advice.Rule == "witness" {
			t.Errorf("at %g s: %+v, %+v", s.TimeS, s.Disagreement, s.Advice)
		}
	}
}

// A channel that has not seen for a minute, or not since much was removed, contradicts
// nothing.
func TestOldSightingsSayNothing(t *testing.T) {
	for name, laterUM := range map[string]float64{"a minute ago": 5.9, "half a micrometre ago": 5.3} {
		e := newBench(t).engine(nil)
		e.Take(readingOf("nir", 0, 6.13, 0.006))
		timeS := (6 - laterUM) / rateUMS
		if name == "a minute ago" {
			timeS = 61
			up := false
			e.Process(ProcessChange{TimeS: 7.5, Contact: &up})
		}
		if s := last(e.Take(readingOf("vis", timeS, laterUM, 0.003))); s.Disagreement != nil {
			t.Errorf("%s: %+v", name, *s.Disagreement)
		}
	}
}
