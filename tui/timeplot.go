package tui

import (
	"math"
	"strconv"

	"bluefringe/removal/advice"
)

// drawTime plots thickness against time with target, floor and the forecast
// fanning out to the times of its 5 and 95 % points.
func (m *Model) drawTime(a area) {
	sc := &m.scene
	if a.w < 24 || a.h < 6 {
		return
	}
	title := "thickness, µm "
	if len(sc.sites) > 1 && sc.site != "" {
		title = "thickness of " + clean(sc.site) + ", µm "
	}
	x := a.text(0, 0, penDim, title)
	x = drawHeld(a, x, sc)
	x = a.text(x, 0, penMeasured, "⣀⡠ tracked ")
	x = a.text(x, 0, penComputed, "⢄⡀ forecast 5–95 % ")
	a.text(x, 0, penDim, "▲ prepare ○ blind ■ stop ◆ note")

	if sc.waiting {
		a.textCentre(a.h/2, penDim, "nothing tracked yet")
		return
	}
	lo, hi := sc.thicknessRange()
	lo, hi = m.axes.thickness.settle(lo, hi, m.choices.fixed)
	plot := a.sub(gutter, 1, a.w-gutter, a.h-3)
	win := sc.window
	cellY := axis{lo: lo, hi: hi, n: plot.h}
	cellX := axis{lo: win.lo, hi: win.hi, n: plot.w}
	xs := axis{lo: win.lo, hi: win.hi, n: plot.w * dotsX}
	ys := axis{lo: lo, hi: hi, n: plot.h * dotsY}
	a.sub(0, 1, a.w, plot.h).labelY(cellY, max(plot.h/3, 2))
	for y := range plot.h {
		a.set(gutter-1, y+1, '│', penDim)
	}

	plot.fan(xs, ys, sc)
	plot.track(xs, ys, sc.points, func(p *Point) float64 { return p.ThicknessUM }, penMeasured)
	plot.limit(cellY, sc.targetUM, "target", penTarget)
	plot.limit(cellY, sc.floorUM, "floor", penFloor)
	plot.moments(cellX, sc)
	drawAdviceStrip(a.sub(gutter, a.h-2, plot.w, 1), cellX, sc)
	a.labelX(a.h-1, clockTicks(cellX, max(2, plot.w/14)), cellX, "run time", runTime)
}

// drawHeld marks a picture that does not show the present, and returns the
// column after the mark.
func drawHeld(a area, x int, sc *scene) int {
	if !sc.held {
		return x
	}
	return a.text(x, 0, penBandPast, "◀ at "+runTime(sc.atS)+" ◀") + 1
}

// moments draws the newest moment, and the one looked at, as upright lines.
func (a area) moments(cellX axis, sc *scene) {
	upright := func(timeS float64, r rune, p pen) {
		if x, ok := cellX.inside(timeS); ok {
			for y := range a.h {
				if a.blank(x, y) {
					a.set(x, y, r, p)
				}
			}
		}
	}
	if sc.atS < sc.nowS {
		upright(sc.atS, '│', penStrong)
	}
	upright(sc.nowS, '┆', penDim)
}

// clockTicks returns at most about n times on the axis that are round on a
// clock.
func clockTicks(ax axis, n int) []float64 {
	if !ax.valid() {
		return nil
	}
	step := 28800.0
	for _, s := range []float64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400} {
		if (ax.hi-ax.lo)/s <= float64(n) {
			step = s
			break
		}
	}
	var at []float64
	for v := max(0, math.Ceil(ax.lo/step)*step); v <= ax.hi && len(at) <= n; v += step {
		at = append(at, v)
	}
	return at
}

