package table

import (
	"math"
	"slices"
	"strings"

	"bluefringe/device/table/export"
)

var nan = math.NaN()

// wideReader reads the rows of a wide table whose wavelengths are known.
type wideReader struct {
	sheet *sheet
	axis  []float64
	start int      // field of the first wavelength
	width int      // fields of the row of wavelengths
	heads []string // what stands in the row of wavelengths beside them
	top   int      // its line
}

// corner is what stands before the wavelengths.
func (w *wideReader) corner() string { return strings.Join(w.heads[:w.start], " ") }

// take reads one row. ok is false for what is no row of values: words, the wavelengths
// once more. The error says what is wrong with a row.
func (w *wideReader) take(r *row) (series, bool, error) {
	n := len(w.axis)
	start := w.start + w.shift(r)
	values := 0
	for i := start; i < start+n; i++ {
		if k := r.is(i); k == number || k == missing {
			values++
		}
	}
	if short := r.width < start+n; short && !(w.sheet.separator != Blank && len(r.kinds) >= start+n) {
		if 2*r.count(number, start) < r.width-start || r.count(number, start) < minPoints {
			return series{}, false, nil
		}
		return series{}, false, lineErrorf(r.line, "found %s for %s of line %d",
			plural(r.count(number, start)+r.count(missing, start), "value", "values"), plural(n, "wavelength", "wavelengths"), w.top)
	}
	if 2*values < n || r.count(number, start) == 0 {
		return series{}, false, nil
	}
	if extra := r.width - start - n; extra > 0 && r.width > w.width+w.shift(r) && r.count(number, start+n) > 0 {
		return series{}, false, lineErrorf(r.line, "found %s for %s of line %d", plural(n+extra, "value", "values"), plural(n, "wavelength", "wavelengths"), w.top)
	}
	one := series{line: r.line, X: w.axis, Y: make([]float64, n)}
	for i := range one.Y {
		switch one.Y[i] = r.number(start + i); r.is(start + i) {
		case text:
			return series{}, false, lineErrorf(r.line, "field %d is %s: a number is allowed", start+i+1, quote(w.sheet.fields(r)[start+i]))
		}
	}
	if same(one.Y, w.axis) {
		return series{}, false, nil
	}
	one.labels, one.heads = w.labels(r, start, n)
	return one, true, nil
}

// shift is how many more fields stand before the values of a row than before the
// wavelengths: names without a head, or names with blanks in them.
func (w *wideReader) shift(r *row) int {
	extra := r.width - w.width
	if extra <= 0 || r.is(r.first) == number {
		return 0
	}
	if w.sheet.separator != Blank && (w.start > 0 || extra > mostLead) {
		return 0
	}
	if r.is(w.start+extra-1) == number && w.sheet.separator != Blank {
		return 0
	}
	return extra
}

// labels returns the fields of a row beside its values.
func (w *wideReader) labels(r *row, start, n int) (labels []label, heads []string) {
	fields := w.sheet.fields(r)[:r.width]
	shift := start - w.start
	for i, f := range fields {
		if f == "" || i >= start && i < start+n {
			continue
		}
		head := ""
		if at := i - shift; at >= 0 && at < len(w.heads) && (i >= start || shift == 0) {
			head = w.heads[at]
		}
		value, k := w.sheet.value(f)
		labels = append(labels, label{head, f, value})
		if i < start && k == text {
			heads = append(heads, f)
		}
	}
	return labels, heads
}

// value reads one field; NaN when it is no number.
func (s *sheet) value(field string) (float64, kind) {
	var seen signs
	v, k := parseField(field, s.decimal, &seen)
	if k != number {
		v = nan
	}
	return v, k
}

// wide finds a row of wavelengths with rows of values below it.
func (s *sheet) wide(o *Options) (*reading, error) {
	var best *reading
	var firstErr error
	const mostTried = 50
	const enough, poor = 2, 20 // a sure abscissa; fewest points of one that cannot be one
	tried := 0
	for i := range s.rows {
		r := &s.rows[i]
		if r.width < minPoints || r.count(number, 0) < 1 && r.count(text, 0) < minPoints {
			continue
		}
		if s.insideNumbers(i) {
			continue
		}
		g, ok := s.axisSegment(r, o)
		if stray := r.count(number, 0) - len(g.values); stray > mostLead {
			continue // numbers that rise by chance among others
		}
		if !ok || g.score == 0 && (len(g.values) < poor && o.Layout != Wide || best != nil) || best != nil && g.score <= best.score {
			continue
		}
		if tried++; tried > mostTried {
			break
		}
		found, err := s.below(i, g, o)
		if err != nil && firstErr == nil && g.score > 0 {
			firstErr = err
		}
		if found != nil {
			best = found
			if g.score >= enough {
				break
			}
		}
	}
	switch {
	case best != nil:
		return best, nil
	case firstErr != nil:
		return nil, firstErr
	}
	return nil, export.ErrNone
}

