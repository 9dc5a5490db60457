package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	os.Exit(inOwnFolder(m))
}

// inOwnFolder keeps the rate book of whoever runs the tests out of them.
func inOwnFolder(m *testing.M) int {
	data, err := os.MkdirTemp("", "bluefringe")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(data)
	for _, name := range []string{"XDG_DATA_HOME", "LocalAppData", "HOME"} {
		os.Setenv(name, data)
	}
	code := m.Run()
	if code == 0 {
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
	}
	return code
}

// outcome is what a command left behind.
type outcome struct {
	out, err string
	code     int
}

// command runs the program in this process.
func command(t *testing.T, stdin string, args ...string) outcome {
	t.Helper()
	var out, talk bytes.Buffer
	code := run(t.Context(), args, streams{strings.NewReader(stdin), &out, &talk})
	return outcome{out.String(), talk.String(), code}
}

// testRun is a simulated run with its set-up and truth.
type testRun struct {
	lines []string
	setup string
	truth map[string][]event.Truth // by site
	cfg   simulate.Config
}

// makeRun simulates an invented run from 2.9 to 2.0 µm in a minute and a half.
func makeRun(t *testing.T) testRun {
	t.Helper()
	cfg := simulate.Demo()
	cfg.Seed = 11
	cfg.SetupTOML = ""
	cfg.Die.ThicknessUM = 2.6
	cfg.Instrument.Pixels = 300
	cfg.Instrument.SpectraPerS = 1.5
	r := testRun{setup: simulate.DemoSetup(), truth: map[string][]event.Truth{}, cfg: cfg}
	err := simulate.Run(t.Context(), cfg, func(body event.Body) error {
		if truth, ok := body.(event.Truth); ok {
			r.truth[truth.Site] = append(r.truth[truth.Site], truth)
		}
		line, err := event.Append(nil, body)
		r.lines = append(r.lines, string(line))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func (r testRun) text() string { return strings.Join(r.lines, "\n") + "\n" }

// at interpolates the truth of a site.
func (r testRun) at(site string, timeS float64) float64 {
	list := r.truth[site]
	for i := 1; i < len(list); i++ {
		if list[i].TimeS >= timeS {
			a, b := list[i-1], list[i]
			return a.ThicknessUM + (b.ThicknessUM-a.ThicknessUM)*(timeS-a.TimeS)/(b.TimeS-a.TimeS)
		}
	}
	return list[len(list)-1].ThicknessUM
}

// thinnest is the truth of the thinnest site.
func (r testRun) thinnest(timeS float64) float64 {
	thinnest := math.Inf(1)
	for site := range r.truth {
		thinnest = math.Min(thinnest, r.at(site, timeS))
	}
	return thinnest
}

func writeFile(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// said is the output of --json, decoded.
type said struct {
	estimates []event.Estimate
	forecasts []event.Forecast
	advices   []event.Advice
	estimate  []string // the estimate lines as written
}

func parse(t *testing.T, out string) said {
	t.Helper()
	var s said
	for line := range strings.Lines(out) {
		e, err := event.Decode([]byte(line))
		if err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		switch body := e.Body.(type) {
		case event.Estimate:
			s.estimates = append(s.estimates, body)
			s.estimate = append(s.estimate, line)
		case event.Forecast:
			s.forecasts = append(s.forecasts, body)
		case event.Advice:
			s.advices = append(s.advices, body)
		default:
			t.Fatalf("unexpected line %s", line)
		}
	}
	return s
}

// check holds estimates and the stop advice against the truth.
func (s said) check(t *testing.T, r testRun) {
	t.Helper()
	trusted := 0
	for _, e := range s.estimates {
		if e.Quality != "good" && e.Quality != "weak" {
			continue
		}
		trusted++
		truth := r.at(e.Site, e.TimeS)
		if math.Abs(*e.ThicknessUM/truth-1) > 0.01 {
			t.Errorf("at %g s site %s: estimate %.4f µm (%s), truth %.4f µm", e.TimeS, e.Site, *e.ThicknessUM, e.Quality, truth)
		}
	}
	if trusted < len(s.estimates)*3/4 || trusted == 0 {
		t.Errorf("only %d of %d estimates trusted", trusted, len(s.estimates))
	}
	set, err := setup.Parse("test", []byte(r.setup))
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range s.advices {
		if a.Advice != "stop" {
			continue
		}
		lifted := r.thinnest(a.TimeS + set.Stop.ReactionS)
		if math.Abs(lifted-set.Target.ThicknessUM) > 0.060 {
			t.Errorf("stop at %g s leaves the thinnest place at %.4f µm after the reaction time, target %.2f µm", a.TimeS, lifted, set.Target.ThicknessUM)
		}
		t.Logf("stop at %g s (%s): thinnest %.4f µm after the reaction time", a.TimeS, a.Rule, lifted)
		return
	}
	t.Error("no stop advice")
}

// The lines of --json are a public interface: fields, order and types.
func TestJSONLines(t *testing.T) {
	r := makeRun(t)
	record := writeFile(t, "run.jsonl", r.text())
	set := writeFile(t, "die.toml", r.setup)
	got := command(t, "", "replay", record, "--json", "--setup", set)
	if got.code != exitDone {
		t.Fatalf("status %d: %s", got.code, got.err)
	}
	s := parse(t, got.out)
	s.check(t, r)
	spectra := strings.Count(r.text(), `"type":"spectrum"`)
	if len(s.estimates) != spectra {
		t.Errorf("%d estimates for %d spectra", len(s.estimates), spectra)
	}
	if len(s.forecasts) != len(s.advices) || len(s.forecasts) < spectra {
		t.Errorf("%d forecasts, %d advices, %d spectra", len(s.forecasts), len(s.advices), spectra)
	}
	// Contact from 4 s to the lift: never more than 2 s of run time without word.
	last := 4.0
	for _, f := range s.forecasts {
		if f.TimeS < 4 {
			continue
		}
		if f.TimeS-last > 2 {
			t.Errorf("nothing was said between %g and %g s", last, f.TimeS)
		}
		last = f.TimeS
	}
	if strings.Contains(got.out, "NaN") || strings.Contains(got.out, "Inf") {
		t.Error("a number that does not exist was written")
	}
	allowed := map[string]map[string]bool{
		"estimate": names("type time_s site channel thickness_um sd_um spread_um edge_nm quality"),
		"forecast": names("type time_s site thickness_um sd_um rate_um_min rate_sd_um_min to_target_s"),
		"advice":   names("type time_s advice rule reason thinnest_um site next_stretch_s"),
	}
	for line := range strings.Lines(got.out) {
		var fields map[string]any
		if err := json.Unmarshal([]byte(line), &fields); err != nil {
			t.Fatal(err)
		}
		for name := range fields {
			if !allowed[fields["type"].(string)][name] {
				t.Errorf("field %q in %s", name, line)
			}
		}
	}
}

func names(list string) map[string]bool {
	set := map[string]bool{}
	for _, name := range strings.Fields(list) {
		set[name] = true
	}
	return set
}

func TestUsage(t *testing.T) {
	noFile := filepath.Join(t.TempDir(), "none")
	badKey := writeFile(t, "bad.toml", "[target]\nthickness_um = 2\n\n[stop]\nreacton_s = 2\n")
	badFloor := writeFile(t, "floor.toml", "[target]\nthickness_um = 2\nfloor_um = 3\n")
	badRule := writeFile(t, "rule.toml", "[[rule]]\nname = \"x\"\nwhen = \"thicknes_um < 2\"\nadvice = \"stop\"\n")
	exists := writeFile(t, "exists.jsonl", "")
	record := writeFile(t, "run.jsonl", makeRun(t).text())
	cases := map[string]struct {
		args []string
		code int
		says []string
	}{
		"help":               {[]string{"--help"}, exitDone, nil},
		"watch help":         {[]string{"watch", "--help"}, exitDone, nil},
		"no source":          {[]string{"watch"}, exitUsage, []string{"serial", "demo"}},
		"two sources":        {[]string{"watch", "--demo", "--stdin"}, exitUsage, []string{"demo", "stdin"}},
		"unknown command":    {[]string{"wach"}, exitUsage, []string{"wach"}},
		"unknown flag":       {[]string{"watch", "--dmeo"}, exitUsage, []string{"dmeo"}},
		"replay of nothing":  {[]string{"replay"}, exitUsage, []string{"1 arg"}},
		"no record":          {[]string{"replay", noFile}, exitUsage, []string{noFile}},
		"bad speed":          {[]string{"replay", record, "--speed", "fast"}, exitUsage, []string{"fast", "max"}},
		"bad demo speed":     {[]string{"watch", "--demo", "--speed", "-3"}, exitUsage, []string{"-3", "max"}},
		"no port":            {[]string{"watch", "--serial", noFile, "--json"}, exitFailed, []string{noFile}},
		"no set-up":          {[]string{"replay", record, "--setup", noFile}, exitUsage, []string{noFile}},
		"misspelt key":       {[]string{"replay", record, "--json", "--setup", badKey}, exitUsage, []string{badKey, "5", "reacton_s", "reaction_s"}},
		"floor above target": {[]string{"replay", record, "--json", "--setup", badFloor}, exitUsage, []string{badFloor, "3", "floor_um"}},
		"unknown rule value": {[]string{"replay", record, "--json", "--setup", badRule}, exitUsage, []string{badRule, "thicknes_um"}},
		"record exists":      {[]string{"watch", "--demo", "--json", "--record", exists}, exitUsage, []string{exists, "not overwritten"}},
		"simulate start":     {[]string{"simulate", "--start", "-1"}, exitFailed, []string{"-1"}},
	}
	for name, c := range cases {
		got := command(t, "", c.args...)
		if got.code != c.code {
			t.Errorf("%s: status %d, want %d: %s", name, got.code, c.code, got.err)
		}
		for _, text := range c.says {
			if !strings.Contains(got.err, text) {
				t.Errorf("%s: %q does not name %q", name, got.err, text)
			}
		}
		if c.code != exitDone && got.out != "" {
			t.Errorf("%s: wrote to standard output: %s", name, got.out)
		}
		t.Logf("%s: %s", name, got.err)
	}
}

// Input that no instrument should send is counted and told, never the end.
func TestBadInput(t *testing.T) {
	r := makeRun(t)
	spectrum := func(i int) string {
		for _, line := range r.lines {
			if strings.Contains(line, `"type":"spectrum"`) {
				if i == 0 {
					return line
				}
				i--
			}
		}
		return ""
	}
	without := func(kind string) string {
		var kept []string
		for _, line := range r.lines {
			if !strings.Contains(line, `"type":"`+kind+`"`) {
				kept = append(kept, line)
			}
		}
		return strings.Join(kept[:30], "\n") + "\n"
	}
	head := strings.Join(r.lines[:12], "\n") + "\n"
	cases := map[string]struct {
		input     string
		says      []string
		estimates int // at least
	}{
		"garbage":          {head + "\x00\xff\x1b[2J\x07garbage\n{\"type\":\n" + spectrum(4) + "\n", []string{"not an event", "2 not valid"}, 2},
		"line of 100 MB":   {head + strings.Repeat("x", 100<<20) + "\n" + spectrum(4) + "\n", []string{"too long", "1 not valid"}, 2},
		"wrong length":     {head + `{"type":"spectrum","time_s":9,"channel":"vis","counts":[1,2,3]}` + "\n" + spectrum(4) + "\n", []string{"wrong number of pixels", "3", "300", "refused by calibration: 1"}, 2},
		"unknown channel":  {head + `{"type":"spectrum","time_s":9,"channel":"uv","counts":[1,2,3]}` + "\n", []string{"unknown channel", "uv"}, 1},
		"wrong checksum":   {head + spectrum(4) + " 00000000\n", []string{"wrong checksum", "1 with a wrong checksum"}, 1},
		"no dark":          {without("dark"), []string{"no dark"}, 0},
		"no reference":     {without("reference"), []string{"no reference"}, 0},
		"torn end":         {head + spectrum(4)[:200], []string{"torn"}, 1},
		"escape sequences": {head + `{"type":"note","time_s":8,"text":"\u001b[2Jowned"}` + "\n", nil, 1},
		"empty":            {"", nil, 0},
	}
	for name, c := range cases {
		record := filepath.Join(t.TempDir(), "record.jsonl")
		got := command(t, c.input, "watch", "--stdin", "--json", "--record", record)
		if got.code != exitDone {
			t.Errorf("%s: status %d: %s", name, got.code, got.err)
		}
		for _, text := range c.says {
			if !strings.Contains(got.err, text) {
				t.Errorf("%s: %q does not say %q", name, got.err, text)
			}
		}
		if strings.ContainsAny(got.err+got.out, "\x1b\x07\x00") {
			t.Errorf("%s: control characters came through", name)
		}
		if s := parse(t, got.out); len(s.estimates) < c.estimates {
			t.Errorf("%s: %d estimates, want %d", name, len(s.estimates), c.estimates)
		}
		// Nothing that could be recorded is lost: every whole line of bounded size.
		written, err := os.ReadFile(record)
		if err != nil {
			t.Fatal(err)
		}
		var want strings.Builder
		for line := range strings.Lines(c.input) {
			if strings.HasSuffix(line, "\n") && len(line) <= event.MaxLineBytes {
				want.WriteString(line)
			}
		}
		if got := withoutTimes(string(written)); got != want.String() {
			t.Errorf("%s: the record is not what came: %d bytes, want %d", name, len(got), want.Len())
		}
	}
}

// A record made with --setup replays on its own to the same lines.
func TestRecordReplaysOnItsOwn(t *testing.T) {
	r := makeRun(t)
	set := writeFile(t, "die.toml", r.setup)
	record := filepath.Join(t.TempDir(), "record.jsonl")
	live := command(t, r.text(), "watch", "--stdin", "--json", "--setup", set, "--record", record)
	if live.code != exitDone {
		t.Fatal(live.err)
	}
	replayed := command(t, "", "replay", record, "--json")
	if replayed.code != exitDone {
		t.Fatal(replayed.err)
	}
	if replayed.out != live.out {
		t.Error("the record replays to other lines than the watch gave")
	}
}

// A bare instrument: channels from the set-up, dark and reference from a record.
func TestBareInstrument(t *testing.T) {
	r := makeRun(t)
	full := writeFile(t, "run.jsonl", r.text())
	var bare []string
	for _, line := range r.lines {
		if strings.Contains(line, `"type":"spectrum"`) {
			bare = append(bare, line)
		}
	}
	var channel strings.Builder
	channel.WriteString("\n[channels.vis]\npixels = 300\nwavelength_poly = [420, ")
	step, _ := json.Marshal(530.0 / 299)
	channel.Write(step)
	channel.WriteString("]\n[calibration]\nrecord = \"" + full + "\"\n")
	set := writeFile(t, "die.toml", r.setup+channel.String())
	got := command(t, strings.Join(bare, "\n")+"\n", "watch", "--stdin", "--json", "--setup", set)
	if got.code != exitDone {
		t.Fatal(got.err)
	}
	parse(t, got.out).check(t, r)
}

func TestSimulateIsDeterministic(t *testing.T) {
	args := []string{"simulate", "--seed", "3", "--pixels", "64", "--start", "2.2"}
	a, b := command(t, "", args...), command(t, "", args...)
	if a.code != exitDone || a.out == "" || a.out != b.out {
		t.Errorf("the same seed gave other bytes (status %d, %s)", a.code, a.err)
	}
	args[2] = "4"
	if c := command(t, "", args...); c.out == a.out {
		t.Error("another seed gave the same bytes")
	}
}

func TestPlainLines(t *testing.T) {
	r := makeRun(t)
	got := command(t, r.text(), "watch", "--stdin", "--setup", writeFile(t, "die.toml", r.setup))
	if got.code != exitDone {
		t.Fatal(got.err)
	}
	if !strings.Contains(got.err, "no interlock") {
		t.Errorf("no caution at the start: %s", got.err)
	}
	if !strings.Contains(got.out, "STOP") || strings.Contains(got.out, "\x1b") {
		t.Errorf("plain lines: %s", got.out)
	}
}

func TestInterruptedWatchIsNoFailure(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	var talk bytes.Buffer
	missing := filepath.Join(t.TempDir(), "later.jsonl")
	done := make(chan int)
	go func() {
		done <- run(ctx, []string{"watch", "--file", missing, "--json"}, streams{strings.NewReader(""), &bytes.Buffer{}, &talk})
	}()
	cancel()
	if code := <-done; code != exitDone {
		t.Errorf("status %d: %s", code, talk.String())
	}
}

// The README's set-up must be one that the program takes, and the one in testdata.
func TestReadmeSetup(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, block, found := strings.Cut(string(readme), "```toml\n")
	block, _, closed := strings.Cut(block, "```")
	if !found || !closed {
		t.Fatal("the README shows no set-up")
	}
	example, err := os.ReadFile("../../testdata/die.toml")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasSuffix(string(example), "\n\n"+block) {
		t.Error("testdata/die.toml is not the set-up that the README shows")
	}
	got := command(t, makeRun(t).text(), "watch", "--stdin", "--json", "--setup", "../../testdata/die.toml")
	if got.code != exitDone {
		t.Errorf("status %d: %s", got.code, got.err)
	}
}
