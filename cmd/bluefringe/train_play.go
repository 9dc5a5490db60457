package main

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/lessons"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"
	"bluefringe/optics/material"
	"bluefringe/removal/guide"
	"bluefringe/removal/lesson"
)

// Times at the machine of lessons, in s.
const (
	touchS     = 1.0
	wipeS      = 2.0
	referenceS = 3.0
	afterS     = 3.0
)

// gonePart of the floor is where a run is broken off: the die is lost.
const gonePart = 0.25

// trainBench is one die of a lesson in the machine, with the hand of the trainee.
type trainBench struct {
	lesson  lessons.Lesson
	truth   lessons.Truth
	machine *simulate.Machine
	hand    *lesson.Hand
	speed   float64 // run seconds per second; a person's reaction takes so much more of the run
	doneS   float64
	run     lesson.Run
}

func newTrainBench(l lessons.Lesson, seed uint64, assistance string, speed float64) (*trainBench, error) {
	b := &trainBench{lesson: l, truth: l.Draw(seed, assistance), speed: speed}
	var err error
	if b.machine, err = simulate.New(b.truth.Config); err != nil {
		return nil, err
	}
	limits := lesson.Limits{LiftS: l.Hand.LiftS, TouchS: touchS, WipeS: wipeS, ReferenceS: referenceS,
		ForceMinN: l.Hand.ForceN[0], ForceMaxN: l.Hand.ForceN[1], AfterS: afterS}
	b.hand = lesson.NewHand(limits, l.ContactS, b.truth.Config.Removal.ForceN)
	b.run = lesson.Run{TouchedS: l.ContactS, LiftedS: math.NaN()}
	b.run.Lesson, err = known(l)
	b.run.Lesson.PersonS = b.personS()
	return b, err
}

// known is what a debrief needs of a lesson.
func known(l lessons.Lesson) (lesson.Known, error) {
	k := lesson.Known{Fault: l.Fault, TargetUM: l.Parsed.Target.ThicknessUM, FloorUM: l.Parsed.Target.FloorUM, ToleranceUM: l.ToleranceUM,
		NominalUMMin: l.NominalUMMin(), LiftS: l.Hand.LiftS,
		FromNM: 700, ToNM: 900, StaleReference: l.Vis.AgedLampK > 0 || l.Vis.FilmDepth > 0}
	for _, s := range l.Site {
		k.Sites = append(k.Sites, s.Name)
	}
	silicon, err := material.Lookup("Si")
	if err != nil {
		return k, err
	}
	index, err := silicon.Indices([]float64{k.FromNM, k.ToNM}, l.Parsed.Optics.TemperatureC)
	if err != nil {
		return k, err
	}
	k.IndexFrom, k.IndexTo = real(index[0]), real(index[1])
	return k, nil
}

// do takes an action of the trainee.
func (b *trainBench) do(a lesson.Action) error {
	changes, err := b.hand.Do(a)
	if err != nil {
		return err
	}
	b.run.Actions = append(b.run.Actions, a)
	for _, c := range changes {
		if c.End {
			b.machine.Finish(c.TimeS)
			continue
		}
		if err := b.machine.Do(simulate.Change{TimeS: c.TimeS, Contact: c.Contact, ForceN: c.ForceN, Wipe: c.Wipe, Refer: c.Refer}); err != nil {
			return err
		}
	}
	b.run.Stopped = b.run.Stopped || a.Kind == lesson.Stop
	return nil
}

// next goes on to the next spectrum, or the end, and hands what happened to emit, all
// but the truth, which goes into the run.
func (b *trainBench) next(emit func(event.Body) error) (more bool, err error) {
	timeS := b.machine.NextS()
	moments := &b.run.Moments
	touching := len(*moments) > 0 && (*moments)[len(*moments)-1].Touching
	more, err = b.machine.Next(func(body event.Body) error {
		switch e := body.(type) {
		case event.Truth:
			return nil
		case event.Process:
			if e.Contact != nil {
				touching = *e.Contact
				if !touching {
					b.run.LiftedS = e.TimeS
				}
			}
		}
		return emit(body)
	})
	if err != nil {
		return false, err
	}
	b.doneS = timeS
	um := b.machine.ThicknessUM()
	thinnest := b.truth.ThinnestUM(slices.Min(um))
	*moments = append(*moments, lesson.Moment{TimeS: timeS, SiteUM: um, ThinnestUM: thinnest, RateUMMin: b.machine.RateUMMin(), Touching: touching})
	if thinnest <= gonePart*b.run.Lesson.FloorUM {
		b.machine.Finish(timeS)
	}
	if !more && (touching || math.IsNaN(b.run.LiftedS)) {
		b.run.LiftedS = timeS
	}
	return more, nil
}