// insideNumbers reports a row with as many numbers right above it, which is then no head
// of a table. A row that only counts the pixels may stand there.
func (s *sheet) insideNumbers(at int) bool {
	if at == 0 {
		return false
	}
	above, row := &s.rows[at-1], &s.rows[at]
	if above.line+1 != row.line || above.count(number, 0) < row.count(number, 0) {
		return false
	}
	first := math.Inf(1)
	for i, k := range above.kinds {
		if k != number {
			continue
		}
		if v := above.values[i]; math.IsInf(first, 1) {
			first = v - float64(i)
		} else if v != first+float64(i) {
			return true
		}
	}
	return !(first >= -float64(above.width) && first <= 1)
}

// below reads the rows below a row of wavelengths; nil when the next rows hold none.
func (s *sheet) below(at int, g segment, o *Options) (*reading, error) {
	r := &s.rows[at]
	w := &wideReader{sheet: s, axis: slices.Clone(g.values), start: g.start, width: r.width, top: r.line}
	w.heads = s.fields(r)[:r.width]
	for i := g.start; i < g.end(); i++ {
		w.heads[i] = ""
	}
	w.headsAbove(at)
	out := &reading{layout: Wide, score: g.score, top: r.line, wide: w, header: at, axisHead: g.head}
	out.seen.add(r.seen)
	var bad remarks
	var firstBad error
	const soon = 4 // rows between wavelengths and values
	for i := at + 1; i < len(s.rows); i++ {
		if len(out.series) == 0 && firstBad == nil && i > at+soon {
			return nil, nil
		}
		r := &s.rows[i]
		if other := s.otherAxis(r, w, o); other != nil && len(out.series) > 0 {
			w = other
			continue
		}
		if r.remark() {
			continue
		}
		one, ok, err := w.take(r)
		switch {
		case err != nil:
			if firstBad == nil {
				firstBad = err
			}
			bad.addf("left out: %v", err)
		case ok:
			if len(out.series) == export.MaxSpectra {
				return nil, errTooMany("spectra", export.MaxSpectra)
			}
			out.seen.add(r.seen)
			out.series = append(out.series, one)
		case !same(r.values, s.rows[at].values) && (r.count(number, 0) > 1):
			out.notes.addf("line %d was left out: %s", r.line, quote(r.text))
		}
	}
	if n := len(bad.notes) + bad.more; n > 1 && 10*n > len(out.series) || n > 0 && len(out.series) == 0 {
		return nil, firstBad
	}
	for _, note := range bad.list() {
		out.notes.addf("%s", note)
	}
	if len(out.series) == 0 {
		return nil, nil
	}
	return out, nil
}

// otherAxis reports rows of wavelengths between rows of values: tables below each other,
// or x and y on alternate lines.
func (s *sheet) otherAxis(r *row, w *wideReader, o *Options) *wideReader {
	const sure = 8
	if r.is(w.start) != number || r.width < w.start+sure {
		return nil
	}
	v := r.values[w.start:r.width]
	if direction(v) == 0 || same(v, w.axis) || o.Plausible(v, "") < 2 {
		return nil
	}
	near := w.axis[0]
	if v[0] < near/2 || v[0] > 2*near {
		return nil
	}
	next := *w
	next.axis, next.width, next.top = slices.Clone(v), r.width, r.line
	return &next
}

// headsAbove fills heads of label columns from the row above, where the names of columns
// stand apart from the wavelengths.
func (w *wideReader) headsAbove(at int) {
	if at == 0 {
		return
	}
	above := &w.sheet.rows[at-1]
	if above.count(number, 0) > 0 || above.count(text, 0) < 2 && w.start != 1 {
		return
	}
	fields := w.sheet.fields(above)
	for i := range min(w.start, len(fields)) {
		if w.heads[i] == "" {
			w.heads[i] = fields[i]
		}
	}
}
