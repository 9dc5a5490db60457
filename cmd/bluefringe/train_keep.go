package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/ratebook"

	"github.com/charmbracelet/x/ansi"
)

// left is the mistake of an attempt that the trainee left before its end.
const left = "left"

// attempted is what the book keeps of a run with the thinnest place at its end, as not
// passed.
func (t *trainFlags) attempted(b *trainBench, thinnestUM float64) ratebook.Attempt {
	k := b.run.Lesson
	a := ratebook.Attempt{When: time.Now(), Trainee: t.trainee, Lesson: b.lesson.Name, Assistance: t.assistance, Seed: t.seed, Speed: t.speed,
		TargetUM: k.TargetUM, FloorUM: k.FloorUM, ToleranceUM: k.ToleranceUM, ThinnestUM: *number(thinnestUM, decimalsUM)}
	if t.script != "" {
		a.Speed = 0
	}
	return a
}

// keep puts an attempt into the rate book's file, and says so or why not: a lesson that
// was run is told in any case.
func (t *trainFlags) keep(ctx context.Context, a ratebook.Attempt) string {
	path, err := t.rates.file()
	switch {
	case err != nil:
		return "attempt not kept: " + err.Error()
	case path == "":
		return "attempt not kept, as asked"
	}
	book, err := ratebook.Open(ctx, path)
	if err != nil {
		return "attempt not kept: " + event.Clean(err.Error())
	}
	id, err := book.AddAttempt(ctx, a)
	if err := errors.Join(err, book.Close()); err != nil {
		return "attempt not kept: " + event.Clean(err.Error())
	}
	return fmt.Sprintf("attempt %d of %s kept, on this machine only", id, ansi.Truncate(event.Clean(strings.TrimSpace(t.trainee)), 40, "…"))
}

// attempts returns the attempts of a trainee, none where there is no book yet: to ask
// makes none.
func (t *trainFlags) attempts(ctx context.Context, trainee string) (list []ratebook.Attempt, err error) {
	path, err := t.rates.file()
	if err != nil || path == "" {
		return nil, err
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	book, err := ratebook.Open(ctx, path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, book.Close()) }()
	return book.Attempts(ctx, trainee)
}

// tally is what attempts at one lesson came to.
type tally struct {
	attempts, passed, best int
}

// bestScores sums attempts up by the lesson's name.
func bestScores(attempts []ratebook.Attempt) map[string]tally {
	sums := map[string]tally{}
	for _, a := range attempts {
		s := sums[a.Lesson]
		s.attempts++
		if a.Passed {
			s.passed++
		}
		s.best = max(s.best, a.Score)
		sums[a.Lesson] = s
	}
	return sums
}
