package tui

import (
	"fmt"
	"math"

	"bluefringe/removal/guide"
)

// drawSpectrum draws a spectrum with its fit, and under the same wavelength axis
// the fringe visibility as a ribbon and the way of the contrast edge.
func (m *Model) drawSpectrum(a area) {
	sc := &m.scene
	if a.w < 24 || a.h < 12 {
		return
	}
	x := a.text(0, 0, penDim, "reflectance ")
	x = drawHeld(a, x, sc)
	e := sc.estimate
	if e == nil || len(e.Picture.WavelengthNM) == 0 {
		a.textCentre(a.h/2, penDim, "no spectrum yet")
		return
	}
	if len(sc.sites) > 1 {
		x = a.text(x, 0, penPlain, "at "+clean(e.Site)+" ")
	}
	if age := sc.atS - e.TimeS; age >= staleS {
		x = a.text(x, 0, penWarn, seconds(age)+" OLD ")
	}
	switch {
	case sc.veiled:
	case sc.trusted():
		x = a.text(x, 0, penComputed, "─ fit")
		if off := misfit(&e.Picture); shown(off) && a.w-x >= 40 {
			x = a.text(x, 0, penDim, fmt.Sprintf(", off by %.2g rms", off))
		}
		x++
	default:
		x = a.text(x, 0, penWarn, "no fit ")
	}
	if a.w-x >= 12 {
		x = a.text(x, 0, penMeasured, "⡁⠄ measured ")
	}
	if sc.other != nil && a.w-x >= 12 {
		a.text(x, 0, penWarn, clean(sc.other.Channel)+" CONTRADICTS")
	}

	ribbonH := min(max(a.h/5, 3), 7)
	plotH := a.h - ribbonH - 4
	waves := waveAxis(&e.Picture, a.w-gutter)
	m.drawReflectance(a.sub(0, 1, a.w, plotH), &e.Picture, waves)
	m.drawRibbon(a.sub(0, plotH+1, a.w, ribbonH+1), e, waves)
	drawTrail(a.sub(gutter, a.h-2, a.w-gutter, 1), sc, e, waves)
	at, _ := waves.ticks(max(3, waves.n/8))
	a.labelX(a.h-1, at, waves, "nm", number)
}

// misfit returns the root mean square of what is left between the measured
// spectrum and its fit, NaN when there is nothing to compare.
func misfit(p *guide.Picture) float64 {
	sum, n := 0.0, 0
	for i := range min(len(p.Reflectance), len(p.Model)) {
		if d := p.Reflectance[i] - p.Model[i]; finite(d) {
			sum, n = sum+d*d, n+1
		}
	}
	return math.Sqrt(sum / float64(n))
}

// waveAxis returns the wavelength axis in cells.
func waveAxis(p *guide.Picture, cells int) axis {
	var e extent
	for _, v := range p.WavelengthNM {
		e.add(v)
	}
	return axis{lo: e.lo, hi: e.hi, n: cells}
}

// drawReflectance plots measured points and the fitted line.
func (m *Model) drawReflectance(a area, p *guide.Picture, waves axis) {
	var e extent
	for _, group := range [][]float64{p.Reflectance, p.Model} {
		for _, v := range group {
			if v > -1 && v < 10 { // beyond is no reflectance and would flatten the rest
				e.add(v)
			}
		}
	}
	e.atLeast(0.05) // noise alone must not fill the plot
	lo, hi := widen(e.lo, e.hi, 5)
	lo, hi = m.axes.reflectance.settle(lo, hi, m.choices.fixed)
	plot := a.sub(gutter, 0, a.w-gutter, a.h)
	a.labelY(axis{lo: lo, hi: hi, n: plot.h}, max(plot.h/3, 2))
	for y := range plot.h {
		a.set(gutter-1, y, '│', penDim)
	}

	xs := axis{lo: waves.lo, hi: waves.hi, n: plot.w * dotsX}
	ys := axis{lo: lo, hi: hi, n: plot.h * dotsY}
	n := min(len(p.WavelengthNM), len(p.Reflectance))
	for i := range n {
		x, okX := xs.inside(p.WavelengthNM[i])
		y, okY := ys.inside(p.Reflectance[i])
		if okX && okY {
			plot.dot(x&^1, ys.n-1-y, penMeasured) // every other column: dots, no line
		}
	}
	plot.curve(xs, ys, p.WavelengthNM, p.Model, penComputed)
}

