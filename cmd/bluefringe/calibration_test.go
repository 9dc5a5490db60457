package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
	"bluefringe/tui"
)

// parts sorts the lines of a run: its head up to the first spectrum by type, and spectra.
func parts(r testRun) (run, dark, reference string, spectra []string) {
	for _, line := range r.lines {
		switch {
		case strings.HasPrefix(line, `{"type":"run"`):
			run = line
		case strings.HasPrefix(line, `{"type":"dark"`):
			dark = line
		case strings.HasPrefix(line, `{"type":"reference"`):
			reference = line
		case strings.HasPrefix(line, `{"type":"spectrum"`):
			spectra = append(spectra, line)
		}
	}
	return run, dark, reference, spectra
}

func joined(lists ...[]string) string {
	var all []string
	for _, list := range lists {
		all = append(all, list...)
	}
	return strings.Join(all, "\n") + "\n"
}

// wantOnce checks that standard error says each text in one line, in this order, and has
// no other lines but the sum.
func wantOnce(t *testing.T, talk string, texts ...string) {
	t.Helper()
	var lines []string
	for line := range strings.Lines(talk) {
		if !strings.Contains(line, " spectra; lines that could not be used") {
			lines = append(lines, line)
		}
	}
	if len(lines) != len(texts) {
		t.Errorf("said %d lines, want %d:\n%s", len(lines), len(texts), talk)
		return
	}
	for i, text := range texts {
		if !strings.Contains(lines[i], text) {
			t.Errorf("line %d is %q, want %q", i, lines[i], text)
		}
	}
}

// A watch without dark and reference says step by step what to do, each once.
func TestGuidedStart(t *testing.T) {
	run, dark, reference, spectra := parts(makeRun(t))
	input := joined([]string{run}, spectra[:3], []string{dark}, spectra[3:6], []string{reference}, spectra[6:9])
	got := command(t, input, "watch", "--stdin", "--json", "--rates", "none")
	wantOnce(t, got.err,
		`no dark yet: block the light and send a dark, or name a record that holds one in [calibration] of the set-up`,
		`no reference yet: put the reference (bare silicon) under the spot and send a reference`,
		`channel "vis": ready: dark and reference are there`)
	if n := len(parse(t, got.out).estimates); n != 3 || !strings.Contains(got.err, "refused by calibration: 6") {
		t.Errorf("%d estimates: %s", n, got.err)
	}
}

// On the screen what to do stays until it is done.
func TestGuidedScreen(t *testing.T) {
	run, dark, reference, spectra := parts(makeRun(t))
	board := new(tui.Board)
	s := &session{source: breaking{}}
	view := newBoardSink(board, s, false)
	s.sink = view
	if err := s.prepare(); err != nil {
		t.Fatal(err)
	}
	for _, step := range []struct{ line, state, health string }{
		{run, "", ""},
		{spectra[0], "no dark yet", "block the light"},
		{spectra[9], "", "block the light"}, // the state text went with the steps
		{dark, "", "block the light"},
		{spectra[10], "", "bare silicon"},
		{reference, "", "bare silicon"},
		{spectra[11], "", ""},
	} {
		e, err := event.Decode([]byte(step.line))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.handle(item{event: e, at: time.Now()}); err != nil {
			t.Fatal(err)
		}
		view.publish()
		is := board.Latest()
		if !strings.Contains(is.Health.LastFault, step.health) || step.health == "" && is.Health.LastFault != "" {
			t.Errorf("%.30s: the health line says %q", step.line, is.Health.LastFault)
		}
		if step.state != "" && !strings.Contains(is.StateText, step.state) {
			t.Errorf("%.30s: the state text is %q", step.line, is.StateText)
		}
	}
	if err := s.sink.stepped(guide.Step{}); err != nil {
		t.Fatal(err)
	}
}

// Spectra of changing integration times, with a dark of one of them, are told once.
func TestIntegrationIsToldOnce(t *testing.T) {
	run, dark, reference, spectra := parts(makeRun(t))
	with := func(line, ms string) string {
		return strings.Replace(line, `,"counts"`, `,"integration_ms":`+ms+`,"counts"`, 1)
	}
	lines := []string{run, with(dark, "20"), with(reference, "20")}
	for i, s := range spectra[:9] {
		lines = append(lines, with(s, []string{"20", "5", "7"}[i%3]))
	}
	got := command(t, joined(lines), "watch", "--stdin", "--json", "--rates", "none")
	wantOnce(t, got.err, "no dark of this integration time: found 5 ms, and the dark taken at 20 ms: take a dark at 5 ms")
	if n := len(parse(t, got.out).estimates); n != 3 {
		t.Errorf("%d estimates", n)
	}
}

