package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"time"

	"bluefringe/device/lessons"
	"bluefringe/removal/guide"
	"bluefringe/removal/lesson"
	"bluefringe/tui"
)

// onScreen runs a lesson live; nil: the trainee left before its end.
func (t *trainFlags) onScreen(ctx context.Context, st streams, b *trainBench) (*lesson.Run, error) {
	io.WriteString(st.out, lessonCard(b.lesson, t.assistance)+"\nEnter starts, ctrl+c leaves. ")
	if _, err := bufio.NewReader(st.in).ReadString('\n'); err != nil {
		return nil, nil // the input was closed: nobody is there
	}
	board := new(tui.Board)
	who := newLiveTrainee(ctx, b, t)
	keys := tui.Options{Bell: func() { io.WriteString(st.out, "\a") }, Controls: who.controls()}
	var own *lesson.Run
	err := runUnder(ctx, board, keys, t.screen, io.Discard, func(ctx context.Context) error {
		return guarded(func() (err error) {
			defer close(who.over)
			who.ctx = ctx
			own, err = play(ctx, b, who, func(s *session) sink {
				who.view = newBoardSink(board, s, false)
				who.view.snapshot.Host = who.host()
				return who.view
			})
			if err == nil {
				who.view.snapshot.Host.Status = "The run is over: q tells the truth."
				who.view.snapshot.Host.Hint = ""
				who.view.closed(nil)
			}
			return err
		})
	})
	return own, err
}

// lessonCard is what the trainee reads first.
func lessonCard(l lessons.Lesson, assistance string) string {
	var b strings.Builder
	line := func(head, text string) {
		for i, l := range wrapped(text, debriefWide-12) {
			if i > 0 {
				head = ""
			}
			fmt.Fprintf(&b, "%-11s %s\n", head, l)
		}
	}
	fmt.Fprintf(&b, "Lesson %d: %s (an invented die)\n\n", l.Number, l.Title)
	line("Teaches", l.Teaches)
	line("Watch for", l.Watch)
	line("Rule", l.Rule)
	target := l.Parsed.Target
	line("Target", fmt.Sprintf("%g um at the thinnest place, within %.0f nm; no place below %g um", target.ThicknessUM, 1000*l.ToleranceUM, target.FloorUM))
	line("Machine", fmt.Sprintf("the pad comes down by itself at %g s and needs %g s from your key to be off the die; the set-up lets expect %.2f um/min", l.ContactS, l.Hand.LiftS, l.NominalUMMin()))
	shown := map[string]string{lessons.Full: "everything is shown", lessons.Fringes: "spectrum and visibility are shown, no number", lessons.Blind: "everything is shown, with spells without sight"}
	line("Assistance", assistance+": "+shown[assistance])
	line("Keys", "enter stop for good, l lift, w wipe and look, p polish on, r new reference, up and down force")
	line("Caution", caution)
	return b.String()
}

// liveTrainee is a person at the keys. Acts waits as long as the run takes.
type liveTrainee struct {
	ctx   context.Context
	bench *trainBench
	flags *trainFlags
	view  *boardSink
	begun time.Time
	keys  chan keyPress
	over  chan struct{} // closed when the run has ended

	stopped atomic.Bool // the last lift was asked for; the screen reads it
}

// keyPress asks for an action; the answer is what the screen says.
type keyPress struct {
	kind   lesson.Kind
	factor float64 // of the force
	answer chan string
}

func newLiveTrainee(ctx context.Context, b *trainBench, t *trainFlags) *liveTrainee {
	return &liveTrainee{ctx: ctx, bench: b, flags: t, keys: make(chan keyPress), over: make(chan struct{})}
}

