package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"bluefringe/device/calibrate"
	"bluefringe/device/event"
	"bluefringe/removal/guide"
	"bluefringe/tui"
)

const (
	playEvery  = 50 * time.Millisecond
	sliceOf    = 20 * time.Millisecond  // of work, after which orders are looked for
	tellAfter  = 300 * time.Millisecond // a jump that takes longer shows how far it is
	spokenPast = 1e-6                   // s: the engine speaks of a moment once it has passed
	// A leap so long is one piece: the engine speaks less often in it.
	longLeapS = 15000
)

// place is a moment of a replay: how many entries have been played, and the run time.
type place struct {
	count int
	atS   float64
}

func (p place) before(q place) bool {
	return p.count < q.count || p.count == q.count && p.atS < q.atS
}

// player plays a reel on a board. The engine that it shows is made anew for each jump back
// and told what the first one was told: a replay is one run, from its start, whatever was
// jumped. All fields belong to the goroutine of run; others give orders.
type player struct {
	reel   *reel
	board  *tui.Board
	orders chan order
	gone   chan struct{} // closed when nobody takes orders any more

	view    *boardSink
	engine  *guide.Engine
	next    int     // entry
	spokenS float64 // of the newest step or first input; NaN: none
	reached float64 // run time of the newest entry or step
	turns   []place // where the advice changed
	notes   []place
	acks    []place // where the operator acknowledged
	acked   int     // those that the engine was told

	playing bool
	speed   float64 // +Inf: as fast as possible
	clockS  float64
	clockAt time.Time
	goal    *goal
	remark  string // about the last jump
	truth   bool
	anew    int
	over    bool // the end was shown
	shown   tui.Snapshot
}

// order is something asked of the player, which answers.
type order struct {
	do   func() string
	said chan string
}

// goal is where a jump goes.
type goal struct {
	to     place         // count -1: by time alone
	until  func() bool   // instead: until this
	failed func() string // what to do and say when until did not happen
	began  time.Time
	fromS  float64
}

func newPlayer(t *reel, board *tui.Board, speed float64) *player {
	p := &player{reel: t, board: board, orders: make(chan order), gone: make(chan struct{}), playing: true, speed: speed}
	if speed <= 0 {
		p.speed = math.Inf(1)
	}
	p.rewind()
	return p
}

// rewind goes back to before the first entry.
func (p *player) rewind() {
	p.view = newBoardSink(new(tui.Board), p.reel.session, false) // it begins empty, which is not to be seen
	p.view.board, p.view.quiet = p.board, true
	p.engine, p.next, p.acked = nil, 0, 0
	p.spokenS, p.reached = math.NaN(), math.Inf(-1)
	p.turns, p.notes = nil, nil
	p.over = false
}

// order has the player do something and returns its answer; empty when it is gone.
func (p *player) order(do func() string) string {
	o := order{do, make(chan string, 1)}
	select {
	case p.orders <- o:
		return <-o.said
	case <-p.gone:
		return ""
	}
}

// run reads the record and plays it until ctx is done. It returns why the record could not
// be read to its end.
func (p *player) run(ctx context.Context) error {
	defer close(p.gone)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	read := make(chan error, 1)
	go func() {
		err := p.reel.session.run(ctx, nil)
		p.reel.finish(err)
		read <- err
	}()
	err := guarded(func() error { return p.play(ctx) })
	cancel()
	readErr := <-read
	var c *crash
	if errors.As(err, &c) || readErr == nil {
		return err
	}
	return readErr
}

func (p *player) play(ctx context.Context) error {
	ticker := time.NewTicker(playEvery)
	defer ticker.Stop()
	p.clockAt = time.Now()
	more := make(chan struct{}, 1) // there is work that need not wait
	for {
		busy, err := p.work(time.Now())
		if err != nil {
			return err
		}
		if busy {
			notify(more)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case o := <-p.orders:
			o.said <- o.do()
		case <-p.reel.changed:
		case <-ticker.C:
		case <-more:
		}
	}
}

// work goes on for a moment, and tells whether there is more to do at once.
func (p *player) work(now time.Time) (busy bool, err error) {
	st := p.reel.status()
	var c *crash
	if st.done && errors.As(st.err, &c) {
		return false, st.err
	}
	elapsed := now.Sub(p.clockAt).Seconds()
	p.clockAt = now
	switch {
	case p.goal != nil:
		busy, err = p.seek(now, st)
	case p.playing:
		busy, err = p.goOn(elapsed, now, st)
	}
	if err != nil {
		return false, err
	}
	p.finish(st)
	p.publish(now, st)
	return busy, nil
}