// thicknessRange returns the range of thickness: what was, and target and floor
// once they are near enough to be drawn without flattening it.
func (sc *scene) thicknessRange() (lo, hi float64) {
	var e extent
	for _, p := range sc.points {
		e.add(p.ThicknessUM)
	}
	f := &sc.forecast
	e.add(f.ThicknessUM)
	// A thickness that stands still must not fill the axis with its noise.
	e.atLeast(max(0.02, 0.002*e.hi))
	reach := 4 * (e.hi - e.lo)
	if removed := f.RateUMMin / 60 * (sc.window.hi - sc.window.lo); finite(removed) {
		reach = max(reach, removed)
	}
	for _, v := range []float64{sc.targetUM, sc.floorUM} {
		if set(v) && (!e.any || math.Abs(e.lo-v) <= reach) {
			e.add(v)
		}
	}
	return widen(e.lo, e.hi, 6)
}

// track joins one value of the past by lines; where it does not exist there is
// a gap.
func (a area) track(xs, ys axis, points []Point, value func(*Point) float64, p pen) {
	joined := false
	var lastX, lastY int
	for i := range points {
		x, okX := xs.inside(points[i].TimeS)
		y, okY := ys.place(value(&points[i]))
		if !okX || !okY {
			joined = false
			continue
		}
		y = ys.n - 1 - y
		if joined {
			a.line(lastX, lastY, x, y, p)
		} else {
			a.dot(x, y, p)
		}
		lastX, lastY, joined = x, y, true
	}
}

// fan draws the forecast: three lines from its moment to the target, dotted
// between. Where there is no target it stays away.
func (a area) fan(xs, ys axis, sc *scene) {
	f := &sc.forecast
	x0, okX := xs.place(f.TimeS)
	y0, okY := ys.place(f.ThicknessUM)
	yt, okT := ys.place(sc.targetUM)
	if !okX || !okY || !okT || !set(sc.targetUM) || !(f.ThicknessUM > sc.targetUM) {
		return
	}
	to := func(leftS float64) (x int, ok bool) { return xs.place(f.TimeS + leftS) }
	first, ok05 := to(f.ToTargetS.P05S)
	middle, ok50 := to(f.ToTargetS.P50S)
	last, ok95 := to(f.ToTargetS.P95S)
	if !ok95 {
		last = xs.n - 1
	}
	flip := func(y int) int { return ys.n - 1 - y }
	if ok05 {
		for y := min(y0, ys.n-1); y > max(yt, -1); y-- { // the area between, every other dot
			part := float64(y0-y) / float64(max(y0-yt, 1))
			l := x0 + int(part*float64(first-x0))
			r := x0 + int(part*float64(last-x0))
			for x := max(l, 0); x <= min(r, xs.n-1); x++ {
				if (x+y)%2 == 0 && y%2 == 0 {
					a.dot(x, flip(y), penComputed)
				}
			}
		}
		a.line(x0, flip(y0), first, flip(yt), penComputed)
	}
	if ok50 {
		a.line(x0, flip(y0), middle, flip(yt), penComputed)
	}
	if ok95 {
		a.line(x0, flip(y0), last, flip(yt), penComputed)
	}
}

// limit draws target or floor as a line through the plot with its name.
func (a area) limit(cellY axis, um float64, name string, p pen) {
	i, ok := cellY.inside(um)
	if !ok || !set(um) {
		return
	}
	y := cellY.n - 1 - i
	label := " " + name + " " + thickness(um) + " "
	if cl := a.at(0, y); cl != nil && cl.r != '─' { // the other limit may lie in the same row
		for x := range a.w {
			if a.blank(x, y) {
				a.set(x, y, '─', p)
			}
		}
	}
	// At the left, where the track is high above a limit that lies ahead.
	for x := 2; x < a.w/2; x++ {
		if a.ruled(x, y, len(label)) {
			a.text(x, y, p, label)
			return
		}
	}
}

// ruled tells whether n cells from (x, y) on hold nothing but a line.
func (a area) ruled(x, y, n int) bool {
	for ; n > 0; n, x = n-1, x+1 {
		if cl := a.at(x, y); cl == nil || cl.r != '─' {
			return false
		}
	}
	return true
}

