package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"bluefringe/device/event"
)

// shortRun is the begin of a run, 8 s long, with its set-up.
func shortRun(t *testing.T) []string {
	t.Helper()
	cfg := still(24)
	cfg.Removal.RateUMMin, cfg.Removal.ContactS = 0.713, 1.5
	return recordOf(t, cfg)
}

func recordFile(t *testing.T, lines []string) string {
	t.Helper()
	return writeFile(t, "run.jsonl", strings.Join(lines, "\n")+"\n")
}

// sections cuts Markdown at its second headings.
func sections(text string) map[string]string {
	out := map[string]string{}
	for _, part := range strings.Split(text, "\n## ")[1:] {
		title, body, _ := strings.Cut(part, "\n")
		out[title] = body
	}
	return out
}

// cells is the rows of the tables of a section.
func cells(section string) [][]string {
	var rows [][]string
	for line := range strings.Lines(section) {
		if !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "| -") {
			continue
		}
		row := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for i := range row {
			row[i] = strings.Trim(strings.TrimSpace(row[i]), "*")
		}
		rows = append(rows, row)
	}
	return rows
}

func jsonText(v *float64) string {
	if v == nil {
		return "–"
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

// The numbers of the report are those of replay --json: the track row by row, each
// change of advice, and the end.
func TestReportNumbers(t *testing.T) {
	record := recordFile(t, shortRun(t))
	got := command(t, "", "report", record, "--markdown")
	if got.code != exitDone || got.err != "" {
		t.Fatalf("status %d: %s", got.code, got.err)
	}
	replayed := parse(t, command(t, "", "replay", record, "--json").out)
	part := sections(got.out)

	advices, rates := map[string]event.Advice{}, map[string]event.Forecast{}
	sds := map[string]map[string]*float64{} // of the newest forecast of each site, by time
	sd := map[string]*float64{}
	var changes [][]string
	for i, a := range replayed.advices {
		f := replayed.forecasts[i]
		sd[f.Site] = f.SDUM
		at := jsonText(&a.TimeS)
		advices[at], rates[at] = a, f
		sds[at] = map[string]*float64{}
		for site, v := range sd {
			sds[at][site] = v
		}
		if i == 0 || a.Advice != replayed.advices[i-1].Advice || a.Rule != replayed.advices[i-1].Rule {
			changes = append(changes, []string{at, a.Advice, jsonText(a.ThinnestUM)})
		}
	}
	rows := cells(part["Thickness"])[1:]
	if len(rows) < 20 {
		t.Fatalf("%d rows of the track", len(rows))
	}
	for _, row := range rows {
		a, ok := advices[row[0]]
		if !ok || jsonText(a.ThinnestUM) != row[1] || jsonText(sds[row[0]][a.Site]) != row[2] || a.Advice != row[6] {
			t.Errorf("%v: replay says %+v, sd %v", row, a, jsonText(sds[row[0]][a.Site]))
		}
		if f := rates[row[0]]; f.Site == a.Site && (jsonText(f.RateUMMin) != row[3] || jsonText(f.RateSDUMMin) != row[4]) {
			t.Errorf("%v: replay says %s ± %s µm/min", row, jsonText(f.RateUMMin), jsonText(f.RateSDUMMin))
		}
	}
	told := cells(part["Advice"])[1:]
	if len(told) != len(changes) {
		t.Fatalf("%d changes of advice, replay has %d", len(told), len(changes))
	}
	for i, row := range told {
		if row[1] != changes[i][0] || row[3] != changes[i][1] || row[6] != changes[i][2] {
			t.Errorf("advice %v: replay says %v", row, changes[i])
		}
	}
	last := replayed.advices[len(replayed.advices)-1]
	if want := fmt.Sprintf("| thickness there | %s ± %s µm |", jsonText(last.ThinnestUM), jsonText(sd[last.Site])); !strings.Contains(got.out, want) {
		t.Errorf("no %q", want)
	}

	// The budget adds up to the sd of its reading, of which replay has the line.
	var site, channel, um, sdUM string
	var timeS float64
	what := strings.TrimSpace(strings.SplitN(strings.TrimSpace(part["Uncertainty at the end"]), "\n", 2)[0])
	m := regexp.MustCompile(`site (\S+), channel (\S+), at (\S+) s: (\S+) ± (\S+) µm`).FindStringSubmatch(what)
	if m == nil {
		t.Fatalf("no reading: %s", what)
	}
	site, channel, um, sdUM = m[1], m[2], m[4], m[5]
	timeS, _ = strconv.ParseFloat(m[3], 64)
	found := false
	for _, e := range replayed.estimates {
		found = found || e.Site == site && e.Channel == channel && e.TimeS == timeS && jsonText(e.ThicknessUM) == um && jsonText(e.SDUM) == sdUM
	}
	if !found {
		t.Errorf("replay has no such reading: %s", what)
	}
	budget := cells(part["Uncertainty at the end"])
	total, _ := strconv.ParseFloat(budget[len(budget)-1][1], 64)
	if want, _ := strconv.ParseFloat(sdUM, 64); total != want {
		t.Errorf("the budget adds up to %g, the reading has %g", total, want)
	}
}

// A report is the same bytes twice, alone in its page, and names the bytes of its record.
func TestReportPage(t *testing.T) {
	lines := shortRun(t)
	for i, line := range lines {
		// Hostile names: the run's job, a site, a note.
		line = strings.ReplaceAll(line, `"ne"`, `"<script>ne"`)
		lines[i] = strings.Replace(line, `"job":"`, `"job":"<img src=x onerror=alert(1)> \u001b[31m`, 1)
	}
	lines = append(lines[:len(lines)-1], `{"type":"note","time_s":9,"text":"</td><script>alert(2)</script>"}`, lines[len(lines)-1])
	record := recordFile(t, lines)
	out := filepath.Join(t.TempDir(), "run.html")
	got := command(t, "", "report", record, "-o", out)
	if got.code != exitDone || got.out != "" || !strings.Contains(got.err, "run.html, ") {
		t.Fatalf("status %d: %s%s", got.code, got.out, got.err)
	}
	page, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	if again := command(t, "", "report", record); again.out != string(page) {
		t.Error("two reports of one record differ")
	}
	text := string(page)
	for _, want := range []string{"&lt;img src=x onerror=alert(1)&gt;", "&lt;script&gt;ne", "&lt;/td&gt;&lt;script&gt;alert(2)"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q", want)
		}
	}
	if strings.Contains(text, "<script") || strings.Contains(text, "<img") || strings.Contains(text, "\x1b") || strings.Contains(text, "NaN") {
		t.Error("text of the record got out of hand")
	}
	if n := strings.Count(text, "<svg"); n != 8 {
		t.Errorf("%d figures, want 8", n)
	}

	// The file is there now: only --force replaces it, and nothing replaces the record.
	for _, c := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"-o", out}, exitUsage, "--force replaces it"},
		{[]string{"-o", out, "--force"}, exitDone, ""},
		{[]string{"-o", record, "--force"}, exitUsage, "that is the record itself"},
		{[]string{"-o", filepath.Join(t.TempDir(), "none", "run.html")}, exitFailed, "no such file"},
		{[]string{"--setup", record + ".toml"}, exitUsage, "no such file"},
	} {
		if got := command(t, "", append([]string{"report", record}, c.args...)...); got.code != c.code || !strings.Contains(got.err, c.want) {
			t.Errorf("%v: status %d: %s", c.args, got.code, got.err)
		}
	}
	if kept, err := os.ReadFile(record); err != nil || string(kept) != strings.Join(lines, "\n")+"\n" {
		t.Error("the record was touched")
	}
}

