package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bluefringe/device/ratebook"
	"bluefringe/device/setup"
)

// inventedRuns are three invented runs and a fourth with little known.
func inventedRuns() []ratebook.Run {
	at := func(day int) time.Time { return time.Date(2026, 2, day, 12, 0, 0, 0, time.UTC) }
	runs := []ratebook.Run{
		{When: at(3), Job: "Kestrel 7, lid side", Material: "silicon", Pad: "felt", Slurry: "colloid A", PadMM: 3, ForceN: 1.4, PressurePa: 198059,
			SpeedMS: 0.25, PrestonPerPa: 2.31e-13, PrestonRelSD: 0.06, GlazingS: 320, RemovedUM: 2.41, PolishedS: 231, Note: `pad "nearly" worn`},
		{When: at(4), Job: "=HYPERLINK(A1)", Material: "silicon", Pad: "felt", Slurry: "colloid A", PadMM: 3, PressurePa: 198059, SpeedMS: 0.25,
			PrestonPerPa: 2.05e-13, PrestonRelSD: 0.09, Note: "@\x1b[31mred"},
		{When: at(5), Job: "硅片 12", Material: "Silicon", Pad: "felt", Slurry: "colloid B", PadMM: 5, PressurePa: 150000, SpeedMS: 0.2, PrestonPerPa: 3.1e-13, PrestonRelSD: 0.05},
		{When: at(6), Material: "glass", PrestonPerPa: 1.1e-13, PrestonRelSD: 0.2},
	}
	for i := range runs {
		runs[i].Checksum = fmt.Sprintf("%064x", i+1)
	}
	return runs
}

// rateFile is a rate book of these runs; their IDs count from 1.
func rateFile(t *testing.T, runs []ratebook.Run) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "book.sqlite")
	book, err := ratebook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range runs {
		if _, _, err := book.Add(t.Context(), r); err != nil {
			t.Fatal(err)
		}
	}
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

// rateIDs is what rates --json lists.
func rateIDs(t *testing.T, path string, args ...string) []int64 {
	t.Helper()
	got := command(t, "", append([]string{"rates", "--json", "--rates", path}, args...)...)
	if got.code != exitDone {
		t.Fatalf("status %d: %s", got.code, got.err)
	}
	var ids []int64
	for line := range strings.Lines(got.out) {
		var r rateLine
		if err := json.Unmarshal([]byte(line), &r); err != nil || r.Type != "rate" {
			t.Fatalf("%v: %s", err, line)
		}
		ids = append(ids, r.ID)
	}
	return ids
}

func TestRatesTable(t *testing.T) {
	path := rateFile(t, inventedRuns())
	got := command(t, "", "rates", "--rates", path, "--material", "silicon")
	t.Log("\n" + got.out)
	lines := strings.Split(got.out, "\n")
	if got.code != exitDone || got.err != "" || len(lines) != 5 {
		t.Fatalf("status %d: %s", got.code, got.err)
	}
	for _, text := range []string{"Kestrel 7, lid si…", "2.31e-13", "198", "320", "硅片 12"} {
		if !strings.Contains(got.out, text) {
			t.Errorf("the table does not say %q", text)
		}
	}
	if strings.Contains(got.out, "\x1b") || strings.Contains(got.out, "NaN") {
		t.Error("the table holds what is no text")
	}
	// A column that none of the runs fills is left out.
	got = command(t, "", "rates", "--rates", path, "--material", "glass")
	if strings.Contains(got.out, "pad") || !strings.Contains(got.out, "1.10e-13") {
		t.Errorf("%s", got.out)
	}
	got = command(t, "", "rates", "--rates", path, "--material", "quartz")
	if got.code != exitDone || got.out != "" || !strings.Contains(got.err, path) {
		t.Errorf("no run: status %d, %q, %q", got.code, got.out, got.err)
	}
}

func TestRatesJSONAndFilters(t *testing.T) {
	runs := inventedRuns()
	path := rateFile(t, runs)
	for _, c := range []struct {
		args []string
		want string
	}{
		{nil, "[1 2 3 4]"},
		{[]string{"--material", "SILICON"}, "[1 2 3]"},
		{[]string{"--slurry", "colloid b"}, "[3]"},
		{[]string{"--pad-mm", "3"}, "[1 2]"},
		{[]string{"--since", "2026-02-05T12:00:00Z"}, "[3 4]"},
		{[]string{"--since", "2026-02-20"}, "[]"},
	} {
		if got := fmt.Sprint(rateIDs(t, path, c.args...)); got != c.want {
			t.Errorf("%v: %s, want %s", c.args, got, c.want)
		}
	}
	got := command(t, "", "rates", "--rates", path, "--json")
	var line map[string]any
	if err := json.Unmarshal([]byte(strings.SplitAfter(got.out, "\n")[0]), &line); err != nil {
		t.Fatal(err)
	}
	r := runs[0]
	for key, want := range map[string]any{"when": "2026-02-03T12:00:00Z", "job": r.Job, "material": r.Material, "pad": r.Pad, "pad_mm": r.PadMM, "slurry": r.Slurry,
		"force_n": r.ForceN, "pressure_pa": r.PressurePa, "speed_m_s": r.SpeedMS, "preston_per_pa": r.PrestonPerPa, "preston_rel_sd": r.PrestonRelSD,
		"glazing_s": r.GlazingS, "removed_um": r.RemovedUM, "polished_s": r.PolishedS, "checksum": r.Checksum, "note": r.Note} {
		if line[key] != want {
			t.Errorf("%s: %v, want %v", key, line[key], want)
		}
	}
	last := strings.Split(got.out, "\n")[3]
	if strings.Contains(last, "null") || strings.Contains(last, "pressure_pa") {
		t.Errorf("what is not known is not left out: %s", last)
	}
}

