package removal

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// Consistency after Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with
// Applications to Tracking and Navigation (2001), section 5.4 (from memory): the
// normalised errors summed over independent runs follow chi-square.
func TestDieConsistent(t *testing.T) {
	const runs, sdUM, baseUM = 400, 0.003, 0.5
	random := rand.New(rand.NewPCG(1, 1))
	for _, c := range []struct{ places, measurements int }{{1, 3}, {1, 10}, {1, 40}, {1, 200}, {5, 200}} {
		var nees, nis, rateIn float64
		for range runs {
			truth := newModelDie(random, baseUM, c.places, 5)
			die := NewDie(DieConfig{})
			die.Process(0, true, baseUM)
			for i := range c.measurements {
				if i > 0 {
					truth.polish(0.5)
				}
				at := die.Site(names[i%c.places])
				y := truth.measure(at, sdUM)
				if i == c.measurements-1 {
					p := die.ahead(at, truth.timeS)
					nis += (y - p.thicknessUM()) * (y - p.thicknessUM()) / (p.variance() + sdUM*sdUM)
				}
				if outcome := die.Update(at, truth.timeS, y, sdUM); outcome > Accepted {
					t.Fatalf("measurement %d %v", i, outcome)
				}
			}
			p := die.ahead(0, truth.timeS)
			x := p.pair()
			da, db := truth.z[0]-x.a, truth.rate(0)-x.b
			nees += (da*da*x.bb - 2*da*db*x.ab + db*db*x.aa) / (x.aa*x.bb - x.ab*x.ab)
			s := die.At(0, truth.timeS)
			if math.Abs(truth.rate(0)*baseUM-s.RateUMMin) <= 1.96*s.RateSDUMMin {
				rateIn++
			}
		}
		bounds := func(dof float64) (float64, float64) {
			d := distuv.ChiSquared{K: dof}
			return d.Quantile(0.0005) / runs, d.Quantile(0.9995) / runs
		}
		nees, nis, rateIn = nees/runs, nis/runs, rateIn/runs
		t.Logf("%d places, %3d measurements: NEES %.3f (2), NIS %.3f (1), rate within 1.96 sd in %.1f %%", c.places, c.measurements, nees, nis, 100*rateIn)
		if low, high := bounds(2 * runs); nees < low || nees > high {
			t.Errorf("NEES %.3f outside %.3f..%.3f", nees, low, high)
		}
		if low, high := bounds(runs); nis < low || nis > high {
			t.Errorf("NIS %.3f outside %.3f..%.3f", nis, low, high)
		}
		if rateIn < 0.91 || rateIn > 0.985 { // 0.95 ± 3.5 binomial sd of 400
			t.Errorf("rate within 1.96 sd in %.1f %%", 100*rateIn)
		}
	}
}

func TestDieLookingAheadChangesNothing(t *testing.T) {
	die, _ := followed(2, 20, 5, 0.5)
	other, _ := followed(2, 20, 5, 0.5)
	before := die.At(1, 50)
	die.At(0, 1e6)
	die.Sigmas(0, 50, 3, 0.01)
	die.Between(70, []Share{{0, 0.5}, {1, 0.5}}, 0.01)
	if die.At(1, 50) != before {
		t.Error("At, Sigmas or Between changed the track")
	}
	if other.At(1, 50) != before {
		t.Error("same input, different output")
	}
	if die.At(0, 3).TimeS != 19.5 {
		t.Error("a time before the last event must give the state at that event")
	}
	within(t, "10 s on", die.At(0, 29.5).ThicknessUM, 5-0.5/60*29.5, 2e-3)
}

