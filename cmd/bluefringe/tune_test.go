package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"runtime"
	"strings"
	"testing"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"
	"bluefringe/removal/tune"
)

// lateRecords are records of invented runs whose operator is on time by the clock but
// takes longer than the 2 s that the set-up states: he lifts 3 s after the thinnest site
// has passed the target, which the advice foresees by 2 s and half of the time between
// two spectra.
func lateRecords(t *testing.T, n int) []string {
	t.Helper()
	var paths []string
	for i := range n {
		cfg := simulate.Demo()
		cfg.Seed = uint64(70 + i)
		cfg.SetupTOML = simulate.DemoSetup() + "\n[[rule]]\nname = \"late witness\"\nwhen = \"edge_nm < 430 && thickness_um < 2.05\"\nfor_s = 3\nadvice = \"stop\"\n"
		cfg.Sites = cfg.Sites[:1]
		cfg.Die.ThicknessUM = 2.25
		cfg.Instrument.Pixels = 200
		cfg.Instrument.SpectraPerS = 2
		cfg.Faults = simulate.Faults{}
		cfg.Removal.Changes = nil
		cfg.Stop.LiftAfterS, cfg.Stop.AfterLiftS = 3, 2
		paths = append(paths, writeFile(t, fmt.Sprintf("run%d.jsonl", i), strings.Join(recordOf(t, cfg), "\n")+"\n"))
	}
	return paths
}

func tuneLines(t *testing.T, out string) (settings []settingLine, result tunedLine) {
	t.Helper()
	lines := strings.Split(strings.TrimSpace(out), "\n")
	for _, line := range lines[:len(lines)-1] {
		var s settingLine
		if err := json.Unmarshal([]byte(line), &s); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		settings = append(settings, s)
	}
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &result); err != nil {
		t.Fatal(err)
	}
	return settings, result
}

// Records of an operator who takes about 5 s make tune say about 5 s, in every form of
// its output; what it says does not depend on the cache or the number of cores.
func TestTune(t *testing.T) {
	paths := lateRecords(t, 3)
	dir := t.TempDir()
	store, csvFile, svgFile := filepath.Join(dir, "cache"), filepath.Join(dir, "all.csv"), filepath.Join(dir, "cost.svg")
	tuneThem := func(more ...string) outcome {
		t.Helper()
		args := append([]string{"tune"}, paths...)
		got := command(t, "", append(append(args, "--vary", "stop.reaction_s=2:6:9", "--cache", store), more...)...)
		if got.code != exitDone {
			t.Fatalf("exit %d: %s", got.code, got.err)
		}
		return got
	}

	first := tuneThem("--json", "--csv", csvFile, "--plot", svgFile)
	settings, result := tuneLines(t, first.out)
	if len(settings) != 10 || !settings[0].Own || result.Settings != 9 || result.Runs != 3 {
		t.Fatalf("%d lines, result %+v", len(settings), result)
	}
	if best := result.Best["stop.reaction_s"]; best < 4.5 || best > 6 || math.Abs(result.ReactionS-best) > 1 {
		t.Errorf("best reaction time %g s, measured %g s", best, result.ReactionS)
	}
	if own := settings[0]; *own.Cost < 20 || *own.MeanNM > -20 || *settings[1].Cost > 0.5**own.Cost || !(*result.LessBy > 0) || !(result.LessBy95[0] > 0) {
		t.Errorf("the set-up's own %+v, best %+v, less by %v", own, settings[1], result.LessBy95)
	}
	if pasted, err := setup.Parse("pasted", []byte(result.TOML)); err != nil || pasted.Stop.ReactionS != result.Best["stop.reaction_s"] {
		t.Errorf("%q is no set-up with the best setting: %v", result.TOML, err)
	}

	file, err := os.ReadFile(csvFile)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil || len(rows) != 11 || rows[2][1] != number64(settings[1].Values["stop.reaction_s"]) {
		t.Errorf("CSV: %v, %v", rows, err)
	}
	svg, err := os.ReadFile(svgFile)
	if err != nil {
		t.Fatal(err)
	}
	if err := wellFormed(svg); err != nil || !bytes.Contains(svg, []byte("stop.reaction_s")) {
		t.Errorf("SVG: %v", err)
	}

	again := tuneThem("--json")
	if again.out != first.out || !strings.Contains(again.err, "3 of 3 runs were read before") {
		t.Errorf("from the cache it says other things: %s", again.err)
	}
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	if one := tuneThem("--json"); one.out != first.out {
		t.Error("on one core it says other things")
	}

	// A damaged cache is read anew.
	kept, err := filepath.Glob(filepath.Join(store, "*"))
	if err != nil || len(kept) != 3 {
		t.Fatalf("%v, %v", kept, err)
	}
	for _, path := range kept {
		if err := os.Truncate(path, 1000); err != nil {
			t.Fatal(err)
		}
	}
	if damaged := tuneThem("--json"); damaged.out != first.out || strings.Contains(damaged.err, "read before") {
		t.Errorf("with a damaged cache it says other things: %s", damaged.err)
	}

	text := tuneThem("--hold-back", "0.4", "--top", "3").out
	for _, want := range []string{"held back, it costs", "only 2 runs", "[stop]\nreaction_s = ", "set-up"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report lacks %q:\n%s", want, text)
		}
	}
}

