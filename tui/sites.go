package tui

import (
	"fmt"
	"math"
	"strings"

	"github.com/charmbracelet/x/ansi"

	"bluefringe/optics/estimate"
)

// Least size of a useful map.
const (
	mapFrom = 7
	mapCols = 36
)

// drawSites lists the sites, thinnest marked, and draws their map under the
// list, or beside it where that fits better.
func drawSites(a area, sc *scene) {
	if a.w < 20 || a.h < 3 {
		return
	}
	title := fmt.Sprintf("%d sites", len(sc.sites))
	if len(sc.sites) == 1 {
		title = "1 site"
	}
	var e extent
	for _, one := range sc.sites {
		e.add(one.ThicknessUM)
	}
	if e.any && len(sc.sites) > 1 {
		title += fmt.Sprintf(", %s to %s µm", thickness(e.lo), thickness(e.hi))
	}
	x := a.text(0, 0, penDim, title+" ")
	drawHeld(a, x, sc)

	list, dieMap := a.sub(0, 1, a.w, a.h-1), area{}
	switch mapH := a.h - len(sc.sites) - 2; {
	case !mapped(sc.sites):
	case mapH >= mapFrom:
		list = a.sub(0, 1, a.w, len(sc.sites))
		dieMap = a.sub(0, len(sc.sites)+2, a.w, mapH)
	case a.w >= 76 && a.h > mapFrom:
		list = a.sub(0, 1, a.w/2, a.h-1)
		dieMap = a.sub(a.w/2, 1, a.w-a.w/2, a.h-1)
	case a.h > mapFrom && a.w >= mapCols: // the map says where, and how thick; the list can wait
		list, dieMap = area{}, a.sub(0, 1, a.w, a.h-1)
	}
	if list.h > 0 {
		drawSiteList(list, sc)
	}
	drawMap(dieMap, sc)
}

// mapped tells whether sites can be put on a map: more than one, in different
// places.
func mapped(sites []Site) bool {
	for _, one := range sites {
		if shown(one.XMM) && shown(one.YMM) && (one.XMM != 0 || one.YMM != 0) {
			return len(sites) > 1
		}
	}
	return false
}

// drawSiteList lists the sites with their thickness and what is to be said of it.
func drawSiteList(list area, sc *scene) {
	nameW := 1
	for _, one := range sc.sites {
		nameW = max(nameW, min(ansi.StringWidth(clean(one.Name)), 12, list.w/4))
	}
	for i, one := range sc.sites {
		if i == list.h-1 && len(sc.sites) > list.h {
			list.text(2, i, penDim, fmt.Sprintf("and %d more", len(sc.sites)-i))
			break
		}
		p := penPlain
		if one.Name == sc.thinnest {
			list.set(0, i, '▶', penStrong)
			p = penStrong
		}
		if one.Name == sc.site {
			list.set(1, i, '◆', penStrong)
		}
		list.sub(0, i, nameW+2, 1).text(2, 0, p, one.Name)
		x := list.text(nameW+3, i, p, siteSize(one)) + 1
		switch {
		case one.Disagreement != nil:
			x = list.text(x, i, penWarn, "CONTRADICTED") + 1
		case one.Quality != estimate.Good:
			x = list.text(x, i, penWarn, strings.ToUpper(one.Quality.String())) + 1
		case one.Name == sc.thinnest && len(sc.sites) > 1:
			x = list.text(x, i, penStrong, "thinnest") + 1
		}
		if age := sc.atS - one.TimeS; age >= staleS {
			list.text(x, i, penDim, seconds(age)+" ago")
		}
	}
}

// siteSize formats the thickness of a site.
func siteSize(s Site) string {
	if !shown(s.ThicknessUM) {
		return none
	}
	return thickness(s.ThicknessUM) + " " + plusMinus(s.SDUM, thicknessDecimals(s.ThicknessUM))
}

// drawMap puts every site where it lies on the die, y up, with equal scales in
// both directions (a cell is about twice as high as wide), inside a frame with
// its size.
func drawMap(a area, sc *scene) {
	if a.w < 20 || a.h < 5 {
		return
	}
	reachX, reachY := 0.0, 0.0
	for _, one := range sc.sites {
		if shown(one.XMM) && shown(one.YMM) {
			reachX, reachY = max(reachX, math.Abs(one.XMM)), max(reachY, math.Abs(one.YMM))
		}
	}
	reach := max(reachX, reachY)
	if reach == 0 {
		return
	}
	label := 7 // columns that a number needs beside its mark
	if a.w >= mapCols {
		label += 5 // and a name before it
	}
	half := min(float64(a.w-2*label-4)/2, float64(2*((a.h-3)/2)))
	if half < 1 {
		return
	}
	midX, midY := a.w/2-label/2, a.h/2
	at := func(xMM, yMM float64) (x, y int) {
		return midX + int(math.Round(xMM/reach*half)), midY - int(math.Round(yMM/reach*half/2))
	}
	left, top := at(-reachX, reachY)
	right, bottom := at(reachX, -reachY)
	a.frame(max(left-2, 0), max(top-1, 0), min(right+label+2, a.w-1), min(bottom+1, a.h-1), penDim)
	a.text(max(left-2, 0)+2, max(top-1, 0), penDim, fmt.Sprintf(" %s mm across ", trim(math.Round(20*max(reachX, reachY))/10)))
	for _, one := range sc.sites {
		if !shown(one.XMM) || !shown(one.YMM) {
			continue
		}
		mark, p := '●', penPlain
		if one.Quality != estimate.Good || one.Disagreement != nil {
			mark = '○'
		}
		if one.Name == sc.thinnest {
			mark, p = '▶', penStrong
		}
		x, y := at(one.XMM, one.YMM)
		a.set(x, y, mark, p)
		if one.Name == sc.site {
			a.set(x+1, y, '◆', penStrong)
		}
		if a.w >= mapCols {
			a.sub(0, y, x+6, 1).text(x+2, 0, p, one.Name)
			x += min(ansi.StringWidth(clean(one.Name)), 4) + 1
		}
		a.text(x+2, y, p, thickness(one.ThicknessUM))
	}
}

// frame draws a rectangle through its corners.
func (a area) frame(x0, y0, x1, y1 int, p pen) {
	for x := x0; x <= x1; x++ {
		a.set(x, y0, '─', p)
		a.set(x, y1, '─', p)
	}
	for y := y0; y <= y1; y++ {
		a.set(x0, y, '│', p)
		a.set(x1, y, '│', p)
	}
	a.set(x0, y0, '┌', p)
	a.set(x1, y0, '┐', p)
	a.set(x0, y1, '└', p)
	a.set(x1, y1, '┘', p)
}
