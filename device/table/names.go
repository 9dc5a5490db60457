package table

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"bluefringe/device/table/export"
)

// names are the rows of words over columns of numbers, from the top down.
type names struct {
	rows   [][]string
	single string // one line of words that could not be cut like the numbers
}

// over returns the words over a field.
func (n names) over(field int) []string {
	var out []string
	for _, r := range n.rows {
		if field < len(r) && r[field] != "" {
			out = append(out, r[field])
		}
	}
	if len(out) == 0 && n.single != "" {
		out = []string{n.single}
	}
	return out
}

// pair returns the words over the y of a pair and over both of its columns.
func (n names) pair(y int) []string {
	var out []string
	for i, r := range n.rows {
		if y < len(r) && r[y] != "" {
			out = append(out, r[y])
		} else if i+1 < len(n.rows) && y-1 < len(r) && r[y-1] != "" {
			out = append(out, r[y-1]) // a name that stands over both
		}
	}
	return out
}

// axisHead returns the words right over a field.
func (n names) axisHead(field int) string {
	for i := len(n.rows) - 1; i >= 0; i-- {
		if r := n.rows[i]; field < len(r) && r[field] != "" {
			return r[field]
		}
	}
	return n.single
}

// unitAlone reports a word that is the unit of the word before it.
func unitAlone(field string) bool {
	field = strings.ToLower(strings.Trim(field, "()[]"))
	return slices.Contains([]string{"nm", "um", "µm", "μm", "cm-1", "1/cm", "cm^-1", "a.u.", "%"}, field)
}

var wideGap = regexp.MustCompile(`\t|  +`)

// namesAbove finds up to three rows of names over a row. Markers of one field may stand
// between, as may blank lines.
func (s *sheet) namesAbove(below int, u *run) names {
	const most, look = 3, 6
	var n names
	for i := below - 1; i >= 0 && i >= below-look && len(n.rows) < most; i-- {
		r := &s.rows[i]
		fields := s.fields(r)[:r.width]
		if s.separator == Blank && len(fields) != u.width {
			if gaps := wideGap.Split(strings.TrimSpace(r.body), -1); len(gaps) == u.width {
				fields = gaps
			}
		}
		if len(fields) < 2 {
			if len(n.rows) > 0 {
				break
			}
			if first, _ := utf8.DecodeRuneInString(fields[0]); s.separator == Blank && i == below-1 && unicode.IsLetter(first) && !assigns(fields[0]) {
				n.single = fields[0]
			}
			continue
		}
		if s.separator == Blank && (len(fields) != u.width || slices.ContainsFunc(fields[1:], unitAlone)) {
			if len(n.rows) == 0 && i == below-1 && export.NamesAxis(r.body) && !assigns(r.body) {
				n.single = strings.TrimSpace(r.body)
			}
			break
		}
		if !s.names(fields, u) {
			break
		}
		n.rows = append([][]string{fields}, n.rows...)
	}
	return n
}

// assigns reports a line of a header that gives a value to a name: "Scans: 10".
func assigns(text string) bool {
	return strings.HasSuffix(text, ":") || strings.Contains(text, ": ") || strings.Contains(text, "=")
}

// names reports whether fields can be the names of columns: words, and numbers only
// behind a word and over more than two columns.
func (s *sheet) names(fields []string, u *run) bool {
	words, numbers := 0, 0
	var seen signs
	for _, f := range fields {
		switch _, k := parseField(f, s.decimal, &seen); k {
		case text:
			words++
		case number:
			numbers++
		}
	}
	if assigns(fields[0]) {
		return false
	}
	if numbers == 0 {
		return words > 0
	}
	return words > 0 && u.width > 2 && len(fields) >= u.width
}

// wordsAbove returns the line over a row, without its comment sign.
func (s *sheet) wordsAbove(below int) string {
	if below == 0 {
		return ""
	}
	return strings.TrimSpace(s.rows[below-1].body)
}
