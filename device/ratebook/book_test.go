package ratebook

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
)

func open(t testing.TB, path string) *Book {
	t.Helper()
	b, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

func newBook(t testing.TB) *Book {
	t.Helper()
	return open(t, filepath.Join(t.TempDir(), "book.sqlite"))
}

func add(t testing.TB, b *Book, r Run) int64 {
	t.Helper()
	id, _, err := b.Add(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func list(t testing.TB, b *Book, f Filter) []Run {
	t.Helper()
	runs, err := b.List(t.Context(), f)
	if err != nil {
		t.Fatal(err)
	}
	return runs
}

// equal compares runs in which NaN equals NaN.
func equal(a, b Run) bool {
	numbers := func(r *Run) (out []float64) {
		for _, n := range r.optional() {
			if math.IsNaN(*n.value) {
				*n.value = -1
			}
			out = append(out, *n.value)
		}
		return out
	}
	return reflect.DeepEqual(numbers(&a), numbers(&b)) && reflect.DeepEqual(a, b)
}

func TestAddKeepsEverything(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a folder", "to make", "50% done? #1.sqlite")
	b, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	full := past(1)
	full.Note = "  pad \t new\x1b[31m, “µ” kept\n"
	bare := Run{Checksum: strings.Repeat("AB", 8), When: time.Date(2026, 2, 3, 4, 5, 6, 7_891_000, time.FixedZone("", 3600)),
		PrestonPerPa: 1.5e-13, PrestonRelSD: 0.2, RemovedUM: math.NaN()}
	full.Slurry = "Colloid  A "
	full.ID, bare.ID = add(t, b, full), add(t, b, bare)
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}

	full.Slurry, full.Note = "Colloid A", "pad new\uFFFD[31m, “µ” kept"
	bare.Checksum, bare.When = "abababababababab", time.Date(2026, 2, 3, 3, 5, 6, 7_000_000, time.UTC)
	nan := math.NaN()
	bare.PadMM, bare.ForceN, bare.PressurePa, bare.SpeedMS, bare.GlazingS, bare.PolishedS = nan, nan, nan, nan, nan, nan
	got := list(t, open(t, path), Filter{})
	if len(got) != 2 || !equal(got[0], bare) || !equal(got[1], full) {
		t.Errorf("got  %+v\nwant %+v", got, []Run{bare, full})
	}
}

func TestAddAgainReplaces(t *testing.T) {
	b := newBook(t)
	first := past(1)
	first.Note = "kept"
	id := add(t, b, first)
	other := add(t, b, past(2))

	second := past(1)
	second.PrestonPerPa, second.GlazingS, second.When = 2.2e-13, math.NaN(), first.When.Add(time.Hour)
	second.Checksum = strings.ToUpper(second.Checksum)
	again, replaced, err := b.Add(t.Context(), second)
	if err != nil || !replaced || again != id {
		t.Fatalf("id %d, replaced %v, %v; want %d", again, replaced, err, id)
	}
	got := list(t, b, Filter{})
	if len(got) != 2 || got[1].ID != other {
		t.Fatalf("%+v", got)
	}
	r := got[0]
	if r.PrestonPerPa != 2.2e-13 || !math.IsNaN(r.GlazingS) || !r.When.Equal(first.When) || r.Note != "kept" {
		t.Errorf("%+v", r)
	}
	second.Note = "changed"
	add(t, b, second)
	if got := list(t, b, Filter{}); got[0].Note != "changed" {
		t.Errorf("note %q", got[0].Note)
	}
}

func TestAddRefuses(t *testing.T) {
	b := newBook(t)
	for want, change := range map[string]func(*Run){
		"checksum":       func(r *Run) { r.Checksum = "xyz" },
		"8 to 64 bytes":  func(r *Run) { r.Checksum = "abcd" },
		"when":           func(r *Run) { r.When = time.Time{} },
		"preston_per_pa": func(r *Run) { r.PrestonPerPa = math.NaN() },
		"1e-20 to 1e-09": func(r *Run) { r.PrestonPerPa = 1 },
		"preston_rel_sd": func(r *Run) { r.PrestonRelSD = 0 },
		"pressure_pa":    func(r *Run) { r.PressurePa = -1 },
		"force_n":        func(r *Run) { r.ForceN = math.Inf(1) },
	} {
		r := past(1)
		change(&r)
		if _, _, err := b.Add(t.Context(), r); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
	if runs := list(t, b, Filter{}); len(runs) != 0 {
		t.Errorf("%d runs of what was refused", len(runs))
	}
}

func TestTextsAreBounded(t *testing.T) {
	b := newBook(t)
	r := past(1)
	r.Job, r.Slurry = strings.Repeat("long ", 10000), "\x00\x1b]0;title\a"
	add(t, b, r)
	got := list(t, b, Filter{})[0]
	if n := len([]rune(got.Job)); n > 200 {
		t.Errorf("a job of %d characters", n)
	}
	if strings.ContainsAny(got.Slurry, "\x00\x1b\a") {
		t.Errorf("control characters in %q", got.Slurry)
	}
}

func TestListFilters(t *testing.T) {
	b := newBook(t)
	for n := 1; n <= 4; n++ {
		r := past(n)
		switch n {
		case 2:
			r.Slurry = "colloid B"
		case 3:
			r.PadMM = 5
		case 4:
			r.Material = "glass"
		}
		add(t, b, r)
	}
	for name, c := range map[string]struct {
		filter Filter
		want   int
	}{
		"all":      {Filter{}, 4},
		"material": {Filter{Material: "SILICON"}, 3},
		"slurry":   {Filter{Slurry: " colloid b "}, 1},
		"pad":      {Filter{PadMM: 5.05}, 1},
		"since":    {Filter{Since: past(3).When}, 2},
		"before":   {Filter{Before: past(3).When}, 2},
		"together": {Filter{Material: "silicon", PadMM: 3, Before: past(2).When}, 1},
		"nothing":  {Filter{Material: "quartz"}, 0},
	} {
		if got := list(t, b, c.filter); len(got) != c.want {
			t.Errorf("%s: %d runs, want %d", name, len(got), c.want)
		}
	}
}

func TestForget(t *testing.T) {
	b := newBook(t)
	var ids []int64
	for n := 1; n <= 3; n++ {
		ids = append(ids, add(t, b, past(n)))
	}
	if err := b.Forget(t.Context(), ids[0], 99); !errors.Is(err, ErrNoRun) || !strings.Contains(err.Error(), "99") {
		t.Errorf("%v", err)
	}
	if got := list(t, b, Filter{}); len(got) != 3 {
		t.Errorf("%d runs after a refusal, want all 3", len(got))
	}
	if err := b.Forget(t.Context(), ids[1], ids[2]); err != nil {
		t.Fatal(err)
	}
	if got := list(t, b, Filter{}); len(got) != 1 || got[0].ID != ids[0] {
		t.Errorf("%+v", got)
	}
	// An ID is never used again: what was written down stays true.
	if id := add(t, b, past(9)); id <= ids[2] {
		t.Errorf("ID %d again", id)
	}
}

func TestPriorOfBook(t *testing.T) {
	b := newBook(t)
	for n := 1; n <= 4; n++ {
		r := past(n)
		r.PrestonPerPa = float64(n) * 1e-13
		add(t, b, r)
	}
	q := next()
	q.Factor = 0
	p, err := b.Prior(t.Context(), q)
	if err != nil || len(p.Runs) != 4 {
		t.Fatalf("%d runs, %v", len(p.Runs), err)
	}
	// Equal uncertainties: the median is the geometric mean.
	if want := math.Pow(24, 0.25) * 1e-13; math.Abs(p.PrestonPerPa/want-1) > 1e-12 {
		t.Errorf("median %g, want %g", p.PrestonPerPa, want)
	}
	q.Before = past(3).When
	if p, err = b.Prior(t.Context(), q); err != nil || len(p.Runs) != 2 {
		t.Errorf("%d runs before the third, %v", len(p.Runs), err)
	}
	q.Factor = 0.5
	if _, err = b.Prior(t.Context(), q); err == nil || !strings.Contains(err.Error(), "factor") {
		t.Errorf("%v", err)
	}
}

func TestContext(t *testing.T) {
	b := newBook(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := b.Add(ctx, past(1)); !errors.Is(err, context.Canceled) {
		t.Errorf("Add: %v", err)
	}
	if _, err := b.List(ctx, Filter{}); !errors.Is(err, context.Canceled) {
		t.Errorf("List: %v", err)
	}
	if _, err := Open(ctx, filepath.Join(t.TempDir(), "new.sqlite")); !errors.Is(err, context.Canceled) {
		t.Errorf("Open: %v", err)
	}
}
