package advice

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"bluefringe/removal"
)

// track follows a die polished at a constant rate, read twice a second from 0 to
// endS with 3 nm.
func track(startUM, rateUMMin, endS float64) *removal.Die {
	t := removal.NewDie(removal.DieConfig{})
	t.Process(0, true, rateUMMin)
	only := t.Site("c")
	for s := 0.0; s <= endS; s += 0.5 {
		t.Update(only, s, startUM-rateUMMin/60*s, 0.003)
	}
	return t
}

// seen makes values at timeS from trackers by site, the thinnest first.
func seen(timeS, sinceGoodS, targetUM float64, sites ...string) func(trackers ...*removal.Die) *Values {
	return func(trackers ...*removal.Die) *Values {
		v := &Values{Contact: true, DecisionIntervalS: 0.5, VisitIntervalS: 0.5}
		for i, t := range trackers {
			v.Ahead = append(v.Ahead, SiteForecast{Site: sites[i], Forecast: removal.NewForecast(t.At(0, timeS), 0), RateRelSD: t.At(0, timeS).RateSDUMMin / t.At(0, timeS).RateUMMin})
		}
		s := trackers[0].At(0, timeS)
		v.Thinnest = SiteValues{Site: sites[0], ThicknessUM: s.ThicknessUM, SDUM: s.SDUM, RateUMMin: s.RateUMMin,
			ToTargetS: v.Ahead[0].Forecast.TimeTo(targetUM).P50S, EdgeNM: math.NaN(), SinceGoodS: sinceGoodS}
		v.Here = v.Thinnest
		return v
	}
}

