package ratebook

import (
	"fmt"
	"testing"
)

func BenchmarkAdd(b *testing.B) {
	book := newBook(b)
	n := 0
	for b.Loop() {
		r := past(1)
		r.Checksum = fmt.Sprintf("%064d", n)
		n++
		add(b, book, r)
	}
}

// BenchmarkPrior reads and pools a book of 2000 runs: some years of one machine.
func BenchmarkPrior(b *testing.B) {
	book := newBook(b)
	tx, err := book.db.Begin()
	if err != nil {
		b.Fatal(err)
	}
	for n := range 2000 {
		if _, err := tx.Exec(`INSERT INTO run (checksum, when_ms, job, material, pad, slurry, note, pressure_pa, speed_m_s, pad_mm, preston_per_pa, preston_rel_sd)
			VALUES (?, ?, 'invented', 'silicon', 'felt', 'colloid A', '', 2e5, 0.25, 3, ?, 0.05)`, fmt.Sprintf("%064d", n), n*1e6, 2e-13*(1+float64(n%20)/50)); err != nil {
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if p, err := book.Prior(b.Context(), next()); err != nil || len(p.Runs) != 2000 {
			b.Fatalf("%d runs, %v", len(p.Runs), err)
		}
	}
}
