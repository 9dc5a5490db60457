//go:build !windows

package main

import (
	"context"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/record"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
	"bluefringe/tui"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/creack/pty"
)

// asProgram makes the test binary be the program, on the terminal it is given.
const (
	asProgram  = "BLUEFRINGE_TEST_AS"
	asRecorded = "BLUEFRINGE_TEST_RECORD"
)

func init() {
	switch os.Getenv(asProgram) {
	case "demo":
		args := []string{"watch", "--demo"}
		if path := os.Getenv(asRecorded); path != "" {
			args = append(args, "--record", path)
		}
		os.Exit(run(context.Background(), args, streams{os.Stdin, os.Stdout, os.Stderr}))
	case "panic":
		s := &session{source: panicking{}}
		err := runScreen(context.Background(), s, screenOptions{}, os.Stderr)
		io.WriteString(os.Stderr, err.Error())
		os.Exit(exitFailed)
	}
}

// panicking is a source with a fault in it.
type panicking struct{}

func (panicking) Name() string { return "faulty" }

func (panicking) Run(ctx context.Context, emit func(device.Line) error) error {
	time.Sleep(300 * time.Millisecond) // until the screen is up
	if err := emit(device.Line{Text: []byte(`{"type":"note","time_s":1,"text":"x"}`)}); err != nil {
		return err
	}
	panic("a fault in the reader")
}

// The terminal must be as it was after a panic and after each signal that can end a
// program: cursor shown, main screen.
func TestTerminalIsRestored(t *testing.T) {
	cases := map[string]struct {
		as     string
		signal syscall.Signal // 0: it ends by itself
		says   string
	}{
		"panic":   {"panic", 0, "a fault in the reader"},
		"SIGTERM": {"demo", syscall.SIGTERM, ""},
		"SIGHUP":  {"demo", syscall.SIGHUP, ""},
		"SIGINT":  {"demo", syscall.SIGINT, ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			cmd := exec.Command(os.Args[0])
			cmd.Env = append(os.Environ(), asProgram+"="+c.as, "TERM=xterm-256color", "CI=1")
			terminal, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: 80})
			if err != nil {
				t.Skipf("no pseudo-terminals here: %v", err)
			}
			defer terminal.Close()
			up := make(chan struct{}, 1)
			screen := make(chan string)
			go func() {
				var all strings.Builder
				chunk := make([]byte, 4096)
				for {
					n, err := terminal.Read(chunk)
					all.Write(chunk[:n])
					if strings.Contains(all.String(), "no interlock") {
						select {
						case up <- struct{}{}:
						default:
						}
					}
					if err != nil {
						screen <- all.String()
						return
					}
				}
			}()
			if c.signal != 0 {
				select {
				case <-up:
				case <-time.After(20 * time.Second):
					t.Error("the screen did not come up")
				}
				if err := cmd.Process.Signal(c.signal); err != nil {
					t.Fatal(err)
				}
			}
			all := <-screen
			cmd.Wait() // the status is not what is tested
			if !strings.Contains(all, "\x1b[?1049h") {
				t.Fatal("the full screen was never taken")
			}
			for what, code := range map[string]string{"main screen": "\x1b[?1049l", "cursor": "\x1b[?25h"} {
				if strings.LastIndex(all, code) < strings.LastIndex(all, "\x1b[?1049h") {
					t.Errorf("%s not restored", what)
				}
			}
			after := all[max(0, strings.LastIndex(all, "\x1b[?1049l")):]
			if !strings.Contains(after, c.says) {
				t.Errorf("after leaving the screen it says %q, want %q", after, c.says)
			}
		})
	}
}

// A terminal that goes away (a closed window, a broken remote line) ends the program,
// and the record is whole to its last line.
func TestTerminalGoesAway(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.jsonl")
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), asProgram+"=demo", asRecorded+"="+path, "TERM=xterm-256color", "CI=1")
	end, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 24, Cols: 80})
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	var all strings.Builder
	chunk := make([]byte, 4096)
	for !strings.Contains(all.String(), "CONTINUE") && all.Len() < 1<<20 {
		n, err := end.Read(chunk)
		if err != nil {
			t.Fatalf("the screen did not come up: %v", err)
		}
		all.Write(chunk[:n])
	}
	end.Close()
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case <-ended:
	case <-time.After(20 * time.Second):
		cmd.Process.Kill()
		t.Fatal("it goes on without a terminal")
	}
	record, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(string(record), "}\n") || strings.Count(string(record), "\n") < 5 {
		t.Errorf("the record ends with %q", record[max(0, len(record)-60):])
	}
}

