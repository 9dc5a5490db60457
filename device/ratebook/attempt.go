package ratebook

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"bluefringe/device/event"
)

// Attempt is one run of a trainee on a simulated die. Texts are cleaned and bounded by
// AddAttempt.
type Attempt struct {
	ID         int64 // given by AddAttempt
	When       time.Time
	Trainee    string // any text, needed
	Lesson     string // its name, needed
	Assistance string
	Seed       uint64
	Speed      float64 // run seconds per second; 0: by a script
	Passed     bool
	Score      int // 0 to 100

	TargetUM, FloorUM, ToleranceUM float64
	ThinnestUM                     float64 // truth, at the end
	LostS                          float64
	Fault                          string // what went wrong; empty where it passed
}

// checked returns the attempt as it is stored, or says what is wrong with it.
func (a Attempt) checked() (Attempt, error) {
	for _, text := range []*string{&a.Trainee, &a.Lesson, &a.Assistance, &a.Fault} {
		*text = clean(*text)
	}
	switch year := a.When.UTC().Year(); {
	case a.Trainee == "" || a.Lesson == "":
		return a, fmt.Errorf("found trainee %q and lesson %q: neither may be empty", event.Clean(a.Trainee), event.Clean(a.Lesson))
	case year < 1970 || year > 9999:
		return a, fmt.Errorf("when: found the year %d: 1970 to 9999 is allowed", year)
	case a.Score < 0 || a.Score > 100:
		return a, fmt.Errorf("score: found %d: 0 to 100 is allowed", a.Score)
	}
	a.When = a.When.UTC().Truncate(time.Millisecond)
	for _, b := range []bounded{
		{"target_um", &a.TargetUM, 1e-6, 1e4}, {"floor_um", &a.FloorUM, 0, 1e4}, {"tolerance_um", &a.ToleranceUM, 0, 1e4},
		{"thinnest_um", &a.ThinnestUM, 0, 1e4}, {"lost_s", &a.LostS, 0, 1e7}, {"speed", &a.Speed, 0, 1e6},
	} {
		if v := *b.value; !(v >= b.least && v <= b.most) {
			return a, fmt.Errorf("%s: found %g: %g to %g is allowed", b.name, v, b.least, b.most)
		}
	}
	return a, nil
}

const attemptColumns = `when_ms, trainee, lesson, assistance, seed, speed, passed, score, target_um, floor_um, tolerance_um, thinnest_um, lost_s, fault`

// AddAttempt keeps an attempt and returns its ID.
func (b *Book) AddAttempt(ctx context.Context, a Attempt) (id int64, err error) {
	if a, err = a.checked(); err != nil {
		return 0, fmt.Errorf("attempt for the rate book: %w", err)
	}
	// SQLite's integers have a sign, so that the seed goes in as text.
	err = b.db.QueryRowContext(ctx, "INSERT INTO attempt ("+attemptColumns+") VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) RETURNING id",
		a.When.UnixMilli(), a.Trainee, a.Lesson, a.Assistance, strconv.FormatUint(a.Seed, 10), a.Speed, a.Passed, a.Score,
		a.TargetUM, a.FloorUM, a.ToleranceUM, a.ThinnestUM, a.LostS, a.Fault).Scan(&id)
	return id, b.explain(ctx, err)
}

// Attempts returns the attempts of a trainee, of all for "", the oldest first. Names are
// compared without regard to case and to the number of spaces.
func (b *Book) Attempts(ctx context.Context, trainee string) ([]Attempt, error) {
	list, err := b.attempts(ctx)
	if err != nil {
		return nil, b.explain(ctx, err)
	}
	if trainee = clean(trainee); trainee != "" {
		list = slices.DeleteFunc(list, func(a Attempt) bool { return !same(a.Trainee, trainee) })
	}
	return list, nil
}

func (b *Book) attempts(ctx context.Context) ([]Attempt, error) {
	rows, err := b.db.QueryContext(ctx, "SELECT id, "+attemptColumns+" FROM attempt ORDER BY when_ms, id")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var list []Attempt
	for rows.Next() {
		var a Attempt
		var whenMS int64
		var seed string
		if err := rows.Scan(&a.ID, &whenMS, &a.Trainee, &a.Lesson, &a.Assistance, &seed, &a.Speed, &a.Passed, &a.Score,
			&a.TargetUM, &a.FloorUM, &a.ToleranceUM, &a.ThinnestUM, &a.LostS, &a.Fault); err != nil {
			return nil, err
		}
		a.When = time.UnixMilli(whenMS)
		if a.Seed, err = strconv.ParseUint(seed, 10, 64); err != nil {
			return nil, fmt.Errorf("attempt %d: seed: %w", a.ID, err)
		}
		// The file may have been written by others.
		id := a.ID
		if a, err = a.checked(); err != nil {
			return nil, fmt.Errorf("attempt %d: %w", id, err)
		}
		list = append(list, a)
	}
	return list, rows.Err()
}

// MissUM is the thinnest place less the target.
func (a Attempt) MissUM() float64 { return math.Round((a.ThinnestUM-a.TargetUM)*1e6) / 1e6 }
