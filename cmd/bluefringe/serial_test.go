//go:build !windows

package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// A machine writes a run to one end of a pseudo-terminal; the serial code of watch
// reads the other. The same run through a file that grows, and through replay,
// must give the same estimates bit for bit.
func TestSerialFileAndReplayAgree(t *testing.T) {
	r := makeRun(t)
	set := writeFile(t, "die.toml", r.setup)

	serial := watchSerial(t, r, set)
	serial.check(t, r)

	file := watchGrowingFile(t, r, set)
	record := writeFile(t, "run.jsonl", r.text())
	replayed := command(t, "", "replay", record, "--json", "--setup", set)
	if replayed.code != exitDone {
		t.Fatal(replayed.err)
	}
	want := parse(t, replayed.out).estimate
	for name, got := range map[string][]string{"serial": serial.estimate, "file": file.estimate} {
		if len(got) != len(want) {
			t.Errorf("%s gave %d estimates, replay %d", name, len(got), len(want))
			continue
		}
		for i := range got {
			if got[i] != want[i] {
				t.Errorf("%s:  %sreplay: %s", name, got[i], want[i])
				break
			}
		}
	}
}

func openPTY(t *testing.T) (machine, port *os.File) {
	t.Helper()
	machine, port, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	// A machine's line does not echo or translate.
	if _, err := term.MakeRaw(int(port.Fd())); err != nil {
		t.Fatal(err)
	}
	return machine, port
}

func watchSerial(t *testing.T, r testRun, set string) said {
	t.Helper()
	machine, port := openPTY(t)
	defer machine.Close()
	defer port.Close()
	var out, talk bytes.Buffer
	done := make(chan int)
	go func() {
		done <- run(t.Context(), []string{"watch", "--serial", port.Name(), "--json", "--setup", set}, streams{strings.NewReader(""), &out, &talk})
	}()
	for _, line := range r.lines {
		if _, err := io.WriteString(machine, line+"\n"); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(line, `"type":"spectrum"`) {
			time.Sleep(10 * time.Millisecond) // a machine takes its time
		}
	}
	if code := <-done; code != exitDone {
		t.Fatalf("status %d: %s", code, talk.String())
	}
	return parse(t, out.String())
}

func watchGrowingFile(t *testing.T, r testRun, set string) said {
	t.Helper()
	path := filepath.Join(t.TempDir(), "growing.jsonl")
	var out, talk bytes.Buffer
	done := make(chan int)
	go func() {
		done <- run(t.Context(), []string{"watch", "--file", path, "--json", "--setup", set}, streams{strings.NewReader(""), &out, &talk})
	}()
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	text := r.text()
	for len(text) > 0 { // in pieces that do not respect lines
		n := min(len(text), 7001)
		if _, err := file.WriteString(text[:n]); err != nil {
			t.Fatal(err)
		}
		text = text[n:]
		time.Sleep(2 * time.Millisecond)
	}
	if code := <-done; code != exitDone {
		t.Fatalf("status %d: %s", code, talk.String())
	}
	return parse(t, out.String())
}

// The writer closes in the middle of a run: the watch says so, fails, and has lost
// nothing that came.
func TestUnpluggedPort(t *testing.T) {
	r := makeRun(t)
	machine, port := openPTY(t)
	record := filepath.Join(t.TempDir(), "record.jsonl")
	var out, talk bytes.Buffer
	done := make(chan int)
	go func() {
		done <- run(t.Context(), []string{"watch", "--serial", port.Name(), "--json", "--record", record}, streams{strings.NewReader(""), &out, &talk})
	}()
	sent := strings.Join(r.lines[:20], "\n") + "\n"
	if _, err := io.WriteString(machine, sent); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if got, _ := os.ReadFile(record); len(got) >= len(sent) {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("the record stays short")
		}
	}
	port.Close()
	machine.Close()
	if code := <-done; code != exitFailed {
		t.Errorf("status %d", code)
	}
	if !strings.Contains(talk.String(), "went away") {
		t.Errorf("unplugging was told as %q", talk.String())
	}
	if got, _ := os.ReadFile(record); string(got) != sent {
		t.Errorf("recorded %d bytes of %d", len(got), len(sent))
	}
}
