package tui

import (
	"bytes"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"
	"github.com/charmbracelet/x/exp/teatest"
	"github.com/muesli/termenv"

	"bluefringe/removal/advice"
)

// keyMsg makes a key message from its name.
func keyMsg(name string) tea.KeyMsg {
	switch name {
	case "ctrl+c":
		return tea.KeyMsg{Type: tea.KeyCtrlC}
	case "esc":
		return tea.KeyMsg{Type: tea.KeyEsc}
	case "space":
		return tea.KeyMsg{Type: tea.KeySpace, Runes: []rune{' '}}
	case "left":
		return tea.KeyMsg{Type: tea.KeyLeft}
	case "right":
		return tea.KeyMsg{Type: tea.KeyRight}
	case "pgup":
		return tea.KeyMsg{Type: tea.KeyPgUp}
	case "pgdown":
		return tea.KeyMsg{Type: tea.KeyPgDown}
	case "home":
		return tea.KeyMsg{Type: tea.KeyHome}
	case "end":
		return tea.KeyMsg{Type: tea.KeyEnd}
	case "tab":
		return tea.KeyMsg{Type: tea.KeyTab}
	case "enter":
		return tea.KeyMsg{Type: tea.KeyEnter}
	case "backspace":
		return tea.KeyMsg{Type: tea.KeyBackspace}
	case "ctrl+z":
		return tea.KeyMsg{Type: tea.KeyCtrlZ}
	}
	return tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune(name)}
}

// press sends keys that must not end the program.
func press(t testing.TB, m Model, keys ...string) Model {
	t.Helper()
	for _, k := range keys {
		next, cmd := m.Update(keyMsg(k))
		if quits(cmd) {
			t.Fatalf("%q ended the program", k)
		}
		m = next.(Model)
	}
	return m
}

// quits tells whether a command ends the program.
func quits(cmd tea.Cmd) bool {
	if cmd == nil {
		return false
	}
	switch msg := cmd().(type) {
	case tea.QuitMsg:
		return true
	case tea.BatchMsg:
		return slices.ContainsFunc(msg, quits)
	}
	return false
}

// ticked lets the model look at the board.
func ticked(m Model) Model {
	next, _ := m.Update(tickMsg{})
	return next.(Model)
}

func endsWith(m Model, k string) bool {
	_, cmd := m.Update(keyMsg(k))
	return quits(cmd)
}

func shows(t *testing.T, m Model, want string) {
	t.Helper()
	if !strings.Contains(m.View(), want) {
		t.Errorf("no %q in\n%s", want, m.View())
	}
}

func hides(t *testing.T, m Model, unwanted string) {
	t.Helper()
	if strings.Contains(m.View(), unwanted) {
		t.Errorf("%q in\n%s", unwanted, m.View())
	}
}

func TestQuitAsksWhileThePadIsOnTheDie(t *testing.T) {
	const question = "The pad is on the die; quit? y/n"
	m := press(t, screen(t, live(300, 3.19), 80, 24, Options{}), "q")
	shows(t, m, question)
	shows(t, m, "y quit")
	if !endsWith(m, "y") || !endsWith(m, "ctrl+c") {
		t.Error("y and ctrl+c must leave")
	}
	for _, k := range []string{"n", "esc", "q", "x", "space"} {
		hides(t, press(t, m, k), question)
		hides(t, press(t, m, k), "PAUSED")
	}
	shows(t, press(t, m, "n", "q"), question)
}

func TestQuitAtOnce(t *testing.T) {
	lifted := live(300, 3.19)
	lifted.Step.Forecast.Contact = false
	ended := live(300, 3.19)
	ended.State = Ended
	for name, s := range map[string]Snapshot{"waiting": {}, "lifted": lifted, "ended": ended} {
		if !endsWith(screen(t, s, 80, 24, Options{}), "q") {
			t.Errorf("%s: q did not leave", name)
		}
	}
}

func TestOneInterruptDoesNotEndARun(t *testing.T) {
	now := noon()
	m := press(t, screen(t, live(300, 3.19), 80, 24, Options{Now: func() time.Time { return now }}), "ctrl+c")
	shows(t, m, "To leave: ctrl+c once more, or q")
	if !endsWith(m, "ctrl+c") {
		t.Error("the second ctrl+c must leave")
	}
	if endsWith(press(t, m, "x"), "ctrl+c") {
		t.Error("ctrl+c after another key is a first one again")
	}
	now = now.Add(secondFor)
	m = press(t, m, "ctrl+c")
	shows(t, m, "To leave: ctrl+c once more, or q")
}

