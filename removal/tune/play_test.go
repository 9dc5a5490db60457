package tune

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"

	"bluefringe/removal/guide"
	"bluefringe/removal/trial"

	"gonum.org/v1/gonum/stat"
)

// What the set-up's own setting makes of a run in the open loop is what the operator of
// package trial did in the closed one, in runs that are seen and in runs that are not.
func TestOwnSettingIsWhatHappened(t *testing.T) {
	const tickS = 0.25 // the operator hears what was said within a tick of package trial
	ended, hidden := 0, 0
	for i := range 24 {
		c := trial.Draw(3, i)
		run, landing := played(t, c, c.ReactionS)
		if !landing.Ended {
			continue
		}
		ended++
		took, err := run.Reaction()
		if err != nil {
			t.Fatal(err)
		}
		if landing.Touching != !math.IsNaN(took) || landing.Touching && math.Abs(took-landing.TakenS) > tickS {
			t.Errorf("case %d: reaction %g s, in truth %g s (touching %v)", i, took, landing.TakenS, landing.Touching)
			continue
		}
		run.ReactionS = took
		o, err := run.Play(nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		if !landing.Touching {
			hidden++
			// The operator ends a look 4 s after a good reading of every site, unseen in the record.
			landing.TimeS = o.Landing.TimeS
		}
		if !o.Reached() || math.Abs(o.Landing.TimeS-landing.TimeS) > 1e-6 || math.Abs(o.Landing.ThinnestUM-landing.ThinnestUM) > 1e-9 ||
			o.Landing.Crossed() != landing.Crossed() || o.Rule != landing.Rule {
			t.Errorf("case %d: landed at %.2f s on %.5f µm by %q, in truth at %.2f s on %.5f µm by %q", i,
				o.LandS, o.Landing.ThinnestUM, o.Rule, landing.TimeS, landing.ThinnestUM, landing.Rule)
		}
	}
	if ended < 20 || hidden < 4 {
		t.Errorf("only %d runs ended, %d of them while looking", ended, hidden)
	}
}

// A stop that is later by a second lands as much lower as a second removes: settings are
// told apart by the truth, not by what the track believes.
func TestLaterStopLandsLower(t *testing.T) {
	c := oneSite(trial.Draw(5, 1))
	c.ReactionS = 4
	run, landing := played(t, c, 4)
	run.ReactionS = landing.TakenS
	earlier, err := run.Play(Setting{6}, 0)
	if err != nil {
		t.Fatal(err)
	}
	gotUM := earlier.Landing.ThinnestUM - landing.ThinnestUM
	wantUM := landing.RateUMS * (landing.TimeS - earlier.LandS)
	if d := landing.TimeS - earlier.LandS; d < 1 || d > 3 || math.Abs(gotUM-wantUM) > 0.1*wantUM {
		t.Errorf("2 s more of reaction time landed %.2f s earlier and %.4f µm higher, want about %.4f µm", d, gotUM, wantUM)
	}
}

// What the record did not live to see is not reached, unless extrapolation is asked for;
// then it goes on at the last rate.
func TestBeyondTheRecord(t *testing.T) {
	c := oneSite(trial.Draw(5, 1))
	c.ReactionS = 4
	run, landing := played(t, c, 4)
	run.ReactionS = landing.TakenS
	later, err := run.Play(Setting{2}, 0)
	if err != nil {
		t.Fatal(err)
	}
	if later.Reached() || later.Landing.Ended {
		t.Errorf("a stop 2 s later than the last lift was reached: %+v", later)
	}
	if later, err = run.Play(Setting{2}, 5); err != nil {
		t.Fatal(err)
	}
	wantUM := landing.ThinnestUM - landing.RateUMS*later.BeyondS
	if !(later.BeyondS > 1 && later.BeyondS < 3) || math.Abs(later.Landing.ThinnestUM-wantUM) > 0.002 {
		t.Errorf("landed %g s beyond on %.4f µm, want about %.4f µm", later.BeyondS, later.Landing.ThinnestUM, wantUM)
	}
}

// A final thickness alone anchors the track: landings come out near those by the full truth.
func TestAnchor(t *testing.T) {
	c := oneSite(trial.Draw(5, 2))
	c.ReactionS = 3
	run, landing := played(t, c, 3)
	run.ReactionS = landing.TakenS
	full, err := run.Play(Setting{5}, 0)
	if err != nil {
		t.Fatal(err)
	}
	run.Truth = Truth{}
	if err := run.Anchor(landing.ThinnestUM); err != nil {
		t.Fatal(err)
	}
	anchored, err := run.Play(Setting{5}, 0)
	if err != nil {
		t.Fatal(err)
	}
	if d := anchored.Landing.ThinnestUM - full.Landing.ThinnestUM; math.IsNaN(d) || math.Abs(d) > 0.005 {
		t.Errorf("anchored landing %.4f µm, by the full truth %.4f µm", anchored.Landing.ThinnestUM, full.Landing.ThinnestUM)
	}
}

// planted are runs whose operator takes another time than the set-up states.
func planted(t *testing.T, n int, statedS, tookS float64) []*Run {
	t.Helper()
	var runs []*Run
	for i := 0; len(runs) < n; i++ {
		c := oneSite(trial.Draw(9, i))
		c.ReactionS = tookS
		run, landing := played(t, c, statedS)
		took, err := run.Reaction()
		if err != nil {
			t.Fatal(err)
		}
		if run.ReactionS = took; landing.Ended && landing.Touching {
			runs = append(runs, run)
		}
	}
	return runs
}

// Runs whose operator takes 5 s where the set-up says 2 s make tuning choose about 5 s,
// and runs that were held back confirm it.
func TestPlantedReaction(t *testing.T) {
	const statedS, tookS = 2.0, 5.0
	runs := planted(t, 20, statedS, tookS)
	axis, err := ParseAxis("stop.reaction_s=1:8:15")
	if err != nil {
		t.Fatal(err)
	}
	axes := []Axis{axis}
	settings, err := Grid(axes)
	if err != nil {
		t.Fatal(err)
	}
	all, err := Sweep(t.Context(), runs, append([]Setting{nil}, settings...), Options{Workers: 2})
	if err != nil {
		t.Fatal(err)
	}
	tuned, held := Split(len(runs), 0.5, 1)
	w := DefaultWeights()
	of := func(row []Outcome, which []int) []float64 {
		var costs []float64
		for _, j := range which {
			costs = append(costs, w.Cost(&row[j]))
		}
		return costs
	}
	costs := make([][]float64, len(settings))
	for i := range settings {
		costs[i] = of(all[i+1], tuned)
	}
	choice := Choose(axes, settings, costs, Setting{statedS}, of(all[0], tuned), 500, 1)
	best := settings[choice.Best()][0]
	if math.Abs(best-tookS) > 1 || !(choice.Values[0].Low >= 3) {
		t.Errorf("chose a reaction time of %g s (%v), want about %g s", best, choice.Values[0], tookS)
	}
	if choice.OwnToBest.Includes(0) || choice.OwnToBest.Low < 0 {
		t.Errorf("the set-up's own setting is not told from the best: %v", choice.OwnToBest)
	}
	heldBest, heldOwn := stat.Mean(of(all[choice.Best()+1], held), nil), stat.Mean(of(all[0], held), nil)
	if !(heldBest < 0.7*heldOwn) {
		t.Errorf("held back, the best costs %g and the set-up's own %g", heldBest, heldOwn)
	}
}

// Any number of workers gives the same outcomes.
func TestSweepIsTheSameOnAllCores(t *testing.T) {
	runs := planted(t, 4, 2, 3)
	settings := []Setting{nil, {1}, {2}, {3}, {4}}
	one, err := Sweep(t.Context(), runs, settings, Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	eight, err := Sweep(t.Context(), runs, settings, Options{Workers: 8})
	if err != nil {
		t.Fatal(err)
	}
	w := DefaultWeights()
	for i := range settings {
		// As text, for NaN is not equal to itself.
		if a, b := fmt.Sprint(Summarise(one[i], w)), fmt.Sprint(Summarise(eight[i], w)); a != b {
			t.Errorf("setting %v: %s on one worker, %s on eight", settings[i], a, b)
		}
	}
}

func TestSweepInterrupted(t *testing.T) {
	runs := planted(t, 2, 2, 3)
	ctx, cancel := context.WithCancel(t.Context())
	played := 0
	all, err := Sweep(ctx, runs, make([]Setting, 50), Options{Workers: 1, Played: func() {
		if played++; played == 3*len(runs) {
			cancel()
		}
	}})
	done := 0
	for _, row := range all {
		if row != nil {
			done++
		}
	}
	if !errors.Is(err, context.Canceled) || len(all) != 50 || all[0] == nil || done != 3 {
		t.Errorf("interrupted: %v, %d of %d rows", err, done, len(all))
	}
}

func TestSweepFailure(t *testing.T) {
	runs := planted(t, 2, 2, 3)
	wrong := errors.New("wrong setting")
	runs[1].Adviser = func(s Setting) (trial.Adviser, error) { return nil, wrong }
	if _, err := Sweep(t.Context(), runs, make([]Setting, 9), Options{Workers: 3}); !errors.Is(err, wrong) {
		t.Errorf("got %v", err)
	}
}

// Without truth there is no cost, but there is the time of the stop.
func TestNoTruth(t *testing.T) {
	run := planted(t, 1, 2, 3)[0]
	run.Truth = Truth{}
	o, err := run.Play(nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	s := Summarise([]Outcome{o}, DefaultWeights())
	if s.Runs != 0 || !math.IsNaN(s.Cost) || math.IsNaN(s.StopS) || math.IsNaN(s.TrackUM) {
		t.Errorf("without truth: %+v", s)
	}
}

func BenchmarkReplayOfReadings(b *testing.B) {
	c := oneSite(trial.Draw(9, 1))
	var taped *tape
	if _, err := trial.Play(c, trial.Way{New: func(c *trial.Case, _ *trial.Die) (trial.Adviser, error) {
		engine, err := guide.New(configOf(c, 2))
		taped = &tape{Engine: engine}
		return taped, err
	}}, nil); err != nil {
		b.Fatal(err)
	}
	run, err := NewRun(Record{TargetUM: c.TargetUM, Events: taped.events,
		Adviser: func(Setting) (trial.Adviser, error) { return guide.New(configOf(c, 2)) }})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := run.Play(nil, 0); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(run.endS*float64(b.N)/b.Elapsed().Seconds(), "run_s/s")
}
