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
)

// keep puts an attempt into the rate book's file, and says so or why not: a lesson that
// was run is told in any case.
func (t *trainFlags) keep(ctx context.Context, d told) string {
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
	a := ratebook.Attempt{
		When: time.Now(), Trainee: t.trainee, Lesson: d.lesson.Name, Assistance: t.assistance, Seed: t.seed, Speed: t.speed,
		Passed: d.debrief.Passed, Score: d.debrief.Score, TargetUM: d.debrief.Landing.TargetUM, FloorUM: d.debrief.Landing.FloorUM,
		ToleranceUM: d.debrief.ToleranceUM, ThinnestUM: *number(d.debrief.Landing.ThinnestUM, decimalsUM), LostS: *number(d.debrief.LostS, decimalsS), Fault: d.debrief.Fault,
	}
	if t.script != "" {
		a.Speed = 0
	}
	id, err := book.AddAttempt(ctx, a)
	if err := errors.Join(err, book.Close()); err != nil {
		return "attempt not kept: " + event.Clean(err.Error())
	}
	return fmt.Sprintf("attempt %d of %s kept, on this machine only", id, event.Clean(strings.TrimSpace(t.trainee)))
}

// attempts returns the attempts of a trainee, none where there is no book yet: to ask
// makes none.
func (t *trainFlags) attempts(ctx context.Context, trainee string) (list []ratebook.Attempt, err error) {
	path, err := t.rates.file()
	if err != nil || path == "" {
		return nil, nil
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
	last                   time.Time
	lastScore              int
}

// bestScores sums attempts up by the lesson's name. They come the oldest first.
func bestScores(attempts []ratebook.Attempt) map[string]tally {
	sums := map[string]tally{}
	for _, a := range attempts {
		s := sums[a.Lesson]
		s.attempts++
		if a.Passed {
			s.passed++
		}
		s.best = max(s.best, a.Score)
		s.last, s.lastScore = a.When, a.Score
		sums[a.Lesson] = s
	}
	return sums
}