// goOn plays what is due.
func (p *player) goOn(elapsedS float64, now time.Time, st reelStatus) (busy bool, err error) {
	if math.IsNaN(st.firstS) {
		to := place{-1, st.lastS}
		if st.done { // nothing but notes and faults
			to.atS = math.Inf(1)
			p.clockS = max(p.clockS, st.endS)
		}
		_, busy, err := p.until(to, now)
		return busy, err
	}
	if !(p.clockS >= st.firstS) || p.reached < st.firstS {
		p.clockS, elapsedS = st.firstS, 0
	}
	to := math.Inf(1)
	if !math.IsInf(p.speed, 1) {
		to = p.clockS + p.speed*elapsedS
	}
	limitS := to
	if !st.done {
		limitS = min(limitS, st.lastS) // further has not been read yet
	}
	_, busy, err = p.until(place{-1, limitS}, now)
	switch {
	case err != nil:
	case busy, math.IsInf(p.speed, 1):
		p.clockS = max(p.reached, st.firstS) // not to run ahead of the pictures
	default:
		p.clockS = min(limitS, st.endS)
	}
	if st.done && p.next >= st.length && p.clockS >= st.endS {
		p.playing = false
	}
	return busy, err
}

// until plays up to a place, for a moment. busy tells that it is not there for want of time.
func (p *player) until(to place, now time.Time) (played, busy bool, err error) {
	for n := 1; ; n++ {
		did, err := p.playNext(to)
		if err != nil || !did {
			return played, false, err
		}
		played = true
		if p.goal != nil && p.goal.until != nil && p.goal.until() {
			return true, false, nil
		}
		if n%8 == 0 && time.Since(now) > sliceOf {
			return true, true, nil
		}
	}
}

// playNext plays the next entry, or a moment of a stretch without any, if it is not beyond a
// place.
func (p *player) playNext(to place) (did bool, err error) {
	if p.engine != nil {
		if p.acked < len(p.acks) && !(place{p.next, p.spokenS}).before(p.acks[p.acked]) {
			p.tellAck()
		}
		if steps := p.blind(to.atS); len(steps) > 0 {
			return true, p.tell(steps)
		}
	}
	e, ok := p.reel.at(p.next)
	if !ok || e.atS > to.atS || to.count >= 0 && p.next >= to.count {
		return false, nil
	}
	p.next++
	p.reached = max(p.reached, e.atS)
	return true, p.take(e)
}

// blind lets time pass up to the next second that the engine speaks of by itself. It never
// goes beyond what the engine is told next: then it would be told something else than the
// first one was.
func (p *player) blind(limitS float64) []guide.Step {
	toS, ok := p.reel.nextInputS(p.next)
	if !ok || math.IsNaN(p.spokenS) || toS-p.spokenS > longLeapS {
		return nil
	}
	e, _ := p.reel.at(p.next)
	dueS := p.spokenS + 1 + spokenPast
	if dueS > min(limitS, toS, e.atS) {
		return nil
	}
	return p.engine.Advance(dueS)
}

// take plays an entry.
func (p *player) take(e reelEntry) error {
	switch what := e.what.(type) {
	case opening:
		bare, err := calibrate.New(what.set.Optics.Ambient, what.set.Optics.TemperatureC)
		if err != nil {
			return err
		}
		if p.engine, err = newEngine(what.set, bare, what.run.Sites, false); err != nil {
			return err
		}
		p.view.opened(what.run, what.set)
	case input:
		var steps []guide.Step
		switch {
		case what.reading != nil:
			steps = p.engine.Take(*what.reading)
		case what.process != nil:
			steps = p.engine.Process(guide.ProcessChange(*what.process))
		default:
			steps = p.engine.Advance(what.timeS)
		}
		if math.IsNaN(p.spokenS) {
			p.spokenS = what.timeS
		}
		if err := p.tell(steps); err != nil {
			return err
		}
	case event.Note:
		p.view.noted(what)
		p.notes = append(p.notes, place{p.next, e.atS})
	case noticed:
		p.view.notice(string(what))
	case error:
		p.view.fault(what)
	}
	p.view.heard(e.counts, time.Time{})
	return nil
}

