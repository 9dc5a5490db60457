package table

import (
	"strings"

	"bluefringe/device/table/export"
)

// dialect is how a line is read.
type dialect struct {
	separator Separator
	decimal   Decimal
}

// row is a line that is not blank, cut into fields.
type row struct {
	line   int // from 1
	text   string
	body   string // the text without a comment sign before it
	values []float64
	kinds  []kind
	first  int // index of the first field that is not empty
	width  int // fields up to the last that is not empty
	seen   signs
}

// count returns how many fields of a kind there are from field on.
func (r *row) count(k kind, from int) int {
	n := 0
	for _, is := range r.kinds[min(from, len(r.kinds)):] {
		if is == k {
			n++
		}
	}
	return n
}

// is reports the kind of a field; beyond the end fields are empty.
func (r *row) is(field int) kind {
	if field >= len(r.kinds) {
		return empty
	}
	return r.kinds[field]
}

// remark reports a line behind a comment sign: it may hold names or wavelengths, but its
// numbers are no values.
func (r *row) remark() bool { return len(r.body) < len(r.text) }

// uncomment takes a comment sign and the blanks around it off the front of a line.
func uncomment(line string) string {
	bare := strings.TrimLeft(line, " \t")
	for _, sign := range []string{"#", "//", "% ", "! "} {
		if rest, ok := strings.CutPrefix(bare, sign); ok {
			return strings.TrimLeft(rest, "#%!/ \t")
		}
	}
	return line
}

// sheet is a text under one dialect.
type sheet struct {
	dialect
	splitter splitter
	rows     []row
}

// newSheet cuts lines; the first has number firstLine. Blank lines are left out.
func newSheet(lines []string, firstLine int, d dialect) (*sheet, error) {
	s := &sheet{dialect: d, splitter: splitter{separator: d.separator}}
	fields := 0
	for i, line := range lines {
		r, ok := s.cut(line)
		if !ok {
			continue
		}
		if fields += len(r.values); fields > export.MaxValues {
			return nil, errTooMany("fields", export.MaxValues)
		}
		r.line = firstLine + i
		s.rows = append(s.rows, r)
	}
	return s, nil
}

// cut reads one line; false when it holds nothing.
func (s *sheet) cut(line string) (row, bool) {
	body := uncomment(line)
	fields := s.splitter.fieldsOf(body)
	r := row{text: line, body: body, first: -1, values: make([]float64, len(fields)), kinds: make([]kind, len(fields))}
	for i, f := range fields {
		r.values[i], r.kinds[i] = parseField(f, s.decimal, &r.seen)
		if r.kinds[i] != empty {
			r.width = i + 1
			if r.first < 0 {
				r.first = i
			}
		}
	}
	return r, r.first >= 0
}

// fields returns the texts of a row; they are the caller's.
func (s *sheet) fields(r *row) []string {
	return append([]string(nil), s.splitter.fieldsOf(r.body)...)
}