// drawAdviceStrip shows by shape which advice was given when, and where notes
// are.
func drawAdviceStrip(a area, cellX axis, sc *scene) {
	levels := make([]advice.Level, a.w)
	for _, p := range sc.points {
		if x, ok := cellX.inside(p.TimeS); ok {
			levels[x] = max(levels[x], p.Level)
		}
	}
	for x, l := range levels {
		switch l {
		case advice.Continue:
			a.set(x, 0, '─', penDim)
		case advice.Prepare, advice.Blind:
			a.set(x, 0, adviceShape(l), penWarn)
		default:
			a.set(x, 0, adviceShape(l), penFloor)
		}
	}
	for _, e := range sc.entries {
		if x, ok := cellX.inside(e.TimeS); ok && e.Kind == NoteMade && e.TimeS <= sc.nowS {
			a.set(x, 0, e.shape(), penStrong)
		}
	}
}

// drawEdges plots the contrast edge against time: as measured, and where it
// belongs for the thickness.
func (m *Model) drawEdges(a area) {
	sc := &m.scene
	if a.w < 24 || a.h < 5 || sc.waiting {
		return
	}
	x := a.text(0, 0, penDim, "contrast edge, nm ")
	x = drawHeld(a, x, sc)
	x = a.text(x, 0, penMeasured, "⣀⡠ measured ")
	a.text(x, 0, penComputed, "⠤⠤ where it belongs")

	var e extent
	for i := range sc.points {
		e.add(sc.points[i].EdgeNM)
		e.add(sc.points[i].EdgeExpectedNM)
	}
	if !e.any {
		a.textCentre(a.h/2, penDim, "no edge seen in this time")
		return
	}
	e.atLeast(20) // nm; an edge that stands still must not fill the axis with its noise
	lo, hi := widen(e.lo, e.hi, 4)
	lo, hi = m.axes.edge.settle(lo, hi, m.choices.fixed)
	plot := a.sub(gutter, 1, a.w-gutter, a.h-2)
	win := sc.window
	a.sub(0, 1, a.w, plot.h).labelY(axis{lo: lo, hi: hi, n: plot.h}, max(plot.h/2, 2))
	for y := range plot.h {
		a.set(gutter-1, y+1, '│', penDim)
	}
	xs := axis{lo: win.lo, hi: win.hi, n: plot.w * dotsX}
	ys := axis{lo: lo, hi: hi, n: plot.h * dotsY}
	plot.track(xs, ys, sc.points, func(p *Point) float64 { return p.EdgeExpectedNM }, penComputed)
	for i := range sc.points { // dots: it scatters
		x, okX := xs.inside(sc.points[i].TimeS)
		y, okY := ys.inside(sc.points[i].EdgeNM)
		if okX && okY {
			plot.dot(x, ys.n-1-y, penMeasured)
		}
	}
	cellX := axis{lo: win.lo, hi: win.hi, n: plot.w}
	plot.moments(cellX, sc)
	a.labelX(a.h-1, clockTicks(cellX, max(2, plot.w/14)), cellX, "run time", runTime)
}

// edgeMoved says how far the contrast edge moved within the time shown, empty
// when that cannot be told.
func (sc *scene) edgeMoved() string {
	first, last := math.NaN(), math.NaN()
	var fromS, toS float64
	for i := range sc.points {
		p := &sc.points[i]
		if !finite(p.EdgeNM) || p.TimeS > sc.atS {
			continue
		}
		if math.IsNaN(first) {
			first, fromS = p.EdgeNM, p.TimeS
		}
		last, toS = p.EdgeNM, p.TimeS
	}
	moved := math.Round(last - first)
	if !shown(moved) || toS-fromS < 5 {
		return ""
	}
	word := "bluer"
	if moved > 0 {
		word = "redder"
	}
	return strconv.FormatFloat(math.Abs(moved), 'f', 0, 64) + " nm " + word + " in " + seconds(toS-fromS)
}
