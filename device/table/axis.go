package table

import (
	"regexp"
	"strings"

	"bluefringe/device/table/export"
)

// segment is a stretch of fields of one row that may be wavelengths.
type segment struct {
	start  int
	values []float64
	head   string // what stands around or before the numbers
	score  int
}

func (g segment) end() int { return g.start + len(g.values) }

// mostLead is how many numbers may stand before the wavelengths of a row: corners of 0, a
// count.
const mostLead = 3

// axisSegment finds the wavelengths in a row: bare numbers or, when there are none, numbers
// with the same letters around each, as in "R400.5" or "400.5 nm".
func (s *sheet) axisSegment(r *row, o *Options) (segment, bool) {
	// The field before the wavelengths often heads the column below it instead.
	head := s.head(r)
	if !export.NamesAxis(head) {
		head = s.unitOf(r)
	}
	best, ok := s.rising(r, r.values, func(i int) bool { return r.kinds[i] == number }, head, o)
	if r.count(text, 0) <= minPoints {
		return best, ok
	}
	numbers, around := s.decorated(r)
	if d, found := s.rising(r, numbers, func(i int) bool { return numbers[i] == numbers[i] }, around, o); found && (!ok || d.score > best.score || len(d.values) > len(best.values)) {
		best, ok = d, true
	}
	return best, ok
}

// rising finds the longest stretch of fields that strictly rise or fall.
func (s *sheet) rising(r *row, values []float64, is func(int) bool, head string, o *Options) (segment, bool) {
	var best segment
	for from := 0; from < len(values); {
		if !is(from) {
			from++
			continue
		}
		to := from + 1
		for to < len(values) && is(to) && goesOn(values[from:to+1]) {
			to++
		}
		if to-from > len(best.values) {
			best = segment{start: from, values: values[from:to], head: head}
		}
		if to-from > 1 && to < len(values) && is(to) {
			to-- // the last number may be the first of the next stretch
		}
		from = to
	}
	if len(best.values) < minPoints {
		return best, false
	}
	for lead := 0; lead <= mostLead && len(best.values)-lead >= minPoints; lead++ {
		if score := o.Plausible(best.values[lead:], head); score > best.score {
			best = segment{best.start + lead, best.values[lead:], head, score}
			break
		}
	}
	return best, true
}

// goesOn reports whether the last number goes on in the direction of the first two.
func goesOn(x []float64) bool {
	n := len(x)
	step := x[n-1] - x[n-2]
	return step != 0 && (n < 3 || (step > 0) == (x[1] > x[0]))
}

// unitOf is the first number with its unit, where it has one: "400.5 nm".
func (s *sheet) unitOf(r *row) string {
	for i, k := range r.kinds {
		if k == number {
			if f := s.fields(r)[i]; export.NamesAxis(f) {
				return f
			}
			return ""
		}
	}
	return ""
}

// head is what stands before the first number of a row.
func (s *sheet) head(r *row) string {
	for i, k := range r.kinds {
		if k == number {
			if i == 0 {
				return ""
			}
			return s.fields(r)[i-1]
		}
	}
	return ""
}

var aroundNumber = regexp.MustCompile(`^([^\d]*?)([\d.,]*\d)([^\d]*(?:cm-1)?)$`)

// decorated reads fields of a number with letters around it. The letters must be those of
// most fields; other fields are NaN. They are returned with the number left out.
func (s *sheet) decorated(r *row) (numbers []float64, around string) {
	fields := s.fields(r)
	numbers = make([]float64, len(fields))
	letters := make([]string, len(fields))
	tally := map[string]int{}
	var seen signs
	for i, f := range fields {
		if m := aroundNumber.FindStringSubmatch(f); m != nil {
			var k kind
			if numbers[i], k = parseField(m[2], s.decimal, &seen); k == number {
				letters[i] = strings.TrimSpace(strings.TrimRight(strings.TrimSpace(m[1]), "_=@(:- ") + " " + strings.TrimSpace(strings.TrimRight(m[3], ")")))
				tally[letters[i]]++
				if tally[letters[i]] > tally[around] {
					around = letters[i]
				}
				continue
			}
		}
		letters[i] = "\x00"
	}
	for i := range numbers {
		if letters[i] != around {
			numbers[i] = nan
		}
	}
	return numbers, around
}