// SHA-256 of "abc" as FIPS 180-4 prints it.
func TestReportChecksum(t *testing.T) {
	path := writeFile(t, "abc", "abc")
	size, sum, err := recordSum(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	if size != 3 || sum != "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" {
		t.Errorf("%d bytes, %s", size, sum)
	}
	if grown(path, size) {
		t.Error("the file did not grow")
	}
	if err := os.WriteFile(path, []byte("abcd"), 0o644); err != nil || !grown(path, size) {
		t.Errorf("the file grew: %v", err)
	}
}

// Damaged records are reported as far as they go, and say so; where there is nothing to
// report the exit status is 1 and the message says why.
func TestReportDamaged(t *testing.T) {
	whole := shortRun(t)
	text := strings.Join(whole, "\n") + "\n"
	run := whole[0]
	for name, c := range map[string]struct {
		text string
		code int
		want []string // in the report, or in the message
	}{
		"torn, without end":  {text[:len(text)*2/3], exitDone, []string{"The last line is torn", "The record has no end line", "± "}},
		"garbage within":     {strings.Replace(text, "\n", "\ngarbage\n{\"type\":\"spectrum\"}\n", 1), exitDone, []string{"Lines that could not be used: 2 not valid", "Fault: "}},
		"nothing":            {"", exitFailed, []string{"holds no spectra"}},
		"garbage":            {"\x00\x01\x02\nwhat\n", exitFailed, []string{"holds no spectra", "not an event"}},
		"newer format":       {strings.Replace(text, `"format":1`, `"format":2`, 1), exitFailed, []string{"nothing to report", "newer format"}},
		"run line only":      {run + "\n", exitFailed, []string{"holds no spectra"}},
		"no run line":        {text[len(run)+1:], exitFailed, []string{"none of its", "can be read"}},
		"wrong set-up":       {run + "\n" + `{"type":"setup","toml":"[target]\nthick = 3"}` + "\n" + text[len(run)+1:], exitUsage, []string{"found an unknown key"}},
		"reflectance of one": {`{"type":"run","format":1,"channels":{"vis":{"wavelength_poly":[400,2],"pixels":300}}}` + "\n" + `{"type":"spectrum","time_s":1,"channel":"vis","reflectance":[` + strings.Repeat("0.3,", 299) + "0.3]}\n", exitDone, []string{"No reading could be trusted", "No thickness was found", "No set-up is known"}},
	} {
		got := command(t, "", "report", writeFile(t, "run.jsonl", c.text), "--markdown")
		if got.code != c.code {
			t.Errorf("%s: status %d: %s", name, got.code, got.err)
			continue
		}
		said := got.err
		if got.code == exitDone {
			said = strings.ReplaceAll(got.out, `\`, "")
		} else if got.out != "" {
			t.Errorf("%s: something was written", name)
		}
		for _, want := range c.want {
			if !strings.Contains(said, want) {
				t.Errorf("%s: no %q in %s", name, want, said)
			}
		}
	}
	if got := command(t, "", "report", filepath.Join(t.TempDir(), "none.jsonl")); got.code != exitUsage || !strings.Contains(got.err, "no record") {
		t.Errorf("status %d: %s", got.code, got.err)
	}
	if got := command(t, "", "report", t.TempDir()); got.code != exitUsage || !strings.Contains(got.err, "is no file") {
		t.Errorf("status %d: %s", got.code, got.err)
	}
}

func TestThinned(t *testing.T) {
	for _, n := range []int{0, 1, 7, 8, 9, 100, 1000} {
		list := thinned[int]{most: 8}
		for i := range n {
			list.add(i)
		}
		if len(list.kept) > 8 || n > 16 && len(list.kept) < 4 {
			t.Errorf("%d: keeps %d", n, len(list.kept))
		}
		for i, v := range list.kept {
			if v != i*list.every {
				t.Errorf("%d: keeps %v, every %d", n, list.kept, list.every)
				break
			}
		}
	}
}
