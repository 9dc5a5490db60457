package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bluefringe/removal/trial"
)

func TestRunsAreTheSameOnAnyNumberOfCores(t *testing.T) {
	const n = 3
	var tables []string
	for _, cores := range []int{1, 3} {
		results, err := playAll(t.Context(), io.Discard, cores, 9, n)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		writeRuns(&b, results, n, 9)
		tables = append(tables, b.String())
	}
	if tables[0] != tables[1] {
		t.Errorf("one core:\n%s\nthree cores:\n%s", tables[0], tables[1])
	}
	// Every row of a table has as many cells as its head.
	cells := 0
	for _, line := range strings.Split(tables[0], "\n") {
		count := strings.Count(line, "|")
		switch {
		case count == 0:
			cells = 0
		case cells == 0:
			cells = count
		case count != cells:
			t.Errorf("%d cells instead of %d in: %s", count, cells, line)
		}
	}
}

func TestInterruptedRunsLeaveTheFile(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	results, err := playAll(ctx, io.Discard, 1, 9, 1000)
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("error %v", err)
	}
	if len(results[engineWay]) > 20 {
		t.Errorf("%d runs were played after the interruption", len(results[engineWay]))
	}

	file := filepath.Join(t.TempDir(), "RUNS.md")
	if err := os.WriteFile(file, []byte("as it was"), 0o644); err != nil {
		t.Fatal(err)
	}
	root := newRoot()
	var out bytes.Buffer
	root.SetOut(&out)
	root.SetErr(io.Discard)
	root.SetArgs([]string{"runs", "-n", "1000", "--out", file})
	if err := root.ExecuteContext(ctx); err == nil {
		t.Error("no error after an interruption")
	}
	if left, err := os.ReadFile(file); err != nil || string(left) != "as it was" {
		t.Errorf("the file holds %q, %v", left, err)
	}
}

func TestInterruptedTableSaysSo(t *testing.T) {
	results := make([][]trial.Result, len(ways()))
	c := trial.Draw(9, 0)
	for i := range results {
		results[i] = []trial.Result{{Case: c}}
	}
	var b bytes.Buffer
	writeRuns(&b, results, 10, 9)
	if !strings.Contains(b.String(), "interrupted after 1 runs") {
		t.Error(b.String()[:300])
	}
}

func TestOneRunIsTold(t *testing.T) {
	var b bytes.Buffer
	if err := tellRun(&b, trial.Draw(1, 4), "engine"); err != nil {
		t.Fatal(err)
	}
	if lines := strings.Count(b.String(), "\n"); lines < 20 || !strings.Contains(b.String(), "miss ") {
		t.Errorf("%d lines", lines)
	}
	if err := tellRun(&b, trial.Draw(1, 4), "none"); err == nil {
		t.Error("an unknown way of working is no error")
	}
}
