package tui

import (
	"bytes"
	"strings"
	"testing"
	"time"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/x/exp/teatest"

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
	_, ok := cmd().(tea.QuitMsg)
	return ok
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
		hides(t, press(t, m, k), "FROZEN")
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
	now = now.Add(interruptFor)
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

// Freezing holds the pictures only: advice and numbers go on, and a stop thaws.
func TestFreeze(t *testing.T) {
	var b Board
	b.Publish(live(300, 3.19))
	m := press(t, sized(New(&b, Options{Now: noon}), 120, 40), "space")
	shows(t, m, "PICTURES FROZEN at 05:00")

	b.Publish(preparing())
	next, _ := m.Update(tickMsg{})
	m = next.(Model)
	shows(t, m, "PICTURES FROZEN at 05:00")
	shows(t, m, "PREPARE – stop is near")
	shows(t, m, "0.104 µm")
	if m.pictures.snapshot.Step.TimeS != 300 {
		t.Error("the pictures went on")
	}
	if m := press(t, m, "space"); m.pictures.snapshot.Step.TimeS != 412.5 {
		t.Error("the pictures did not go on after the second space")
	}

	b.Publish(stopping())
	next, _ = m.Update(tickMsg{})
	m = next.(Model)
	hides(t, m, "FROZEN")
	shows(t, m, "pictures run again: the advice changed")
	if m.pictures.snapshot.Step.TimeS != 421 {
		t.Error("a stop must thaw the pictures")
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
	m := press(t, screen(t, preparing(), 80, 24, Options{}), "?")
	shows(t, m, "How to read the screen")
	shows(t, m, "PREPARE – stop is near") // the advice stays
	hides(t, press(t, m, "?"), "How to read the screen")
	hides(t, press(t, m, "esc"), "How to read the screen")
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
