//go:build !windows

package main

import (
	"context"
	"io"
	"math"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"bluefringe/device"

	"github.com/creack/pty"
)

// asProgram makes the test binary be the program, on the terminal it is given.
const asProgram = "BLUEFRINGE_TEST_AS"

func init() {
	switch os.Getenv(asProgram) {
	case "demo":
		os.Exit(run(context.Background(), []string{"watch", "--demo"}, streams{os.Stdin, os.Stdout, os.Stderr}))
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

func TestNumbersInLines(t *testing.T) {
	if number(math.NaN(), 3) != nil || number(math.Inf(1), 3) != nil {
		t.Error("a number that does not exist was written")
	}
	if v := number(2.10446, 3); v == nil || *v != 2.104 {
		t.Errorf("2.10446 became %v", v)
	}
}
