package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/lessons"
	"bluefringe/removal/lesson"

	"go.uber.org/goleak"
)

// trainBook is a rate book's name for a test.
func trainBook(t *testing.T) string {
	t.Helper()
	return filepath.Join(t.TempDir(), "book.sqlite")
}

func TestTrainLists(t *testing.T) {
	book := trainBook(t)
	got := command(t, "", "train", "--rates", book)
	if got.code != exitDone || strings.Count(got.out, "not tried yet") != 10 || !strings.Contains(got.err, "invented") {
		t.Errorf("%d %s%s", got.code, got.out, got.err)
	}
	if _, err := os.Stat(book); err == nil {
		t.Error("a list makes a rate book")
	}
}

func TestTrainScript(t *testing.T) {
	book := trainBook(t)
	script := writeFile(t, "stop.txt", "30 force 1.5 # a little more\n48 stop\n")
	args := []string{"train", "1", "--seed", "1", "--script", script, "--rates", book, "--trainee", "Wren  of\tthe quay\x1b", "--json"}
	got := command(t, "", args...)
	if got.code != exitDone || !strings.Contains(got.err, "attempt 1 of Wren") {
		t.Fatalf("%d %s", got.code, got.err)
	}
	var result resultLine
	var cues []cueLine
	for i, line := range strings.Split(strings.TrimSpace(got.out), "\n") {
		if i == 0 {
			if err := json.Unmarshal([]byte(line), &result); err != nil {
				t.Fatal(err)
			}
			continue
		}
		var c cueLine
		if err := json.Unmarshal([]byte(line), &c); err != nil {
			t.Fatal(err)
		}
		cues = append(cues, c)
	}
	if result.Type != "result" || result.Lesson != "clean" || result.Seed != 1 || result.Score == 0 || result.Trainee == "" ||
		!reflect.DeepEqual(result.Actions, []string{"30 force 1.5", "48 stop"}) || result.Advised.ThinnestUM == nil {
		t.Errorf("%+v", result)
	}
	if len(cues) == 0 || len(cues[0].WavelengthNM) == 0 || len(cues[0].WavelengthNM) != len(cues[0].Reflectance) {
		t.Errorf("%d cues without a spectrum", len(cues))
	}
	if again := command(t, "", args...); again.out != got.out {
		t.Error("the same seed and script give another result")
	}

	// In words, with the score in the list and in the progress.
	words := command(t, "", "train", "clean", "--seed", "1", "--script", script, "--rates", book, "--trainee", "wren of the quay", "--ascii")
	if words.code != exitDone || !strings.Contains(words.out, "Following the advice on the same die") || !strings.Contains(words.out, "430 nm") {
		t.Errorf("%d %s%s", words.code, words.out, words.err)
	}
	for _, r := range words.out {
		if r > 127 {
			t.Fatalf("--ascii draws %q", r)
		}
	}
	progress := command(t, "", "train", "progress", "--rates", book, "--all", "--csv")
	rows, err := csv.NewReader(strings.NewReader(progress.out)).ReadAll()
	if err != nil || len(rows) != 4 || rows[0][8] != "score" || rows[1][3] != "clean" || strings.ContainsRune(rows[1][2], '\x1b') {
		t.Errorf("%q %v", rows, err)
	}
	table := command(t, "", "train", "progress", "--rates", book, "--trainee", "WREN of the quay")
	if !strings.Contains(table.out, "clean") || !strings.Contains(table.out, "tries") {
		t.Errorf("%s%s", table.out, table.err)
	}
	lines := command(t, "", "train", "progress", "--rates", book, "--all", "--json")
	if strings.Count(lines.out, `"type":"attempt"`) != 3 {
		t.Errorf("%s", lines.out)
	}
	list := command(t, "", "train", "--rates", book, "--trainee", "wren of the quay", "--json")
	var first lessonLine
	if err := json.Unmarshal([]byte(strings.SplitN(list.out, "\n", 2)[0]), &first); err != nil || first.Best == nil || first.Attempts != 1 {
		t.Errorf("%+v %v", first, err)
	}
}

// A run that is left with the pad down once is an attempt, not passed.
func TestTrainLeft(t *testing.T) {
	list, err := lessons.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	flags := trainFlags{assistance: lessons.Full, seed: 3, speed: 2, trainee: "Wren", rates: rateFlag{path: trainBook(t)}}
	var out, talk strings.Builder
	st := streams{out: &out, err: &talk}
	b, err := newTrainBench(list[0], flags.seed, flags.assistance, flags.speed)
	if err != nil {
		t.Fatal(err)
	}
	flags.leave(t.Context(), st, b)
	if got, _ := flags.attempts(t.Context(), ""); len(got) != 0 || !strings.Contains(talk.String(), "before the pad came down") {
		t.Errorf("%v %s", got, talk.String())
	}
	b.machine.Opening()
	for b.doneS < 20 {
		if _, err := b.next(func(event.Body) error { return nil }); err != nil {
			t.Fatal(err)
		}
	}
	flags.leave(t.Context(), st, b)
	got, err := flags.attempts(t.Context(), "wren")
	if err != nil || len(got) != 1 || got[0].Passed || got[0].Score != 0 || got[0].Fault != left || got[0].Speed != 2 || !(got[0].MissUM() > 0) {
		t.Errorf("%+v %v", got, err)
	}
	if !strings.Contains(talk.String(), "train clean --seed 3 --assistance full") || out.Len() > 0 {
		t.Errorf("%s%s", talk.String(), out.String())
	}
}

