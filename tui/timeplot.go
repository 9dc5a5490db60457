package tui

import (
	"math"

	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// window is a stretch of run time.
type window struct{ lo, now, hi float64 }

// timeWindow returns the stretch of the run the plot against time shows: four
// times the time left back, so that the way to the target can be judged, and a
// third of that ahead. Its length goes in steps, so it does not creep.
func timeWindow(s *Snapshot) window {
	back := 60.0
	if left := s.thinnest().ToTargetS.P50S; finite(left) {
		back = max(back, min(4*left, s.Step.TimeS))
	}
	for _, step := range []float64{60, 90, 120, 180, 240, 300, 450, 600, 900, 1200, 1800, 3600, 7200, 14400, 28800} {
		if back <= step || step == 28800 {
			back = step
			break
		}
	}
	now := s.Step.TimeS
	if !finite(now) {
		now = 0
	}
	return window{lo: now - back, now: now, hi: now + back/3}
}

// drawTime plots thickness against time with target, floor and the forecast
// fanning out from now to the times of its 5 and 95 % points.
func drawTime(a area, s *Snapshot, points []Point, frozen bool) {
	if a.w < 30 || a.h < 6 {
		return
	}
	x := a.text(0, 0, penDim, "thickness, µm ")
	if frozen {
		x = a.text(x, 0, penWarn, "FROZEN ")
	}
	x = a.text(x, 0, penMeasured, "⣀⡠ tracked ")
	x = a.text(x, 0, penComputed, "⢄⡀ forecast 5–95 % ")
	a.text(x, 0, penDim, "advice: ▲ prepare ○ blind ■ stop")

	if s.State == Waiting {
		a.textCentre(a.h/2, penDim, "nothing tracked yet")
		return
	}
	win := timeWindow(s)
	f := s.thinnest()
	lo, hi := timeRange(s, points, f, win)
	plot := a.sub(gutter, 1, a.w-gutter, a.h-3)
	cellY := axis{lo: lo, hi: hi, n: plot.h}
	cellX := axis{lo: win.lo, hi: win.hi, n: plot.w}
	xs := axis{lo: win.lo, hi: win.hi, n: plot.w * dotsX}
	ys := axis{lo: lo, hi: hi, n: plot.h * dotsY}
	a.sub(0, 1, a.w, plot.h).labelY(cellY, max(plot.h/3, 2))
	for y := range plot.h {
		a.set(gutter-1, y+1, '│', penDim)
	}

	plot.fan(xs, ys, s, f)
	plot.track(xs, ys, points)
	plot.limit(cellY, s.TargetUM, "target", penTarget)
	plot.limit(cellY, s.FloorUM, "floor", penFloor)
	if x, ok := cellX.inside(win.now); ok {
		for y := range plot.h {
			if plot.blank(x, y) {
				plot.set(x, y, '┆', penDim)
			}
		}
	}
	drawAdviceStrip(a.sub(gutter, a.h-2, plot.w, 1), cellX, points)
	a.labelX(a.h-1, clockTicks(cellX, max(2, plot.w/14)), cellX, "run time", runTime)
}

// clockTicks returns at most about n times on the axis that are round on a
// clock.
func clockTicks(ax axis, n int) []float64 {
	if !ax.valid() {
		return nil
	}
	step := 28800.0
	for _, s := range []float64{5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400} {
		if (ax.hi-ax.lo)/s <= float64(n) {
			step = s
			break
		}
	}
	var at []float64
	for v := max(0, math.Ceil(ax.lo/step)*step); v <= ax.hi; v += step {
		at = append(at, v)
	}
	return at
}

// timeRange returns the range of thickness: what was, and target and floor
// once they are near enough to be drawn without flattening it.
func timeRange(s *Snapshot, points []Point, f guide.Forecast, win window) (lo, hi float64) {
	var e extent
	for _, p := range points {
		e.add(p.ThicknessUM)
	}
	e.add(f.ThicknessUM)
	reach := 4 * (e.hi - e.lo)
	if removed := f.RateUMMin / 60 * (win.hi - win.lo); finite(removed) {
		reach = max(reach, removed)
	}
	for _, v := range []float64{s.TargetUM, s.FloorUM} {
		if set(v) && (!e.any || math.Abs(e.lo-v) <= reach) {
			e.add(v)
		}
	}
	return widen(e.lo, e.hi, 6)
}

// track draws the thickness of the past.
func (a area) track(xs, ys axis, points []Point) {
	joined := false
	var lastX, lastY int
	for _, p := range points {
		x, okX := xs.inside(p.TimeS)
		y, okY := ys.place(p.ThicknessUM)
		if !okX || !okY {
			joined = false
			continue
		}
		y = ys.n - 1 - y
		if joined {
			a.line(lastX, lastY, x, y, penMeasured)
		} else {
			a.dot(x, y, penMeasured)
		}
		lastX, lastY, joined = x, y, true
	}
}

// fan draws the forecast: three lines from now to the target, dotted between.
// Where there is no target it stays away.
func (a area) fan(xs, ys axis, s *Snapshot, f guide.Forecast) {
	x0, okX := xs.place(f.TimeS)
	y0, okY := ys.place(f.ThicknessUM)
	yt, okT := ys.place(s.TargetUM)
	if !okX || !okY || !okT || !set(s.TargetUM) || !(f.ThicknessUM > s.TargetUM) {
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
	for x := range a.w {
		if a.blank(x, y) {
			a.set(x, y, '─', p)
		}
	}
	// At the left, where the track is high above a limit that lies ahead.
	for x := 2; x < 2+len(label); x++ {
		if cl := a.at(x, y); cl == nil || cl.r != '─' {
			return
		}
	}
	a.text(2, y, p, label)
}

// drawAdviceStrip shows by shape which advice was given when.
func drawAdviceStrip(a area, cellX axis, points []Point) {
	levels := make([]advice.Level, a.w)
	for _, p := range points {
		if x, ok := cellX.inside(p.TimeS); ok {
			levels[x] = max(levels[x], p.Level)
		}
	}
	for x, l := range levels {
		switch l {
		case advice.Continue:
			a.set(x, 0, '─', penDim)
		case advice.Prepare:
			a.set(x, 0, '▲', penWarn)
		case advice.Blind:
			a.set(x, 0, '○', penWarn)
		default:
			a.set(x, 0, '■', penFloor)
		}
	}
}
