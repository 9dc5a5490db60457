package tui

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/x/exp/golden"

	"bluefringe/removal/advice"
)

// replayed is a paused replay of a run that has come to its prepare.
func replayed() Snapshot {
	s := preparing()
	s.Host = Host{Word: "replay", Free: true, Still: true, Status: "replay 4x, paused  06:52 of 08:10",
		Ruler: &Ruler{StartS: 10, AtS: 412.5, EndS: 490, Marks: []Entry{
			{TimeS: 380, Kind: NoteMade}, {TimeS: 405, Kind: AdviceChanged, Level: advice.Prepare}, {TimeS: 421, Kind: AdviceChanged, Level: advice.Stop}}}}
	return s
}

// lesson is a snapshot of a lesson that hides its numbers.
func lesson() Snapshot {
	s := many()
	s.Host = Host{Word: "lesson", Status: "lesson 3: glazing pad", Hint: "press e when you would lift the pad", Banner: "JUDGE BY THE SPECTRUM", HideNumbers: true}
	s.Log.Add(Entry{TimeS: 370, Kind: AdviceChanged, Level: advice.Continue, Text: "continue: 2.361 above"})
	return s
}

func nothing(string) string { return "" }

func hosted() Options {
	o := full()
	o.Note = nil
	o.Controls = []Control{
		{Keys: []string{" "}, Shown: "space", Text: "play", Instead: true, Do: nothing},
		{Keys: []string{"up"}, Shown: "↑", Text: "faster", Do: nothing},
		{Keys: []string{"o"}, Text: "one spectrum", Do: nothing},
		{Keys: []string{"O"}, Text: "one spectrum back", Minor: true, Do: nothing},
		{Keys: []string{"g"}, Text: "go to time", Ask: "go to (min:s)", Do: nothing},
	}
	return o
}

func TestGoldenHost(t *testing.T) {
	hint := replayed()
	hint.Host.Hint = "HIDDEN TRUTH, unseen by the engine: thinnest 2.101 µm; told 2.104 (+3.0 nm)"
	pictures := lesson()
	pictures.Host.HideNumbers, pictures.Host.HidePictures = false, true
	for name, s := range map[string]Snapshot{"Replay": replayed(), "Truth": hint, "Veiled": lesson(), "NoPictures": pictures} {
		for _, size := range [][2]int{{80, 24}, {120, 40}} {
			t.Run(fmt.Sprintf("%s%dx%d", name, size[0], size[1]), func(t *testing.T) {
				golden.RequireEqual(t, []byte(screen(t, s, size[0], size[1], hosted()).View()))
			})
		}
	}
}

func TestControls(t *testing.T) {
	var did []string
	does := func(name string) func(string) string {
		return func(text string) string { did = append(did, name+text); return name + " done" }
	}
	o := Options{Note: func(float64, string) string { t.Error("an answer became a note"); return "" }, Controls: []Control{
		{Keys: []string{"o", "enter"}, Text: "one", Do: does("one")},
		{Keys: []string{" "}, Shown: "space", Text: "play", Instead: true, Do: does("play")},
		{Keys: []string{"g"}, Text: "go", Ask: "where to", Minor: true, Do: does("go ")},
		{Keys: []string{"t"}, Text: "truth", Words: func(s *Snapshot) string {
			if s.Host.Still {
				return "the truth"
			}
			return ""
		}, Do: does("truth")},
	}}
	m := screen(t, live(300, 3.19), 120, 40, o)
	shows(t, m, "o one")
	shows(t, m, "space play")
	hides(t, m, "pause pictures")
	hides(t, m, "truth")
	hides(t, m, "g go")
	shows(t, press(t, m, "?"), "g             go")

	// The calls of several keys come in their order, whichever command runs first.
	var cmds []tea.Cmd
	for _, k := range []string{"o", "space", "enter", "t"} {
		next, cmd := m.Update(keyMsg(k))
		m = next.(Model)
		if cmd != nil {
			cmds = append(cmds, cmd)
		}
	}
	if len(did) > 0 {
		t.Error("called inside Update, which a slow host would hold up")
	}
	for _, cmd := range slices.Backward(cmds) {
		next, _ := m.Update(cmd())
		m = next.(Model)
	}
	if !slices.Equal(did, []string{"one", "play", "one"}) {
		t.Errorf("%q", did)
	}
	shows(t, m, "one done")

	m = press(t, m, "g", "1", ":", "3", "o", "space")
	shows(t, m, "where to: 1:3o ")
	next, cmd := m.Update(keyMsg("enter"))
	next.(Model).Update(cmd())
	if did[len(did)-1] != "go 1:3o" {
		t.Errorf("%q", did)
	}
	before := len(did)
	m = press(t, m, "esc", "g", "4", "esc", "g", "enter")
	if len(did) != before {
		t.Errorf("%q", did)
	}
	hides(t, m, "no note made")
	still := live(300, 3.19)
	still.Host.Still = true
	shows(t, screen(t, still, 120, 40, o), "t the truth")
}

