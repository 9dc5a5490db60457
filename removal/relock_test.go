package removal

import "testing"

// A track that learnt a rate near zero, since nobody said that the pad was still
// up, must go over to readings that fall at the rate of the process.
func TestTrackLeavesARateOfZero(t *testing.T) {
	track := NewTracker(TrackerConfig{})
	track.Process(0, true, 0.7)
	timeS := 0.0
	for ; timeS < 30; timeS++ {
		track.Update(timeS, 3, 0.0005)
	}
	const rateUMMin = 0.9
	begunS := timeS
	for ; timeS < begunS+30; timeS++ {
		track.Update(timeS, 3-rateUMMin/60*(timeS-begunS), 0.0005)
		truth := 3 - rateUMMin/60*(timeS-begunS)
		s := track.At(timeS)
		if timeS-begunS > 10 && (s.ThicknessUM < truth-0.01 || s.ThicknessUM > truth+0.01) {
			t.Fatalf("%g s after touching down: track %.4f µm, truth %.4f µm, rate %.3f", timeS-begunS, s.ThicknessUM, truth, s.RateUMMin)
		}
	}
	if s := track.At(timeS); s.RateUMMin < rateUMMin-3*s.RateSDUMMin || s.RateUMMin > rateUMMin+3*s.RateSDUMMin {
		t.Errorf("rate %.3f ± %.3f, truth %.3f µm/min", s.RateUMMin, s.RateSDUMMin, rateUMMin)
	}
}

// A Preston coefficient that is wrong by four must not hold the track.
func TestTrackLeavesAWrongPrior(t *testing.T) {
	track := NewTracker(TrackerConfig{})
	track.Process(0, true, 0.7)
	const rateUMMin = 2.8
	for timeS := 0.0; timeS < 40; timeS += 2 {
		truth := 6 - rateUMMin/60*timeS
		track.Update(timeS, truth, 0.0005)
		if s := track.At(timeS); timeS > 16 && (s.ThicknessUM < truth-0.02 || s.ThicknessUM > truth+0.02) {
			t.Errorf("at %g s: track %.4f µm, truth %.4f µm", timeS, s.ThicknessUM, truth)
		}
	}
}
