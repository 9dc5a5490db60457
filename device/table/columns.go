package table

import "bluefringe/device/table/export"

// columns finds spectra that run down columns: one abscissa for all, or one each.
func (s *sheet) columns(o *Options) (*reading, error) {
	runs, notes, err := s.stacked(s.runs(), o)
	if err != nil {
		return nil, err
	}
	r := &reading{layout: Columns, notes: notes}
	for i, u := range runs {
		if err := s.addRun(r, u, i == 0, o); err != nil {
			return nil, err
		}
	}
	if len(r.series) == 0 {
		return nil, export.ErrNone
	}
	return r, nil
}

// addRun adds the spectra of one run.
func (s *sheet) addRun(r *reading, u *run, first bool, o *Options) error {
	names := s.namesAbove(u.rows[0], u)
	x := s.chooseX(u, names, o)
	axis := s.column(u, x)
	head := names.axisHead(x)
	score := o.Plausible(axis, head)
	paired := s.paired(u, x, axis, names, o)
	if o.Layout == Pairs && !paired {
		return lineErrorf(s.rows[u.rows[0]].line, "found %s: columns x, y, x, y with rising or falling x are needed for --orientation pairs",
			plural(u.width-x, "column", "columns"))
	}
	if o.Layout == Columns {
		paired = false
	}
	if first {
		r.score, r.likely, r.axisHead, r.top = score, o.Plausible(axis, ""), head, s.rows[u.rows[0]].line
		if paired {
			r.layout = Pairs
		}
	}
	for _, i := range u.rows {
		r.seen.add(s.rows[i].seen)
	}
	r.rows = append(r.rows, u.rows...)
	line := s.rows[u.rows[0]].line
	for field := x + 1; field < u.width; field++ {
		one := series{line: line, X: axis}
		if paired {
			if (field-x)%2 == 0 {
				continue
			}
			one.X = s.column(u, field-1)
			one.heads = names.pair(field)
		} else {
			one.heads = names.over(field)
		}
		one.Y = s.column(u, field)
		if paired {
			one.X, one.Y = trimPair(one.X, one.Y)
		}
		if !s.anyNumber(u, field) {
			if len(one.heads) > 0 {
				r.notes.addf("column %d (%s) holds no numbers: left out", field+1, quote(one.heads[0]))
			}
			continue
		}
		if !paired && u.width-x > 2 && export.NamesAxis(names.axisHead(field)) && direction(one.Y) != 0 {
			r.notes.addf("column %d (%s) was left out: another abscissa", field+1, quote(names.axisHead(field)))
			continue
		}
		if len(r.series) == export.MaxSpectra {
			return errTooMany("spectra", export.MaxSpectra)
		}
		r.series = append(r.series, one)
	}
	return nil
}

func (s *sheet) anyNumber(u *run, field int) bool {
	for _, i := range u.rows {
		if s.rows[i].is(field) == number {
			return true
		}
	}
	return false
}

// trimPair takes off the ends of a pair of columns that are longer than its numbers.
func trimPair(x, y []float64) ([]float64, []float64) {
	from, to := 0, len(x)
	for from < to && x[from] != x[from] {
		from++
	}
	for to > from && x[to-1] != x[to-1] {
		to--
	}
	return x[from:to], y[from:to]
}

// chooseX picks the column of the abscissa: the first, unless the second or third is more
// likely one. The first may only count the rows.
func (s *sheet) chooseX(u *run, names names, o *Options) int {
	best, score := u.x, o.Plausible(s.column(u, u.x), names.axisHead(u.x))
	for x := u.x + 1; x <= u.x+2 && x+1 < u.width; x++ {
		axis := s.column(u, x)
		if direction(axis) == 0 {
			continue
		}
		if is := o.Plausible(axis, names.axisHead(x)); is > score {
			best, score = x, is
		}
	}
	return best
}

// paired reports columns x, y, x, y: every second one rises or falls like the first, and
// is the same, or is called the same or a wavelength, or is too long for chance.
func (s *sheet) paired(u *run, x int, axis []float64, names names, o *Options) bool {
	n := u.width - x
	if n < 4 || n%2 != 0 {
		return false
	}
	const chance = 20
	for field := x + 2; field < u.width; field += 2 {
		own, _ := trimPair(s.column(u, field), s.column(u, field+1))
		if direction(own) == 0 {
			return false
		}
		head := names.axisHead(field)
		called := head != "" && (head == names.axisHead(x) || export.NamesAxis(head))
		if o.Layout == Pairs || called || same(own, axis) {
			continue
		}
		if len(own) < chance || o.Plausible(own, "") < 2 || !alike(own[0], axis[0]) {
			return false
		}
	}
	return true
}

// alike reports abscissae of the same unit.
func alike(a, b float64) bool {
	const factor = 3
	return a < factor*b && b < factor*a
}
