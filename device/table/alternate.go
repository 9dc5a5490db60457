package table

import "bluefringe/device/table/export"

// alternate finds spectra whose numbers stand one on a line: x, y, x, y.
func (s *sheet) alternate(o *Options) (*reading, error) {
	from, to := s.singles()
	n := to - from
	if n < 2*minPoints {
		return nil, export.ErrNone
	}
	var best *reading
	for skip := 0; skip <= 1; skip++ {
		r := s.pairUp(from+skip, to, o)
		if r != nil && (best == nil || r.score > best.score) {
			best = r
		}
	}
	if best == nil {
		return nil, export.ErrNone
	}
	return best, nil
}

// singles returns the longest stretch of rows with one number and nothing else.
func (s *sheet) singles() (from, to int) {
	start := 0
	for i := 0; i <= len(s.rows); i++ {
		if i < len(s.rows) {
			if r := &s.rows[i]; !r.remark() && r.width == r.first+1 && (r.kinds[r.first] == number || r.kinds[r.first] == missing) {
				continue
			}
		}
		if i-start > to-from {
			from, to = start, i
		}
		start = i + 1
	}
	return from, to
}

func (s *sheet) pairUp(from, to int, o *Options) *reading {
	n := (to - from) / 2
	if n < minPoints {
		return nil
	}
	r := &reading{layout: Alternate, top: s.rows[from].line}
	one := series{line: r.top, X: make([]float64, n), Y: make([]float64, n)}
	all := make([]float64, 0, 2*n)
	for i := range n {
		x, y := &s.rows[from+2*i], &s.rows[from+2*i+1]
		one.X[i], one.Y[i] = x.values[x.first], y.values[y.first]
		all = append(all, one.X[i], one.Y[i])
		r.rows = append(r.rows, from+2*i, from+2*i+1)
		r.seen.add(x.seen)
		r.seen.add(y.seen)
	}
	if direction(one.X) == 0 || direction(all) != 0 {
		return nil
	}
	r.axisHead = s.wordsAbove(from)
	r.score = o.Plausible(one.X, r.axisHead)
	if (to-from)%2 != 0 {
		r.notes.addf("line %d: a number without a partner was left out", s.rows[to-1].line)
	}
	r.series = []series{one}
	return r
}