func TestDieProcessMovesTheRate(t *testing.T) {
	die, _ := followed(1, 60, 5, 0.5)
	s := die.At(0, 29.5)
	die.Process(29.5, true, 1.5)
	faster := die.At(0, 29.5)
	within(t, "three times the pressure", faster.RateUMMin/s.RateUMMin, 3, 1e-9)
	if faster.RateSDUMMin/faster.RateUMMin < 0.1 {
		t.Error("a changed process must leave doubt about the rate")
	}
	die.Process(29.5, false, 1.5)
	lifted := die.At(0, 3629.5)
	within(t, "thickness with the pad up", lifted.ThicknessUM, s.ThicknessUM, 1e-12)
	if lifted.RateSDUMMin <= faster.RateSDUMMin {
		t.Error("an hour's rest must leave doubt about the rate")
	}
	long := die.At(0, 1e9)
	if rel := long.RateSDUMMin / long.RateUMMin; !(rel < 0.3) {
		t.Errorf("relative deviation after any rest %.3f, want less than the prior's", rel)
	}
	die.Process(40, true, 0)
	within(t, "no pressure, no removal", die.At(0, 100).ThicknessUM, s.ThicknessUM, 1e-12)
	die.Process(100, true, math.NaN())
	unknown := die.At(0, 100)
	if unknown.RateSDUMMin < 1 {
		t.Errorf("unknown process: rate %g ± %g, want a broad prior", unknown.RateUMMin, unknown.RateSDUMMin)
	}
}

func TestDieLearnsAnUnknownRate(t *testing.T) {
	for _, rate := range []float64{0.03, 0.5, 8} {
		for _, places := range []int{1, 3} {
			die := NewDie(DieConfig{})
			for i := range 80 * places {
				timeS := 0.5 * float64(i)
				at := die.Site(names[i%places])
				if outcome := die.Update(at, timeS, 20-rate/60*timeS, 0.003); outcome > Accepted {
					t.Fatalf("rate %g, %d places, measurement %d: %v", rate, places, i, outcome)
				}
			}
			s := die.At(0, 40*float64(places))
			within(t, "relative rate", s.RateUMMin/rate, 1, 0.05)
			if s.RateSDUMMin > 0.2*s.RateUMMin {
				t.Errorf("rate %g, %d places: %g ± %g", rate, places, s.RateUMMin, s.RateSDUMMin)
			}
		}
	}
}

func TestDieUpdateOutcomes(t *testing.T) {
	die := NewDie(DieConfig{})
	c := die.Site("c")
	if s := die.At(c, 3); !math.IsNaN(s.ThicknessUM) || !math.IsNaN(s.RateUMMin) || die.Started(c) {
		t.Errorf("before the start: %+v", s)
	}
	for _, bad := range [][3]float64{
		{math.NaN(), 5, 0.003}, {0, math.NaN(), 0.003}, {0, math.Inf(1), 0.003}, {0, -1, 0.003}, {0, 5, 0}, {0, 5, math.NaN()},
	} {
		if outcome := die.Update(c, bad[0], bad[1], bad[2]); outcome != Rejected || die.Started(c) {
			t.Errorf("Update(%v) = %v", bad, outcome)
		}
	}
	die, _ = followed(1, 20, 5, 0.5)
	if outcome := die.Update(c, 5, 4.96, 0.003); outcome != Stale {
		t.Errorf("older than the state: %v", outcome)
	}
	sd := die.At(c, 9.5).SDUM
	if outcome := die.Update(c, 9.5, 5-0.5/60*9.5, 0.003); outcome != Accepted || die.At(c, 9.5).SDUM >= sd {
		t.Errorf("same time: %v", outcome)
	}
	before := die.At(c, 20)
	if outcome := die.Update(c, 10, 5.05, 0.003); outcome != Rejected || die.At(c, 20) != before {
		t.Errorf("a fringe order too thick: %v", outcome)
	}
	if outcome := die.Update(c, 20, 5-0.5/60*20, 0.003); outcome != Accepted {
		t.Errorf("after the outlier: %v", outcome)
	}
	if want := (Counts{Accepted: 22, Rejected: 1, Stale: 1}); die.Counts(c) != want {
		t.Errorf("counts %+v, want %+v", die.Counts(c), want)
	}
}

// With nothing known of the rate the gate alone would let a reading 120 nm too
// thick pass; polishing cannot add.
func TestDieDoesNotGrow(t *testing.T) {
	die := NewDie(DieConfig{})
	c := die.Site("c")
	die.Update(c, 0, 5, 0.003)
	if outcome := die.Update(c, 0.8, 5.12, 0.003); outcome != Rejected {
		t.Errorf("risen under the pad: %v", outcome)
	}
}

