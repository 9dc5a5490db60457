package removal

import (
	"math"
	"testing"
)

const order = 0.13 // µm, between fringe orders near 2 µm

func among(z float64, weight float64) []Candidate {
	return []Candidate{{z + order, 0.003, 1 - weight}, {z, 0.003, weight}}
}

// A track that is sure takes the explanation that fits, whatever the optics prefer.
func TestSureTrackTakesWhatFits(t *testing.T) {
	die, timeS := followed(1, 40, 5, 0.5)
	z := 5 - 0.5/60*(timeS+1)
	if outcome := die.UpdateAmong(0, timeS+1, among(z, 0.1)); outcome != Accepted {
		t.Fatalf("outcome %v", outcome)
	}
	s := die.At(0, timeS+1)
	within(t, "thickness", s.ThicknessUM, z, 0.003)
	if s.Undecided {
		t.Error("undecided")
	}
	// When none fits they are rejected, and nothing moves.
	far := []Candidate{{z - 1, 0.003, 0.5}, {z - 1.13, 0.003, 0.5}}
	if outcome := die.UpdateAmong(0, timeS+2, far); outcome != Rejected {
		t.Errorf("far away: %v", outcome)
	}
}

// A place that begins with two explanations says so, keeps both in its forecast, lets
// nothing of it reach its neighbours, and is decided by the first clear reading.
func TestUndecidedStart(t *testing.T) {
	die, from := followed(2, 40, 5, 0.5)
	alone, _ := followed(2, 40, 5, 0.5)
	c := die.Site("new")
	const start = 4.6
	truth := func(timeS float64) float64 { return start - 0.5/60*(timeS-from) }
	timeS := from
	for range 20 {
		timeS += 0.5
		if outcome := die.UpdateAmong(c, timeS, among(truth(timeS), 0.55)); outcome != Undecided {
			t.Fatalf("%g s: %v", timeS, outcome)
		}
	}
	s := die.At(c, timeS)
	if !s.Undecided || !(s.Rivals[0].Weight > 0) || !(s.Rivals[1].Weight > 0) {
		t.Fatalf("state %+v", s)
	}
	// The same optics twenty times over are no twenty witnesses.
	within(t, "weight of the heavier", s.Rivals[0].Weight, 0.55, 0.1)
	within(t, "weights", s.Rivals[0].Weight+s.Rivals[1].Weight+s.Rivals[2].Weight+s.Rivals[3].Weight, 1, 1e-9)
	if s.SDUM < 0.4*order || math.Abs(s.ThicknessUM-truth(timeS)) > 3*s.SDUM {
		t.Errorf("%.3f ± %.3f µm, truth %.3f", s.ThicknessUM, s.SDUM, truth(timeS))
	}
	f := NewForecast(s, 0)
	within(t, "both count below", f.ProbabilityBelow(truth(timeS)+order/2, 0), 0.55, 0.1)
	low, high := f.QuantileAfter(0.05, 0), f.QuantileAfter(0.95, 0)
	within(t, "5 % of the thickness", low, truth(timeS), 0.01)
	within(t, "95 % of the thickness", high, truth(timeS)+order, 0.01)
	v := f.TimeTo(4)
	if v.P95S-v.P05S < 0.7*order/0.5*60 {
		t.Errorf("time to target %+v does not hold both", v)
	}
	within(t, "probability at the 5 % point", f.ProbabilityBelow(4, v.P05S), 0.05, 1e-6)
	within(t, "risk", f.ProbabilityBelow(4, f.LongestFor(4, 1e-3)), 1e-3, 1e-5)
	for i := range 2 {
		a, b := die.At(i, timeS), alone.At(i, timeS)
		within(t, "thickness of another place", a.ThicknessUM, b.ThicknessUM, 1e-9)
		within(t, "its deviation", a.SDUM, b.SDUM, 1e-9)
		within(t, "its rate", a.RateUMMin, b.RateUMMin, 1e-9)
	}
	half := die.Between(timeS, []Share{{0, 0.5}, {c, 0.5}}, 0)
	if half.SDUM < 0.4*order/2 {
		t.Errorf("between a place and an undecided one: ± %.4f", half.SDUM)
	}
	if outcome := die.Update(c, timeS+0.5, truth(timeS+0.5), 0.003); outcome != Started {
		t.Errorf("clear reading: %v", outcome)
	}
	s = die.At(c, timeS+0.5)
	if s.Undecided || math.Abs(s.ThicknessUM-truth(timeS+0.5)) > 0.006 {
		t.Errorf("after a clear reading: %+v", s)
	}
}