func (p *player) tell(steps []guide.Step) error {
	for _, step := range steps {
		begun, level := p.view.begun, p.view.level
		if err := p.view.stepped(step); err != nil {
			return err
		}
		p.spokenS = step.TimeS
		p.reached = max(p.reached, step.TimeS)
		if begun && step.Advice.Level != level {
			p.turns = append(p.turns, place{p.next, p.reached + 2*spokenPast})
		}
	}
	return nil
}

// acknowledge releases a stop of this replay, also when the same moment is played again.
func (p *player) acknowledge() string {
	if p.engine == nil {
		return ""
	}
	p.acks = append(p.acks[:p.acked], place{p.next, p.spokenS})
	p.tellAck()
	return ""
}

func (p *player) tellAck() {
	p.engine.Acknowledge()
	p.view.snapshot.Log.Add(tui.Entry{TimeS: p.spokenS, Kind: tui.NoteMade, Text: "stop acknowledged in this replay"})
	p.acked++
}

// goTo jumps to a place.
func (p *player) goTo(to place) {
	if to.count < 0 && to.atS < p.clockS {
		to.count = p.reel.upTo(to.atS)
	}
	p.goal = &goal{to: to, began: time.Now()}
	here := place{p.next, p.clockS}
	if to.count >= 0 && to.before(here) {
		p.rewind()
		// What was acknowledged later than that is to come again.
		p.acks = slices.DeleteFunc(p.acks, func(a place) bool { return to.before(a) })
	}
	p.goal.fromS = p.reached
}

// goUntil plays on until something happened.
func (p *player) goUntil(until func() bool, failed func() string) {
	p.goal = &goal{to: place{-1, math.Inf(1)}, until: until, failed: failed, began: time.Now(), fromS: p.reached}
}

// seek goes on with a jump.
func (p *player) seek(now time.Time, st reelStatus) (busy bool, err error) {
	g := p.goal
	_, busy, err = p.until(g.to, now)
	if err != nil {
		return false, err
	}
	found := g.until != nil && !busy && g.until()
	there := g.until == nil && (g.to.count >= 0 && p.next >= g.to.count || st.lastS > g.to.atS)
	if busy || !found && !there && !st.done {
		return busy, nil
	}
	p.goal = nil
	p.anew++
	switch {
	case g.until != nil && !found:
		p.remark = g.failed()
		return p.goal != nil, nil
	case g.until != nil:
		p.clockS = p.reached
	default:
		p.clockS = max(min(g.to.atS, st.endS), p.reached)
	}
	return false, nil
}

// finish says, once, that the end is reached.
func (p *player) finish(st reelStatus) {
	if p.over || p.goal != nil || !st.done || p.next < st.length || p.clockS < st.endS {
		return
	}
	p.over, p.playing = true, false
	s := &p.view.snapshot
	p.view.heard(st.counts, time.Time{})
	if st.err != nil && !errors.Is(st.err, context.Canceled) {
		text := "the record cannot be read on: " + st.err.Error()
		p.remark = event.Clean(text)
		p.view.notice(p.remark)
	}
	if s.Estimate == nil && p.remark == "" {
		p.remark = unreadable(st)
	}
	if s.State == tui.Waiting { // not one step
		s.StateText = p.remark
		return
	}
	s.State = tui.Ended
}

// unreadable says why a record shows nothing.
func unreadable(st reelStatus) string {
	c := st.counts
	text := fmt.Sprintf("nothing to show: %d spectra", c.spectra)
	if c.refused > 0 {
		text += fmt.Sprintf(", %d refused", c.refused)
	}
	if bad := c.badLines + c.badCRC; bad > 0 {
		text += fmt.Sprintf(", %d lines not valid", bad)
	}
	if st.first != nil {
		text += "; the first: " + event.Clean(st.first.Error())
	}
	return text
}

// publish shows where the player is. A jump keeps the old picture until it is there.
func (p *player) publish(now time.Time, st reelStatus) {
	if p.goal == nil {
		p.view.snapshot.Host = p.host(st, now)
		p.shown = p.view.show()
		return
	}
	if now.Sub(p.goal.began) >= tellAfter {
		p.shown.Host = p.host(st, now)
		p.board.Publish(p.shown)
	}
}