// trainee is who works at a bench.
type trainee interface {
	// Hears brings what the engine says.
	Hears(guide.Step)
	// Acts returns what is done after fromS and up to toS.
	Acts(fromS, toS float64) []lesson.Action
}

// personS is how much of the run a person's reaction takes.
func (b *trainBench) personS() float64 { return b.lesson.Hand.PersonS * max(1, b.speed) }

// session is one for the lesson's set-up, whose advice allows for the reaction.
func (b *trainBench) session(kept *stepKeeper) *session {
	told := b.lesson.Parsed
	told.Stop.ReactionS = b.lesson.Hand.LiftS + b.personS()
	return &session{source: device.Reader("simulated die (invented)", nil), setup: &told, sink: kept}
}

// play lets a trainee work at a bench, in one goroutine, and returns the run with all that
// the engine of watch said. view, if not nil, is shown it too.
func play(ctx context.Context, b *trainBench, who trainee, view func(*session) sink) (*lesson.Run, error) {
	kept := &stepKeeper{}
	s := b.session(kept)
	if view != nil {
		kept.view = view(s)
	}
	if err := s.prepare(); err != nil {
		return nil, err
	}
	hear := func(body event.Body) error { return s.handle(item{event: event.Event{Body: body}, at: playedAt()}) }
	for _, body := range b.machine.Opening() {
		if err := hear(body); err != nil {
			return nil, err
		}
	}
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		acts := who.Acts(b.doneS, b.machine.NextS())
		if err := ctx.Err(); err != nil {
			return nil, err // it may have waited
		}
		for _, a := range acts {
			if err := b.do(a); err != nil {
				return nil, err
			}
		}
		var err error
		more, err = b.next(func(body event.Body) error {
			if _, ends := body.(event.End); ends {
				return nil
			}
			return hear(body)
		})
		if err == nil && s.engine != nil {
			err = s.tell(s.engine.Advance(b.doneS)) // the line may be lost
		}
		if err != nil {
			return nil, err
		}
		kept.heard(s.counts, playedAt())
		b.run.Moments[len(b.run.Moments)-1].Steps = kept.steps
		for _, step := range kept.steps {
			who.Hears(step)
		}
		kept.steps = nil
	}
	if kept.err != nil {
		return nil, fmt.Errorf("lesson %s: %w", b.lesson.Name, kept.err)
	}
	return &b.run, nil
}

// playedAt stands for the time of receipt where no time passes.
func playedAt() time.Time { return time.Unix(1, 0) }

// stepKeeper keeps what a session says until it is taken.
type stepKeeper struct {
	steps []guide.Step
	err   error // the first fault of a line: a simulated one has none
	view  sink  // nil: none
}

func (k *stepKeeper) opened(run event.Run, s setup.Setup) {
	if k.view != nil {
		k.view.opened(run, s)
	}
}

func (k *stepKeeper) notice(text string) {
	if k.view != nil {
		k.view.notice(text)
	}
}

func (k *stepKeeper) heard(c counts, at time.Time) {
	if k.view != nil {
		k.view.heard(c, at)
	}
}

func (k *stepKeeper) stepped(step guide.Step) error {
	k.steps = append(k.steps, step)
	if k.view != nil {
		return k.view.stepped(step)
	}
	return nil
}

func (k *stepKeeper) fault(err error) {
	if k.err == nil {
		k.err = err
	}
}

// scripted is a trainee who does what a script says.
type scripted struct{ left []lesson.Action }

func (s *scripted) Hears(guide.Step) {}

func (s *scripted) Acts(_, toS float64) []lesson.Action {
	n := 0
	for n < len(s.left) && s.left[n].TimeS <= toS {
		n++
	}
	due := s.left[:n]
	s.left = s.left[n:]
	return due
}

// advised is an operator who follows the advice of the engine.
func (b *trainBench) advised() trainee {
	return lesson.NewFollower(b.hand, b.personS(), len(b.lesson.Site), b.run.Lesson.StaleReference)
}

// roundS and roundN are times and forces as a script has them.
func roundS(s float64) float64 { return math.Round(s*1000) / 1000 }
func roundN(n float64) float64 { return math.Round(n*1000) / 1000 }
