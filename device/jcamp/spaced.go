package jcamp

import (
	"math"

	"bluefringe/device/table/export"
)

// spaced reads X++(Y..Y): ordinates at equal steps of the abscissa.
func (b *block) spaced(t record, n numbers) error {
	y, starts, err := ordinates(t.data, export.MaxPoints)
	if err != nil {
		return err
	}
	if len(y) < 2 {
		return errorf(t.line, "##%s= holds %d points", t.label, len(y))
	}
	if err := n.checkPoints(len(y)); err != nil {
		return err
	}
	first, step, err := n.steps(t, starts, len(y))
	if err != nil {
		return err
	}
	for _, s := range starts {
		x, want := s.x*n.xFactor.v, first+step*float64(s.index)
		rounding := math.Abs(s.digit * n.xFactor.v)
		if s.digit >= 1 {
			rounding = 0 // whole abscissas are counted, not rounded, unless the step is finer
			if math.Abs(step) < math.Abs(n.xFactor.v) {
				rounding = math.Abs(n.xFactor.v)
			}
		}
		if math.Abs(x-want) > math.Abs(step)/2+rounding/2 {
			return errorf(s.line, "the abscissa check fails: found %g, expected %g for point %d", x, want, s.index+1)
		}
	}
	b.x = make([]float64, len(y))
	for i := range y {
		b.x[i] = first + step*float64(i)
		y[i] *= n.yFactor.v
	}
	if n.lastX.ok {
		b.x[len(y)-1] = n.lastX.v
	}
	b.y = y
	if n.deltaX.ok && n.lastX.ok && n.firstX.ok && math.Abs(n.deltaX.v-step) > math.Abs(step)/2 {
		b.notes = append(b.notes, "##DELTAX= is not the step from ##FIRSTX= to ##LASTX=, which holds")
	}
	return nil
}

// steps returns the first abscissa and the step. DELTAX is for the reader only, except
// where LASTX or NPOINTS is missing.
func (n numbers) steps(t record, starts []lineStart, points int) (first, step float64, err error) {
	first = starts[0].x * n.xFactor.v
	if n.firstX.ok {
		first = n.firstX.v
	}
	last := starts[len(starts)-1]
	switch {
	case n.lastX.ok:
		step = (n.lastX.v - first) / float64(points-1)
	case n.deltaX.ok:
		step = n.deltaX.v
	case last.index > starts[0].index:
		step = (last.x - starts[0].x) * n.xFactor.v / float64(last.index-starts[0].index)
	default:
		return 0, 0, errorf(t.line, "found neither ##LASTX= nor ##DELTAX=: the step of the abscissa is not known")
	}
	if step == 0 || math.IsNaN(step) || math.IsInf(step, 0) {
		return 0, 0, errorf(t.line, "the step of the abscissa is %g: ##FIRSTX=, ##LASTX= or ##DELTAX= is wrong", step)
	}
	return first, step, nil
}