func TestDieHostileTimes(t *testing.T) {
	die, _ := followed(2, 20, 5, 0.5)
	for _, s := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -5, 1e300} {
		die.Process(s, true, 0.5)
	}
	if s := die.At(0, 1e300); math.IsNaN(s.RateUMMin) || math.IsNaN(s.RateSDUMMin) {
		t.Errorf("state after absurd times: %+v", s)
	}
}

// A place that nobody looked at for a minute, while the rate fell by a third, is predicted
// from the others.
func TestPlacesLearnFromEachOther(t *testing.T) {
	die, timeS := followed(3, 60, 5, 0.6)
	z := 5 - 0.6/60*timeS
	const slower = 0.4
	from := timeS
	for i := 1; i <= 120; i++ {
		timeS = from + 0.5*float64(i)
		die.Update(i%2, timeS, z-slower/60*(timeS-from), 0.003)
	}
	alone, _ := followed(3, 60, 5, 0.6)
	truth := z - slower/60*(timeS-from)
	with, without := die.At(2, timeS), alone.At(2, timeS)
	t.Logf("truth %.3f µm; with the others %.3f ± %.3f, without %.3f ± %.3f", truth, with.ThicknessUM, with.SDUM, without.ThicknessUM, without.SDUM)
	if math.Abs(with.ThicknessUM-truth) > 3*with.SDUM || math.Abs(with.ThicknessUM-truth) > 0.2*math.Abs(without.ThicknessUM-truth) {
		t.Error("the place did not follow the others")
	}
	if with.SDUM > 0.7*without.SDUM {
		t.Error("the others did not make the place surer")
	}
}

func TestBetweenPlaces(t *testing.T) {
	die, timeS := followed(3, 40, 5, 0.6)
	only := die.Between(timeS+5, []Share{{1, 1}}, 0)
	at := die.At(1, timeS+5)
	within(t, "one place alone: thickness", only.ThicknessUM, at.ThicknessUM, 1e-12)
	within(t, "its deviation", only.SDUM, at.SDUM, 1e-12)
	within(t, "its rate", only.RateUMMin, at.RateUMMin, 1e-12)
	middle := die.Between(timeS, []Share{{0, 0.5}, {1, 0.5}}, 0)
	within(t, "mean of two", middle.ThicknessUM, (die.At(0, timeS).ThicknessUM+die.At(1, timeS).ThicknessUM)/2, 1e-12)
	if middle.SDUM >= die.At(0, timeS).SDUM {
		t.Error("a mean of two places must be surer than the lesser of them")
	}
	doubtful := die.Between(timeS, []Share{{0, 0.5}, {1, 0.5}}, 0.02)
	within(t, "with the interpolation's own", doubtful.SDUM, math.Hypot(middle.SDUM, 0.02), 1e-12)
	die.Site("new")
	if s := die.Between(timeS, []Share{{0, 0.5}, {3, 0.5}}, 0); !math.IsNaN(s.ThicknessUM) {
		t.Errorf("with a place never seen: %+v", s)
	}
	f, g := NewForecast(middle, 0), NewForecast(die.At(0, timeS), 0)
	within(t, "its forecast", f.TimeTo(3).P50S, g.TimeTo(3).P50S, 1)
}

func TestDieDoesNotAllocate(t *testing.T) {
	die, at := followed(9, 20, 5, 0.5)
	open := die.Site("undecided")
	i := 0
	list := []Candidate{{0, 0.003, 0.6}, {0, 0.003, 0.4}}
	shares := []Share{{0, 0.5}, {open, 0.5}}
	if n := testing.AllocsPerRun(100, func() {
		at += 0.5
		i++
		z := 5 - 0.5/60*at
		die.Update(i%9, at, z, 0.003)
		list[0].ThicknessUM, list[1].ThicknessUM = z, z+0.12
		die.UpdateAmong(i%9, at, list)
		die.UpdateAmong(open, at, list)
		for _, s := range []State{die.At(i%9, at), die.At(open, at), die.Between(at, shares, 0.01)} {
			f := NewForecast(s, 0.001)
			f.TimeTo(2)
			f.TimeToMean(2)
			f.LongestFor(1, 1e-3)
			f.QuantileAfter(0.05, 10)
		}
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}
