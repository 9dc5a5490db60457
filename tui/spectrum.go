package tui

import (
	"math"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
)

// drawSpectrum draws the newest spectrum with its fit, and under the same
// wavelength axis the fringe visibility as a ribbon.
func (m *Model) drawSpectrum(a area, s *Snapshot) {
	if a.w < 24 || a.h < 12 {
		return
	}
	x := a.text(0, 0, penDim, "reflectance ")
	if m.pictures.frozen {
		x = a.text(x, 0, penWarn, "FROZEN ")
	}
	e := s.Estimate
	if e == nil || len(e.Picture.WavelengthNM) == 0 {
		a.textCentre(a.h/2, penDim, "no spectrum yet")
		return
	}
	if age := s.Step.TimeS - e.TimeS; age >= staleS {
		x = a.text(x, 0, penWarn, seconds(age)+" OLD ")
	}
	if e.Quality == estimate.Lost || e.Picture.Model == nil {
		x = a.text(x, 0, penWarn, "no fit ")
	} else {
		x = a.text(x, 0, penComputed, "─ fit ")
	}
	if a.w-x >= 12 {
		x = a.text(x, 0, penMeasured, "⡁⠄ measured ")
	}
	if len(s.Sites) > 1 {
		a.text(x, 0, penDim, "site "+e.Site)
	}

	ribbonH := min(max(a.h/5, 3), 7)
	plotH := a.h - ribbonH - 3
	waves := waveAxis(&e.Picture, a.w-gutter)
	drawReflectance(a.sub(0, 1, a.w, plotH), &e.Picture, waves)
	drawRibbon(a.sub(0, plotH+1, a.w, ribbonH+1), e, waves)
	at, _ := waves.ticks(max(3, waves.n/8))
	a.labelX(a.h-1, at, waves, "nm", number)
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
func drawReflectance(a area, p *guide.Picture, waves axis) {
	var e extent
	for _, group := range [][]float64{p.Reflectance, p.Model} {
		for _, v := range group {
			if v > -1 && v < 10 { // beyond is no reflectance and would flatten the rest
				e.add(v)
			}
		}
	}
	if thin := 0.05 - (e.hi - e.lo); e.any && thin > 0 { // noise alone must not fill the plot
		e.lo, e.hi = e.lo-thin/2, e.hi+thin/2
	}
	lo, hi := widen(e.lo, e.hi, 5)
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

// drawRibbon draws the fringe visibility: bars as measured, a line where they
// should be and are not, and the contrast edge of both. Its first row is the title.
func drawRibbon(a area, e *guide.Estimate, waves axis) {
	p := &e.Picture
	x := a.text(0, 0, penDim, "visibility, edge ")
	x = a.text(x, 0, penMeasured, "▲ "+number(e.EdgeNM))
	x = a.text(x, 0, penComputed, " △ "+number(p.EdgeExpectedNM))
	if a.w-x > 44 {
		x = a.text(x, 0, penDim, " nm    ")
		x = a.text(x, 0, penMeasured, "▆▲ measured ")
		a.text(x, 0, penComputed, "─△ expected, where it differs")
	}

	top := 0.1
	for _, group := range [][]float64{p.Visibility, p.VisibilityExpected} {
		for _, v := range group {
			if finite(v) {
				top = max(top, min(v, 1))
			}
		}
	}
	top = min(niceStep(top), 1)
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
	mark := func(nm float64, r rune, p pen) {
		if x, ok := waves.inside(nm); ok {
			ribbon.set(x, ribbon.h-1, r, p)
		}
	}
	mark(p.EdgeExpectedNM, '△', penComputed)
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