func TestAcknowledge(t *testing.T) {
	calls := 0
	o := Options{Acknowledge: func() { calls++ }}
	m := screen(t, stopping(), 80, 24, o)
	shows(t, m, "a acknowledge stop")
	next, cmd := m.Update(keyMsg("a"))
	if cmd == nil {
		t.Fatal("nothing to run")
	}
	if calls != 0 {
		t.Error("called inside Update, which a slow session would hold up")
	}
	next, _ = next.Update(cmd())
	if calls != 1 {
		t.Errorf("%d calls", calls)
	}
	shows(t, next.(Model), "stop acknowledged")

	for name, m := range map[string]Model{
		"no function": screen(t, stopping(), 80, 24, Options{}),
		"no stop":     screen(t, preparing(), 80, 24, o),
	} {
		hides(t, m, "acknowledge")
		if _, cmd := m.Update(keyMsg("a")); cmd != nil {
			t.Errorf("%s: the key works", name)
		}
	}
}

// A pause holds the pictures only: advice and numbers go on, and a stop ends it.
func TestPause(t *testing.T) {
	var b Board
	b.Publish(live(300, 3.19))
	m := press(t, sized(New(&b, Options{Now: noon}), 120, 40), "space")
	shows(t, m, "PICTURES PAUSED at 05:00, 0.0 s ago")

	b.Publish(preparing())
	m = ticked(m)
	shows(t, m, "PICTURES PAUSED at 05:00, 1 min 53 s ago")
	shows(t, m, "PREPARE – stop is near")
	shows(t, m, "0.104 µm")
	if m.scene.atS != 300 || m.scene.nowS != 300 || m.scene.estimate.TimeS != 300 {
		t.Error("the pictures went on")
	}
	if m := press(t, m, "space"); m.scene.atS != 412.5 || m.scene.held {
		t.Error("the pictures did not go on after the second space")
	}

	b.Publish(stopping())
	m = ticked(m)
	hides(t, m, "PAUSED")
	shows(t, m, "pictures run again: the advice changed")
	if m.scene.atS != 421 {
		t.Error("a stop must end the pause")
	}
}

// Looking back pauses by itself, says so in words and over the whole line, shows
// what was kept of the moment, and leaves numbers and advice in the present.
func TestLookingBack(t *testing.T) {
	for _, size := range [][2]int{{80, 24}, {120, 40}, {200, 60}} {
		m := screen(t, preparing(), size[0], size[1], full())
		shows(t, m, "0.104 µm")
		m = press(t, m, "pgup", "pgup")
		at := m.scene.atS
		if !(at < 412) || m.scene.estimate.TimeS > at || at-m.scene.estimate.TimeS > 20 {
			t.Fatalf("at %g s the picture is of %g s", at, m.scene.estimate.TimeS)
		}
		for _, want := range []string{"◀◀ LOOKING BACK at " + runTime(at), "end: now", "PREPARE – stop is near", "0.104 µm"} {
			shows(t, m, want)
		}
		if want := 2.104 + 0.58/60*(412.5-at); math.Abs(m.scene.forecast.ThicknessUM-want) > 0.006 {
			t.Errorf("%g µm at %g s, want %g", m.scene.forecast.ThicknessUM, at, want)
		}
		if m := press(t, m, "end"); m.scene.held || m.scene.atS != 412.5 {
			t.Error("end does not return to now")
		}
		first := press(t, m, "home")
		if first.scene.atS != 12.5 {
			t.Errorf("home is at %g s", first.scene.atS)
		}
		if w := first.scene.window; !(w.lo <= 12.5 && 12.5 <= w.hi) {
			t.Errorf("%+v does not hold the moment", w)
		}
		if again := press(t, first, "left"); again.scene.atS != 12.5 {
			t.Errorf("before the start: %g s", again.scene.atS)
		}
		forth := m
		for range 20 {
			forth = press(t, forth, "pgdown")
		}
		if forth.scene.held {
			t.Error("beyond now the pictures must run again")
		}
	}
}

