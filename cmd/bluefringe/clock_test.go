package main

import (
	"encoding/json"
	"strings"
	"testing"
)

// Every spectrum twice changes nothing; spectra from a clock that was set back give no
// estimate, and are told.
func TestClockBackAndDuplicates(t *testing.T) {
	r := makeRun(t)
	set := writeFile(t, "die.toml", r.setup)
	var twice, back []string
	for i, line := range r.lines {
		twice, back = append(twice, line), append(back, line)
		if !strings.Contains(line, `"type":"spectrum"`) {
			continue
		}
		twice = append(twice, line)
		if i > len(r.lines)/2 {
			var fields map[string]any
			if err := json.Unmarshal([]byte(line), &fields); err != nil {
				t.Fatal(err)
			}
			fields["time_s"] = fields["time_s"].(float64) - 1000
			text, err := json.Marshal(fields)
			if err != nil {
				t.Fatal(err)
			}
			back[len(back)-1] = string(text)
		}
	}
	replay := func(lines []string) outcome {
		return command(t, "", "replay", writeFile(t, "run.jsonl", strings.Join(lines, "\n")+"\n"), "--json", "--setup", set)
	}
	clean := replay(r.lines)
	if got := replay(twice); got.out != clean.out || !strings.Contains(got.err, "the same again") {
		t.Errorf("spectra that came twice changed what was said: %.300s", got.err)
	}
	got := replay(back)
	want, said := parse(t, clean.out), parse(t, got.out)
	if !strings.Contains(got.err, "set back") || len(said.estimates) == 0 || len(said.estimates) >= len(want.estimates) {
		t.Errorf("%d estimates of %d: %.300s", len(said.estimates), len(want.estimates), got.err)
	}
	if last := said.advices[len(said.advices)-1]; last.Advice != "blind" && last.Advice != "stop" {
		t.Errorf("the last advice without sight was %+v", last)
	}
}