func TestControlsDoNotClash(t *testing.T) {
	for name, list := range map[string][]Control{
		"with the screen": {{Keys: []string{"n"}, Text: "next"}},
		"with each other": {{Keys: []string{"x"}, Text: "this"}, {Keys: []string{"x"}, Text: "that"}},
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: nobody minds", name)
				}
			}()
			New(new(Board), Options{Controls: list})
		}()
	}
}

// Where numbers are hidden nothing that was computed is on any page, at any size, whatever
// is pressed, and the advice neither shows nor rings.
func TestHiddenNumbers(t *testing.T) {
	computed := regexp.MustCompile(`\d ?µm|±|µm/min|CONTINUE|PREPARE|STOP|BLIND|─ fit|△ \d|reached`)
	for name, s := range states() {
		s.Host = Host{Status: "lesson 3", HideNumbers: true}
		s.TargetUM, s.FloorUM = math.NaN(), math.NaN() // these are no secret
		rung := 0
		o := full()
		o.Bell = func() { rung++ }
		for _, size := range [][2]int{{30, 8}, {60, 18}, {80, 24}, {120, 40}, {200, 60}} {
			m := screen(t, s, size[0], size[1], o)
			for _, k := range []string{"", "tab", "s", "left", "home", "space", "a", "y", "c", "+"} {
				if k != "" {
					next, cmd := m.Update(keyMsg(k))
					m = next.(Model)
					if cmd != nil {
						t.Errorf("%s: %s does something", name, k)
					}
				}
				if found := computed.FindString(m.View()); found != "" {
					t.Fatalf("%s %v: %q in\n%s", name, size, found, m.View())
				}
			}
			if s.State != Waiting && size[0] >= 80 && !strings.Contains(m.View(), "visibility, edge") {
				t.Errorf("%s: no spectrum in\n%s", name, m.View())
			}
		}
		if rung > 0 {
			t.Errorf("%s: the bell rang", name)
		}
	}
}

func TestNothingAtStake(t *testing.T) {
	s := live(300, 3.19)
	s.Host.Free = true
	if !endsWith(screen(t, s, 80, 24, Options{}), "q") {
		t.Error("a replay is left without a question")
	}
}

// Keys held down over a slow line come in one piece. They count where nothing is at stake.
func TestKeysInOnePiece(t *testing.T) {
	for free, want := range map[bool]int{true: 2, false: 0} {
		steps := 0
		s := live(300, 3.19)
		s.Host.Free = free
		m := screen(t, s, 80, 24, Options{Controls: []Control{{Keys: []string{"o"}, Text: "step", Do: func(string) string { steps++; return "" }},
			{Keys: []string{"g"}, Text: "go", Ask: "go to", Do: nothing}}})
		_, cmd := m.Update(keyMsg("oo"))
		if cmd != nil {
			batch, _ := cmd().(tea.BatchMsg)
			for _, one := range batch {
				one()
			}
		}
		if steps != want {
			t.Errorf("free %v: %d steps", free, steps)
		}
		next, _ := m.Update(keyMsg("g1:2"))
		if free {
			shows(t, next.(Model), "go to: 1:2")
		}
	}
}

// A stop of a run that stands rings once.
func TestBellOfAPausedReplay(t *testing.T) {
	for still, want := range map[bool]int{true: 0, false: 3} {
		s, rung := stopping(), 0
		s.Host.Still = still
		m := screen(t, s, 80, 24, Options{Bell: func() { rung++ }}) // rings
		for range 3 {
			m.now = m.now.Add(ringAgainIn)
			if cmd := m.ring(); cmd != nil {
				cmd()
			}
		}
		if rung != want {
			t.Errorf("still %v: %d rings more", still, rung)
		}
	}
}

// A jump of the host ends looking back, whose moment may not exist any more.
func TestJumpEndsLookingBack(t *testing.T) {
	var b Board
	b.Publish(live(300, 3.19))
	m := press(t, sized(New(&b, Options{Now: noon}), 120, 40), "left")
	shows(t, m, "LOOKING BACK at")
	s := live(120, 4.93)
	s.Host.Anew++
	b.Publish(s)
	m = ticked(m)
	hides(t, m, "LOOKING BACK")
	if m.scene.atS != 120 || m.scene.nowS != 120 {
		t.Errorf("%+v", m.scene.atS)
	}
}

func TestRuler(t *testing.T) {
	c := newCanvas(false)
	for _, r := range []Ruler{{StartS: 0, AtS: 50, EndS: 100}, {}, {StartS: 5, AtS: 5, EndS: 5}, {StartS: 0, AtS: -3, EndS: 1e300}, {AtS: 200, EndS: 100},
		{StartS: nan(), AtS: nan(), EndS: nan()}, {StartS: math.Inf(-1), EndS: math.Inf(1)}} {
		c.reset(40, 1)
		r.Marks = []Entry{{TimeS: 25, Kind: NoteMade}, {TimeS: 1e9}}
		r.draw(c.all())
		p := newPalette(Options{}.Renderer, false, false)
		if got := c.render(&p); strings.Count(got, "┃") != 1 {
			t.Errorf("%+v: %q", r, got)
		}
	}
}