func TestZoomAndFixedAxes(t *testing.T) {
	var b Board
	b.Publish(live(300, 3.19))
	m := sized(New(&b, Options{Now: noon}), 120, 40)
	was := m.scene.window.pastS()
	if longer := press(t, m, "-"); !(longer.scene.window.pastS() > was) {
		t.Errorf("longer than %g s is %g s", was, longer.scene.window.pastS())
	}
	short := press(t, m, "+", "+")
	if got := short.scene.window.pastS(); !(got < was) {
		t.Errorf("shorter than %g s is %g s", was, got)
	}
	for range 40 {
		short = press(t, short, "+")
	}
	if got := short.scene.window.pastS(); math.Abs(got-windowSteps()[0]) > 1e-6 {
		t.Errorf("the shortest is %g s", got)
	}

	fixed := press(t, m, "f")
	shows(t, press(t, fixed, "?"), "free axes")
	before := fixed.axes
	b.Publish(preparing()) // another thickness: free axes would move
	if moved := ticked(m); moved.axes == before {
		t.Error("free axes did not move")
	}
	if fixed = ticked(fixed); fixed.axes.thickness != before.thickness || fixed.scene.window.pastS() != was {
		t.Errorf("fixed axes moved: %+v, were %+v", fixed.axes, before)
	}
	if free := press(t, fixed, "f"); free.axes == before {
		t.Error("free again, the axes stay")
	}
}

// Axes on a thickness that stands still show its noise as noise, and do not
// jump from frame to frame.
func TestAxesOnConstantInput(t *testing.T) {
	s := live(300, 775)
	s.TargetUM, s.FloorUM = nan(), nan()
	s.History = &History{}
	var b Board
	m := sized(New(&b, Options{Now: noon}), 200, 60)
	var was settled
	for i := range 200 {
		timeS := 300 + float64(i)/2
		noise := 0.001 * math.Sin(float64(i*i))
		s.Step.TimeS, s.Step.Forecast.TimeS = timeS, timeS
		s.Step.Forecast.ThicknessUM, s.Step.Forecast.RateUMMin = 775+noise, 0
		s.Step.Advice.ThinnestUM = 775 + noise
		s.History.Add(Point{TimeS: timeS, ThicknessUM: 775 + noise, EdgeNM: 600 + noise, EdgeExpectedNM: 600})
		b.Publish(s)
		m = ticked(m)
		got := m.axes.thickness
		if got.hi-got.lo < 1 {
			t.Fatalf("%g to %g µm blows up noise of 1 nm", got.lo, got.hi)
		}
		if i > 0 && got != was {
			t.Fatalf("the axis jumped from %+v to %+v", was, got)
		}
		was = got
	}
	if e := m.axes.edge; e.hi-e.lo < 20 {
		t.Errorf("edge axis %+v", e)
	}
}

func TestPickSite(t *testing.T) {
	m := screen(t, many(), 200, 60, full())
	if m.scene.site != "" || m.scene.estimate.Site != "se" {
		t.Errorf("by itself: site %q, picture of %q", m.scene.site, m.scene.estimate.Site)
	}
	m = press(t, m, "s", "s")
	if m.scene.site != "ne" || m.scene.estimate.Site != "ne" || m.scene.history != m.snapshot.Sites[1].History {
		t.Errorf("picked %q, picture of %q", m.scene.site, m.scene.estimate.Site)
	}
	shows(t, m, "thickness of ne")
	shows(t, m, "thinnest of 5 sites: se") // the large number stays
	if m = press(t, m, "s", "s", "s", "s"); m.scene.site != "" {
		t.Errorf("after the last site: %q", m.scene.site)
	}
}

func TestPicturesTakeTurns(t *testing.T) {
	m := screen(t, many(), 80, 24, full())
	for _, want := range []string{"reflectance", "thickness, µm", "fringe orders compared", "5 sites", "reflectance"} {
		shows(t, m, want)
		m = press(t, m, "tab")
	}
	shows(t, screen(t, many(), 80, 24, full()), "tab see time")
	hides(t, screen(t, many(), 200, 60, full()), "tab see")
}