func advisor(t testing.TB, config Config) *Advisor {
	t.Helper()
	a, err := New(config)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func expect(t *testing.T, got Decision, level Level, rule, reason string) {
	t.Helper()
	if got.Level != level || got.Rule != rule || !strings.Contains(got.Reason, reason) {
		t.Errorf("got %v by %q: %s; want %v by %q with %q", got.Level, got.Rule, got.Reason, level, rule, reason)
	}
}

// At 0.6 µm/min the die loses 10 nm a second: with 2 s to lift and half of 0.5 s
// to the next decision, stop is due 22.5 nm above the target, and prepare 15 s
// before that.
func TestTargetRule(t *testing.T) {
	for _, c := range []struct {
		aboveUM float64
		level   Level
	}{
		{0.300, Continue}, {0.176, Continue}, {0.168, Prepare}, {0.026, Prepare}, {0.019, Stop}, {-0.05, Stop},
	} {
		tracker := track(3, 0.6, 60)
		target := 2.4 - c.aboveUM
		d := advisor(t, Config{TargetUM: target}).Decide(60, seen(60, 0, target, "c")(tracker))
		if d.Level != c.level {
			t.Errorf("%.3f µm above: %+v, want %v", c.aboveUM, d, c.level)
		}
	}
	target := 2.385
	d := advisor(t, Config{TargetUM: target}).Decide(60, seen(60, 0, target, "ne", "c")(track(3, 0.6, 60), track(3.1, 0.6, 60)))
	expect(t, d, Stop, "target", "thinnest site ne is expected at 2.378 µm after the 2.2 s it takes to lift: target 2.385 µm")
	d = advisor(t, Config{}).Decide(60, seen(60, 0, math.NaN(), "c")(track(3, 0.6, 60)))
	expect(t, d, Continue, "", "no target is set")
}

func TestFloorRule(t *testing.T) {
	tracker := track(3, 0.6, 60)
	f := removal.NewForecast(tracker.At(0, 60), 0)
	floor := f.QuantileAfter(1e-3, 2.25)
	v := seen(60, 0, math.NaN(), "c")(tracker)
	expect(t, advisor(t, Config{FloorUM: floor + 1e-4}).Decide(60, v), Stop, "floor", "site c")
	expect(t, advisor(t, Config{FloorUM: floor - 1e-4}).Decide(60, v), Prepare, "floor", "within 15 s")
	expect(t, advisor(t, Config{FloorUM: floor - 0.5}).Decide(60, v), Continue, "", "no target")
	// A site that is not the thinnest may be the one at risk.
	unsure := removal.NewDie(removal.DieConfig{})
	unsure.Update(unsure.Site("ne"), 60, 2.45, 0.1)
	v = seen(60, 0, math.NaN(), "c", "ne")(tracker, unsure)
	expect(t, advisor(t, Config{FloorUM: 2.2}).Decide(60, v), Stop, "floor", "site ne")
}

// Blind polishing turns to blind after a quarter of the margin, and to stop before
// the target, at latest before the floor, without any further reading.
func TestSightRunsOnToStop(t *testing.T) {
	tracker := track(3, 0.6, 60) // 2.4 µm at 60 s; 40 s to 2.0 µm
	a := advisor(t, Config{TargetUM: 2, FloorUM: 1.5, PrepareS: 5})
	changes := map[Level]float64{}
	for s := 0.0; s < 60; s += 10 {
		expect(t, a.Decide(s, seen(s, 0, 2, "c")(track(3, 0.6, s))), Continue, "", "of polishing left")
	}
	for s := 60.0; s <= 110; s += 0.5 {
		d := a.Decide(s, seen(s, s-60, 2, "c")(tracker))
		if _, was := changes[d.Level]; !was {
			changes[d.Level] = s
		}
	}
	f := removal.NewForecast(tracker.At(0, 60), 0)
	quarter := f.TimeTo(2).P05S / 4
	if at := changes[Blind] - 60; at < quarter || at > quarter+0.5 {
		t.Errorf("blind after %.1f s, want %.1f", at, quarter)
	}
	due := 60 + f.TimeToMean(2) - 2.25 // before the target is expected
	if at := changes[Stop]; at < due || at > due+0.5 {
		t.Errorf("stop at %.1f s, want %.1f", at, due)
	}
}

func TestSightLimits(t *testing.T) {
	far := track(50, 0.6, 60) // most of an hour and a half to go
	a := advisor(t, Config{TargetUM: 2})
	a.Decide(0, seen(60, 0, 2, "c")(far))
	expect(t, a.Decide(89, seen(89, 29, 2, "c")(far)), Continue, "", "")
	expect(t, a.Decide(91, seen(91, 31, 2, "c")(far)), Blind, "sight", "not seen for 31.0 s of polishing, rate and margin allow 30.0 s")
	near := track(2.2, 0.6, 10) // 10 s to go
	a = advisor(t, Config{TargetUM: 2, PrepareS: 0.1})
	a.Decide(0, seen(10, 0, 2, "c")(near))
	expect(t, a.Decide(12.5, seen(12.5, 2.5, 2, "c")(near)), Continue, "", "")
	expect(t, a.Decide(13.5, seen(13.5, 3.5, 2, "c")(near)), Blind, "sight", "3.0 s")
	// Five sites a second apart: each is seen every 5 s, which is no blindness.
	v := seen(14, 4, 2, "c")(near)
	v.VisitIntervalS = 5
	a = advisor(t, Config{TargetUM: 2, PrepareS: 0.1})
	a.Decide(0, v)
	expect(t, a.Decide(14, v), Continue, "", "")
	// Time with the pad up is not blind polishing.
	a = advisor(t, Config{TargetUM: 2})
	v = seen(60, 0, 2, "c")(far)
	v.Contact = false
	a.Decide(0, v)
	expect(t, a.Decide(600, seen(600, 540, 2, "c")(far)), Continue, "", "")
}

func TestNothingKnown(t *testing.T) {
	nan := SiteValues{ThicknessUM: math.NaN(), SinceGoodS: math.NaN()}
	v := &Values{Here: nan, Thinnest: nan}
	a := advisor(t, Config{TargetUM: 2, FloorUM: 1})
	expect(t, a.Decide(0, v), Continue, "", "waiting for the first good spectrum")
	expect(t, a.Decide(100, v), Continue, "", "waiting for the first good spectrum")
	v.Contact = true
	expect(t, a.Decide(101, v), Continue, "", "waiting")
	expect(t, a.Decide(104, v), Continue, "", "waiting")
	expect(t, a.Decide(104.5, v), Blind, "sight", "no good spectrum yet")
}

func TestWitness(t *testing.T) {
	tracker := track(50, 0.6, 60)
	a := advisor(t, Config{TargetUM: 2})
	at := func(s float64, site string, disagrees bool) Decision {
		v := seen(60, 0, 2, "c")(tracker)
		v.Here.Site = site
		if disagrees {
			v.Disagreeing = "phase and absorption"
		}
		return a.Decide(s, v)
	}
	expect(t, at(0, "c", true), Continue, "", "")
	expect(t, at(1, "ne", false), Continue, "", "") // says nothing about c
	expect(t, at(3, "c", true), Blind, "witness", "phase and absorption have disagreed at site c for 3.0 s")
	expect(t, at(4, "c", false), Blind, "witness", "") // hysteresis
	expect(t, at(7, "c", false), Continue, "", "")
}

func TestUserRuleHoldsPerSite(t *testing.T) {
	tracker := track(50, 0.6, 60)
	a := advisor(t, Config{TargetUM: 2, Rules: []Rule{{Name: "edge witness", When: "edge_nm < 470", ForS: 3, Advice: Stop}}})
	at := func(s float64, site string, edgeNM float64) Decision {
		v := seen(60, 0, 2, "c")(tracker)
		v.Here.Site, v.Here.EdgeNM = site, edgeNM
		return a.Decide(s, v)
	}
	expect(t, at(0, "c", 460), Continue, "", "")
	expect(t, at(1, "ne", 500), Continue, "", "")
	expect(t, at(2, "c", 480), Continue, "", "") // starts again
	expect(t, at(3, "c", 465), Continue, "", "")
	expect(t, at(5.9, "c", 465), Continue, "", "")
	expect(t, at(6, "c", 465), Stop, "edge witness", "edge_nm < 470 has held for 3.0 s at site c")
}

func TestStopIsLatched(t *testing.T) {
	far, close := track(50, 0.6, 60), track(3, 0.6, 60)
	const target = 2.397
	a := advisor(t, Config{TargetUM: target})
	fine, due := seen(60, 0, target, "c")(far), seen(60, 0, target, "c")(close)
	expect(t, a.Decide(0, fine), Continue, "", "")
	expect(t, a.Decide(1, due), Stop, "target", "expected at")
	for s := 2.0; s < 60; s++ {
		expect(t, a.Decide(s, fine), Stop, "target", "stop stands until the pad is lifted")
	}
	a.Acknowledge()
	expect(t, a.Decide(60, fine), Continue, "", "")
	expect(t, a.Decide(61, due), Stop, "target", "")
	a.Acknowledge()
	expect(t, a.Decide(62, due), Stop, "target", "expected at")
	lifted := *fine
	lifted.Contact = false
	expect(t, a.Decide(63, &lifted), Continue, "", "")
	// Lifted at the target: stop goes on being said, since it is true.
	expect(t, a.Decide(64, due), Stop, "target", "")
	lifted = *due
	lifted.Contact = false
	expect(t, a.Decide(65, &lifted), Stop, "target", "")
}

func TestHysteresis(t *testing.T) {
	a := advisor(t, Config{Rules: []Rule{{Name: "near", When: "thickness_um < 2.5", Advice: Prepare}}})
	tracker := track(50, 0.6, 60)
	at := func(s, thicknessUM float64) Level {
		v := seen(60, 0, math.NaN(), "c")(tracker)
		v.Here.ThicknessUM = thicknessUM
		return a.Decide(s, v).Level
	}
	for i, c := range []struct {
		timeS, thicknessUM float64
		want               Level
	}{
		{0, 2.6, Continue}, {1, 2.4, Prepare}, {2, 2.6, Prepare}, {4, 2.6, Prepare}, {4.5, 2.4, Prepare},
		{5, 2.6, Prepare}, {7.9, 2.6, Prepare}, {8, 2.6, Continue}, {8.5, 2.4, Prepare},
	} {
		if got := at(c.timeS, c.thicknessUM); got != c.want {
			t.Errorf("step %d: %v, want %v", i, got, c.want)
		}
	}
}

func TestConfigFaults(t *testing.T) {
	for want, config := range map[string]Config{
		"reaction_s":          {ReactionS: -1},
		"risk_floor":          {RiskFloor: 2},
		"is not below":        {TargetUM: 1, FloorUM: 1.5},
		"has no name":         {Rules: []Rule{{When: "contact", Advice: Stop}}},
		"taken":               {Rules: []Rule{{Name: "floor", When: "contact", Advice: Stop}}},
		"hold time":           {Rules: []Rule{{Name: "r", When: "contact", ForS: math.NaN(), Advice: Stop}}},
		`allowed are "prepar`: {Rules: []Rule{{Name: "r", When: "contact", Advice: Continue}}},
	} {
		if _, err := New(config); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: error %v, want one with %q", config, err, want)
		}
	}
}

