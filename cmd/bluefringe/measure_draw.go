package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/charmbracelet/x/ansi"
)

// Size of the drawn map inside its frame.
const (
	mapCells = 70
	mapRows  = 15
)

// drawMap draws the die from above, y up: the thickness of each site at its place,
// with the names where there is room. Distances are not to scale.
func drawMap(sites []placed) []string {
	x0, x1 := math.Inf(1), math.Inf(-1)
	y0, y1 := x0, x1
	thinnest := math.Inf(1)
	heights := map[float64]bool{}
	for _, s := range sites {
		x0, x1 = math.Min(x0, s.XMM), math.Max(x1, s.XMM)
		y0, y1 = math.Min(y0, s.YMM), math.Max(y1, s.YMM)
		thinnest = math.Min(thinnest, s.ThicknessUM)
		heights[s.YMM] = true
	}
	rows := min(2*len(heights)-1, mapRows)
	labels := func(names bool) []string {
		out := make([]string, len(sites))
		for i, s := range sites {
			out[i] = fmt.Sprintf("%.3f", s.ThicknessUM)
			if s.ThicknessUM == thinnest {
				out[i] += "*"
			}
			if names {
				out[i] = short(s.name) + " " + out[i]
			}
		}
		return out
	}
	// part is where v lies between low and high, from 0 to 1.
	part := func(v, low, high float64) float64 {
		if high == low {
			return 0.5
		}
		return (v/2 - low/2) / (high/2 - low/2) // halves cannot overflow
	}
	draw := func(labels []string) (lines []string, hidden int) {
		width := 0
		for _, l := range labels {
			width = max(width, ansi.StringWidth(l))
		}
		grid := make([]mapRow, rows)
		for i, s := range sites {
			row := int(math.Round(part(-s.YMM, -y1, -y0) * float64(rows-1)))
			column := int(math.Round(part(s.XMM, x0, x1) * float64(mapCells-width)))
			if !grid[row].put(column, labels[i]) {
				hidden++
			}
		}
		for _, row := range grid {
			lines = append(lines, "  |"+row.text()+"|")
		}
		return lines, hidden
	}
	lines, hidden := draw(labels(true))
	if hidden > 0 {
		lines, hidden = draw(labels(false))
	}
	frame := "  +" + strings.Repeat("-", mapCells) + "+"
	lines = append([]string{frame}, append(lines, frame)...)
	legend := fmt.Sprintf("  um; x %.4g to %.4g mm right, y %.4g to %.4g mm up, not to scale; * thinnest", x0, x1, y0, y1)
	if hidden > 0 {
		legend += fmt.Sprintf("; no room for %d", hidden)
	}
	return append(lines, legend)
}

// mapRow is one row of the drawn map: labels by column.
type mapRow []mapLabel

type mapLabel struct {
	column, width int
	text          string
}

// put adds a label, unless it would touch another.
func (r *mapRow) put(column int, text string) bool {
	l := mapLabel{column, ansi.StringWidth(text), text}
	for _, o := range *r {
		if l.column <= o.column+o.width && o.column <= l.column+l.width {
			return false
		}
	}
	*r = append(*r, l)
	slices.SortFunc(*r, func(a, b mapLabel) int { return a.column - b.column })
	return true
}

func (r mapRow) text() string {
	var b strings.Builder
	at := 0
	for _, l := range r {
		b.WriteString(strings.Repeat(" ", l.column-at) + l.text)
		at = l.column + l.width
	}
	b.WriteString(strings.Repeat(" ", mapCells-at))
	return b.String()
}
