//go:build unix

package tui

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/creack/pty"
)

// A program with this package and bubbletea in it asks the terminal nothing while it
// starts, so a terminal that never answers cannot hold it up.
func TestNoQuestionToASilentTerminal(t *testing.T) {
	cmd := exec.Command(os.Args[0])
	for _, v := range os.Environ() {
		// Any CI value, NO_COLOR or a multiplexer's TERM would hide the question.
		if name, _, _ := strings.Cut(v, "="); name != "CI" && name != "TERM" && name != "NO_COLOR" && name != "COLORFGBG" {
			cmd.Env = append(cmd.Env, v)
		}
	}
	cmd.Env = append(cmd.Env, "TERM=xterm-256color", childVariable+"=1")
	terminal, err := pty.Start(cmd)
	if err != nil {
		t.Fatal(err)
	}
	defer terminal.Close()
	var out bytes.Buffer
	_, _ = io.Copy(&out, terminal) // Linux ends it with EIO when the child has gone
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out.String(), started) {
		t.Fatalf("the child did not start: %q", out.String())
	}
	for name, question := range map[string]string{
		"foreground colour (OSC 10)": "\x1b]10;?",
		"background colour (OSC 11)": "\x1b]11;?",
		"cursor position (DSR)":      "\x1b[6n",
	} {
		if strings.Contains(out.String(), question) {
			t.Errorf("the terminal was asked for its %s: %q", name, out.String())
		}
	}
}