func ExampleRuleError() {
	_, err := New(Config{Rules: []Rule{{Name: "edge", When: "contact &&\n thickness_um > \"2\"", Advice: Stop}}})
	var fault *RuleError
	fmt.Println(errors.As(err, &fault), fault.Line, fault.Column)
	fmt.Println(err)
	// Output:
	// true 2 17
	// rule "edge": condition, line 2, column 17: text is not allowed in a condition
}

func BenchmarkDecide(b *testing.B) {
	b.ReportAllocs()
	a := advisor(b, Config{TargetUM: 2, FloorUM: 1.5, Rules: []Rule{
		{Name: "edge witness", When: "edge_nm < 470 && thickness_um < 2.2", ForS: 3, Advice: Stop}}})
	v := seen(60, 0, 2, "c")(track(5, 0.6, 60))
	at := 60.0
	for b.Loop() {
		at += 0.5
		a.Decide(at, v)
	}
}

// With the pad up nobody has to react: stop is due where half a second of polishing, half
// of the shortest stretch, leads past the target; until then it is said how long the next
// stretch may be.
func TestPadUp(t *testing.T) {
	for _, c := range []struct {
		aboveUM, mayS float64
		level         Level
	}{
		{0.300, 30, Continue}, {0.100, 10, Prepare}, {0.012, 1.2, Prepare}, {0.003, math.NaN(), Stop}, {-0.02, math.NaN(), Stop},
	} {
		tracker := track(3, 0.6, 60)
		target := 2.4 - c.aboveUM
		v := seen(60, 0, target, "c")(tracker)
		v.Contact = false
		d := advisor(t, Config{TargetUM: target, FloorUM: target - 0.5}).Decide(60, v)
		if d.Level != c.level || !(math.Abs(d.StretchS-c.mayS) < 0.02*c.mayS+0.2 || math.IsNaN(c.mayS) && math.IsNaN(d.StretchS)) {
			t.Errorf("%.3f µm above, pad up: %+v, want %v and %.1f s", c.aboveUM, d, c.level, c.mayS)
		}
		v.Contact = true
		if d := advisor(t, Config{TargetUM: target}).Decide(60, v); !math.IsNaN(d.StretchS) {
			t.Errorf("%.3f µm above, pad down: next stretch %.1f s", c.aboveUM, d.StretchS)
		}
	}
}

