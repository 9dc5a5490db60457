package jcamp

import (
	"math"
	"strings"

	"bluefringe/device/table/export"
)

// pairs reads (XY..XY).
func (b *block) pairs(t record, n numbers) error {
	var line []int
	points := false // a decimal point was seen
	for _, l := range t.data {
		points = points || strings.IndexByte(l.text, '.') >= 0
		tz := tokenizer{text: l.text, plain: true}
		count := 0
		for {
			tok, ok, bad := tz.next()
			if bad != "" {
				return errorf(l.line, "%s", bad)
			}
			if !ok {
				break
			}
			if tok.form != absolute && tok.form != unknown {
				return errorf(l.line, "found %s: a number is allowed", quote(l.text[tok.at:tz.pos]))
			}
			if count++; count%2 == 1 {
				if tok.form == unknown {
					return errorf(l.line, "found ? for an abscissa: a number is needed")
				}
				b.x = append(b.x, tok.value*n.xFactor.v)
				line = append(line, l.line)
			} else {
				b.y = append(b.y, tok.value*n.yFactor.v)
			}
			if len(b.x) > export.MaxPoints {
				return errorf(l.line, "found more than %d points", export.MaxPoints)
			}
		}
		if count%2 != 0 {
			return errorf(l.line, "found %d numbers: pairs of x and y are needed: %s", count, quote(l.text))
		}
	}
	if len(b.x) < 2 {
		return errorf(t.line, "##%s= holds %d points", t.label, len(b.x))
	}
	hint := ""
	if !points {
		hint = "; numbers need a decimal point, not a comma"
	}
	for i := 1; i < len(b.x); i++ {
		if d := b.x[i] - b.x[i-1]; d == 0 || (d > 0) != (b.x[1] > b.x[0]) {
			return errorf(line[i], "found the abscissa %g behind %g: only rising or only falling ones are allowed%s", b.x[i], b.x[i-1], hint)
		}
	}
	if err := n.checkPoints(len(b.x)); err != nil {
		return err
	}
	return b.checkEnds(t, n, line)
}

// checkEnds compares FIRSTX and LASTX with the table; they may stand in either order.
func (b *block) checkEnds(t record, n numbers, line []int) error {
	if !n.firstX.ok || !n.lastX.ok {
		return nil
	}
	last := len(b.x) - 1
	step := math.Abs(b.x[last]-b.x[0]) / float64(last)
	near := func(s said, x float64) bool { return math.Abs(s.v-x) <= math.Max(step/2, s.unit/2) }
	switch {
	case near(n.firstX, b.x[0]) && near(n.lastX, b.x[last]):
	case near(n.firstX, b.x[last]) && near(n.lastX, b.x[0]):
		b.notes = append(b.notes, "##FIRSTX= and ##LASTX= stand in the other order than the table")
	case !near(n.firstX, b.x[0]):
		return errorf(line[0], "found the first abscissa %g, expected %g from ##FIRSTX= (line %d)", b.x[0], n.firstX.v, n.firstX.line)
	default:
		return errorf(line[last], "found the last abscissa %g, expected %g from ##LASTX= (line %d)", b.x[last], n.lastX.v, n.lastX.line)
	}
	return nil
}
