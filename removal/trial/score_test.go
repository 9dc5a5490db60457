package trial

import (
	"math"
	"testing"

	"bluefringe/removal"
)

func TestCoverageCountsByTimeLeft(t *testing.T) {
	moment := func(truthS, p05, p50, p95 float64) Moment {
		m := Moment{Touched: true, ToTargetS: truthS}
		m.Step.Forecast.ToTargetS = removal.Interval{P05S: p05, P50S: p50, P95S: p95}
		return m
	}
	var c Coverage
	c.Add(moment(100, 90, 100, 110))
	c.Add(moment(112, 90, 100, 110))
	c.Add(moment(80, 90, 100, 110))
	c.Add(moment(9, 8, 9, 10))
	c.Add(moment(9, 8, 9, math.NaN())) // never reached, as far as is known
	c.Add(moment(-1, 8, 9, 10))        // the target is passed
	before := moment(100, 90, 100, 110)
	before.Touched = false
	c.Add(before)
	other := moment(100, 90, 100, 110)
	other.Step.Forecast.Site = "somewhere else"
	c.Add(other)
	if h := c.Band[1]; h.Said != 3 || h.Early != 1 || h.Late != 1 || h.Timed != 3 {
		t.Errorf("60 to 120 s: %+v", h)
	}
	if h := c.Band[4]; h.Said != 2 || h.Early != 0 || h.Late != 1 {
		t.Errorf("below 10 s: %+v", h)
	}
	s := Summarise([]Result{{Coverage: c}, {Coverage: Coverage{Band: [Bands]Held{1: {Said: 100}}}}})
	if got := s.Band[1]; got.Runs != 2 || math.Abs(got.Held-(1.0/3+1)/2) > 1e-12 {
		t.Errorf("runs have not the same weight: %+v", got)
	}
	if got, want := s.Band[1].StatedSD, 0.2/widthSD; math.Abs(got-want) > 1e-12 {
		t.Errorf("stated standard deviation %g, want %g", got, want)
	}
}

func TestSummaryOfLandings(t *testing.T) {
	land := func(thinnestUM float64, change func(*Landing)) Result {
		l := Landing{Ended: true, TargetUM: 1, FloorUM: 0.9, ThinnestUM: thinnestUM, ThinnestSiteUM: thinnestUM, AdvisedUM: thinnestUM}
		if change != nil {
			change(&l)
		}
		return Result{Landing: l}
	}
	s := Summarise([]Result{
		land(1.019, nil),
		land(0.979, func(l *Landing) { l.ThinnestSiteUM = 0.99 }), // 2 % below, the site is well
		land(1.06, nil), // false stop
		land(0.89, nil), // below the floor
		land(1.0, func(l *Landing) { l.Ended = false }),
	})
	if s.Runs != 5 || s.Ended != 4 || s.Within != 1 || s.SiteWithin != 2 || s.Crossed != 1 || s.FalseStops != 1 {
		t.Errorf("%+v", s)
	}
	if want := math.Sqrt((0.019*0.019 + 0.021*0.021 + 0.06*0.06 + 0.11*0.11) / 5); math.Abs(s.RMS-want) > 1e-12 {
		t.Errorf("rms %g, want %g", s.RMS, want)
	}
	if s.P50 != 0.0 {
		t.Errorf("median %g, want 0", s.P50)
	}
	// 2.5 µm/min for half a second too long are 21 nm.
	l := Landing{RateUMS: 2.5 / 60, NominalS: 2, TakenS: 2.5}
	if got := l.HandUM(); math.Abs(got+2.5/60/2) > 1e-12 {
		t.Errorf("the hand took %g µm", got)
	}
}

func TestWorstComesFirst(t *testing.T) {
	results := []Result{{Landing: Landing{ThinnestUM: 0.01, ThinnestSiteUM: 0.01}}, {Landing: Landing{ThinnestUM: -0.05, ThinnestSiteUM: -0.05}}, {}}
	if w := Worst(results, 2); len(w) != 2 || w[0].Landing.ThinnestUM != -0.05 || w[1].Landing.ThinnestUM != 0.01 {
		t.Errorf("%+v", w)
	}
}
