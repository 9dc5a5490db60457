package jcamp

import "math"

// said is a number that a label gives.
type said struct {
	v    float64
	line int
	unit float64 // of its last digit
	ok   bool
}

// numbers are the labels that a table is scaled and checked by.
type numbers struct {
	xFactor, yFactor                      said
	firstX, lastX, deltaX, points, firstY said
}

func (d *draft) numbers() (n numbers, err error) {
	get := func(label string, to *said) {
		v, r, ok, e := d.number(label)
		if e != nil && err == nil {
			err = e
		}
		if ok {
			*to = said{v, r.line, lastDigit(r.value), true}
		}
	}
	n.xFactor.v, n.yFactor.v = 1, 1
	get("XFACTOR", &n.xFactor)
	get("YFACTOR", &n.yFactor)
	get("FIRSTX", &n.firstX)
	get("LASTX", &n.lastX)
	get("DELTAX", &n.deltaX)
	get("NPOINTS", &n.points)
	get("FIRSTY", &n.firstY)
	return n, err
}

func (n numbers) checkPoints(found int) error {
	if n.points.ok && n.points.v != float64(found) {
		return errorf(n.points.line, "##NPOINTS= is %g, but the table has %d points", n.points.v, found)
	}
	return nil
}

// checkFirstY compares FIRSTY with the first ordinate (section 6.3). Whole ordinates of
// a packed table are rounded to YFACTOR.
func (b *block) checkFirstY(t record, n numbers, packed bool) error {
	f := n.firstY
	if !f.ok || math.IsNaN(b.y[0]) {
		return nil
	}
	const rounding = 1e-5 // labels of six digits
	tolerance := rounding * math.Abs(b.y[0])
	if f.unit < 1 {
		tolerance = math.Max(tolerance, f.unit/2)
	}
	if raw := b.y[0] / n.yFactor.v; packed && math.Abs(raw-math.Round(raw)) < rounding {
		tolerance = math.Max(tolerance, math.Abs(n.yFactor.v)*(0.5+rounding))
	}
	if math.Abs(f.v-b.y[0]) <= tolerance {
		return nil
	}
	line := t.line
	if len(t.data) > 0 {
		line = t.data[0].line
	}
	return errorf(f.line, "##FIRSTY= is %g, but the first ordinate of the table (line %d) is %g with ##YFACTOR=%g: one of them is wrong", f.v, line, b.y[0], n.yFactor.v)
}
