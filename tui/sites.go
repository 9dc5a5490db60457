package tui

import (
	"fmt"
	"math"
	"strings"

	"bluefringe/optics/estimate"
)

// drawSites lists the sites, thinnest marked, and draws their map under the
// list when there is room.
func drawSites(a area, s *Snapshot, frozen bool) {
	if a.w < 20 || a.h < 3 {
		return
	}
	title := fmt.Sprintf("%d sites", len(s.Sites))
	var e extent
	for _, one := range s.Sites {
		e.add(one.ThicknessUM)
	}
	if e.any {
		title += fmt.Sprintf(", %s to %s µm", thickness(e.lo), thickness(e.hi))
	}
	x := a.text(0, 0, penDim, title+" ")
	if frozen {
		a.text(x, 0, penWarn, "FROZEN")
	}

	list, dieMap := a.sub(0, 1, a.w, a.h-1), area{}
	if mapH := a.h - len(s.Sites) - 2; mapH >= 5 {
		list = a.sub(0, 1, a.w, len(s.Sites))
		dieMap = a.sub(0, len(s.Sites)+2, a.w, mapH)
	}
	nameW := min(12, a.w/4)
	for i, one := range s.Sites {
		if i == list.h-1 && len(s.Sites) > list.h {
			list.text(2, i, penDim, fmt.Sprintf("and %d more", len(s.Sites)-i))
			break
		}
		p := penPlain
		if one.Name == s.Step.Advice.Site {
			list.set(0, i, '▶', penStrong)
			p = penStrong
		}
		list.sub(0, i, nameW+2, 1).text(2, 0, p, one.Name)
		x := list.text(nameW+3, i, p, siteSize(one)) + 1
		if one.Quality != estimate.Good {
			x = list.text(x, i, penWarn, strings.ToUpper(one.Quality.String())) + 1
		}
		if age := s.Step.TimeS - one.TimeS; age >= staleS {
			list.text(x, i, penDim, seconds(age)+" ago")
		}
	}
	drawMap(dieMap, s)
}

// siteSize formats the thickness of a site.
func siteSize(s Site) string {
	if !shown(s.ThicknessUM) {
		return none
	}
	return thickness(s.ThicknessUM) + " " + plusMinus(s.SDUM, thicknessDecimals(s.ThicknessUM))
}

// drawMap puts every site where it lies on the die, y up, with equal scales in
// both directions (a cell is about twice as high as wide).
func drawMap(a area, s *Snapshot) {
	if a.w < 20 || a.h < 5 {
		return
	}
	reach := 0.0
	for _, one := range s.Sites {
		if shown(one.XMM) && shown(one.YMM) {
			reach = max(reach, math.Abs(one.XMM), math.Abs(one.YMM))
		}
	}
	if reach == 0 {
		return
	}
	half := min(float64(a.w-16)/2, float64(a.h-2)) // columns from the middle
	at := func(xMM, yMM float64) (x, y int) {
		return a.w/2 + int(math.Round(xMM/reach*half)), a.h/2 - int(math.Round(yMM/reach*half/2))
	}
	for _, one := range s.Sites {
		if !shown(one.XMM) || !shown(one.YMM) {
			continue
		}
		mark, p := '●', penPlain
		if one.Quality != estimate.Good {
			mark = '○'
		}
		if one.Name == s.Step.Advice.Site {
			mark, p = '▶', penStrong
		}
		x, y := at(one.XMM, one.YMM)
		a.set(x, y, mark, p)
		a.text(x+2, y, p, thickness(one.ThicknessUM))
	}
}