// When the pad came off: by a lift after which there was a stop, or never, which is the end.
func TestTrainLifted(t *testing.T) {
	for script, want := range map[string]func(liftedS float64) bool{
		"30 lift\n30.5 stop": func(s float64) bool { return s == 32 },
		"20 lift\n25 polish": func(s float64) bool { return s > 60 },
	} {
		got := command(t, "", "train", "clean", "--seed", "1", "--script", writeFile(t, "s.txt", script), "--rates", "none", "--json")
		var result resultLine
		if err := json.Unmarshal([]byte(strings.SplitN(got.out, "\n", 2)[0]), &result); err != nil || result.LiftedS == nil || !want(*result.LiftedS) {
			t.Errorf("%q: %v: %.300s", script, err, got.out)
		}
	}
}

func TestTrainLeavesTheBookAlone(t *testing.T) {
	script := writeFile(t, "stop.txt", "20 stop\n")
	got := command(t, "", "train", "line", "--seed", "2", "--script", script, "--rates", "none", "--json")
	if got.code != exitDone || !strings.Contains(got.err, "not kept, as asked") {
		t.Errorf("%d %s", got.code, got.err)
	}
}

func TestTrainRefuses(t *testing.T) {
	script := writeFile(t, "s.txt", "20 stop\n")
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "a.toml"), []byte("number = 1\nnam = 'x'\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"luck"}, `no lesson "luck": allowed are clean, spacing,`},
		{[]string{"11"}, `no lesson "11"`},
		{[]string{"clean"}, "a lesson needs a terminal, or --script"},
		{[]string{"clean", "--script", script, "--speed", "30"}, "--speed: found 30: 1 to 20 is allowed"},
		{[]string{"clean", "--script", script, "--assistance", "some"}, `--assistance: found "some": one of full, fringes, blind is allowed`},
		{[]string{"clean", "--script", script, "--trainee", " "}, "--trainee: found no name"},
		{[]string{"clean", "--script", writeFile(t, "p.txt", "20 polish\n"), "--rates", "none"}, "polish at 20 s: the pad is on the die already"},
		{[]string{"clean", "--script", writeFile(t, "q.txt", "20 stob\n")}, `q.txt: line 1: found "stob"`},
		{[]string{"clean", "--script", filepath.Join(folder, "no")}, "no such file"},
		{[]string{"--lessons", folder}, "a.toml:2: nam: found an unknown key: the nearest known key is name"},
		{[]string{"progress", "--all", "--trainee", "x"}, "--all and --trainee"},
		{[]string{"progress", "--trainee", "\t"}, "--trainee: found no name"},
		{[]string{"clean", "--script", writeFile(t, "l.txt", strings.Repeat("#", 1<<20+1)), "--rates", "none"}, "found more than 1048576 bytes"},
		{[]string{"--lessons", filepath.Join(folder, "none")}, "none: "},
	} {
		got := command(t, "", append([]string{"train"}, c.args...)...)
		if got.code != exitUsage || !strings.Contains(got.err, c.want) {
			t.Errorf("%v: %d %s, want %s", c.args, got.code, got.err, c.want)
		}
	}
}

// A live run is paced by the clock, and the same actions as a script give the same run.
func TestLiveIsTheScript(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	list, err := lessons.Embedded()
	if err != nil {
		t.Fatal(err)
	}
	l := list[8] // loses its line: time goes on without spectra
	l.Die.StartUM = lessons.Range{2.25, 2.3}
	const speed = 20
	b, err := newTrainBench(l, 4, lessons.Full, speed)
	if err != nil {
		t.Fatal(err)
	}
	who := newLiveTrainee(t.Context(), b, &trainFlags{speed: speed, assistance: lessons.Full})
	who.view = &boardSink{}
	keys := who.controls()
	began := time.Now()
	said := make(chan []string, 1)
	go func() {
		var answers []string
		for _, k := range []int{5, 1, 2, 0} { // more force, lift, wipe, stop
			time.Sleep(150 * time.Millisecond)
			answers = append(answers, keys[k].Do(""))
		}
		said <- append(answers, keys[1].Do(""))
	}()
	live, err := play(t.Context(), b, who, nil)
	close(who.over)
	if err != nil {
		t.Fatal(err)
	}
	answers := <-said
	if len(live.Actions) != 4 || answers[0] != "force 1.54 N" || answers[3] != "stop: the pad is on its way off the die" || answers[4] == "lifting" {
		t.Fatalf("%v after %q", live.Actions, answers)
	}
	if took := time.Since(began).Seconds() * speed; took < live.Moments[len(live.Moments)-1].TimeS-1 {
		t.Errorf("the run took %g s of its time", took)
	}
	var script []string
	for _, a := range live.Actions {
		script = append(script, a.String())
	}
	actions, err := lesson.ParseScript(strings.Join(script, "\n"))
	if err != nil {
		t.Fatal(err)
	}
	again, err := newTrainBench(l, 4, lessons.Full, speed)
	if err != nil {
		t.Fatal(err)
	}
	scriptRun, err := play(t.Context(), again, &scripted{actions}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(scriptRun.Moments) != len(live.Moments) || scriptRun.Landing() != live.Landing() {
		t.Errorf("live %+v, by script %+v", live.Landing(), scriptRun.Landing())
	}
}