// Dark and reference of a calibration record are as old as the two runs say, in the watch
// and in the replay of its record.
func TestAgeOfACalibrationRecord(t *testing.T) {
	r := makeRun(t)
	run, _, _, spectra := parts(r)
	full := writeFile(t, "before.jsonl", r.text())
	set := writeFile(t, "die.toml", r.setup+"\n[calibration]\nrecord = '"+full+"'\ndark_age_s = 7000\nreference_age_s = 1e6\n")
	const began = `"started":"2026-03-02T08:00:00Z"`
	if !strings.Contains(run, began) {
		t.Fatalf("the run began at another time: %.200s", run)
	}
	for _, tt := range []struct{ run, says, mark string }{
		{strings.Replace(run, began, `"started":"2026-03-02T10:00:00Z"`, 1), "the dark is 2.0 h old: take a new one ([calibration] dark_age_s is 7000)", `,"earlier":true,"started":"2026-03-02T08:00:00Z"}`},
		{strings.Replace(run, began+",", "", 1), "age of dark and reference not known", `,"earlier":true,"started":"2026-03-02T08:00:00Z"}`},
	} {
		record := filepath.Join(t.TempDir(), "run.jsonl")
		got := command(t, joined([]string{tt.run}, spectra[:5]), "watch", "--stdin", "--json", "--rates", "none", "--setup", set, "--record", record)
		got.err, _, _ = strings.Cut(got.err, "bluefringe: 9 lines recorded")
		wantOnce(t, got.err, tt.says)
		text, err := os.ReadFile(record)
		if err != nil || strings.Count(string(text), tt.mark) != 2 {
			t.Errorf("%v: the record does not say twice %s", err, tt.mark)
		}
		if again := command(t, "", "replay", record, "--json"); again.err != got.err || again.out != got.out {
			t.Errorf("the replay says %q, the watch said %q", again.err, got.err)
		}
	}
	// A record that does not say when it began.
	full = writeFile(t, "before.jsonl", strings.Replace(r.text(), began+",", "", 1))
	set = writeFile(t, "die.toml", r.setup+"\n[calibration]\nrecord = '"+full+"'\n")
	got := command(t, joined([]string{run}, spectra[:5]), "watch", "--stdin", "--json", "--rates", "none", "--setup", set)
	wantOnce(t, got.err, "age of dark and reference not known")
}

// A mask in the set-up needs no wavelengths there, and what it hides changes no reading.
func TestMaskInSetup(t *testing.T) {
	run, dark, reference, spectra := parts(makeRun(t))
	spoiled := func(line string) string {
		e, err := event.Decode([]byte(line))
		if err != nil {
			t.Fatal(err)
		}
		s := e.Body.(event.Spectrum)
		for i := 120; i < 130; i++ {
			s.Counts[i] = 3000
		}
		text, err := event.Append(nil, s)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	watch := func(mask string, change func(string) string) said {
		lines := []string{run, dark, reference}
		for _, s := range spectra[:4] {
			lines = append(lines, change(s))
		}
		got := command(t, joined(lines), "watch", "--stdin", "--json", "--rates", "none", "--setup", writeFile(t, "die.toml", mask))
		wantOnce(t, got.err)
		return parse(t, got.out)
	}
	const mask = "[channels.vis]\nmask_pixels = [120, 121, 122, 123, 124, 125, 126, 127, 128, 129]\n"
	want := watch(mask, func(line string) string { return line })
	got := watch(mask, spoiled)
	if len(got.estimate) != 4 || strings.Join(got.estimate, "") != strings.Join(want.estimate, "") {
		t.Errorf("what is masked changed\n%sto\n%s", want.estimate, got.estimate)
	}
	if bare := watch("", spoiled); strings.Join(bare.estimate, "") == strings.Join(got.estimate, "") {
		t.Error("the spoiled pixels change nothing: the test shows nothing")
	}
	s, err := setup.Parse("die.toml", []byte(mask))
	if err != nil {
		t.Fatal(err)
	}
	if channels, assumed, err := planChannels(s); err != nil || !assumed || len(channels) != 2 {
		t.Errorf("the plan takes a mask for a channel: %v, %v", channels, err)
	}
}

// A reference of another material than the line says is told once, and not in a right run.
func TestWrongReferenceIsTold(t *testing.T) {
	r := makeRun(t)
	right := joined(r.lines[:60])
	for text, says := range map[string][]string{
		right: nil,
		strings.Replace(right, `"material":"silicon"`, `"material":"Al"`, 1): {"the die reflects 2."},
	} {
		got := command(t, "", "replay", writeFile(t, "run.jsonl", text), "--json", "--setup", writeFile(t, "die.toml", r.setup))
		wantOnce(t, got.err, says...)
	}
}