// TestRatesCSV reads the file back as RFC 4180 has it: CR LF, quotes doubled.
func TestRatesCSV(t *testing.T) {
	got := command(t, "", "rates", "--rates", rateFile(t, inventedRuns()), "--csv")
	if got.code != exitDone || strings.Count(got.out, "\r\n") != 5 || strings.Count(got.out, "\n") != 5 {
		t.Fatalf("status %d: %q", got.code, got.out)
	}
	if !strings.Contains(got.out, `"pad ""nearly"" worn"`) || !strings.Contains(got.out, `"Kestrel 7, lid side"`) {
		t.Errorf("quoting: %s", got.out)
	}
	rows, err := csv.NewReader(strings.NewReader(got.out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	for _, c := range []struct {
		row        int
		name, want string
	}{
		{1, "id", "1"}, {1, "job", "Kestrel 7, lid side"}, {1, "preston_per_pa", "2.31e-13"}, {1, "note", `pad "nearly" worn`},
		{2, "job", "'=HYPERLINK(A1)"}, {2, "note", "'@\uFFFD[31mred"}, {2, "glazing_s", ""},
		{3, "job", "硅片 12"}, {4, "pad_mm", ""}, {4, "checksum", inventedRuns()[3].Checksum},
	} {
		if got := rows[c.row][column[c.name]]; got != c.want {
			t.Errorf("row %d, %s: %q, want %q", c.row, c.name, got, c.want)
		}
	}
}

func TestSheetText(t *testing.T) {
	for text, want := range map[string]string{"": "", "felt": "felt", "a=b": "a=b", "=1+1": "'=1+1", "+1": "'+1", "-1": "'-1", "@SUM(1)": "'@SUM(1)", "＝1": "'＝1", "硅": "硅"} {
		if got := sheetText(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}

func TestRatesForget(t *testing.T) {
	path := rateFile(t, inventedRuns())
	left := func() string { return fmt.Sprint(rateIDs(t, path)) }
	for _, answer := range []string{"", "no\n", "nonsense\n", strings.Repeat("y", 1000)} {
		got := command(t, answer, "rates", "forget", "1", "2", "--rates", path)
		if got.code != exitFailed || !strings.Contains(got.err, "forget 2 runs?") || !strings.Contains(got.err, "Kestrel 7") || left() != "[1 2 3 4]" {
			t.Errorf("answer %.10q: status %d, left %s: %s", answer, got.code, left(), got.err)
		}
	}
	got := command(t, "", "rates", "forget", "1", "99", "--yes", "--rates", path)
	if got.code != exitFailed || !strings.Contains(got.err, "99") || left() != "[1 2 3 4]" {
		t.Errorf("an ID that is not there: status %d, left %s: %s", got.code, left(), got.err)
	}
	got = command(t, "Yes\n", "rates", "forget", "2", "2", "--rates", path)
	if got.code != exitDone || got.out != "" || !strings.Contains(got.err, "1 run forgotten") || left() != "[1 3 4]" {
		t.Errorf("status %d, left %s: %s", got.code, left(), got.err)
	}
	got = command(t, "", "rates", "forget", "--before", "2026-02-06T12:00:00Z", "--yes", "--rates", path)
	if got.code != exitDone || left() != "[4]" {
		t.Errorf("status %d, left %s: %s", got.code, left(), got.err)
	}
	got = command(t, "", "rates", "forget", "--before", "2020-01-01", "--rates", path)
	if got.code != exitDone || left() != "[4]" || !strings.Contains(got.err, "2020-01-01") {
		t.Errorf("nothing to forget: status %d, left %s: %s", got.code, left(), got.err)
	}
}

func TestRatesPrior(t *testing.T) {
	path := rateFile(t, inventedRuns())
	args := []string{"rates", "prior", "--rates", path, "--material", "silicon", "--pad", "felt", "--slurry", "colloid A", "--pad-mm", "3", "--force-n", "1.4", "--speed-m-s", "0.25"}
	got := command(t, "", append(args, "--json")...)
	var line priorLine
	if err := json.Unmarshal([]byte(got.out), &line); err != nil || got.code != exitDone {
		t.Fatalf("status %d: %v: %s%s", got.code, err, got.out, got.err)
	}
	if line.Type != "prior" || fmt.Sprint(line.Runs) != "[1 2]" || len(line.Relaxed) != 0 {
		t.Errorf("%s", got.out)
	}
	if low, high := *line.P05PerPa, *line.P95PerPa; !(2.05e-13 < *line.PrestonPerPa && *line.PrestonPerPa < 2.31e-13) ||
		math.Abs(low*high/(*line.PrestonPerPa**line.PrestonPerPa)-1) > 1e-9 {
		t.Errorf("%g to %g about %g", low, high, *line.PrestonPerPa)
	}

	got = command(t, "", args...)
	t.Log("\n" + got.out)
	for _, text := range []string{"stands on 2 runs", "um/min", "Kestrel 7", "198 kPa"} {
		if !strings.Contains(got.out, text) {
			t.Errorf("the report does not say %q", text)
		}
	}
	_, block, _ := strings.Cut(got.out, "# for the set-up file\n")
	s, err := setup.Parse("block", []byte(block))
	if err != nil || math.Abs(s.Process.PrestonPerPa / *line.PrestonPerPa - 1) > 5e-3 || math.Abs(s.Process.PrestonRelSD-*line.PrestonRelSD) > 5e-3 {
		t.Errorf("the set-up takes %+v from what the report gives it: %v", s.Process, err)
	}

	got = command(t, "", "rates", "prior", "--rates", path, "--material", "silicon", "--pad", "felt", "--slurry", "colloid C", "--pad-mm", "3", "--pressure-kpa", "200", "--speed-m-s", "0.25")
	if got.code != exitDone || !strings.Contains(got.out, "slurry differs or is not known in 3 of them: adds 0.50") {
		t.Errorf("status %d: %s", got.code, got.out)
	}
	got = command(t, "", "rates", "prior", "--rates", path, "--material", "quartz")
	if got.code != exitDone || got.out != "" || !strings.Contains(got.err, "material") {
		t.Errorf("no run: status %d, %q, %q", got.code, got.out, got.err)
	}
	got = command(t, "", "rates", "prior", "--rates", path, "--material", "quartz", "--json")
	if got.code != exitDone || got.out != `{"type":"prior","relaxed":[],"runs":[]}`+"\n" {
		t.Errorf("no run: status %d, %q", got.code, got.out)
	}
}

func TestRatesUsage(t *testing.T) {
	path := rateFile(t, nil)
	text := writeFile(t, "notes.txt", "no rate book")
	for _, c := range []struct {
		args string
		code int
		says string
	}{
		{"--rates " + path + "x", exitUsage, "no rate book"},
		{"--rates " + text, exitFailed, "no rate book"},
		{"bogus", exitUsage, "bogus"},
		{"--json --csv", exitUsage, "json"},
		{"--since yesterday", exitUsage, "2026-03-02"},
		{"--pad-mm -1", exitUsage, "--pad-mm"},
		{"forget", exitUsage, "--before"},
		{"forget 1 --before 2026-01-01", exitUsage, "either"},
		{"forget one", exitUsage, `"one"`},
		{"forget 0", exitUsage, `"0"`},
		{"forget --before soon", exitUsage, "--before"},
		{"forget 7 --yes --rates " + path, exitFailed, "7"},
		{"prior 3", exitUsage, "3"},
		{"prior --factor 0.9", exitUsage, "1 or more"},
		{"prior --force-n 2", exitUsage, "--pad-mm"},
		{"prior --force-n 2 --pressure-kpa 2", exitUsage, "pressure-kpa"},
		{"prior --speed-m-s NaN", exitUsage, "--speed-m-s"},
	} {
		got := command(t, "", append([]string{"rates"}, strings.Fields(c.args)...)...)
		if got.code != c.code || got.out != "" || !strings.Contains(got.err, c.says) {
			t.Errorf("%s: status %d, want %d with %q: %s%s", c.args, got.code, c.code, c.says, got.out, got.err)
		}
	}
	for _, args := range []string{"rates --help", "rates forget --help", "rates prior --help"} {
		if got := command(t, "", strings.Fields(args)...); got.code != exitDone || !strings.Contains(got.out, "Examples:") {
			t.Errorf("%s: status %d: %s", args, got.code, got.out)
		}
	}
}

// TestRatesDefaultPlace: without --rates the book lies in the user's data folder and
// is made there.
func TestRatesDefaultPlace(t *testing.T) {
	folder := t.TempDir()
	for _, name := range []string{"HOME", "XDG_DATA_HOME", "LocalAppData"} {
		t.Setenv(name, folder)
	}
	path, err := ratebook.DefaultPath()
	if err != nil || !strings.HasPrefix(path, folder) {
		t.Fatalf("%s, %v", path, err)
	}
	if got := command(t, "", "rates"); got.code != exitDone || got.out != "" || !strings.Contains(got.err, path) {
		t.Errorf("status %d, %q, %q", got.code, got.out, got.err)
	}
	if _, err := os.Stat(path); err != nil {
		t.Error(err)
	}
}
