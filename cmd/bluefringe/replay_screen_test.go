//go:build !windows

package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
)

func init() {
	if os.Getenv(asProgram) == "replay" {
		os.Exit(run(context.Background(), []string{"replay", os.Getenv(asRecorded), "--speed", "0.25", "--dark"}, streams{os.Stdin, os.Stdout, os.Stderr}))
	}
}

// A replay on a terminal, by its keys: step, jump, truth, an end, and back to the shell.
func TestReplayOnATerminal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "run.jsonl")
	if o := command(t, "", "simulate", "--demo", "--pixels", "200", "--per-second", "1", "--out", path); o.code != 0 {
		t.Fatal(o.err)
	}
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), asProgram+"=replay", asRecorded+"="+path, "TERM=xterm-256color", "CI=1")
	terminal, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 40, Cols: 120})
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	defer terminal.Close()
	pieces := make(chan string)
	go func() {
		defer close(pieces)
		chunk := make([]byte, 4096)
		for {
			n, err := terminal.Read(chunk)
			if n > 0 {
				pieces <- string(chunk[:n])
			}
			if err != nil {
				return
			}
		}
	}()
	all := ""
	wait := func(want string) {
		t.Helper()
		timeout := time.After(30 * time.Second)
		for !strings.Contains(all, want) {
			select {
			case s, ok := <-pieces:
				if !ok {
					t.Fatalf("it ended before %q", want)
				}
				all += s
			case <-timeout:
				cmd.Process.Kill()
				t.Fatalf("no %q in %q", want, all[max(0, len(all)-3000):])
			}
		}
		all = ""
	}
	for _, c := range [][2]string{
		{"", "replay 0.25x, playing"}, {"o", "paused"}, {"\x1b[A", "replay 0.5x"}, {"g0:40", "go to ("}, {"\r", "00:40 of"}, {"t", "HIDDEN TRUTH, unseen"}, {"t", "hidden again"},
		{"d", "PREPARE"}, {"d", "STOP"}, {"g9:00", "go to ("}, {"\r", "end of the run"}, {"r", "CONTINUE"}, {" ", "playing"}, {"q", "\x1b[?1049l"},
	} {
		if _, err := terminal.Write([]byte(c[0])); err != nil {
			t.Fatal(err)
		}
		wait(c[1])
	}
	for range pieces { // until it is gone
	}
	if err := cmd.Wait(); err != nil {
		t.Error(err)
	}
}