// curve joins the points (x, y) by lines; a gap stays where there is no number.
func (a area) curve(xs, ys axis, x, y []float64, p pen) {
	joined := false
	var lastX, lastY int
	for i := range min(len(x), len(y)) {
		px, okX := xs.inside(x[i])
		py, okY := ys.place(y[i])
		if !okX || !okY {
			joined = false
			continue
		}
		py = ys.n - 1 - py
		if joined {
			a.line(lastX, lastY, px, py, p)
		} else {
			a.dot(px, py, p)
		}
		lastX, lastY, joined = px, py, true
	}
}

// drawRibbon draws the fringe visibility: bars as measured, and a line where
// they should be and are not. Its first row is the title.
func (m *Model) drawRibbon(a area, e *guide.Estimate, waves axis) {
	p := &e.Picture
	x := a.text(0, 0, penDim, "visibility, edge ")
	x = a.text(x, 0, penMeasured, "▲ "+number(e.EdgeNM))
	if m.scene.veiled {
		a.text(x, 0, penMeasured, " nm")
	} else {
		x = a.text(x, 0, penComputed, " △ "+number(p.EdgeExpectedNM))
	}
	if moved := m.scene.edgeMoved(); moved != "" && a.w-x >= len(moved)+6 {
		x = a.text(x, 0, penDim, " nm, ·"+moved)
	}
	if a.w-x > 44 && !m.scene.veiled {
		x = a.text(x, 0, penMeasured, "   ▆▲ measured ")
		a.text(x, 0, penComputed, "─△ where it belongs")
	}

	top := 0.1
	for _, group := range [][]float64{p.Visibility, p.VisibilityExpected} {
		for _, v := range group {
			if finite(v) {
				top = max(top, min(v, 1))
			}
		}
	}
	_, top = m.axes.visibility.settle(0, min(niceStep(top), 1), m.choices.fixed)
	a.textRight(gutter-1, 1, penDim, trim(top))
	a.textRight(gutter-1, a.h-1, penDim, "0")
	ribbon := a.sub(gutter, 1, a.w-gutter, a.h-1)
	scale := axis{lo: 0, hi: top, n: ribbon.h*8 + 1}
	for y := range ribbon.h {
		a.set(gutter-1, y+1, '│', penDim)
	}
	for x := range ribbon.w {
		nm := waves.value(x)
		height, seen := scale.place(at(p.VisibilityNM, p.Visibility, nm))
		if seen {
			height = min(height, scale.n-1)
			for y := range ribbon.h {
				if n := height - (ribbon.h-1-y)*8; n > 0 {
					ribbon.set(x, y, eighth(n), penMeasured)
				}
			}
		}
		// The line would only cut holes into the bars where both agree.
		expected, ok := scale.inside(at(p.VisibilityNM, p.VisibilityExpected, nm))
		if ok && (!seen || abs(expected-height) > 6) {
			ribbon.set(x, ribbon.h-1-max(expected-1, 0)/8, '─', penComputed)
		}
	}
}

// drawTrail shows, in one row under the ribbon, where the contrast edge was in
// the time shown (dotted; a stroke at each full minute), where it is and where
// it belongs.
func drawTrail(a area, sc *scene, e *guide.Estimate, waves axis) {
	minute := math.NaN()
	for i := range sc.points {
		p := &sc.points[i]
		x, ok := waves.inside(p.EdgeNM)
		if !ok || p.TimeS > sc.atS {
			continue
		}
		r := '·'
		if now := math.Floor(p.TimeS / 60); now != minute {
			if !math.IsNaN(minute) {
				r = '┴'
			}
			minute = now
		}
		if r == '┴' || a.blank(x, 0) {
			a.set(x, 0, r, penDim)
		}
	}
	mark := func(nm float64, r rune, p pen) {
		if x, ok := waves.inside(nm); ok {
			a.set(x, 0, r, p)
		}
	}
	mark(e.Picture.EdgeExpectedNM, '△', penComputed)
	mark(e.EdgeNM, '▲', penMeasured)
}

// number formats a wavelength without its unit.
func number(nm float64) string {
	if !shown(nm) {
		return none
	}
	return fixed(nm, 0)
}

// at interpolates y at x between neighbouring points of rising xs; NaN outside
// and where a neighbour is NaN.
func at(xs, ys []float64, x float64) float64 {
	for i := 1; i < min(len(xs), len(ys)); i++ {
		if x < xs[i-1] || x > xs[i] || xs[i] <= xs[i-1] {
			continue
		}
		return ys[i-1] + (ys[i]-ys[i-1])*(x-xs[i-1])/(xs[i]-xs[i-1])
	}
	return math.NaN()
}