// A note is about the moment in which its key was pressed, is bounded, holds no
// control characters and is kept outside Update.
func TestNote(t *testing.T) {
	var timeS float64
	var text string
	o := Options{Note: func(at float64, s string) string { timeS, text = at, s; return "note kept in die17.jsonl" }}
	var b Board
	b.Publish(live(300, 3.19))
	o.Now = noon
	m := sized(New(&b, o), 80, 24)
	m = press(t, m, "n", "s", "l", "u", "r", "r", "y")
	shows(t, m, "note at 05:00: slurry▏")
	b.Publish(preparing())
	m = ticked(m)
	shows(t, m, "PREPARE – stop is near")
	m = press(t, m, "q", "a", "space", "?", "backspace", "left", "left", "left", "backspace")
	shows(t, m, "note at 05:00: slurr▏qa")
	next, cmd := m.Update(keyMsg("enter"))
	if cmd == nil || text != "" {
		t.Fatal("kept inside Update, which a slow disk would hold up")
	}
	next, _ = next.Update(cmd())
	if timeS != 300 || text != "slurrqa" {
		t.Errorf("%q at %g s", text, timeS)
	}
	shows(t, next.(Model), "note kept in die17.jsonl")

	m = press(t, m, "ctrl+c") // ends the note, and is a first one
	shows(t, m, "To leave: ctrl+c once more, or q")
	hides(t, press(t, m, "n", "x", "esc"), "note at")
	if _, cmd := press(t, m, "n", "space", "space").Update(keyMsg("enter")); cmd != nil {
		t.Error("an empty note was kept")
	}
	hides(t, screen(t, live(300, 3.19), 80, 24, Options{}), "n note")

	m = press(t, m, "n")
	for range 40 {
		next, _ := m.Update(tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune("pasted\x1b[2J\nand\u202e long"), Paste: true})
		m = next.(Model)
	}
	_, cmd = m.Update(keyMsg("enter"))
	cmd()
	if n := len([]rune(text)); n > noteCharacters || n < noteCharacters-1 || strings.ContainsAny(text, "\x1b\n\u202e") {
		t.Errorf("%d characters: %q", n, text)
	}
}

func TestCopy(t *testing.T) {
	var copied string
	m := screen(t, preparing(), 120, 40, Options{Copy: func(s string) string { copied = s; return "given to the terminal" }})
	next, cmd := m.Update(keyMsg("y"))
	next, _ = next.Update(cmd())
	if copied != PlainLine(m.snapshot.Step) {
		t.Errorf("copied %q", copied)
	}
	shows(t, next.(Model), "given to the terminal")
}

// The bell rings when a stop comes, again while the pad stays down, and not when
// it is off.
func TestBell(t *testing.T) {
	rings := 0
	now := noon()
	var b Board
	b.Publish(live(300, 3.19))
	m := sized(New(&b, Options{Now: func() time.Time { return now }, Bell: func() { rings++ }}), 80, 24)
	look := func() {
		if ring := m.look(); ring != nil {
			ring()
		}
		now = now.Add(tickEvery)
	}
	look()
	if rings != 0 {
		t.Fatal("rang before a stop")
	}
	b.Publish(stopping())
	look()
	if rings != 1 {
		t.Fatalf("%d rings at a stop", rings)
	}
	for range 10 * int(ringAgainIn/time.Second) {
		look()
	}
	if rings != 2 {
		t.Errorf("%d rings after %s", rings, ringAgainIn)
	}
	m = press(t, m, "b")
	shows(t, m, "BELL OFF")
	for range 100 {
		look()
	}
	if rings != 2 {
		t.Error("rang though off")
	}
	m = press(t, m, "b")
	up := stopping()
	up.Step.Forecast.Contact = false
	b.Publish(up)
	for range 100 {
		look()
	}
	if rings != 2 {
		t.Error("rang though the pad is up")
	}
}

// One ctrl+z does not leave a pad on a die unwatched.
func TestSuspend(t *testing.T) {
	suspends := func(m Model) bool {
		_, cmd := m.Update(keyMsg("ctrl+z"))
		if cmd == nil {
			return false
		}
		_, ok := cmd().(tea.SuspendMsg)
		return ok
	}
	m := screen(t, live(300, 3.19), 80, 24, Options{})
	if suspends(m) {
		t.Error("one ctrl+z suspended with the pad on the die")
	}
	m = press(t, m, "ctrl+z")
	shows(t, m, "ctrl+z once more")
	if !suspends(m) || suspends(press(t, m, "x")) {
		t.Error("the second ctrl+z suspends, another key between disarms")
	}
	if !suspends(screen(t, lifted(), 80, 24, Options{})) {
		t.Error("ctrl+z with the pad up must suspend")
	}
	next, _ := m.Update(tea.ResumeMsg{})
	shows(t, next.(Model), "back from the shell")
}

// What the line says is shown for a while, whatever else happens beside it.
func TestLineIsHeard(t *testing.T) {
	var b Board
	s := live(300, 3.19)
	b.Publish(s)
	now := noon()
	m := sized(New(&b, Options{Now: func() time.Time { return now }}), 80, 24)
	s.Log.Add(Entry{TimeS: 300, Kind: LineChanged, Text: "the port is back"})
	s.Log.Add(Entry{TimeS: 300, Kind: NoteMade, Text: "later"})
	m = ticked(m)
	shows(t, m, "the port is back")
	now = now.Add(noticeFor)
	hides(t, ticked(ticked(m)), "the port is back")
}

