//go:build !windows

package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bluefringe/device/event"

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

// The writer closes in the middle of a run and nobody is to wait for it: the watch says
// so, fails, and has lost nothing that came.
func TestUnpluggedPort(t *testing.T) {
	r := makeRun(t)
	machine, port := openPTY(t)
	record := filepath.Join(t.TempDir(), "record.jsonl")
	var out, talk bytes.Buffer
	done := make(chan int)
	go func() {
		done <- run(t.Context(), []string{"watch", "--serial", port.Name(), "--reconnect=false", "--json", "--record", record}, streams{strings.NewReader(""), &out, &talk})
	}()
	sent := strings.Join(r.lines[:20], "\n") + "\n"
	if _, err := io.WriteString(machine, sent); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if got, _ := os.ReadFile(record); len(withoutTimes(string(got))) >= len(sent) {
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
	if got, _ := os.ReadFile(record); withoutTimes(string(got)) != sent {
		t.Errorf("recorded %d bytes of %d", len(got), len(sent))
	}
}

// An instrument that speaks in blocks when asked, whose cable is pulled and plugged in
// again: the watch goes on, the record has the gap, and it replays to the same
// estimates.
func TestSerialBlocksReplugged(t *testing.T) {
	spectra, set, channel := bareSpectra(t, makeRun(t))
	setFile := writeFile(t, "die.toml", set+channel+"[serial]\ncodec = 'block'\npixel = 'uint32be'\npoll = 'FETCH?\\n'\ninterval_s = 0.25\n")
	link := filepath.Join(t.TempDir(), "by-id")
	recorded := filepath.Join(t.TempDir(), "record.jsonl")
	machine, port := openPTY(t)
	second, secondPort := openPTY(t)
	defer port.Close() // reading from a machine whose port nobody holds fails
	if err := os.Symlink(port.Name(), link); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() {
		var err error
		for i := 0; i < 12 && err == nil; i++ {
			if i == 6 {
				err = errors.Join(os.Remove(link), machine.Close(), os.Symlink(secondPort.Name(), link))
				machine = second
			}
			if err == nil {
				err = answer(machine, spectra[i])
			}
		}
		ended <- err
	}()
	got := watching(t, 11, "--serial", link, "--setup", setFile, "--record", recorded) // the pull may cost one
	secondPort.Close()                                                                 // ends a wait to be asked with an error
	<-ended
	second.Close()
	text, err := os.ReadFile(recorded)
	if err != nil || strings.Count(string(text), "is back after") != 1 {
		t.Errorf("the gap is not in the record (%v)", err)
	}
	replayed := command(t, "", "replay", recorded, "--json")
	if estimates := parse(t, replayed.out).estimate; replayed.code != exitDone || len(estimates) < 11 || !slices.Equal(estimates[:11], got.estimate[:11]) {
		t.Errorf("the record gave other estimates (status %d): %s", replayed.code, replayed.err)
	}
	for _, e := range got.estimates[1:] {
		if e.ThicknessUM == nil || *e.ThicknessUM < 2.3 || *e.ThicknessUM > 2.7 {
			t.Errorf("read %+v", e)
		}
	}
}

// answer waits for the command and sends a spectrum as a block.
func answer(machine *os.File, s event.Spectrum) error {
	command := make([]byte, len("FETCH?\n"))
	if _, err := io.ReadFull(machine, command); err != nil {
		return err
	}
	if string(command) != "FETCH?\n" {
		return fmt.Errorf("the instrument was sent %q", command)
	}
	block := fmt.Appendf(nil, "#4%04d", 4*len(s.Counts))
	for _, v := range s.Counts {
		block = binary.BigEndian.AppendUint32(block, uint32(v))
	}
	_, err := machine.Write(append(block, '\n'))
	return err
}
