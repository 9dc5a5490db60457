package ratebook

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
)

// ErrNoRun marks an ID that is not in the book.
var ErrNoRun = errors.New("no such run")

const columns = `checksum, when_ms, job, material, pad, slurry, note,
	pad_mm, force_n, pressure_pa, speed_m_s, preston_per_pa, preston_rel_sd, glazing_s, removed_um, polished_s`

// Add puts a run into the book and returns its ID. A run whose checksum is there
// already is brought up to date (replaced is true): it keeps its ID and When, since a
// replay may not know when the run began, and its note where the new one has none.
func (b *Book) Add(ctx context.Context, r Run) (id int64, replaced bool, err error) {
	r, err = r.checked()
	if err != nil {
		return 0, false, fmt.Errorf("run for the rate book: %w", err)
	}
	id, replaced, err = b.add(ctx, r)
	return id, replaced, b.explain(ctx, err)
}

func (b *Book) add(ctx context.Context, r Run) (id int64, replaced bool, err error) {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return 0, false, err
	}
	defer tx.Rollback() // nothing after Commit
	err = tx.QueryRowContext(ctx, "SELECT 1 FROM run WHERE checksum = ?", r.Checksum).Scan(new(int))
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return 0, false, err
	}
	replaced = err == nil
	err = tx.QueryRowContext(ctx, `INSERT INTO run (`+columns+`) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT (checksum) DO UPDATE SET
			job = excluded.job, material = excluded.material, pad = excluded.pad, slurry = excluded.slurry,
			note = CASE excluded.note WHEN '' THEN note ELSE excluded.note END,
			pad_mm = excluded.pad_mm, force_n = excluded.force_n, pressure_pa = excluded.pressure_pa,
			speed_m_s = excluded.speed_m_s, preston_per_pa = excluded.preston_per_pa,
			preston_rel_sd = excluded.preston_rel_sd, glazing_s = excluded.glazing_s,
			removed_um = excluded.removed_um, polished_s = excluded.polished_s
		RETURNING id`,
		r.Checksum, r.When.UnixMilli(), r.Job, r.Material, r.Pad, r.Slurry, r.Note,
		null(r.PadMM), null(r.ForceN), null(r.PressurePa), null(r.SpeedMS), r.PrestonPerPa, r.PrestonRelSD,
		null(r.GlazingS), null(r.RemovedUM), null(r.PolishedS)).Scan(&id)
	if err != nil {
		return 0, false, err
	}
	return id, replaced, tx.Commit()
}

// null is how a number that is not known is stored.
func null(v float64) sql.NullFloat64 { return sql.NullFloat64{Float64: v, Valid: !math.IsNaN(v)} }

// Filter chooses runs; an empty field takes all. Texts are compared without regard
// to case and to the number of spaces.
type Filter struct {
	Material, Slurry string
	PadMM            float64   // within 2 %; 0: any
	Since, Before    time.Time // Since itself is in, Before itself is out
}

func (f Filter) takes(r Run) bool {
	return (f.Material == "" || same(f.Material, r.Material)) &&
		(f.Slurry == "" || same(f.Slurry, r.Slurry)) &&
		(f.PadMM == 0 || within(f.PadMM, r.PadMM, sameSize)) &&
		(f.Since.IsZero() || !r.When.Before(f.Since)) &&
		(f.Before.IsZero() || r.When.Before(f.Before))
}

// List returns the runs that the filter takes, the oldest first.
func (b *Book) List(ctx context.Context, f Filter) ([]Run, error) {
	f.Material, f.Slurry = clean(f.Material), clean(f.Slurry)
	runs, err := b.list(ctx, f.takes)
	return runs, b.explain(ctx, err)
}

func (b *Book) list(ctx context.Context, takes func(Run) bool) ([]Run, error) {
	rows, err := b.db.QueryContext(ctx, "SELECT id, "+columns+" FROM run ORDER BY when_ms, id")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var runs []Run
	for rows.Next() {
		r, err := scan(rows)
		if err != nil {
			return nil, err
		}
		if takes(r) {
			runs = append(runs, r)
		}
	}
	return runs, rows.Err()
}

func scan(rows *sql.Rows) (Run, error) {
	var r Run
	var whenMS int64
	to := []any{&r.ID, &r.Checksum, &whenMS, &r.Job, &r.Material, &r.Pad, &r.Slurry, &r.Note}
	numbers := []*float64{&r.PadMM, &r.ForceN, &r.PressurePa, &r.SpeedMS, &r.PrestonPerPa, &r.PrestonRelSD, &r.GlazingS, &r.RemovedUM, &r.PolishedS}
	read := make([]sql.NullFloat64, len(numbers))
	for i := range read {
		to = append(to, &read[i])
	}
	if err := rows.Scan(to...); err != nil {
		return r, err
	}
	for i, v := range numbers {
		if *v = read[i].Float64; !read[i].Valid {
			*v = math.NaN()
		}
	}
	// The file may have been written by others: nothing in it is trusted more than
	// what comes through Add.
	r.When = time.UnixMilli(whenMS)
	id := r.ID
	r, err := r.checked()
	if err != nil {
		return r, fmt.Errorf("run %d: %w", id, err)
	}
	return r, nil
}

// Forget removes runs. When one of the IDs is not in the book the error is ErrNoRun
// and all stay.
func (b *Book) Forget(ctx context.Context, ids ...int64) error {
	return b.explain(ctx, b.forget(ctx, ids))
}

func (b *Book) forget(ctx context.Context, ids []int64) error {
	tx, err := b.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // nothing after Commit
	for _, id := range ids {
		result, err := tx.ExecContext(ctx, "DELETE FROM run WHERE id = ?", id)
		if err != nil {
			return err
		}
		if n, err := result.RowsAffected(); err != nil {
			return err
		} else if n == 0 {
			return fmt.Errorf("%w: %d", ErrNoRun, id)
		}
	}
	return tx.Commit()
}

// same compares clean names as people write them.
func same(a, b string) bool { return strings.EqualFold(a, b) }

// sameSize is the factor within which two pads are of one size.
const sameSize = 1.02

// within tells whether two numbers differ by no more than a factor; false when one
// of them is not known.
func within(a, b, factor float64) bool {
	return a > 0 && b > 0 && a <= factor*b && b <= factor*a
}
