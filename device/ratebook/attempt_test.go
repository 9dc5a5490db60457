package ratebook

import (
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func attempt(trainee string, score int) Attempt {
	return Attempt{When: time.Date(2026, 3, 2, 8, 0, score, 0, time.UTC), Trainee: trainee, Lesson: "clean", Assistance: "full",
		Seed: math.MaxUint64, Speed: 4, Passed: score >= 50, Score: score,
		TargetUM: 2, FloorUM: 1.5, ToleranceUM: 0.04, ThinnestUM: 1.98, LostS: 3.5, Fault: "reaction"}
}

func TestAttempts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "book.sqlite")
	b := open(t, path)
	add(t, b, past(1)) // both live in one file
	for _, a := range []Attempt{attempt("  Odo \t Tidewater\n", 80), attempt("Ines \x1b[31m µ", 40), attempt("odo tidewater", 90)} {
		if _, err := b.AddAttempt(t.Context(), a); err != nil {
			t.Fatal(err)
		}
	}
	again := open(t, path)
	list, err := again.Attempts(t.Context(), "ODO  tidewater")
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v, %v", list, err)
	}
	want := attempt("Odo Tidewater", 80)
	want.ID = 1
	if list[0] != want {
		t.Errorf("kept %+v, want %+v", list[0], want)
	}
	if list[1].Score != 90 {
		t.Errorf("not the oldest first: %+v", list)
	}
	all, err := again.Attempts(t.Context(), "")
	if err != nil || len(all) != 3 || strings.ContainsRune(all[1].Trainee, '\x1b') {
		t.Errorf("%+v, %v", all, err)
	}
}

func TestAttemptsAreChecked(t *testing.T) {
	b := newBook(t)
	for want, spoil := range map[string]func(*Attempt){
		"neither may be empty":      func(a *Attempt) { a.Trainee = " \t" },
		"score: found 101":          func(a *Attempt) { a.Score = 101 },
		"thinnest_um: found NaN":    func(a *Attempt) { a.ThinnestUM = math.NaN() },
		"lost_s: found -1":          func(a *Attempt) { a.LostS = -1 },
		"when: found the year 1:":   func(a *Attempt) { a.When = time.Time{} },
		"target_um: found 0: 1e-06": func(a *Attempt) { a.TargetUM = 0 },
	} {
		a := attempt("x", 50)
		spoil(&a)
		if _, err := b.AddAttempt(t.Context(), a); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	// What others wrote into the file is checked as well.
	if _, err := b.db.Exec(`INSERT INTO attempt (` + attemptColumns + `) VALUES (1, 'x', 'clean', '', 'seven', 1, 1, 9, 2, 1, 0, 2, 0, '')`); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Attempts(t.Context(), ""); err == nil || !strings.Contains(err.Error(), "attempt 1: seed") {
		t.Errorf("a seed that is no number gives %v", err)
	}
}