// After a long blind stretch two orders fit; the readings that follow decide, since the
// wrong one falls at a rate that does not fit.
func TestBlindStretchBranches(t *testing.T) {
	die, from := followed(1, 60, 5, 0.5)
	z := 5 - 0.5/60*from
	timeS := from + 120
	truth := func(s float64) float64 { return z - 0.48/60*(s-from) }
	if outcome := die.UpdateAmong(0, timeS, among(truth(timeS), 0.5)); outcome != Undecided {
		t.Fatalf("two orders that fit: %v", outcome)
	}
	if s := die.At(0, timeS); s.SDUM < 0.15*order || !s.Undecided {
		t.Errorf("undecided but ± %.3f", s.SDUM)
	}
	if outcome := die.Update(0, timeS+1, truth(timeS+1), 0.003); outcome != Accepted {
		t.Errorf("clear reading: %v", outcome)
	}
	within(t, "thickness", die.At(0, timeS+1).ThicknessUM, truth(timeS+1), 0.006)
	s := die.At(0, timeS+1)
	within(t, "rate", s.RateUMMin, 0.48, 3*s.RateSDUMMin)
}

// The first explanations of a place may all be wrong: clear readings elsewhere win.
func TestBankLeavesWrongExplanations(t *testing.T) {
	die := NewDie(DieConfig{})
	die.Process(0, true, 0.5)
	c := die.Site("c")
	truth := func(s float64) float64 { return 3 - 0.5/60*s }
	for i := range 5 {
		s := 0.5 * float64(i)
		die.UpdateAmong(c, s, []Candidate{{truth(s) - order, 0.003, 0.5}, {truth(s) + order, 0.003, 0.5}})
	}
	decidedAt := 0
	for i := 1; i <= 6 && decidedAt == 0; i++ {
		s := 2 + 0.5*float64(i)
		if die.Update(c, s, truth(s), 0.003) == Started {
			decidedAt = i
		}
	}
	if decidedAt < 2 || decidedAt > 4 {
		t.Errorf("decided by clear reading %d, want 2 to 4: one alone may be the stray", decidedAt)
	}
	within(t, "thickness", die.At(c, 6).ThicknessUM, truth(6), 0.02)
}

func TestUpdateAmongEdges(t *testing.T) {
	die := NewDie(DieConfig{})
	c := die.Site("c")
	nan := math.NaN()
	for _, list := range [][]Candidate{
		nil, {}, {{nan, 0.003, 1}}, {{3, 0, 1}}, {{3, 0.003, 0}}, {{3, 0.003, -1}}, {{3, 0.003, math.Inf(1)}},
	} {
		if outcome := die.UpdateAmong(c, 0, list); outcome != Rejected || die.Started(c) {
			t.Errorf("%v: %v", list, outcome)
		}
	}
	if outcome := die.UpdateAmong(c, 0, []Candidate{{3, 0.003, 5}, {nan, 1, 1}}); outcome != Started {
		t.Errorf("one usable: %v", outcome)
	}
	d := die.Site("d")
	if outcome := die.UpdateAmong(d, 1, []Candidate{{3, 0.003, 0.999}, {3.13, 0.003, 0.001}}); outcome != Started {
		t.Errorf("one that the optics are sure of: %v", outcome)
	}
	e := die.Site("e")
	var many []Candidate
	for i := range 9 {
		many = append(many, Candidate{3 + order*float64(i), 0.003, 1 + float64(i%5)})
	}
	if outcome := die.UpdateAmong(e, 2, many); outcome != Undecided {
		t.Errorf("nine: %v", outcome)
	}
	if outcome := die.UpdateAmong(e, 1, many); outcome != Stale {
		t.Errorf("older: %v", outcome)
	}
	s := die.At(e, 2)
	for i := range maxRivals - 1 {
		if s.Rivals[i].Weight < s.Rivals[i+1].Weight {
			t.Errorf("rivals not heaviest first: %+v", s.Rivals)
		}
	}
	if want := (Counts{Undecided: 1, Stale: 1}); die.Counts(e) != want {
		t.Errorf("counts %+v", die.Counts(e))
	}
}
