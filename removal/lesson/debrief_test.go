package lesson

import (
	"math"
	"strings"
	"testing"

	"bluefringe/optics/estimate"
	"bluefringe/optics/material"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// die is a made-up run: 0.6 µm/min from 3 µm, the pad down from 5 s to liftedS, a reading a
// second that change may spoil; target 2 µm, floor 1.7 µm.
func die(fault string, liftedS, endS float64, change func(timeS float64, e *guide.Estimate) *guide.Estimate) *Run {
	const umS, downS = 0.01, 5
	r := &Run{Lesson: Known{Fault: fault, Sites: []string{"c"}, TargetUM: 2, FloorUM: 1.7, ToleranceUM: 0.04, NominalUMMin: 0.6,
		LiftS: 1, PersonS: 1, FromNM: 700, ToNM: 900, IndexFrom: 3.772, IndexTo: 3.614},
		Stopped: true, TouchedS: downS, LiftedS: liftedS, Actions: []Action{{liftedS - 1, Stop, 0}}}
	for timeS := 1.0; timeS <= endS; timeS++ {
		um := 3 - umS*math.Max(0, math.Min(timeS, liftedS)-downS)
		m := Moment{TimeS: timeS, SiteUM: []float64{um}, ThinnestUM: um, RateUMMin: 60 * umS, Touching: timeS >= downS && timeS < liftedS}
		e := &guide.Estimate{TimeS: timeS, Site: "c", Channel: "vis", Quality: estimate.Good, ThicknessUM: um, EdgeNM: 500}
		if change != nil {
			e = change(timeS, e)
		}
		s := guide.Step{TimeS: timeS, Estimate: e, Forecast: guide.Forecast{TimeS: timeS, Site: "c", ThicknessUM: um, RateUMMin: 60 * umS, Contact: m.Touching},
			Advice: guide.Advice{TimeS: timeS, Site: "c"}}
		if um <= 2.02 {
			s.Advice.Level, s.Advice.Reason = advice.Stop, "near"
		}
		m.Steps = []guide.Step{s}
		r.Moments = append(r.Moments, m)
	}
	return r
}

const onTimeS = 105 // when 2 µm are left

func TestDebrief(t *testing.T) {
	right := die("reaction", onTimeS, 120, nil)
	d := NewDebrief(right, right)
	if !d.Passed || d.Fault != "" || d.Because != "" || d.Score < 98 || d.LostS > 1 || math.Abs(d.Landing.ContactS-100) > 1 {
		t.Errorf("a run that hit the target: %+v", d)
	}
	if len(d.Cues) != 3 || d.Cues[0].Estimate == nil {
		t.Errorf("%d cues", len(d.Cues))
	}
	for i := 1; i < len(d.Cues); i++ {
		if d.Cues[i].TimeS < d.Cues[i-1].TimeS {
			t.Errorf("cues out of order: %+v", d.Cues)
		}
	}

	for _, c := range []struct {
		name     string
		run      *Run
		fault    string
		because  string
		score    int
		lostOver float64
	}{
		{"0.5 µm too soon", die("reaction", 55, 60, nil), "early", "500 nm to go", 0, -1},
		{"60 nm too soon", die("reaction", 99, 110, nil), "early", "60 nm to go", 35, -1},
		{"60 nm too late", die("reaction", 111, 120, nil), "late", "50 nm below", 35, 5},
		{"through the floor", die("reaction", 140, 150, nil), "late", "", 0, 30},
		{"by the spacing's rate", die("spacing", 95, 100, nil), "spacing", "5.8 fringes from 700 to 900 nm when the stop came, and the target has 5.5", 25, -1},
	} {
		d := NewDebrief(c.run, right)
		if d.Passed || d.Fault != c.fault || !strings.Contains(d.Because, c.because) || d.Score != c.score || d.LostS < c.lostOver || d.Better == "" {
			t.Errorf("%s: %q %q %q, score %d, lost %g", c.name, d.Fault, d.Because, d.Better, d.Score, d.LostS)
		}
	}
}

// Time is lost against the run that followed the advice, looks and all: one that lifts as
// often loses none.
func TestTimeLost(t *testing.T) {
	right := die("reaction", onTimeS, 120, nil)
	slow := die("reaction", onTimeS, 120, nil)
	slow.LiftedS += 30
	if d := NewDebrief(slow, right); d.LostS != 30 || d.Score != NewDebrief(right, right).Score-15 || !strings.Contains(d.Better, "30 s later than the advice") {
		t.Errorf("lost %g, score %d: %s", d.LostS, d.Score, d.Better)
	}
	if d := NewDebrief(slow, slow); d.LostS != 0 {
		t.Errorf("lost %g against itself", d.LostS)
	}
	if d := NewDebrief(right, slow); d.LostS != 0 {
		t.Errorf("lost %g where the advice took longer", d.LostS)
	}
}

func TestDecided(t *testing.T) {
	r := Run{Stopped: true, Actions: []Action{{10, Lift, 0}, {12, Wipe, 0}, {20, Polish, 0}, {30, Force, 1}, {40, Lift, 0}, {60, Stop, 0}}}
	if got := r.DecidedS(); got != 40 {
		t.Errorf("a stop after a lift: decided at %g s, want 40", got)
	}
	r.Actions = append(r.Actions[:5], Action{50, Polish, 0}, Action{60, Stop, 0})
	if got := r.DecidedS(); got != 60 {
		t.Errorf("a stop from the die: decided at %g s, want 60", got)
	}
	if r.Stopped = false; !math.IsNaN(r.DecidedS()) {
		t.Errorf("never stopped: decided at %g s", r.DecidedS())
	}
}

// A run that ends a little above the target has its moment to decide as well; one that
// ends far above has not.
func TestMomentToDecide(t *testing.T) {
	for _, c := range []struct {
		liftedS, wantS float64
	}{{onTimeS, onTimeS - 1}, {onTimeS - 2, onTimeS - 1}, {onTimeS + 10, onTimeS - 1}, {onTimeS - 30, math.NaN()}} {
		got := die("reaction", c.liftedS, 130, nil).pressS()
		if math.Abs(got-c.wantS) > 0.01 || math.IsNaN(got) != math.IsNaN(c.wantS) {
			t.Errorf("lifted at %g s: %g, want %g", c.liftedS, got, c.wantS)
		}
	}
}

func TestStaleReference(t *testing.T) {
	bent := func(timeS float64, e *guide.Estimate) *guide.Estimate {
		if timeS > 60 {
			e.Quality, e.ThicknessUM, e.Reason = estimate.Lost, math.NaN(), "misfit"
		}
		return e
	}
	right := die("reference", onTimeS, 120, nil)
	r := die("reference", 125, 140, bent)
	r.Lesson.StaleReference = true
	if d := NewDebrief(r, right); d.Fault != "reference" || !strings.Contains(d.Because, "bad from 61 s on") {
		t.Errorf("%q: %s", d.Fault, d.Because)
	}
	r.Actions = append([]Action{{70, Lift, 0}, {70, Reference, 0}, {80, Polish, 0}}, r.Actions...)
	if d := NewDebrief(r, right); d.Fault == "reference" {
		t.Errorf("with a new reference: %s", d.Because)
	}
	r.Actions[1].TimeS = 50 // before the light changed
	if d := NewDebrief(r, right); d.Fault != "reference" {
		t.Errorf("with an early reference: %q", d.Fault)
	}
}

func TestNeverStopped(t *testing.T) {
	r := die("reaction", 200, 150, nil)
	r.Stopped, r.Actions, r.LiftedS = false, nil, 150
	d := NewDebrief(r, die("reaction", onTimeS, 120, nil))
	if d.Passed || d.Score != 0 || d.Fault != "none" {
		t.Errorf("%+v", d)
	}
}

func TestUnseen(t *testing.T) {
	gap := func(timeS float64, e *guide.Estimate) *guide.Estimate {
		if timeS > 95 {
			return nil
		}
		return e
	}
	slurry := func(timeS float64, e *guide.Estimate) *guide.Estimate {
		if timeS > 95 {
			e.Quality, e.ThicknessUM, e.Reason = estimate.Lost, math.NaN(), "too faint"
		}
		return e
	}
	right := die("line", onTimeS, 120, nil)
	for _, c := range []struct {
		fault  string
		change func(float64, *guide.Estimate) *guide.Estimate
	}{{"line", gap}, {"slurry", slurry}} {
		d := NewDebrief(die(c.fault, 125, 140, c.change), right)
		if d.Fault != c.fault || !strings.Contains(d.Because, "for 14 s when the silicon passed") {
			t.Errorf("%s: found %q: %s", c.fault, d.Fault, d.Because)
		}
		// Found in the lesson about something else too.
		if d := NewDebrief(die("glazing", 125, 140, c.change), right); d.Fault != c.fault {
			t.Errorf("%s in another lesson: found %q", c.fault, d.Fault)
		}
	}
	// With sight the same landing is no fault of that kind.
	if d := NewDebrief(die("line", 125, 140, nil), right); d.Fault != "late" {
		t.Errorf("with sight: %q", d.Fault)
	}
}

func TestOrder(t *testing.T) {
	other := func(timeS float64, e *guide.Estimate) *guide.Estimate {
		e.Quality = estimate.Ambiguous
		e.Candidates = []estimate.Candidate{{ThicknessUM: e.ThicknessUM, Weight: 0.9}, {ThicknessUM: e.ThicknessUM - 0.1, Weight: 0.1}}
		return e
	}
	d := NewDebrief(die("order", 96, 110, other), die("order", onTimeS, 120, nil))
	if d.Fault != "order" || !strings.Contains(d.Because, "another fringe order") {
		t.Errorf("%q: %s", d.Fault, d.Because)
	}
}

// The number of fringes between two wavelengths is the difference of the orders 2nd/λ. n
// of silicon at 700 and 900 nm is 3.772 and 3.614 (M. A. Green, Sol. Energy Mater. Sol.
// Cells 92 (2008) 1305, at 300 K).
func TestFringeCount(t *testing.T) {
	si, err := material.Lookup("Si")
	if err != nil {
		t.Fatal(err)
	}
	n, err := si.Indices([]float64{700, 900}, 26.85)
	if err != nil {
		t.Fatal(err)
	}
	k := Known{FromNM: 700, ToNM: 900, IndexFrom: real(n[0]), IndexTo: real(n[1])}
	want := 2 * 2000 * (3.772/700 - 3.614/900)
	if got := k.fringes(2); math.Abs(got-want) > 0.002 {
		t.Errorf("%g fringes at 2 µm, want %g", got, want)
	}
}

func TestFollower(t *testing.T) {
	h := NewHand(limits(), 5, 1.4)
	f := NewFollower(h, 1, 1, false)
	say := func(timeS float64, level advice.Level, good bool) []Action {
		s := guide.Step{TimeS: timeS, Forecast: guide.Forecast{Contact: h.Down()}, Advice: guide.Advice{Level: level}}
		if good {
			s.Estimate = &guide.Estimate{TimeS: timeS, Site: "c", Quality: estimate.Good}
		}
		f.Hears(s)
		list := f.Acts(timeS, timeS+1)
		for _, a := range list {
			if _, err := h.Do(a); err != nil {
				t.Fatal(err)
			}
		}
		return list
	}
	if got := say(10, advice.Prepare, true); got != nil {
		t.Errorf("prepare: %v", got)
	}
	if got := say(20, advice.Blind, false); len(got) != 2 || got[0] != (Action{21, Lift, 0}) || got[1].Kind != Wipe {
		t.Errorf("blind: %v", got)
	}
	var on []Action
	for timeS := 22.0; timeS < 40 && on == nil; timeS++ {
		on = say(timeS, advice.Continue, timeS > 25)
	}
	if len(on) != 1 || on[0].Kind != Polish || on[0].TimeS < 26+lookS {
		t.Errorf("after the look: %v", on)
	}
	say(45, advice.Continue, true)
	if got := say(46, advice.Stop, true); len(got) != 1 || got[0] != (Action{47, Stop, 0}) {
		t.Errorf("stop: %v", got)
	}
}

// Doubtful numbers that no look settles are no reason to look for ever; a view without
// any is.
func TestFollowerLooksInVain(t *testing.T) {
	for quality, goesOn := range map[estimate.Quality]bool{estimate.Ambiguous: true, estimate.Lost: false} {
		h := NewHand(limits(), 5, 1.4)
		f := NewFollower(h, 1, 1, false)
		on := math.NaN()
		for timeS := 10.0; timeS < 60 && math.IsNaN(on); timeS++ {
			s := guide.Step{TimeS: timeS, Estimate: &guide.Estimate{TimeS: timeS, Site: "c", Quality: quality}, Forecast: guide.Forecast{Contact: h.Down()}}
			if h.Down() {
				s.Advice.Level = advice.Blind
			}
			f.Hears(s)
			for _, a := range f.Acts(timeS, timeS+1) {
				if _, err := h.Do(a); err != nil {
					t.Fatal(err)
				}
				if a.Kind == Polish {
					on = a.TimeS
				}
			}
		}
		// The lift is decided at 11 s; it and wiping take 3 s.
		if got := !math.IsNaN(on); got != goesOn || goesOn && on < 14+patienceS {
			t.Errorf("%s: polishes on at %g s", quality, on)
		}
	}
}

// Where the visible has taken over, only a stop by the infrared's old rate is its fault.
func TestHandover(t *testing.T) {
	two := func(liftedS float64) *Run {
		r := die("handover", liftedS, 120, func(timeS float64, e *guide.Estimate) *guide.Estimate {
			if timeS <= 60 {
				e.Channel = "nir"
			}
			return e
		})
		for i := range r.Moments[:60] {
			r.Moments[i].Steps[0].Forecast.RateUMMin = 0.9 // the pad glazes
		}
		return r
	}
	right := two(onTimeS)
	// 2.45 µm at 60 s and 0.9 µm/min: 30 s to the target.
	if d := NewDebrief(two(90), right); d.Fault != "handover" || !strings.Contains(d.Because, "29 s old") {
		t.Errorf("by the infrared's clock: %q: %s", d.Fault, d.Because)
	}
	if d := NewDebrief(two(98), right); d.Fault != "early" {
		t.Errorf("too soon by the visible: %q: %s", d.Fault, d.Because)
	}
}
