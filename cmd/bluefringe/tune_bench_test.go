package main

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"bluefringe/device/event"
	"bluefringe/device/simulate"
)

// benchRecord is the record of an invented run of ten minutes at 2 spectra a second.
func benchRecord(b *testing.B, pixels int, seed uint64) (path string, runS float64) {
	b.Helper()
	cfg := simulate.Default()
	cfg.Seed = seed
	cfg.SetupTOML = simulate.DemoSetup()
	cfg.Instrument.Pixels = pixels
	cfg.Stop.ThicknessUM = 1.6
	var text bytes.Buffer
	err := simulate.Run(b.Context(), cfg, func(body event.Body) error {
		line, err := event.Append(nil, body)
		if end, ok := body.(event.End); ok {
			runS = end.TimeS
		}
		text.Write(append(line, '\n'))
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	path = filepath.Join(b.TempDir(), fmt.Sprintf("run%d.jsonl", seed))
	if err := writeNewFile(path, false, func(w io.Writer) error { _, err := w.Write(text.Bytes()); return err }); err != nil {
		b.Fatal(err)
	}
	return path, runS
}

// BenchmarkReplay is how many seconds of a run at 2 spectra of 1024 pixels a second replay
// takes in a second.
func BenchmarkReplay(b *testing.B) {
	path, runS := benchRecord(b, 1024, 1)
	for b.Loop() {
		if code := run(b.Context(), []string{"replay", path, "--json", "--speed", "max"}, streams{strings.NewReader(""), io.Discard, io.Discard}); code != exitDone {
			b.Fatalf("exit %d", code)
		}
	}
	b.ReportMetric(runS*float64(b.N)/b.Elapsed().Seconds(), "run_s/s")
}

// BenchmarkTune tries 100 settings on 20 runs that were read before.
func BenchmarkTune(b *testing.B) {
	var paths []string
	for i := range 20 {
		path, _ := benchRecord(b, 200, uint64(i+1))
		paths = append(paths, path)
	}
	args := append(append([]string{"tune"}, paths...), "--cache", b.TempDir(), "--vary", "stop.reaction_s=1:6:10", "--vary", "stop.risk_floor=1e-4:1e-1:10")
	tuneThem := func() {
		if code := run(b.Context(), args, streams{strings.NewReader(""), io.Discard, io.Discard}); code != exitDone {
			b.Fatalf("exit %d", code)
		}
	}
	tuneThem()
	for b.Loop() {
		tuneThem()
	}
}