func wellFormed(document []byte) error {
	d := xml.NewDecoder(bytes.NewReader(document))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// The set-up's own setting stops when replay says stop first, and rules count.
func TestTuneOwnIsReplay(t *testing.T) {
	path := lateRecords(t, 1)[0]
	got := command(t, "", "tune", path, "--no-cache", "--json", "--vary", "rule.late witness.number_2=2.05,2.2", "--vary", "rule.late witness.for_s=0,3")
	settings, result := tuneLines(t, got.out)
	stopS := math.NaN()
	for _, a := range parse(t, command(t, "", "replay", path, "--json").out).advices {
		if a.Advice == "stop" && math.IsNaN(stopS) {
			stopS = a.TimeS
		}
	}
	if own := settings[0]; math.Abs(*own.StopS-stopS) > 0.006 {
		t.Errorf("stop at %v s, replay says %v s", *own.StopS, stopS)
	}
	// A rule that stops at 2.2 µm and not at 2.05 µm stops earlier, if the edge allows it.
	for _, s := range settings[1:] {
		if s.Values["rule.late witness.number_2"] == 2.05 && *s.StopS != *settings[0].StopS && s.Values["rule.late witness.for_s"] == 3 {
			t.Errorf("the set-up's own values give another stop: %+v", s)
		}
	}
	if strings.Contains(result.TOML, "[[rule]]") {
		if s, err := setup.Parse("pasted", []byte(result.TOML)); err != nil || len(s.Rule) != 1 || s.Rule[0].Name != "late witness" {
			t.Errorf("%q: %v", result.TOML, err)
		}
	}
}

// A note of the final thickness, also after the end, stands in for truth lines; without
// either, settings are only compared.
func TestTuneWithoutTruth(t *testing.T) {
	path := lateRecords(t, 1)[0]
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var bare []string
	last := 0.0
	for line := range strings.Lines(string(data)) {
		if e, err := event.Decode([]byte(line)); err == nil {
			if truth, ok := e.Body.(event.Truth); ok {
				last = truth.ThicknessUM
				continue
			}
		}
		bare = append(bare, line)
	}
	play := func(name, text string) (string, []settingLine, tunedLine) {
		t.Helper()
		got := command(t, "", "tune", writeFile(t, name, text), "--no-cache", "--json", "--vary", "stop.reaction_s=3,4")
		if got.code != exitDone {
			t.Fatal(got.err)
		}
		settings, result := tuneLines(t, got.out)
		return got.out, settings, result
	}
	_, full, _ := play("full.jsonl", string(data))
	without := strings.Join(bare, "")
	_, noted, _ := play("noted.jsonl", without+fmt.Sprintf(`{"type":"note","time_s":900,"text":"Final thickness %.1f nm"}`+"\n", 1000*last))
	for i := range full {
		if d := *noted[i].MeanNM - *full[i].MeanNM; math.Abs(d) > 6 {
			t.Errorf("with a note %+v lands %+.1f nm from where truth has it", noted[i].Values, d)
		}
	}
	_, none, result := play("none.jsonl", without)
	if none[0].Cost != nil || none[0].StopS == nil || result.Best != nil || len(result.Warnings) == 0 {
		t.Errorf("without truth: %+v, %+v", none[0], result)
	}
	text := command(t, "", "tune", writeFile(t, "none.jsonl", without), "--no-cache", "--vary", "stop.reaction_s=3,4").out
	if !strings.Contains(text, "later than set-up s") || !regexp.MustCompile(`-1\.\d+|-2\.\d+`).MatchString(text) {
		t.Errorf("the comparison:\n%s", text)
	}
}

func TestFinalThickness(t *testing.T) {
	for text, want := range map[string]float64{
		"final thickness 2.01 um": 2.01, "Final thickness: 1987 nm": 1.987, " final thickness = 2.5 µm, profilometer": 2.5, "final thickness .5um": 0.5,
	} {
		if um, ok := finalThickness(text); !ok || math.Abs(um-want) > 1e-12 {
			t.Errorf("%q: %g, %v, want %g", text, um, ok, want)
		}
	}
	for _, text := range []string{"final thickness", "final thickness 2.01", "final thickness 0 um", "the final thickness 2 um", "final thickness -2 um", "final thickness 2 mm", "final thickness 2 umbrellas"} {
		if um, ok := finalThickness(text); ok {
			t.Errorf("%q was read as %g µm", text, um)
		}
	}
}

func TestTuneUsage(t *testing.T) {
	record := writeFile(t, "run.jsonl", `{"type":"run","format":1}`+"\n")
	set := writeFile(t, "die.toml", simulate.DemoSetup()+"[[rule]]\nname = \"a\"\nwhen = \"edge_nm < 470\"\nadvice = \"stop\"\n")
	whole, store := lateRecords(t, 1)[0], t.TempDir()
	for _, c := range []struct {
		want string
		args []string
	}{
		{"--vary KEY=VALUES is needed", []string{record}},
		{"no runs", []string{"--vary", "stop.reaction_s=1:2:3"}},
		{"without =", []string{record, "--vary", "stop.reaction_s"}},
		{"low:high:n", []string{record, "--vary", "stop.reaction_s=4:1:7"}},
		{"more than 20000 settings", []string{record, "--vary", "stop.reaction_s=1:2:200", "--vary", "stop.prepare_s=1:2:200"}},
		{"varied twice", []string{record, "--vary", "stop.reaction_s=1", "--vary", "stop.reaction_s=2"}},
		{"nearest weight is floor", []string{record, "--vary", "stop.reaction_s=1", "--cost", "flor=2"}},
		{"--hold-back: found 2", []string{record, record, "--vary", "stop.reaction_s=1", "--hold-back", "2"}},
		{"two or more are needed", []string{record, "--vary", "stop.reaction_s=1", "--hold-back", "0.5"}},
		{"--simulate needs --setup", []string{"--simulate", "2", "--vary", "stop.reaction_s=1"}},
		{"no record", []string{"missing.jsonl", "--vary", "stop.reaction_s=1"}},
		{"is one of the records", []string{record, "--vary", "stop.reaction_s=1", "--csv", record}},
		{"is there already", []string{record, "--vary", "stop.reaction_s=1", "--plot", set}},
		{"nearest key is stop.reaction_s", []string{whole, "--cache", store, "--vary", "stop.reacton_s=1"}},
		{"rule.late witness.number_2", []string{whole, "--cache", store, "--vary", "rule.late witness.number_3=1"}},
		{"0 to 600 s is allowed", []string{whole, "--cache", store, "--vary", "stop.reaction_s=1,700"}},
		{"found 0, which in a set-up means the default", []string{whole, "--cache", store, "--vary", "stop.prepare_s=0,10"}},
		{"up to 0.5 is allowed", []string{whole, "--cache", store, "--vary", "stop.risk_floor=0.1,0.6"}},
	} {
		got := command(t, "", append([]string{"tune"}, c.args...)...)
		if got.code != exitUsage || !strings.Contains(got.err, c.want) || got.out != "" {
			t.Errorf("%q: exit %d, %q, want %q", c.args, got.code, got.err, c.want)
		}
	}
	if got := command(t, "", "tune", record, "--no-cache", "--vary", "stop.reaction_s=1"); got.code != exitFailed || !strings.Contains(got.err, "none of its spectra") {
		t.Errorf("a record without spectra: exit %d, %q", got.code, got.err)
	}
}

func TestTuneInterrupted(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var out, talk bytes.Buffer
	code := run(ctx, []string{"tune", "--simulate", "3", "--setup", writeFile(t, "die.toml", simulate.DemoSetup()), "--cache", t.TempDir(), "--vary", "stop.reaction_s=1,2"},
		streams{strings.NewReader(""), &out, &talk})
	if code != exitFailed || !strings.Contains(talk.String(), "interrupted: 0 of 3 runs are read") {
		t.Errorf("exit %d: %s", code, talk.String())
	}
}

// Invented runs of the same seed are the same, and their operators scatter.
func TestTuneSimulate(t *testing.T) {
	set := writeFile(t, "die.toml", simulate.DemoSetup())
	simulated := func() tunedLine {
		got := command(t, "", "tune", "--simulate", "2", "--start", "0.3", "--seed", "5", "--reaction", "3", "--setup", set, "--no-cache", "--json", "--vary", "stop.reaction_s=2,3")
		if got.code != exitDone {
			t.Fatal(got.err)
		}
		_, result := tuneLines(t, got.out)
		return result
	}
	first := simulated()
	if first.Runs != 2 || first.TunedOn != 2 || math.Abs(first.ReactionS-3) > 2 || first.ReactionS == 3 {
		t.Errorf("%+v", first)
	}
	if again := simulated(); !reflect.DeepEqual(again, first) {
		t.Errorf("%+v, again %+v", first, again)
	}
}

func TestNumbersIn(t *testing.T) {
	const when = "visibility_470 < 0.05 && thinnest.thickness_um<2.2 || abs(edge_nm - 5e2) > .5"
	var got []string
	for _, at := range numbersIn(when) {
		got = append(got, when[at[0]:at[1]])
	}
	if want := []string{"0.05", "2.2", "5e2", ".5"}; !reflect.DeepEqual(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
	s := setup.Setup{Rule: []setup.Rule{{Name: "a", When: when}}}
	k := knobs(s)["rule.a.number_2"]
	changed := withSetting(s, []knob{k}, tune.Setting{2.35})
	if k.get(s) != 2.2 || k.get(changed) != 2.35 || !strings.Contains(changed.Rule[0].When, "thickness_um<2.35 ||") || s.Rule[0].When != when {
		t.Errorf("%q became %q", s.Rule[0].When, changed.Rule[0].When)
	}
}

// What lies in the cache is what was read, bit for bit.
func TestPackRun(t *testing.T) {
	path := lateRecords(t, 1)[0]
	read, err := readRun(t.Context(), device.File(path), view{})
	if err != nil {
		t.Fatal(err)
	}
	data, err := packRun(read)
	if err != nil {
		t.Fatal(err)
	}
	back, err := unpackRun(data, nil)
	if err != nil {
		t.Fatal(err)
	}
	off := false
	for _, r := range []*recording{read, back} {
		for _, e := range r.Events {
			if e.Process != nil && e.Process.Contact != nil && !*e.Process.Contact {
				off = true
			}
		}
	}
	if a, b := fmt.Sprintf("%+v", flat(read)), fmt.Sprintf("%+v", flat(back)); a != b || !off {
		t.Errorf("read and kept differ (contact false: %v): %d and %d bytes of text", off, len(a), len(b))
	}
	if _, err := unpackRun(data[:len(data)/2], nil); err == nil {
		t.Error("half of it was unpacked")
	}
}

// flat is a recording without pointers, with floating-point numbers in full.
func flat(r *recording) []string {
	list := []string{fmt.Sprint(r.Chosen.Target, r.Chosen.Die, r.Chosen.Process, r.Chosen.Stop, r.Chosen.Rule, r.Sites, r.Truth, r.FinalUM, r.Counts)}
	for _, e := range r.Events {
		line := fmt.Sprint(e.TimeS)
		if e.Reading != nil {
			line += fmt.Sprint(*e.Reading.Estimate, e.Reading.FitSDUM, e.Reading.SystematicUM)
		}
		if p := e.Process; p != nil {
			text, _ := event.Append(nil, event.Process(*p))
			line += string(text)
		}
		list = append(list, line)
	}
	return list
}
