package main

import (
	"math"
	"testing"

	"bluefringe/device/event"
	"bluefringe/device/lessons"
	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
	"bluefringe/removal/lesson"
)

// perfectTrainee knows the truth and stops the lift before the target.
type perfectTrainee struct{ b *trainBench }

func (p perfectTrainee) Acts(fromS, toS float64) []lesson.Action {
	if p.b.hand.Ended() || len(p.b.run.Moments) == 0 {
		return nil
	}
	now := p.b.run.Moments[len(p.b.run.Moments)-1]
	leftS := (now.ThinnestUM - p.b.run.Lesson.TargetUM) / now.RateUMMin * 60
	pressS := math.Max(fromS, p.b.lesson.ContactS) + leftS - p.b.hand.LiftS
	if pressS > toS {
		return nil
	}
	return []lesson.Action{{TimeS: roundS(math.Max(pressS, fromS+0.001)), Kind: lesson.Stop}}
}

// naiveTrainee stops when he thinks it is time, after hearing something or by the clock.
type naiveTrainee struct {
	b     *trainBench
	stopS float64 // +Inf: not yet
	hears func(n *naiveTrainee, s guide.Step)
}

func (n *naiveTrainee) Hears(s guide.Step) {
	if n.hears != nil {
		n.hears(n, s)
	}
}

func (n *naiveTrainee) Acts(fromS, toS float64) []lesson.Action {
	if n.b.hand.Ended() || n.stopS > toS {
		return nil
	}
	return []lesson.Action{{TimeS: roundS(math.Max(n.stopS, fromS+0.001)), Kind: lesson.Stop}}
}

func (n *naiveTrainee) stop(s guide.Step) { n.stopS = math.Min(n.stopS, s.TimeS) }

// firstBelow stops at the first reading at or below the target, the thinner of two orders.
func firstBelow(n *naiveTrainee, s guide.Step) {
	e := s.Estimate
	if e == nil || !s.Forecast.Contact || e.Quality == estimate.Lost {
		return
	}
	um := e.ThicknessUM
	if e.Quality == estimate.Ambiguous && len(e.Candidates) > 1 {
		um = math.Min(um, e.Candidates[1].ThicknessUM)
	}
	if um <= n.b.run.Lesson.TargetUM {
		n.stop(s)
	}
}

// middleOnly leads well, but looks at the middle alone.
func middleOnly(n *naiveTrainee, s guide.Step) {
	f := s.Forecast
	if f.Contact && f.Site == n.b.run.Lesson.Sites[0] && f.ThicknessUM-f.RateUMMin/60*n.b.hand.LiftS <= n.b.run.Lesson.TargetUM {
		n.stop(s)
	}
}

// infraredOnly goes by the clock from where the infrared last read well.
func infraredOnly(n *naiveTrainee, s guide.Step) {
	if e := s.Estimate; e != nil && e.Channel == "nir" && e.Quality == estimate.Good && s.Forecast.Contact && s.TimeS > 20 {
		n.stopS = e.TimeS + (e.ThicknessUM-n.b.run.Lesson.TargetUM)/s.Forecast.RateUMMin*60 - n.b.hand.LiftS
	}
}

// byClock stops when the set-up's rate says so.
func byClock(b *trainBench) *naiveTrainee {
	d := b.truth.Config.Die
	return &naiveTrainee{b: b, stopS: b.lesson.ContactS + (d.ThicknessUM-b.run.Lesson.TargetUM)/b.run.Lesson.NominalUMMin*60 - b.hand.LiftS}
}

func naive(b *trainBench) trainee {
	hears := map[string]func(*naiveTrainee, guide.Step){
		"clean": firstBelow, "slurry": firstBelow, "order": firstBelow, "line": firstBelow, "corner": middleOnly, "handover": infraredOnly,
	}[b.lesson.Name]
	if hears == nil {
		return byClock(b)
	}
	return &naiveTrainee{b: b, stopS: math.Inf(1), hears: hears}
}

// trained plays one die of a lesson.
func trained(t *testing.T, l lessons.Lesson, seed uint64, who func(*trainBench) trainee) *lesson.Run {
	t.Helper()
	b, err := newTrainBench(l, seed, l.Assistance, 1)
	if err != nil {
		t.Fatal(err)
	}
	run, err := play(t.Context(), b, who(b), nil)
	if err != nil {
		t.Fatal(err)
	}
	return run
}

// perfected plays one die by one who knows the truth. He hears nothing, so that no engine
// is needed.
func perfected(t *testing.T, l lessons.Lesson, seed uint64) *lesson.Run {
	t.Helper()
	b, err := newTrainBench(l, seed, l.Assistance, 1)
	if err != nil {
		t.Fatal(err)
	}
	b.machine.Opening()
	for more := true; more; {
		for _, a := range (perfectTrainee{b}).Acts(b.doneS, b.machine.NextS()) {
			if err := b.do(a); err != nil {
				t.Fatal(err)
			}
		}
		if more, err = b.next(func(event.Body) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	return &b.run
}

// On every lesson one who knows the truth passes, one who follows the advice passes, and
// one who makes the lesson's mistake fails for the reason that the lesson teaches.
func TestLessonsTeach(t *testing.T) {
	list, err := lessons.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range list {
		t.Run(l.Name, func(t *testing.T) {
			t.Parallel()
			const seed = 1
			advised := trained(t, l, seed, (*trainBench).advised)
			perfect := lesson.NewDebrief(perfected(t, l, seed), advised)
			if !perfect.Passed || perfect.Fault != "" {
				t.Errorf("one who knows the truth ends %.1f nm from the target: %+v", 1000*perfect.Landing.MissUM(), perfect)
			}
			if !perfect.AdvisedPassed() {
				t.Errorf("the advice ends %.1f nm from the target", 1000*perfect.Advised.MissUM())
			}
			wrong := lesson.NewDebrief(trained(t, l, seed, naive), advised)
			if wrong.Passed || wrong.Fault != l.Fault {
				t.Errorf("the mistake ends %.1f nm from the target: fault %q for %q: %s", 1000*wrong.Landing.MissUM(), wrong.Fault, l.Fault, wrong.Because)
			}
			seen := false
			for _, c := range wrong.Cues {
				seen = seen || c.Name == l.Fault && c.Estimate != nil
			}
			if !seen {
				t.Errorf("the cue of %s is not among %d", l.Fault, len(wrong.Cues))
			}
			t.Logf("miss: perfect %.1f, advised %.1f, mistake %.1f nm; score %d and %d; %s", 1000*perfect.Landing.MissUM(), 1000*perfect.Advised.MissUM(), 1000*wrong.Landing.MissUM(), perfect.Score, wrong.Score, wrong.Because)
			for _, c := range wrong.Cues {
				t.Logf("   %.1f %s %s", c.TimeS, c.Name, c.Text)
			}
		})
	}
}

// One lesson from the first look to the last lift, the advice followed.
func BenchmarkLesson(b *testing.B) {
	list, err := lessons.Embedded()
	if err != nil {
		b.Fatal(err)
	}
	runS := 0.0
	for b.Loop() {
		bench, err := newTrainBench(list[0], 1, lessons.Full, 1)
		if err != nil {
			b.Fatal(err)
		}
		run, err := play(b.Context(), bench, bench.advised(), nil)
		if err != nil {
			b.Fatal(err)
		}
		runS += run.Moments[len(run.Moments)-1].TimeS
	}
	b.ReportMetric(runS/b.Elapsed().Seconds(), "run-s/s")
}
