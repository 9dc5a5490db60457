package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
	"bluefringe/tui"
)

// replayOf is a player over lines that have all been read, paused at the start; and the
// steps that the session said.
func replayOf(t *testing.T, set string, lines []string, numbers int) (*player, []guide.Step) {
	t.Helper()
	s := &session{source: finite{lines}, lossless: true}
	if set != "" {
		parsed, err := setup.Parse("test", []byte(set))
		if err != nil {
			t.Fatal(err)
		}
		s.setup = &parsed
	}
	r := newReel(s)
	r.numbers = numbers
	both := &recordingReel{reel: r}
	s.sink = both
	r.finish(s.run(t.Context(), nil))
	p := newPlayer(r, new(tui.Board), 1)
	p.playing = false
	settle(t, p)
	return p, both.steps
}

// recordingReel is a reel that keeps the steps as well.
type recordingReel struct {
	*reel
	steps []guide.Step
}

func (r *recordingReel) stepped(step guide.Step) error {
	r.steps = append(r.steps, step)
	return r.reel.stepped(step)
}

// settle lets the player work until it has nothing to do.
func settle(t *testing.T, p *player) {
	t.Helper()
	for range 100_000 {
		busy, err := p.work(time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if !busy && p.goal == nil {
			return
		}
	}
	t.Fatal("the player does not come to rest")
}

// ordered gives a player an order and lets it carry it out.
func ordered(t *testing.T, p *player, do func() string) string {
	t.Helper()
	p.remark = ""
	said := do()
	settle(t, p)
	return said + p.remark
}

// inWords writes all that a step says, also NaN, which equals nothing.
func inWords(step guide.Step) string {
	e := step.Estimate
	step.Estimate, step.Reading.Estimate = nil, nil
	text := fmt.Sprintf("%+v", step)
	if e != nil {
		text += fmt.Sprintf(" %+v", *e)
	}
	return text
}

func withoutPicture(step guide.Step) guide.Step {
	if step.Estimate != nil {
		step.Estimate = lean(step.Estimate)
	}
	return step
}

func pointsOf(p *player) string { return fmt.Sprint(p.view.snapshot.History.Points(nil, -1)) }

// played is a whole run, read once for the tests that only play it.
type played struct {
	testRun
	reel  *reel
	steps []guide.Step
}

func (r played) player(t *testing.T) *player {
	t.Helper()
	p := newPlayer(r.reel, new(tui.Board), 1)
	p.playing = false
	settle(t, p)
	return p
}

func TestReplay(t *testing.T) {
	run := makeRun(t)
	lines := slices.Insert(slices.Clone(run.lines), 60, `{"type":"note","time_s":15,"text":"slurry added"}`)
	p, steps := replayOf(t, run.setup, lines, mostReelNumbers)
	r := played{run, p.reel, steps}
	for name, test := range map[string]func(*testing.T, played){
		"jumps change nothing": testJumpsChangeNothing, "keys": testReplayKeys, "pace": testReplayPace,
		"truth": testReplayTruth, "acknowledge": testAcknowledgeInReplay,
	} {
		t.Run(name, func(t *testing.T) { test(t, r) })
	}
}

// Whatever was jumped, every moment says what the session said of it, to the last bit; so
// do the curves that lead to it.
func testJumpsChangeNothing(t *testing.T, r played) {
	straight, steps := r.player(t), r.steps
	want := map[float64]string{}
	for _, step := range steps {
		want[step.TimeS] = inWords(step) // the newest of a moment
	}
	curve := map[float64]string{}
	for straight.clockS < straight.reel.status().endS {
		if said := ordered(t, straight, func() string { return straight.goToTime("+1.3") }); said != "" && !strings.Contains(said, "ends at") {
			t.Fatal(said)
		}
		curve[straight.view.snapshot.Step.TimeS] = pointsOf(straight)
	}

	p := r.player(t)
	random := rand.New(rand.NewPCG(5, 7))
	endS := p.reel.status().endS
	moves := []func() string{
		func() string { return p.step(1) }, func() string { return p.step(-1) }, p.nextTurn, p.nextNote, p.restart,
		func() string { return p.before(p.turns, "change") }, func() string { return p.before(p.notes, "note") },
		func() string { return p.goToTime(fmt.Sprintf("%.3f", random.Float64()*endS)) },
		func() string { return p.goToTime(fmt.Sprintf("%.3f", random.Float64()*endS)) },
	}
	seen := 0
	for range 150 {
		ordered(t, p, moves[random.IntN(len(moves))])
		step := p.view.snapshot.Step
		if !p.view.begun {
			continue // at the start nothing has been said
		}
		if got := inWords(step); got != want[step.TimeS] {
			t.Fatalf("at %g s:\n%s\nwant\n%s", step.TimeS, got, want[step.TimeS])
		}
		if step.TimeS > p.clockS+1e-5 {
			t.Fatalf("the clock says %g, the picture is of %g", p.clockS, step.TimeS)
		}
		if c, ok := curve[step.TimeS]; ok {
			seen++
			if pointsOf(p) != c {
				t.Fatalf("another curve at %g s", step.TimeS)
			}
		}
	}
	if seen < 5 {
		t.Errorf("%d curves were compared", seen)
	}
}

// A replay at a pace says all that the session said, in the same order; also where a
// spectrum takes long to come.
func TestPlayingSaysEverything(t *testing.T) {
	r := makeRun(t)
	var lines []string
	for _, line := range r.lines { // ten seconds without sight
		var at float64
		if i := strings.Index(line, `"time_s":`); i >= 0 {
			fmt.Sscanf(line[i:], `"time_s":%f`, &at)
		}
		if !strings.Contains(line, `"spectrum"`) || at < 20 || at > 30 {
			lines = append(lines, line)
		}
	}
	p, steps := replayOf(t, r.setup, lines, mostReelNumbers)
	var said []string
	p.playing, p.speed = true, 1
	now := time.Now()
	p.clockAt = now
	begun, last := now, ""
	for n := 0; p.playing; n++ {
		if n > 10_000 {
			t.Fatalf("after %g s it stands at %g s", now.Sub(begun).Seconds(), p.clockS)
		}
		now = now.Add(37 * time.Millisecond)
		if _, err := p.work(now); err != nil {
			t.Fatal(err)
		}
		if words := inWords(p.view.snapshot.Step); words != last && p.view.begun {
			said, last = append(said, words), words
		}
	}
	var want []string
	for _, step := range steps {
		want = append(want, inWords(step))
	}
	missing := 0
	for _, words := range want {
		if !slices.Contains(said, words) {
			missing++
		}
	}
	for _, words := range said {
		if !slices.Contains(want, words) {
			t.Fatalf("the session never said\n%s", words)
		}
	}
	if missing > len(want)/10 { // of one moment only the last is seen
		t.Errorf("%d of %d steps were not shown", missing, len(want))
	}
	if s := p.view.snapshot; s.State != tui.Ended || inWords(s.Step) != want[len(want)-1] {
		t.Errorf("it ends in state %v", s.State)
	}
	ordered(t, p, func() string { return p.goToTime("30") })
	if s := p.view.snapshot; s.State != tui.Live || p.clockS != 30 {
		t.Errorf("after the end one can jump back: %v at %g", s.State, p.clockS)
	}
}

func testReplayKeys(t *testing.T, r played) {
	p, steps := r.player(t), r.steps
	if tail := p.reel.status(); !tail.ended || !tail.hasTruth {
		t.Fatalf("%+v", tail)
	}
	ordered(t, p, p.restart)
	first := p.clockS
	if said := ordered(t, p, func() string { return p.step(-1) }); said != "no earlier spectrum" {
		t.Error(said)
	}
	ordered(t, p, func() string { return p.step(1) })
	ordered(t, p, func() string { return p.step(1) })
	second := p.view.snapshot.Step.Estimate.TimeS
	ordered(t, p, func() string { return p.step(1) })
	ordered(t, p, func() string { return p.step(-1) })
	if got := p.view.snapshot.Step.Estimate.TimeS; got != second {
		t.Errorf("one on and one back is %g, not %g", got, second)
	}
	ordered(t, p, p.nextNote)
	if e := p.view.snapshot.Log.Entries(nil); e[len(e)-1].Text != "slurry added" {
		t.Errorf("%+v", e[len(e)-1])
	}

	// Changes of advice: those of the session, one after the other, and back.
	ordered(t, p, p.restart)
	var want, got, back []float64
	for i, step := range steps {
		if i > 0 && step.Advice.Level != steps[i-1].Advice.Level {
			want = append(want, step.TimeS)
		}
	}
	for range len(want) {
		if said := ordered(t, p, p.nextTurn); said != "" {
			t.Error(said)
		}
		got = append(got, p.view.snapshot.Step.TimeS)
	}
	here := p.clockS
	if said := ordered(t, p, p.nextTurn); said != "no later change of advice" || math.Abs(p.clockS-here) > 1e-4 {
		t.Errorf("%q at %g, was at %g", said, p.clockS, here)
	}
	back = append(back, p.view.snapshot.Step.TimeS)
	for ordered(t, p, func() string { return p.before(p.turns, "change") }) == "" {
		back = append(back, p.view.snapshot.Step.TimeS)
	}
	slices.Reverse(back)
	if len(want) < 2 || !slices.Equal(got, want) || !slices.Equal(back, want) {
		t.Errorf("changes at %v, forward %v, back %v", want, got, back)
	}

	ordered(t, p, func() string { return p.goToTime("0:30") })
	at := p.clockS
	ordered(t, p, func() string { return p.goToTime("+10.5") })
	ordered(t, p, func() string { return p.goToTime("-0.5") })
	if at != 30 || p.clockS != 40 {
		t.Errorf("%g and %g", at, p.clockS)
	}
	if said := ordered(t, p, func() string { return p.goToTime("9:00:00") }); !strings.Contains(said, "ends at") || !p.over {
		t.Error(said)
	}
	if said := ordered(t, p, func() string { return p.goToTime("half past") }); !strings.Contains(said, "allowed are") {
		t.Error(said)
	}
	ordered(t, p, p.restart)
	if p.clockS != first {
		t.Errorf("the start is %g, then %g", first, p.clockS)
	}
}

func TestReplaySpeeds(t *testing.T) {
	p, _ := replayOf(t, "", nil, mostReelNumbers)
	p.speed = 10 // --speed 10
	p.faster(-1)
	if p.speed != 8 {
		t.Errorf("slower than 10 is %g", p.speed)
	}
	for range 20 {
		p.faster(-1)
	}
	if said := p.faster(-1); p.speed != 0.25 || said != "speed 0.25x is the last" {
		t.Errorf("%g: %s", p.speed, said)
	}
	for range 20 {
		p.faster(1)
	}
	if said := p.faster(1); !math.IsInf(p.speed, 1) || said != "speed max is the last" {
		t.Errorf("%g: %s", p.speed, said)
	}
}

// At 2x half a second on the wall is a second of the run, and a pause holds it.
func testReplayPace(t *testing.T, r played) {
	p := r.player(t)
	ordered(t, p, p.restart)
	from := p.clockS
	p.playing, p.speed = true, 2
	now := p.clockAt
	for range 10 {
		now = now.Add(50 * time.Millisecond)
		if _, err := p.work(now); err != nil {
			t.Fatal(err)
		}
	}
	if got := p.clockS - from; math.Abs(got-1) > 1e-6 {
		t.Errorf("%g s of the run went by", got)
	}
	p.playOrPause()
	was := p.clockS
	if _, err := p.work(now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	p.playOrPause()
	if _, err := p.work(now.Add(time.Hour + 100*time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if got := p.clockS - was; math.Abs(got-0.2) > 1e-6 {
		t.Errorf("after a pause %g s of the run went by", got)
	}
}

// The truth is asked for, and never reaches the engine: without it the run says the same.
func testReplayTruth(t *testing.T, r played) {
	p, steps := r.player(t), r.steps
	part := r.lines[:len(r.lines)/3]
	bare := slices.DeleteFunc(slices.Clone(part), func(line string) bool { return strings.Contains(line, `"type":"truth"`) })
	q, without := replayOf(t, r.setup, bare, mostReelNumbers)
	if len(bare) == len(part) || len(without) < 30 {
		t.Fatalf("%d steps", len(without))
	}
	for i := range without {
		if inWords(steps[i]) != inWords(without[i]) {
			t.Fatal("the truth changes what is said")
		}
	}
	ordered(t, p, func() string { return p.goToTime("30") })
	if h := p.board.Latest().Host; strings.Contains(h.Hint, "TRUTH") {
		t.Error("it was not asked for")
	}
	ordered(t, p, p.showTruth)
	want := fmt.Sprintf("HIDDEN TRUTH, unseen by the engine: thinnest %.3f µm; told ", r.thinnest(p.view.snapshot.Step.TimeS))
	if h := p.board.Latest().Host; !strings.HasPrefix(h.Hint, want) {
		t.Errorf("%q, want %q", h.Hint, want)
	}
	ordered(t, p, p.showTruth)
	if h := p.board.Latest().Host; h.Hint != "" {
		t.Errorf("%q", h.Hint)
	}
	for _, c := range q.controls() {
		if c.Keys[0] == "t" && c.Words(nil) != "" {
			t.Error("a key for a truth that the record does not hold")
		}
	}
}

// A stop that was acknowledged is so again when its moment is played again, and not when
// one jumps to before it.
func testAcknowledgeInReplay(t *testing.T, r played) {
	p := r.player(t)
	for p.view.level.String() != "stop" {
		if said := ordered(t, p, p.nextTurn); said != "" {
			t.Fatal(said)
		}
	}
	atS := p.clockS
	ordered(t, p, p.acknowledge)
	ordered(t, p, func() string { return p.step(1) })
	after, entries := inWords(p.view.snapshot.Step), len(p.view.snapshot.Log.Entries(nil))
	ordered(t, p, func() string { return p.step(1) })
	ordered(t, p, func() string { return p.step(-1) })
	if inWords(p.view.snapshot.Step) != after || len(p.view.snapshot.Log.Entries(nil)) != entries || len(p.acks) != 1 {
		t.Error("played again it is not acknowledged, or said twice")
	}
	ordered(t, p, func() string { return p.goToTime(fmt.Sprint(atS - 5)) })
	if len(p.acks) != 0 {
		t.Error("before the stop it is acknowledged already")
	}
}

// Pictures that do not fit are dropped, every other one; the numbers stay as they were.
func TestLongReplaysKeepNumbers(t *testing.T) {
	r := makeRun(t)
	p, steps := replayOf(t, r.setup, r.lines[:len(r.lines)/2], 30_000)
	if !p.reel.thinned || p.reel.inside > 30_000+5000 {
		t.Fatalf("%d numbers kept", p.reel.inside)
	}
	want := map[float64]string{}
	for _, step := range steps {
		want[step.TimeS] = inWords(withoutPicture(step))
	}
	for _, text := range []string{"10", "35", "22", "40"} {
		ordered(t, p, func() string { return p.goToTime(text) })
		s := p.board.Latest()
		if got := inWords(withoutPicture(s.Step)); got != want[s.Step.TimeS] {
			t.Errorf("at %s\n%s\nwant\n%s", text, got, want[s.Step.TimeS])
		}
		if s.Estimate == nil || !pictured(s.Estimate) {
			t.Errorf("at %s no picture", text)
		}
	}
}

// What cannot be played says why, and what can is shown.
func TestReplayOfDamagedRecords(t *testing.T) {
	r := makeRun(t)
	run := r.lines[0]
	half := r.lines[:len(r.lines)/4]
	newer := append([]string{strings.Replace(run, `"format":1`, `"format":2`, 1)}, r.lines[1:]...)
	late := slices.Insert(slices.Clone(half), 40, `{"type":"note","time_s":90000,"text":"of another day"}`)
	for name, c := range map[string]struct {
		lines  []string
		state  tui.State
		status string
		hint   string
	}{
		"empty":     {nil, tui.Waiting, "nothing to play", "nothing to show: 0 spectra"},
		"garbage":   {[]string{"not a record", "\x1b[2J"}, tui.Waiting, "nothing to play", "2 lines not valid; the first: "},
		"notes":     {[]string{`{"type":"note","time_s":3,"text":"x"}`}, tui.Waiting, "nothing to play", "nothing to show"},
		"newer":     {newer, tui.Ended, "end of the run", "found format 2, this program reads up to 1"},
		"no end":    {half, tui.Ended, "the record stops here without an end", ""},
		"late note": {late, tui.Ended, "the record stops here without an end", ""},
	} {
		t.Run(name, func(t *testing.T) {
			p, _ := replayOf(t, r.setup, c.lines, mostReelNumbers)
			p.playing, p.speed = true, math.Inf(1)
			settle(t, p)
			s := p.board.Latest()
			if s.State != c.state || !strings.Contains(s.Host.Status, c.status) || !strings.Contains(s.Host.Hint, c.hint) || c.hint == "" && s.Host.Hint != "" {
				t.Errorf("%v, %q, %q", s.State, s.Host.Status, s.Host.Hint)
			}
			before := math.Inf(-1)
			for i := range p.reel.length() {
				e, _ := p.reel.at(i)
				if _, isNote := e.what.(event.Note); e.atS < before || name == "late note" && isNote && e.atS > 100 {
					t.Errorf("entry %d is played at %g s, the one before at %g s", i, e.atS, before)
				}
				before = e.atS
			}
			if strings.ContainsRune(s.Host.Hint, '\x1b') {
				t.Error("a control character")
			}
		})
	}
}

// A record without end stops growing at its bound, and says so.
func TestEndlessRecord(t *testing.T) {
	r := makeRun(t)
	s := &session{source: finite{r.lines}, lossless: true}
	reel := newReel(s)
	reel.entries = 40
	s.sink = reel
	reel.finish(s.run(t.Context(), nil))
	p := newPlayer(reel, new(tui.Board), 0)
	settle(t, p)
	if got := p.board.Latest(); got.State != tui.Ended || !strings.Contains(got.Host.Hint, "more than 40 spectra") || reel.length() != 40 {
		t.Errorf("%v: %q, %d entries", got.State, got.Host.Hint, reel.length())
	}
}

// The player takes orders while the record is still being read, and leaves nothing behind.
func TestReplayWhileReading(t *testing.T) {
	r := makeRun(t)
	set, err := setup.Parse("test", []byte(r.setup))
	if err != nil {
		t.Fatal(err)
	}
	source := &halting{lines: r.lines[:len(r.lines)/2], at: len(r.lines) / 8, free: make(chan struct{})}
	s := &session{source: source, setup: &set, lossless: true}
	reel := newReel(s)
	s.sink = reel
	p := newPlayer(reel, new(tui.Board), 0)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- p.run(ctx) }()

	at := func(want string) {
		t.Helper()
		for range 1000 {
			if strings.Contains(p.board.Latest().Host.Status, want) {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
		t.Fatalf("no %q in %q", want, p.board.Latest().Host.Status)
	}
	at("of at least")
	p.order(p.playOrPause)
	p.order(func() string { return p.goToTime("0:25") })
	var orders sync.WaitGroup
	for range 4 {
		orders.Add(1)
		go func() {
			defer orders.Done()
			p.order(func() string { return p.faster(1) })
		}()
	}
	orders.Wait()
	close(source.free)
	at("paused  00:25 of")
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) && err != nil {
		t.Error(err)
	}
	if said := p.order(p.restart); said != "" {
		t.Errorf("nobody is there, and yet it says %q", said)
	}
}

// halting is a source that waits half-way.
type halting struct {
	lines []string
	at    int
	free  chan struct{}
}

func (*halting) Name() string { return "halting" }

func (h *halting) Run(ctx context.Context, emit func(device.Line) error) error {
	for i, line := range h.lines {
		if i == h.at {
			select {
			case <-h.free:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if err := emit(device.Line{Text: []byte(line)}); err != nil {
			return err
		}
	}
	return nil
}

func TestParseClock(t *testing.T) {
	for text, want := range map[string]float64{"750": 750, "12:30": 750, "1:02:30": 3750, "+30": 30, "-1:30": -90, "2.5s": 2.5, "0:05.5": 5.5} {
		if got, err := parseClock(text); err != nil || got != want {
			t.Errorf("%q: %g, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "x", "1:60", "1:2:3:4", "--3", "NaN", "1e99", "1:-2", ":", "+-3"} {
		if got, err := parseClock(text); err == nil {
			t.Errorf("%q: %g", text, got)
		}
	}
}

// BenchmarkJumpBack is what a jump to the end of a minute and a half costs after the start.
func BenchmarkJumpBack(b *testing.B) {
	path := filepath.Join(b.TempDir(), "run.jsonl")
	if code := run(b.Context(), []string{"simulate", "--demo", "--out", path}, streams{strings.NewReader(""), os.Stderr, os.Stderr}); code != 0 {
		b.Fatal("no run")
	}
	s := &session{source: device.File(path), lossless: true}
	reel := newReel(s)
	s.sink = reel
	reel.finish(s.run(b.Context(), nil))
	p := newPlayer(reel, new(tui.Board), 1)
	p.playing = false
	end := place{-1, reel.status().endS - 1}
	for b.Loop() {
		p.rewind()
		for p.goTo(end); p.goal != nil; {
			if _, err := p.work(time.Now()); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(reel.counts.spectra), "spectra/op")
}