func TestContrastKey(t *testing.T) {
	r := lipgloss.NewRenderer(io.Discard)
	r.SetColorProfile(termenv.TrueColor)
	m := screen(t, stopping(), 80, 24, Options{Renderer: r})
	high := press(t, m, "c")
	if high.View() == m.View() || strings.Contains(high.View(), "38;2;86") {
		t.Error("colours are left in the contrast mode")
	}
	if back := press(t, high, "c"); back.View() != press(t, m, "x").View() {
		t.Error("the second c does not bring the colours back")
	}
}

func TestCautionAtTheStart(t *testing.T) {
	const words = "Advice only, no interlock"
	now := noon()
	m := screen(t, live(300, 3.19), 80, 24, Options{Now: func() time.Time { return now }})
	shows(t, m, words)
	shows(t, m, "▶ CONTINUE")
	hides(t, press(t, m, "x"), words)
	now = now.Add(cautionFor)
	next, _ := m.Update(tickMsg{})
	hides(t, next.(Model), words)
	for _, w := range []int{60, 76, 80, 118, 200} {
		if line := caution(w - 1); len(line) > w-1 {
			t.Errorf("the caution is cut at %d columns: %q", w, line)
		}
	}
}

func TestHelpPage(t *testing.T) {
	m := press(t, screen(t, preparing(), 80, 24, full()), "?")
	for _, want := range []string{"Keys", "look back", "quit at once", "copy numbers", "to the shell"} {
		shows(t, m, want)
	}
	shows(t, m, "PREPARE – stop is near") // the advice stays
	second := press(t, m, "?")
	shows(t, second, "How to read the screen")
	shows(t, second, "in doubt") // the last words are not cut
	hides(t, press(t, second, "?"), "How to read the screen")
	hides(t, press(t, m, "esc"), "Keys")
	large := press(t, screen(t, preparing(), 200, 60, full()), "?")
	shows(t, large, "Keys")
	shows(t, large, "How to read the screen")
	shows(t, press(t, sized(second, 200, 60), "?"), "thickness, µm") // one page is all there is
	// On the smallest screen no word is cut: it takes more pages.
	small, all := sized(m, minWidth, minHeight), ""
	for small.page > 0 {
		all += small.View()
		small = press(t, small, "?")
	}
	all = strings.Join(strings.Fields(all), " ")
	for _, text := range helpTexts() {
		if words := strings.Fields(text); !strings.Contains(all, strings.Join(words[len(words)-3:], " ")) {
			t.Errorf("cut: %q", text)
		}
	}
}

func TestRecordErrorIsLoud(t *testing.T) {
	s := live(300, 3.19)
	s.RecordError = "disk full"
	m := screen(t, s, 80, 24, Options{})
	shows(t, m, "NOT RECORDED: disk full")
	shows(t, m, "RECORDING FAILED")
}

func TestEveryTickAsksForTheNext(t *testing.T) {
	m := screen(t, Snapshot{}, 80, 24, Options{})
	if m.Init() == nil {
		t.Error("no first tick")
	}
	if _, cmd := m.Update(tickMsg{}); cmd == nil {
		t.Error("no next tick")
	}
}

// A whole program: it starts, takes snapshots from the board, shows the stop
// and leaves.
func TestFlow(t *testing.T) {
	var b Board
	tm := teatest.NewTestModel(t, New(&b, Options{Now: noon}), teatest.WithInitialTermSize(80, 24))
	sees := func(words string) {
		t.Helper()
		teatest.WaitFor(t, tm.Output(), func(out []byte) bool { return bytes.Contains(out, []byte(words)) },
			teatest.WithDuration(5*time.Second), teatest.WithCheckInterval(20*time.Millisecond))
	}
	sees("WAITING FOR DATA")
	b.Publish(live(300, 3.19))
	sees("CONTINUE")
	b.Publish(stopping())
	sees("STOP – lift the pad now")
	tm.Send(keyMsg("q"))
	sees("quit? y/n")
	tm.Send(keyMsg("y"))
	final := tm.FinalModel(t, teatest.WithFinalTimeout(5*time.Second)).(Model)
	if final.snapshot.level() != advice.Stop {
		t.Errorf("ended with advice %s", final.snapshot.level())
	}
}