// A note is a line of the record, with the time of its moment.
func TestNoteIsRecorded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.jsonl")
	recorder, err := record.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	board, acknowledge := new(tui.Board), make(chan struct{}, 1)
	board.Publish(tui.Snapshot{Step: guide.Step{TimeS: 99.5}})
	o := operator{session: &session{recorder: recorder}, board: board, log: new(tui.Log), acknowledge: acknowledge}
	if said := o.note(12.5, "slurry \"B\" – new"); said != "note kept in "+path {
		t.Error(said)
	}
	o.acknowledged()
	o.acknowledged() // while nobody takes it: must not wait
	if len(acknowledge) != 1 {
		t.Error("the acknowledgement did not reach the session")
	}
	if err := recorder.Close(); err != nil {
		t.Fatal(err)
	}
	var notes []event.Note
	err = device.File(path).Run(t.Context(), func(line device.Line) error {
		e, err := event.Decode(line.Text)
		if n, ok := e.Body.(event.Note); ok {
			notes = append(notes, n)
		}
		return err
	})
	want := []event.Note{{TimeS: 12.5, Text: "slurry \"B\" – new"}, {TimeS: 99.5, Text: "stop acknowledged"}, {TimeS: 99.5, Text: "stop acknowledged"}}
	if err != nil || !slices.Equal(notes, want) {
		t.Errorf("%+v, %v", notes, err)
	}
	if said := o.note(1, "late"); !strings.Contains(said, "not kept") {
		t.Errorf("after the end of the record: %q", said)
	}
	o.session.recorder = nil
	if said := o.note(1, "x"); !strings.Contains(said, "nothing is being recorded") {
		t.Error(said)
	}
	if got := o.log.Entries(nil); len(got) != 5 || got[0].Kind != tui.NoteMade || got[0].TimeS != 12.5 {
		t.Errorf("%+v", got)
	}
}

// What the screen keeps of a run: points, pictures and what happened, also of the
// notes that came with it.
func TestBoardKeepsTheRun(t *testing.T) {
	r := makeRun(t)
	set, err := setup.Parse("test", []byte(r.setup))
	if err != nil {
		t.Fatal(err)
	}
	lines := append(slices.Clone(r.lines[:30]), `{"type":"note","time_s":9,"text":"slurry added"}`)
	board := new(tui.Board)
	s := &session{source: finite{lines}, setup: &set, lossless: true}
	b := newBoardSink(board, s, false)
	s.sink = b
	if err := s.run(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	b.closed(nil)
	got := board.Latest()
	if got.State != tui.Ended || len(got.Sites) == 0 || got.Step.TimeS == 0 {
		t.Fatalf("state %s, %d sites", got.State, len(got.Sites))
	}
	points := got.History.Points(nil, math.Inf(-1))
	if !slices.ContainsFunc(points, func(p tui.Point) bool {
		return p.EdgeNM > 0 && p.EdgeExpectedNM > 0 && p.RateUMMin > 0 && p.ThicknessUM > 2
	}) {
		t.Errorf("%+v", points)
	}
	one := got.Sites[0]
	if one.Estimate == nil || one.History.Points(nil, 0) == nil || one.Forecast.Site != one.Name {
		t.Errorf("%+v", one)
	}
	if e := got.Album.At(got.Step.TimeS, one.Name); e == nil || len(e.Picture.WavelengthNM) == 0 {
		t.Error("no picture was kept")
	}
	words := ""
	for _, e := range got.Log.Entries(nil) {
		words += e.Text + "\n"
	}
	for _, want := range []string{"pad on the die", "continue: ", "slurry added"} {
		if !strings.Contains(words, want) {
			t.Errorf("no %q in the log:\n%s", want, words)
		}
	}
}

// finite is a source that comes to its end.
type finite struct{ lines []string }

func (finite) Name() string { return "finite" }

func (f finite) Run(_ context.Context, emit func(device.Line) error) error {
	for _, line := range f.lines {
		if err := emit(device.Line{Text: []byte(line)}); err != nil {
			return err
		}
	}
	return nil
}

// The late answer of a terminal to a question must not be taken for keys.
func TestDeafWhileAnAnswerMayCome(t *testing.T) {
	a, stop := tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune("a")}, tea.KeyMsg{Type: tea.KeyCtrlC}
	deaf, hearing := deafUntil(time.Now().Add(time.Hour)), deafUntil(time.Now().Add(-time.Hour))
	if deaf(nil, a) != nil || deaf(nil, stop) == nil || deaf(nil, tea.WindowSizeMsg{}) == nil || hearing(nil, a) == nil {
		t.Error("keys, and keys alone but ctrl+c, are dropped for a while")
	}
}

func TestBackgroundIsSettledBeforeTheScreen(t *testing.T) {
	for name, c := range map[string]struct {
		o           screenOptions
		environment string
		light       bool
	}{
		"light flag": {screenOptions{light: true}, "15;0", true},
		"dark flag":  {screenOptions{dark: true}, "0;15", false},
		"light":      {screenOptions{}, "0;15", true},
		"dark":       {screenOptions{}, "15;0", false},
	} {
		t.Setenv("COLORFGBG", c.environment)
		if light, late := c.o.background(); light != c.light || late {
			t.Errorf("%s: light %v, late %v", name, light, late)
		}
	}
	t.Setenv("COLORFGBG", "")
	t.Setenv("TERM", "dumb")
	if light, late := (&screenOptions{}).background(); light || late {
		t.Error("a silent terminal was asked")
	}
}

func TestNumbersInLines(t *testing.T) {
	if number(math.NaN(), 3) != nil || number(math.Inf(1), 3) != nil {
		t.Error("a number that does not exist was written")
	}
	if v := number(2.10446, 3); v == nil || *v != 2.104 {
		t.Errorf("2.10446 became %v", v)
	}
}
