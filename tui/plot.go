package tui

import (
	"math"
	"strconv"
)

// axis maps a range of values to places counted from 0 at lo to n-1 at hi.
type axis struct {
	lo, hi float64
	n      int
}

// valid tells whether the axis has a range to map.
func (ax axis) valid() bool {
	return ax.n > 0 && finite(ax.lo) && finite(ax.hi) && ax.hi > ax.lo && finite(ax.hi-ax.lo)
}

// place returns where v lies; it may lie outside. ok is false when v is no
// number or the axis has no range.
func (ax axis) place(v float64) (i int, ok bool) {
	if !ax.valid() || !finite(v) {
		return 0, false
	}
	p := math.Round((v - ax.lo) / (ax.hi - ax.lo) * float64(ax.n-1))
	return int(min(max(p, -1e6), 1e6)), true
}

// inside is place for values on the axis only.
func (ax axis) inside(v float64) (i int, ok bool) {
	i, ok = ax.place(v)
	return i, ok && i >= 0 && i < ax.n
}

// value is the inverse of place.
func (ax axis) value(i int) float64 {
	return ax.lo + (ax.hi-ax.lo)*float64(i)/float64(max(ax.n-1, 1))
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// niceStep returns the smallest of 1, 2, 5 times a power of ten that is not
// below v.
func niceStep(v float64) float64 {
	if !finite(v) || v <= 0 {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*p >= v*(1-1e-12) {
			return m * p
		}
	}
	return 10 * p
}

// ticks returns at most n round values on the axis and the decimals to print
// them with.
func (ax axis) ticks(n int) (at []float64, decimals int) {
	if !ax.valid() || n < 1 {
		return nil, 0
	}
	step := niceStep((ax.hi - ax.lo) / float64(n))
	if step < 1 {
		decimals = int(math.Ceil(-math.Log10(step) - 1e-9))
	}
	for k := math.Ceil(ax.lo/step - 1e-9); len(at) < n+1 && k*step <= ax.hi+1e-9*step; k++ {
		at = append(at, k*step+0) // + 0 turns -0 into 0
	}
	return at, decimals
}

// widen returns the range of an axis that holds lo to hi with round ends.
func widen(lo, hi float64, parts int) (float64, float64) {
	if !finite(lo) || !finite(hi) || hi < lo {
		return 0, 1
	}
	if hi == lo {
		lo, hi = lo-0.5, hi+0.5
	}
	step := niceStep((hi - lo) / float64(parts))
	return math.Floor(lo/step) * step, math.Ceil(hi/step) * step
}

// extent is a range that grows with the values it is shown.
type extent struct {
	lo, hi float64
	any    bool
}

func (e *extent) add(v float64) {
	switch {
	case !finite(v) || math.Abs(v) > 1e9:
	case !e.any:
		e.lo, e.hi, e.any = v, v, true
	default:
		e.lo, e.hi = min(e.lo, v), max(e.hi, v)
	}
}

// gutter is the width left of a plot for the labels of its y axis.
const gutter = 6

// labelY writes the labels of a vertical axis, counted in cells from the
// bottom, into the gutter of a.
func (a area) labelY(ax axis, n int) {
	at, decimals := ax.ticks(n)
	for _, v := range at {
		if i, ok := ax.inside(v); ok {
			a.textRight(gutter-1, ax.n-1-i, penDim, strconv.FormatFloat(v, 'f', decimals, 64))
		}
	}
}

// labelX writes labels of a horizontal axis, which begins at column gutter,
// into row y. The unit stands at the right.
func (a area) labelX(y int, at []float64, ax axis, unit string, format func(v float64) string) {
	free := 0 // first column that may be written
	for _, v := range at {
		i, ok := ax.inside(v)
		if !ok {
			continue
		}
		s := format(v)
		x := gutter + i - len(s)/2
		if x < free || x+len(s) > a.w-len(unit)-1 {
			continue
		}
		free = a.text(x, y, penDim, s) + 1
	}
	a.textRight(a.w, y, penDim, unit)
}

// fixed formats with a fixed number of decimals.
func fixed(v float64, decimals int) string { return strconv.FormatFloat(v, 'f', decimals, 64) }

// axes remembers the ranges of the axes, so that they do not jump.
type axes struct {
	thickness, reflectance, visibility, edge settled
}

// settled is the range of an axis that changes only when it must.
type settled struct {
	lo, hi float64
	any    bool
}

// settle returns the range to draw with, given the range that the data want: the
// last one while it holds the data and they use a good part of it, or when the
// axes are fixed.
func (r *settled) settle(lo, hi float64, fixed bool) (float64, float64) {
	holds := lo >= r.lo && hi <= r.hi && hi-lo >= 0.4*(r.hi-r.lo)
	if !r.any || !fixed && !holds {
		r.lo, r.hi, r.any = lo, hi, true
	}
	return r.lo, r.hi
}

// atLeast widens a range around its middle to a span, so that noise alone does
// not fill an axis.
func (e *extent) atLeast(span float64) {
	if missing := span - (e.hi - e.lo); e.any && missing > 0 && finite(missing) {
		e.lo, e.hi = e.lo-missing/2, e.hi+missing/2
	}
}
