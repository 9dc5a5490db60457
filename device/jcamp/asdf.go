package jcamp

import (
	"math"
	"strconv"
)

// form is how one ordinate is written (sections 5.2 to 5.10).
type form int

const (
	absolute form = iota // AFFN, PAC or SQZ
	difference
	duplicate
	unknown // "?"
)

// token is one number of an ASDF line.
type token struct {
	form  form
	value float64
	at    int // column, from 0
}

// tokenizer cuts a line of numbers in any mixture of forms.
type tokenizer struct {
	text  string
	pos   int
	plain bool // AFFN only: letters begin no number, "E" always begins an exponent
	buf   []byte
}

// next returns the next token; ok is false at the end of the line.
func (t *tokenizer) next() (tok token, ok bool, err string) {
	for t.pos < len(t.text) && isSeparator(t.text[t.pos]) {
		t.pos++
	}
	if t.pos == len(t.text) {
		return token{}, false, ""
	}
	tok.at = t.pos
	c := t.text[t.pos]
	t.buf = t.buf[:0]
	switch {
	case c == '?':
		t.pos++
		tok.form, tok.value = unknown, math.NaN()
		return tok, true, ""
	case c == '+' || c == '-' || c == '.' || isDigit(c):
		t.buf = append(t.buf, c)
	default:
		digit, form, known := pseudoDigit(c)
		if !known || t.plain {
			return tok, false, "found " + quote(string([]rune(t.text[t.pos:])[:1])) + ", which begins no number"
		}
		tok.form = form
		t.buf = strconv.AppendInt(t.buf, int64(digit), 10)
	}
	t.pos++
	t.tail(tok.form == absolute)
	v, e := strconv.ParseFloat(string(t.buf), 64)
	if e != nil {
		return tok, false, "found " + quote(t.text[tok.at:t.pos]) + ", which is no number"
	}
	tok.value = v
	return tok, true, ""
}

// tail takes the digits behind the first. "E" is a digit of SQZ, so that an exponent is
// known by its sign.
func (t *tokenizer) tail(exponent bool) {
	for t.pos < len(t.text) {
		c := t.text[t.pos]
		switch {
		case isDigit(c) || c == '.':
			t.buf = append(t.buf, c)
			t.pos++
		case exponent && (c == 'E' || c == 'e') && t.exponentAt(t.pos+1):
			t.buf = append(t.buf, c, t.text[t.pos+1])
			t.pos += 2
			exponent = false
		default:
			return
		}
	}
}

// exponentAt reports whether an exponent goes on at pos, behind its "E".
func (t *tokenizer) exponentAt(pos int) bool {
	if pos >= len(t.text) {
		return false
	}
	if c := t.text[pos]; c == '+' || c == '-' {
		return pos+1 < len(t.text) && isDigit(t.text[pos+1])
	}
	return t.plain && isDigit(t.text[pos])
}

// pseudoDigit reads a letter that stands for a first digit with its sign (Table VII).
func pseudoDigit(c byte) (digit int, f form, ok bool) {
	switch {
	case c == '@':
		return 0, absolute, true
	case c >= 'A' && c <= 'I':
		return int(c-'A') + 1, absolute, true
	case c >= 'a' && c <= 'i':
		return -int(c-'a') - 1, absolute, true
	case c == '%':
		return 0, difference, true
	case c >= 'J' && c <= 'R':
		return int(c-'J') + 1, difference, true
	case c >= 'j' && c <= 'r':
		return -int(c-'j') - 1, difference, true
	case c >= 'S' && c <= 'Z':
		return int(c-'S') + 1, duplicate, true
	case c == 's':
		return 9, duplicate, true
	}
	return 0, 0, false
}

func isSeparator(c byte) bool { return c == ' ' || c == '\t' || c == ',' || c == ';' }

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// lineStart is the abscissa at the head of a line of ordinates.
type lineStart struct {
	line  int
	x     float64 // as written
	digit float64 // unit of its last digit
	index int     // of the ordinate that it belongs to
}

// ordinates decodes the lines of X++(Y..Y), unscaled. A line that begins after
// differences repeats the ordinate before it, as a check (section 5.8).
func ordinates(lines []dataLine, mostPoints int) (y []float64, starts []lineStart, err error) {
	afterDifference := false
	for _, l := range lines {
		t := tokenizer{text: l.text}
		x, ok, bad := t.next()
		if bad != "" {
			return nil, nil, errorf(l.line, "%s", bad)
		}
		if !ok {
			continue
		}
		if x.form != absolute {
			return nil, nil, errorf(l.line, "found %s: a line begins with an abscissa", quote(l.text[x.at:t.pos]))
		}
		start := lineStart{line: l.line, x: x.value, digit: lastDigit(l.text[x.at:t.pos]), index: len(y)}
		first, step := true, math.NaN()
		check := afterDifference
		for {
			tok, ok, bad := t.next()
			if bad != "" {
				return nil, nil, errorf(l.line, "%s", bad)
			}
			if !ok {
				break
			}
			written := l.text[tok.at:t.pos]
			switch tok.form {
			case absolute, unknown:
				if first && check {
					start.index = len(y) - 1
					if last := y[len(y)-1]; tok.form != unknown && tok.value != last {
						return nil, nil, errorf(l.line, "the ordinate check fails: found %g, expected %g, which the line before ends with", tok.value, last)
					}
				} else {
					y = append(y, tok.value)
				}
				step = math.NaN()
				afterDifference = false
			case difference:
				if len(y) == 0 || first || math.IsNaN(y[len(y)-1]) {
					return nil, nil, errorf(l.line, "found the difference %s with no ordinate before it", quote(written))
				}
				step = tok.value
				y = append(y, y[len(y)-1]+step)
				afterDifference = true
			case duplicate:
				if len(y) == 0 || first {
					return nil, nil, errorf(l.line, "found the repetition %s with nothing before it", quote(written))
				}
				// The count includes the first (section 5.9); a difference is repeated as one (5.10).
				n := tok.value - 1
				if n < 0 || n != math.Trunc(n) {
					return nil, nil, errorf(l.line, "found the repetition %s: a whole number from 1 is allowed", quote(written))
				}
				if float64(len(y))+n > float64(mostPoints) {
					return nil, nil, errorf(l.line, "found more than %d points", mostPoints)
				}
				for range int(n) {
					next := y[len(y)-1]
					if !math.IsNaN(step) {
						next += step
					}
					y = append(y, next)
				}
			}
			if len(y) > mostPoints {
				return nil, nil, errorf(l.line, "found more than %d points", mostPoints)
			}
			first = false
		}
		if first {
			return nil, nil, errorf(l.line, "found an abscissa and no ordinates: %s", quote(l.text))
		}
		starts = append(starts, start)
	}
	return y, starts, nil
}

// lastDigit is the unit of the last digit of a number: its rounding is half of that.
func lastDigit(written string) float64 {
	point, exponent := -1, 0
	end := len(written)
	for i := 0; i < len(written); i++ {
		if c := written[i]; c == '.' {
			point = i
		} else if (c == 'E' || c == 'e') && i > 0 {
			exponent, _ = strconv.Atoi(written[i+1:])
			end = i
			break
		}
	}
	decimals := 0
	if point >= 0 {
		decimals = end - point - 1
	}
	return math.Pow(10, float64(exponent-decimals))
}
