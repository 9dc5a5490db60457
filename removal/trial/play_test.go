package trial

import (
	"math"
	"reflect"
	"testing"

	"bluefringe/optics/estimate"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// script is an adviser that says a level from each time on.
type script []struct {
	fromS float64
	level advice.Level
}

func (s script) say(timeS float64) []guide.Step {
	step := guide.Step{TimeS: timeS}
	step.Forecast.ToTargetS.P50S = math.NaN()
	for _, part := range s {
		if timeS >= part.fromS {
			step.Advice.Level = part.level
		}
	}
	return []guide.Step{step}
}

func (s script) Process(p guide.ProcessChange) []guide.Step { return s.say(p.TimeS) }
func (s script) Take(r guide.Reading) []guide.Step          { return s.say(r.Estimate.TimeS) }
func (s script) Advance(timeS float64) []guide.Step         { return s.say(timeS) }

func (s script) way() Way {
	return Way{Name: "script", New: func(*Case, *Die) (Adviser, error) { return s, nil }}
}

// plainCase is a case with one site and nothing that hides it.
func plainCase() *Case {
	for i := 0; ; i++ {
		c := Draw(11, i)
		if len(c.Shape.Sites) == 1 && !c.Intermittent() && len(c.Changes) == 0 {
			c.Sight.Slurry, c.Sight.Dropouts, c.Sight.Doubt = nil, nil, nil
			return c
		}
	}
}

// contacts plays a case and returns when the pad went down and up.
func contacts(t *testing.T, c *Case, way Way) (Landing, []float64) {
	t.Helper()
	var times []float64
	touching := false
	l, err := Play(c, way, func(m Moment) {
		if m.Touching != touching {
			touching = m.Touching
			times = append(times, m.Step.TimeS)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return l, times
}

func TestStopEndsTheRunAReactionTimeLater(t *testing.T) {
	c := plainCase()
	l, times := contacts(t, c, script{{60, advice.Stop}}.way())
	if len(times) != 2 || !l.Ended || !l.Touching || l.Lifts != 0 {
		t.Fatalf("pad moved at %v: %+v", times, l)
	}
	if took := times[1] - 60; took < 0.3 || math.Abs(took-c.ReactionS) > 5*reactionRelSD*c.ReactionS+tickS {
		t.Errorf("lifted %.2f s after stop, reaction time %.2f s", took, c.ReactionS)
	}
	if sum := l.AdviceUM() + l.HandUM() + l.PlaceUM(); math.Abs(sum-l.MissUM()) > 1e-12 {
		t.Errorf("parts of the miss add up to %g of %g µm", sum, l.MissUM())
	}
	if got := c.Shape.MiddleUM - l.ThinnestUM; got <= 0 || math.Abs(l.ContactS-(times[1]-times[0])) > 1e-9 {
		t.Errorf("removed %g µm in %g s of contact, pad at %v", got, l.ContactS, times)
	}
}

func TestBlindLiftsToLookAndGoesOn(t *testing.T) {
	c := plainCase()
	l, times := contacts(t, c, script{{0, advice.Continue}, {60, advice.Blind}, {100, advice.Prepare}, {150, advice.Stop}}.way())
	if len(times) != 4 || l.Lifts != 1 || !l.Ended {
		t.Fatalf("pad moved at %v: %+v", times, l)
	}
	if times[1] < 60.3 || times[1] > 60+2*c.ReactionS || times[2] < 100 || times[2] > 100+tickS+touchS+1 {
		t.Errorf("pad moved at %v: blind from 60 to 100 s", times)
	}
	if math.Abs(l.LiftedS-(times[2]-times[1])) > 1e-9 {
		t.Errorf("%g s lifted, pad moved at %v", l.LiftedS, times)
	}
}

// A stop out of ignorance is not the end: the operator looks first.
func TestStopWithoutSightIsLookedAt(t *testing.T) {
	c := plainCase()
	c.Sight.Dropouts = []Spell{{50, 90}}
	l, times := contacts(t, c, script{{0, advice.Continue}, {70, advice.Stop}, {92, advice.Continue}, {130, advice.Stop}}.way())
	if len(times) != 4 || l.Lifts != 1 {
		t.Fatalf("pad moved at %v: %+v", times, l)
	}
	if times[2] < 90+lookS || times[3] < 130 {
		t.Errorf("pad moved at %v: sight is back at 90 s", times)
	}
}

func TestIntermittentRunIsPolishedInStretches(t *testing.T) {
	c := plainCase()
	c.StretchS = 20
	readings := 0
	way := Way{Name: "script", New: func(*Case, *Die) (Adviser, error) {
		return script{{0, advice.Continue}, {200, advice.Stop}}, nil
	}}
	l, err := Play(c, way, func(m Moment) {
		if m.Touching && m.Step.Estimate != nil {
			readings++
		}
	})
	if err != nil || readings > 0 || !l.Ended || l.Lifts < 3 {
		t.Errorf("%d readings through the pad, %+v, %v", readings, l, err)
	}
}

func TestARunThatCannotEndIsGivenUp(t *testing.T) {
	c := plainCase()
	c.Sight.Dropouts = []Spell{{50, limitS}}
	l, _ := contacts(t, c, script{{0, advice.Continue}, {60, advice.Blind}}.way())
	if l.Ended || l.Within() || l.FalseStop() {
		t.Errorf("%+v", l)
	}
}

// Whatever is advised, the same case shows the same readings at the same times and has
// the same rate after the same time of contact.
func TestCaseDoesNotDependOnTheAdviser(t *testing.T) {
	c := plainCase()
	a, b := instrument{c: c, rng: c.stream(streamReadings)}, instrument{c: c, rng: c.stream(streamReadings)}
	for i := range 500 {
		timeS := float64(i)
		x, _ := a.read(timeS, 0, 1)
		y, _ := b.read(timeS, 0, 2)
		if x.Estimate.Quality != y.Estimate.Quality {
			t.Fatalf("at %g s: %v and %v", timeS, x.Estimate.Quality, y.Estimate.Quality)
		}
		if x.Estimate.Quality == estimate.Good && math.Abs((y.Estimate.ThicknessUM-x.Estimate.ThicknessUM)-(1+c.Sight.ScaleErr)) > 1e-9 {
			t.Fatalf("at %g s the noise depends on the thickness", timeS)
		}
	}
}

// A sample of the study that cmd/study makes of a thousand runs.
func TestEngineBeatsPlainWays(t *testing.T) {
	rms := map[string]float64{}
	for _, way := range []Way{Engine("engine", nil), Clock(), FirstReading(), Perfect()} {
		var results []Result
		for i := 180; i < 210; i++ {
			r, err := Score(Draw(1, i), way)
			if err != nil {
				t.Fatal(err)
			}
			l := r.Landing
			if way.Name == "engine" && l.Crossed() {
				t.Errorf("run %d: the floor of %.3f µm was crossed: %.3f µm", i, l.FloorUM, l.ThinnestUM)
			}
			if way.Name == "perfect sight" && l.AdviceUM() < -0.010 {
				t.Errorf("run %d: perfect sight missed by %.1f nm", i, 1000*l.AdviceUM())
			}
			results = append(results, r)
		}
		s := Summarise(results)
		if s.Ended != s.Runs {
			t.Errorf("%s: %d of %d runs ended", way.Name, s.Ended, s.Runs)
		}
		rms[way.Name] = s.RMS
		t.Logf("%s: rms miss %.1f nm", way.Name, 1000*s.RMS)
	}
	if rms["engine"] >= rms["clock"] || rms["engine"] >= rms["first reading"] {
		t.Errorf("rms misses in µm: %v", rms)
	}
}

func TestSameCaseSameLanding(t *testing.T) {
	for _, way := range []Way{Engine("engine", nil), FirstReading()} {
		for _, i := range []int{4, 8} {
			a, errA := Score(Draw(1, i), way)
			b, errB := Score(Draw(1, i), way)
			if errA != nil || errB != nil || !reflect.DeepEqual(a, b) {
				t.Errorf("%s, run %d: %+v and %+v", way.Name, i, a.Landing, b.Landing)
			}
		}
	}
}
