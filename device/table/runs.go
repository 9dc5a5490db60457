package table

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/device/table/export"
)

// run is a stretch of rows whose first number goes on rising or falling.
type run struct {
	rows    []int // indices into the sheet
	skipped []int // rows of text between them
	x       int   // field of the abscissa
	width   int   // fields
	raw     int   // fewest fields of a row, empty ones at its end counted
	dir     int   // +1, -1; 0 after one row
	resumed int   // rows before the last interruption by more than one row
	last    float64
}

// mostBetween is how many rows of text may interrupt a run.
const mostBetween = 5

// numeric reports a row that can belong to columns of numbers: a number, then numbers or
// gaps; words only behind the second field.
func (s *sheet) numeric(r *row) bool {
	if r.kinds[r.first] != number || r.remark() {
		return false
	}
	next := r.is(r.first + 1)
	if next == text {
		return false
	}
	values := r.count(number, 0) + r.count(missing, 0)
	return values >= 2 || s.separator != Blank && len(r.kinds) >= 2 && values == r.width-r.first
}

// runs cuts the sheet into runs.
func (s *sheet) runs() []*run {
	var out []*run
	var cur *run
	between := 0
	for i := range s.rows {
		r := &s.rows[i]
		if !s.numeric(r) {
			between++
			continue
		}
		if cur != nil && between == 0 && cur.repeats(s, r) {
			cur.skipped = append(cur.skipped, i)
			continue
		}
		if cur != nil && between <= mostBetween && cur.takes(s, r, between > 0) {
			for j := i - between; j < i; j++ {
				cur.skipped = append(cur.skipped, j)
			}
			if between > 1 {
				cur.resumed = len(cur.rows)
			}
			cur.add(i, r)
		} else {
			cur = &run{x: r.first, width: r.width, raw: len(r.kinds)}
			cur.add(i, r)
			out = append(out, cur)
		}
		between = 0
	}
	return out
}

func (u *run) add(i int, r *row) {
	u.rows = append(u.rows, i)
	u.width = max(u.width, r.width)
	u.raw = min(u.raw, len(r.kinds))
	if r.first != u.x {
		return // the first of several pairs has ended
	}
	if v := r.values[u.x]; len(u.rows) == 1 {
		u.last = v
	} else {
		u.dir = 1
		if v < u.last {
			u.dir = -1
		}
		u.last = v
	}
}

// repeats reports a row that is the last one once more.
func (u *run) repeats(s *sheet, r *row) bool {
	last := &s.rows[u.rows[len(u.rows)-1]]
	return r.first == last.first && same(r.values, last.values)
}

// takes reports whether the row goes on with the run. Behind an interruption the row must
// also follow at the same pace.
func (u *run) takes(s *sheet, r *row, interrupted bool) bool {
	fits := r.width == u.width
	if s.separator != Blank {
		fits = fits || r.width <= u.raw && len(r.kinds) >= u.width
	}
	if !fits {
		return false
	}
	if r.first != u.x {
		return r.first > u.x && (r.first-u.x)%2 == 0 && u.width-u.x >= 4
	}
	step := r.values[u.x] - u.last
	if step == 0 || u.dir != 0 && float64(u.dir)*step < 0 {
		return false
	}
	if !interrupted {
		return true
	}
	if len(u.rows) < minPoints {
		return false
	}
	const pace = 20
	return math.Abs(step) <= pace*u.lastPace(s)
}

// paceRows is how many rows tell the pace: grids may be uneven over their length.
const paceRows = 64