// controls are the keys at the machine.
func (l *liveTrainee) controls() []tui.Control {
	press := func(kind lesson.Kind, factor float64) func(string) string {
		return func(string) string {
			k := keyPress{kind: kind, factor: factor, answer: make(chan string, 1)}
			select {
			case l.keys <- k:
				return <-k.answer
			case <-l.over:
				return "the run is over"
			}
		}
	}
	when := func(words string, is func(*tui.Snapshot) bool) func(*tui.Snapshot) string {
		return func(s *tui.Snapshot) string {
			if s.State == tui.Live && !l.stopped.Load() && is(s) {
				return words
			}
			return ""
		}
	}
	down := func(words string) func(*tui.Snapshot) string {
		return when(words, func(s *tui.Snapshot) bool { return s.Step.Forecast.Contact })
	}
	up := func(words string) func(*tui.Snapshot) string {
		return when(words, func(s *tui.Snapshot) bool { return !s.Step.Forecast.Contact })
	}
	running := when("STOP for good", func(*tui.Snapshot) bool { return true })
	const step = 1.1 // of the force
	return []tui.Control{
		{Keys: []string{"enter"}, Words: running, Do: press(lesson.Stop, 0)},
		{Keys: []string{"l"}, Words: down("lift"), Do: press(lesson.Lift, 0)},
		{Keys: []string{"w"}, Words: up("wipe, look"), Do: press(lesson.Wipe, 0)},
		{Keys: []string{"p"}, Words: up("polish on"), Do: press(lesson.Polish, 0)},
		{Keys: []string{"r"}, Words: up("new reference"), Do: press(lesson.Reference, 0)},
		{Keys: []string{"up"}, Shown: "↑", Words: down("more force"), Do: press(lesson.Force, step)},
		{Keys: []string{"down"}, Shown: "↓", Words: down("less force"), Do: press(lesson.Force, 1/step)},
	}
}

// host is what the screen says of the lesson and hides.
func (l *liveTrainee) host() tui.Host {
	les := l.bench.lesson
	hint := fmt.Sprintf("stop at %g um at the thinnest place; the lift takes %g s", les.Parsed.Target.ThicknessUM, les.Hand.LiftS)
	return tui.Host{
		Status: fmt.Sprintf("lesson %d: %s, %gx, %s, %.2f N", les.Number, les.Title, l.flags.speed, l.flags.assistance, l.bench.hand.ForceN()),
		Hint:   hint, Word: "lesson", Banner: "JUDGE BY THE FRINGES", HideNumbers: l.flags.assistance == lessons.Fringes, Free: true,
	}
}

// Hears is not needed: the screen shows it.
func (l *liveTrainee) Hears(guide.Step) {}

// Acts waits until the run is at toS and does what keys ask for on the way.
func (l *liveTrainee) Acts(fromS, toS float64) []lesson.Action {
	if l.begun.IsZero() {
		l.begun = time.Now()
	}
	due := time.NewTimer(time.Until(l.begun.Add(time.Duration(toS / l.flags.speed * float64(time.Second)))))
	defer due.Stop()
	for {
		select {
		case <-l.ctx.Done():
			return nil
		case <-due.C:
			return nil
		case k := <-l.keys:
			atS := time.Since(l.begun).Seconds() * l.flags.speed
			k.answer <- l.act(k, max(fromS+0.001, min(atS, toS)))
		}
	}
}

// act does what a key asks for, and says what came of it.
func (l *liveTrainee) act(k keyPress, atS float64) string {
	a := lesson.Action{TimeS: roundS(atS), Kind: k.kind}
	if k.kind == lesson.Force {
		a.ForceN = roundN(max(l.bench.hand.ForceMinN, min(l.bench.hand.ForceN()*k.factor, l.bench.hand.ForceMaxN)))
	}
	if err := l.bench.do(a); err != nil {
		var refused *lesson.RefusedError
		if errors.As(err, &refused) {
			return refused.Reason
		}
		return err.Error()
	}
	l.stopped.Store(k.kind == lesson.Stop)
	l.view.snapshot.Host = l.host()
	switch k.kind {
	case lesson.Force:
		return fmt.Sprintf("force %.2f N", a.ForceN)
	case lesson.Stop:
		return "stop: the pad is on its way off the die"
	case lesson.Wipe:
		return "wiping"
	case lesson.Reference:
		return "taking dark and reference anew"
	case lesson.Polish:
		return "the pad is on its way to the die"
	}
	return "lifting"
}