// A stretch must not risk more than is accepted: of passing the window below the target,
// of crossing the floor; and while the rate is no more than a belief, half of what is left
// is enough.
func TestStretchRisks(t *testing.T) {
	learnt := track(3.6, 0.6, 60) // 3 µm, the rate known
	stretch := func(die *removal.Die, c Config) float64 {
		v := seen(60, 0, c.TargetUM, "c")(die)
		v.Contact = false
		return advisor(t, c).Decide(60, v).StretchS
	}
	f := removal.NewForecast(learnt.At(0, 60), 0)
	for name, c := range map[string]struct {
		config Config
		want   float64
	}{
		"window":           {Config{TargetUM: 2.6, WindowUM: 0.001}, f.LongestFor(2.599, 0.05)},
		"window as set":    {Config{TargetUM: 2, WindowUM: 0.01}, f.LongestFor(1.99, 0.05)},
		"risk as set":      {Config{TargetUM: 2, RiskStretch: 0.01}, f.LongestFor(1.96, 0.01)},
		"wide window":      {Config{TargetUM: 2, WindowUM: 1}, f.TimeToMean(2)},
		"floor":            {Config{TargetUM: 2, FloorUM: 1.99}, f.LongestFor(1.99, 1e-3)},
		"floor, no target": {Config{FloorUM: 1.5}, f.LongestFor(1.5, 1e-3)},
	} {
		if got := stretch(learnt, c.config); math.Abs(got-c.want) > 1e-6 || !(got > 1) {
			t.Errorf("%s: next stretch %.2f s, want %.2f", name, got, c.want)
		}
	}
	believed := removal.NewDie(removal.DieConfig{RateRelSD: 0.12})
	believed.Process(0, true, 0.6)
	believed.Update(believed.Site("c"), 60, 3, 0.003)
	g := removal.NewForecast(believed.At(0, 60), 0)
	if got := stretch(believed, Config{TargetUM: 2}); math.Abs(got-g.TimeToMean(2)/2) > 1e-6 {
		t.Errorf("rate not learnt: next stretch %.2f s, want half of %.2f", got, g.TimeToMean(2))
	}
}
