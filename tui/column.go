package tui

import "math"

// shadeS is how far ahead the column shows what will be gone.
const shadeS = 60

// columnTop returns the thickness at the top of the column in µm: a round
// number above the silicon that leaves room for target and floor, and no more
// than the silicon there was at the start.
func columnTop(s *Snapshot, um float64) float64 {
	need := 0.0
	for _, v := range []float64{um * 1.02, s.TargetUM * 1.25, s.FloorUM * 1.25} {
		if finite(v) {
			need = max(need, v)
		}
	}
	if need <= 0 {
		need = 1
	}
	top := niceStep(need)
	if start := s.StartThicknessUM; set(start) && start >= need {
		top = min(top, math.Ceil(start*10)/10)
	}
	return top
}

// drawColumn draws the silicon to scale, from the circuits at the bottom up to
// its polished face, with target and floor as lines across it. What the pad
// takes within shadeS is shaded; what has gone already is dotted.
func drawColumn(a area, s *Snapshot, r *reading) {
	if a.w < 12 || a.h < 6 {
		return
	}
	width := min(max(a.w-9, 4), 10)
	um := r.thicknessUM
	if !shown(um) || um < 0 {
		um = math.NaN()
	}
	if math.IsNaN(um) && !set(s.TargetUM) && !set(s.StartThicknessUM) {
		return // nothing to be to scale with
	}
	top := columnTop(s, um)
	a.text(0, 0, penDim, fitting(a.w-1, "silicon to scale, 0–"+trim(top)+" µm", "silicon, 0–"+trim(top)+" µm",
		"0–"+trim(top)+" µm"))

	bar := a.sub(0, 1, width, a.h-2)
	scale := axis{lo: 0, hi: top, n: bar.h*8 + 1}
	edge, known := scale.place(um)
	edge = min(edge, scale.n-1)
	ahead := edge
	if finite(r.rate) && r.rate > 0 && r.contact && known {
		ahead, _ = scale.place(max(0, um-r.rate*shadeS/60))
	}
	for y := range bar.h {
		below := (bar.h - 1 - y) * 8 // eighths under this row
		fill, p := '█', penSilicon
		switch {
		case !known:
			fill, p = ' ', penDim
		case edge <= below:
			fill, p = '·', penDim
		case edge < below+8:
			fill = eighth(edge - below)
			if ahead <= below {
				p = penComputed
			}
		case ahead <= below+3: // the shaded part reaches down over most of the row
			fill, p = '▒', penComputed
		}
		bar.sub(0, y, width, 1).fill(fill, p)
	}
	a.sub(0, a.h-1, width, 1).fill('▓', penDim)
	a.text(width+1, a.h-1, penDim, "circuits")
	if known && ahead < edge {
		// Beside the face, unless a limit needs the row.
		a.text(width+1, 1+bar.h-1-max(edge-1, 0)/8, penComputed, "▒ 60 s")
	}
	drawLimit(a, bar, scale, edge, s.FloorUM, "floor", penFloor)
	drawLimit(a, bar, scale, edge, s.TargetUM, "target", penTarget)
}

// drawLimit draws target or floor as a line across the column with its name.
// The row that holds the face of the silicon keeps its picture.
func drawLimit(a, bar area, scale axis, edge int, um float64, name string, p pen) {
	at, ok := scale.inside(um)
	if !ok || !set(um) {
		return
	}
	row := bar.h - 1 - max(at-1, 0)/8
	if face := bar.h - 1 - max(edge-1, 0)/8; row != face {
		bar.sub(0, row, bar.w, 1).fill('━', p)
	}
	label := a.sub(bar.w, 1+row, a.w-bar.w, 1)
	if label.blank(1, 0) || name == "target" { // of two in one row the target stays
		label.fill(' ', penPlain)
		label.set(0, 0, '━', p)
		if long := name + " " + thickness(um); label.w > len(long)+2 {
			name = long
		}
		label.text(2, 0, p, name)
	}
}

// trim formats a round number with as few decimals as it needs.
func trim(v float64) string {
	for d := range 4 {
		if s := fixed(v, d); math.Abs(v-math.Round(v*math.Pow(10, float64(d)))/math.Pow(10, float64(d))) < 1e-6 {
			return s
		}
	}
	return fixed(v, 4)
}
