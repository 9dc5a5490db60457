package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bluefringe/device/event"
)

// tap is a writer that another goroutine reads.
type tap struct {
	mu  sync.Mutex
	all bytes.Buffer
}

func (w *tap) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.all.Write(p)
}

func (w *tap) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.all.String()
}

// bareSpectra gives what a spectrometer without event lines would measure in a run:
// the spectra of its middle, and a set-up that names the rest of the record for dark
// and reference. The counts are whole numbers.
func bareSpectra(t *testing.T, r testRun) (spectra []event.Spectrum, set, channel string) {
	t.Helper()
	for _, line := range r.lines {
		e, err := event.Decode([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := e.Body.(event.Spectrum); ok && s.SiteName() == event.MiddleSite {
			spectra = append(spectra, s)
		}
	}
	full := writeFile(t, "run.jsonl", r.text())
	channel = fmt.Sprintf("[channels.vis]\npixels = 300\nwavelength_poly = [420, %v]\n", 530.0/299)
	return spectra, r.setup + "\n[calibration]\nrecord = '" + full + "'\n", channel
}

// watching runs a watch until it has said n estimates, then interrupts it.
func watching(t *testing.T, n int, args ...string) said {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var out, talk tap
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, append([]string{"watch", "--json", "--rates", "none"}, args...), streams{strings.NewReader(""), &out, &talk})
	}()
	deadline := time.Now().Add(30 * time.Second)
	for strings.Count(out.String(), `{"type":"estimate"`) < n {
		select {
		case code := <-done:
			t.Fatalf("the watch ended with status %d: %s", code, talk.String())
		case <-time.After(20 * time.Millisecond):
		}
		if time.Now().After(deadline) {
			t.Fatalf("after %d of %d estimates: %s", strings.Count(out.String(), `{"type":"estimate"`), n, talk.String())
		}
	}
	cancel()
	if code := <-done; code != exitDone {
		t.Fatalf("status %d: %s", code, talk.String())
	}
	return parse(t, out.String())
}

// The same spectra as event lines, as a table and as a folder of files give the same
// estimates, bit for bit, and so does the record of each.
func TestTableAndFolderAgreeWithEvents(t *testing.T) {
	spectra, set, channel := bareSpectra(t, makeRun(t))
	spectra = spectra[:12]
	wavelengthNM, err := (event.Channel{Pixels: 300, WavelengthPoly: event.Values{420, 530.0 / 299}}).Wavelengths()
	if err != nil {
		t.Fatal(err)
	}
	var lines, table strings.Builder
	folder := t.TempDir()
	table.WriteString("time_s")
	for _, nm := range wavelengthNM {
		fmt.Fprintf(&table, ",%v", nm)
	}
	table.WriteString("\n")
	for _, s := range spectra {
		line, err := event.Append(nil, s)
		if err != nil {
			t.Fatal(err)
		}
		lines.Write(append(line, '\n'))
		fmt.Fprintf(&table, "%v", s.TimeS)
		var file strings.Builder
		for i, v := range s.Counts {
			fmt.Fprintf(&table, ",%v", v)
			fmt.Fprintf(&file, "%v\t%v\n", wavelengthNM[i], v)
		}
		table.WriteString("\n")
		if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("die_%09.4f.txt", s.TimeS)), []byte(file.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	setFile := writeFile(t, "die.toml", set+channel+"[files]\nformat = 'wide'\ntime = 'name'\nsettle_s = 0.05\n")
	want := command(t, lines.String(), "watch", "--json", "--rates", "none", "--stdin", "--setup", setFile)
	if want.code != exitDone {
		t.Fatal(want.err)
	}
	for name, args := range map[string][]string{
		"table":  {"--file", writeFile(t, "wide.csv", table.String())},
		"folder": {"--folder", folder},
	} {
		recorded := filepath.Join(t.TempDir(), "record.jsonl")
		got := watching(t, len(spectra), append(args, "--setup", setFile, "--record", recorded)...)
		if !slices.Equal(got.estimate, parse(t, want.out).estimate) {
			t.Errorf("%s gave other estimates than event lines", name)
		}
		replayed := command(t, "", "replay", recorded, "--json")
		if replayed.code != exitDone || !slices.Equal(parse(t, replayed.out).estimate, got.estimate) {
			t.Errorf("the record of the %s gave other estimates (status %d): %s", name, replayed.code, replayed.err)
		}
	}
}

func TestSourceUsage(t *testing.T) {
	oneChannel := "[channels.vis]\nwavelength_nm = [400, 500]\n"
	port := filepath.Join(t.TempDir(), "none")
	tests := map[string]struct {
		set  string
		args []string
		code int
		says string
	}{
		"two sources":     {"", []string{"--folder", "x", "--file", "y"}, exitUsage, "folder"},
		"bad parity":      {"", []string{"--serial", port, "--parity", "both"}, exitUsage, "none, odd, even, mark, space"},
		"bad data bits":   {"", []string{"--serial", port, "--data-bits", "9"}, exitUsage, "5 to 8"},
		"bad stop bits":   {"", []string{"--serial", port, "--stop-bits", "3"}, exitUsage, "1, 1.5 or 2"},
		"no channels":     {"[serial]\ncodec = 'numbers'\n", []string{"--serial", port}, exitUsage, "[channels]"},
		"bad pattern":     {oneChannel + "[files]\npattern = '['\n", []string{"--folder", port}, exitUsage, "files.pattern"},
		"flag before set": {"[serial]\nbaud = 9600\n", []string{"--serial", port, "--baud", "0"}, exitUsage, "0 baud"},
		"no port, ever":   {oneChannel + "[serial]\ncodec = 'block'\npixel = 'uint16be'\npoll = 'GO\\r'\n", []string{"--serial", port}, exitFailed, "no such port"},
	}
	for name, tt := range tests {
		args := append([]string{"watch", "--json", "--rates", "none", "--setup", writeFile(t, "die.toml", tt.set)}, tt.args...)
		if got := command(t, "", args...); got.code != tt.code || !strings.Contains(got.err, tt.says) {
			t.Errorf("%s: status %d, %s", name, got.code, got.err)
		}
	}
}
