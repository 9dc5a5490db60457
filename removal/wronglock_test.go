package removal

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestDieRelocks(t *testing.T) {
	const rate, slip = 0.5, 0.13
	for _, c := range []struct {
		name  string
		shift float64
		after int // measurements until the move
	}{
		{"down", -slip, 5}, {"up", slip, 9},
	} {
		die, _ := followed(1, 40, 5, rate)
		before := die.At(0, 19.5)
		at := func(i int) (float64, float64) {
			s := 20 + 0.5*float64(i)
			return s, 5 - rate/60*s + c.shift
		}
		moved := 0
		for i := 0; moved == 0 && i < 20; i++ {
			s, z := at(i)
			if die.Update(0, s, z, 0.003) == Relocked {
				moved = i + 1
			}
		}
		if moved != c.after {
			t.Errorf("%s: moved after %d measurements, want %d", c.name, moved, c.after)
		}
		s, z := at(moved - 1)
		state := die.At(0, s)
		within(t, c.name, state.ThicknessUM, z, 0.003)
		if state.SDUM <= before.SDUM || state.RateSDUMMin <= before.RateSDUMMin {
			t.Errorf("%s: surer after a move than before: %+v, was %+v", c.name, state, before)
		}
	}
	// Readings that do not agree with each other never move the track.
	random := rand.New(rand.NewPCG(2, 2))
	die, _ := followed(1, 40, 5, rate)
	for i := range 100 {
		if outcome := die.Update(0, 20+0.5*float64(i), 6+2*random.Float64(), 0.003); outcome != Rejected {
			t.Fatalf("noise %d: %v", i, outcome)
		}
	}
}

// A track that learnt a rate near zero, since nobody said that the pad was still
// up, must go over to readings that fall at the rate of the process: of one place, and of
// several, where each alone would need its own relock.
func TestDieLeavesARateOfZero(t *testing.T) {
	for _, places := range []int{1, 5, 9} {
		die := NewDie(DieConfig{})
		die.Process(0, true, 0.7)
		timeS, i := 0.0, 0
		for ; timeS < 60; timeS++ {
			die.Update(die.Site(names[i%places]), timeS, 3, 0.0005)
			i++
		}
		const rateUMMin = 0.9
		begunS := timeS
		worst := 0.0
		for ; timeS < begunS+40; timeS++ {
			truth := 3 - rateUMMin/60*(timeS-begunS)
			die.Update(i%places, timeS, truth, 0.0005)
			i++
			for k := range places {
				if timeS-begunS > 6+1.5*float64(places) {
					worst = math.Max(worst, math.Abs(die.At(k, timeS).ThicknessUM-truth))
				}
			}
		}
		t.Logf("%d places: at most %.1f nm off once each was seen again", places, 1000*worst)
		if worst > 0.015 {
			t.Errorf("%d places: track %.4f µm off", places, worst)
		}
		if s := die.At(0, timeS); math.Abs(s.RateUMMin-rateUMMin) > 3*s.RateSDUMMin {
			t.Errorf("%d places: rate %.3f ± %.3f, truth %.3f µm/min", places, s.RateUMMin, s.RateSDUMMin, rateUMMin)
		}
	}
}

// A Preston coefficient that is wrong by four must not hold the track.
func TestDieLeavesAWrongPrior(t *testing.T) {
	for _, places := range []int{1, 5} {
		die := NewDie(DieConfig{})
		die.Process(0, true, 0.7)
		const rateUMMin = 2.8
		for i := range 40 * places {
			timeS := float64(i)
			truth := 20 - rateUMMin/60*timeS
			at := die.Site(names[i%places])
			die.Update(at, timeS, truth, 0.0005)
			if s := die.At(at, timeS); timeS > 16*float64(places) && math.Abs(s.ThicknessUM-truth) > 0.02 {
				t.Errorf("%d places, %g s: track %.4f µm, truth %.4f µm", places, timeS, s.ThicknessUM, truth)
			}
		}
	}
}

// One place that slips a fringe order and comes back, with a rate that is wrong by half
// while it is lost, must not move the others, nor what they think of the rate.
func TestWrongLockStaysAtItsPlace(t *testing.T) {
	const rate = 0.5
	run := func(slips bool) *Die {
		die, from := followed(3, 40, 5, rate)
		for i := 1; i <= 180; i++ {
			timeS := from + 0.5*float64(i)
			z := 5 - rate/60*timeS
			if slips && i%3 == 2 && i > 30 && i < 120 {
				z -= 0.13 + 0.5*rate/60*(timeS-from)
			}
			die.Update(i%3, timeS, z, 0.003)
		}
		return die
	}
	with, without := run(true), run(false)
	timeS := without.At(0, 0).TimeS
	if c := with.Counts(2); c.Relocked < 2 {
		t.Errorf("the place did not slip and come back: %+v", c)
	}
	for i := range 2 {
		a, b := with.At(i, timeS), without.At(i, timeS)
		within(t, "thickness of another place", a.ThicknessUM, b.ThicknessUM, b.SDUM)
		within(t, "rate of another place", a.RateUMMin, b.RateUMMin, b.RateSDUMMin)
		if a.SDUM > 1.2*b.SDUM || a.RateSDUMMin > 1.5*b.RateSDUMMin {
			t.Errorf("another place became unsure: %.5f ± %.5f, was ± %.5f; rate ± %.4f, was ± %.4f", a.ThicknessUM, a.SDUM, b.SDUM, a.RateSDUMMin, b.RateSDUMMin)
		}
	}
	s := with.At(2, timeS)
	within(t, "the place itself", s.ThicknessUM, 5-rate/60*timeS, 0.01)
}