// pace is the median step of the abscissa over some rows.
func (u *run) pace(s *sheet, rows []int) float64 {
	var steps []float64
	for i := 1; i < len(rows); i++ {
		if d := math.Abs(s.rows[rows[i]].number(u.x) - s.rows[rows[i-1]].number(u.x)); !math.IsNaN(d) {
			steps = append(steps, d)
		}
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

func (u *run) firstPace(s *sheet) float64 { return u.pace(s, u.rows[:min(len(u.rows), paceRows)]) }
func (u *run) lastPace(s *sheet) float64  { return u.pace(s, u.rows[max(0, len(u.rows)-paceRows):]) }

// column returns the numbers of a field in all rows of a run, NaN where there is none.
func (s *sheet) column(u *run, field int) []float64 {
	out := make([]float64, len(u.rows))
	for i, at := range u.rows {
		out[i] = s.rows[at].number(field)
	}
	return out
}

// number is the number in a field, NaN when there is none.
func (r *row) number(field int) float64 {
	if r.is(field) != number {
		return math.NaN()
	}
	return r.values[field]
}

// behead takes numbers of a header off the front of a run: rows far from the pace of the
// others. It returns them.
func (u *run) behead(s *sheet) []int {
	const enough, far = 10, 10
	pace, n := u.firstPace(s), 0
	for len(u.rows)-n > enough && u.width >= 2 {
		first, second := s.rows[u.rows[n]].number(u.x), s.rows[u.rows[n+1]].number(u.x)
		if !(math.Abs(second-first) > far*pace) {
			break
		}
		n++
	}
	off := u.rows[:n]
	u.rows = u.rows[n:]
	return off
}

// betail takes a few numbers of a log off the end of a run: rows behind an interruption. It
// returns them.
func (u *run) betail() []int {
	if u.resumed < minPoints || len(u.rows)-u.resumed >= minPoints {
		return nil
	}
	off := u.rows[u.resumed:]
	u.rows = u.rows[:u.resumed]
	return off
}

// mainRun returns the run with most rows; its place among runs is returned too.
func mainRun(runs []*run) (*run, int) {
	at := -1
	for i, u := range runs {
		if u.width-u.x >= 2 && (at < 0 || len(u.rows) > len(runs[at].rows)) {
			at = i
		}
	}
	if at < 0 || len(runs[at].rows) < minPoints {
		return nil, -1
	}
	return runs[at], at
}

// stacked returns the runs that are spectra: the main one and those like it. Others are
// noted, or are an error where they stand so that the main run may be cut short.
func (s *sheet) stacked(runs []*run, o *Options) (out []*run, notes remarks, err error) {
	main, at := mainRun(runs)
	if main == nil {
		return nil, notes, export.ErrNone
	}
	for i, u := range runs {
		if i == 0 || !s.adjoin(runs[i-1], u) {
			for _, at := range u.behead(s) {
				notes.addf("line %d was left out: %s, far from the lines that follow", s.rows[at].line, quote(s.rows[at].text))
			}
		}
	}
	for _, u := range runs {
		for _, at := range u.betail() {
			notes.addf("line %d was left out: %s, behind other lines", s.rows[at].line, quote(s.rows[at].text))
		}
	}
	axis := s.column(main, main.x)
	var before *run // the last like the main one
	for i, u := range runs {
		if u.width == main.width && len(u.rows) > 1 {
			if at := s.torn(before, u); at > 0 {
				return nil, notes, lineErrorf(s.rows[at].line, "found %s in the middle of a spectrum: repair the line, or take it out", quote(s.rows[at].text))
			}
			before = u
		}
		x := s.column(u, u.x)
		switch {
		case u == main || u.width == main.width && same(x, axis):
			out = append(out, u)
			for _, j := range u.skipped {
				notes.addf("line %d was left out: %s", s.rows[j].line, quote(s.rows[j].text))
			}
			continue
		case s.adjoins(runs, i, at):
			if len(u.rows) < minPoints && i < at && !s.near(u, main) {
				notes.addf("%s", s.leftOut(u)) // numbers of the header
				continue
			}
			return nil, notes, s.broken(main, u, i > at)
		case len(u.rows) >= minPoints && 4*len(u.rows) >= len(main.rows) && u.width-u.x >= 2 && o.Plausible(x, "") > 0:
			out = append(out, u)
			continue
		}
		if i > at || len(u.rows) >= minPoints {
			notes.addf("%s", s.leftOut(u))
		}
	}
	return out, notes, nil
}

// adjoins reports whether run i stands right before or behind the main run, without so
// much as a blank line between.
func (s *sheet) adjoins(runs []*run, i, main int) bool {
	if i != main-1 && i != main+1 {
		return false
	}
	return s.adjoin(runs[min(i, main)], runs[max(i, main)])
}

func (s *sheet) adjoin(before, after *run) bool {
	return s.rows[before.rows[len(before.rows)-1]].line+1 == s.rows[after.rows[0]].line
}

// torn returns a row between two runs that goes on with the abscissa of the first, towards
// that of the second: a spectrum with a spoilt line. It is 0 when there is none.
func (s *sheet) torn(before, after *run) int {
	if before == nil {
		return 0
	}
	next := s.rows[after.rows[0]].number(after.x)
	for i := before.rows[len(before.rows)-1] + 1; i < after.rows[0]; i++ {
		v := s.rows[i].number(s.rows[i].first)
		if (before.last < v && v < next) || (before.last > v && v > next) {
			return i
		}
	}
	return 0
}

// near reports whether a few rows before the main run may belong to it.
func (s *sheet) near(u, main *run) bool {
	const close = 10
	gap := math.Abs(s.rows[main.rows[0]].number(main.x) - u.last)
	return u.width == main.width && gap <= close*main.firstPace(s)
}

// broken says why a run that adjoins the main run is none of its own.
func (s *sheet) broken(main, u *run, behind bool) error {
	before, after := u, main
	if behind {
		before, after = main, u
	}
	last, next := &s.rows[before.rows[len(before.rows)-1]], &s.rows[after.rows[0]]
	if last.width != next.width {
		return lineErrorf(next.line, "found %s, the line before has %d", plural(next.width, "field", "fields"), last.width)
	}
	if x := next.number(next.first); x == last.number(last.first) {
		return lineErrorf(next.line, "found the abscissa %g twice, with different values: only rising or only falling ones are allowed", x)
	}
	return lineErrorf(next.line, "found the abscissa %g behind %g in the first column of numbers: only rising or only falling ones are allowed",
		next.number(next.first), last.number(last.first))
}

func (s *sheet) leftOut(u *run) string {
	from, to := s.rows[u.rows[0]].line, s.rows[u.rows[len(u.rows)-1]].line
	if from == to {
		return fmt.Sprintf("line %d was left out: %s", from, quote(s.rows[u.rows[0]].text))
	}
	return fmt.Sprintf("lines %d to %d were left out: numbers that belong to no spectrum", from, to)
}
