package tui

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/removal/guide"
)

// drawEvidence shows why the pictured estimate says what it says: the fringe
// orders that were compared, the witnesses, and what the uncertainty is made of.
func drawEvidence(a area, sc *scene) {
	if a.w < 24 || a.h < 3 {
		return
	}
	x := a.text(0, 0, penDim, "evidence ")
	drawHeld(a, x, sc)
	e := sc.estimate
	if e == nil {
		a.text(0, 1, penDim, "no spectrum yet")
		return
	}
	y := 1
	line := func(p pen, format string, args ...any) {
		a.text(0, y, p, fmt.Sprintf(format, args...))
		y++
	}
	if len(e.Candidates) > 0 {
		line(penDim, "fringe orders compared:")
	}
	for i, c := range e.Candidates {
		if i == 3 || y >= a.h {
			break
		}
		p := penPlain
		if i == 0 {
			p = penStrong
		}
		weight := none
		if shown(100 * c.Weight) {
			weight = fmt.Sprintf("%3.0f %%", 100*c.Weight)
		}
		x := a.text(1, y, p, fmt.Sprintf("%s µm %s ", thickness(c.ThicknessUM), weight))
		a.bar(x, y, min(a.w-x, 12), c.Weight, penComputed)
		y++
	}
	if shown(e.AbsorptionUM) {
		line(penPlain, "by absorption %s", measure(e.AbsorptionUM, e.AbsorptionSDUM, 2, "µm"))
	}
	if sc.other != nil {
		line(penWarn, "by %s %s", clean(sc.other.Channel),
			measure(sc.other.ThicknessUM, sc.other.SDUM, thicknessDecimals(sc.other.ThicknessUM), "µm"))
	}
	drawBudget(a.sub(0, y, a.w, a.h-y), e)
}

// drawBudget shows what the uncertainty of an estimate is made of.
func drawBudget(a area, e *guide.Estimate) {
	b := e.Budget
	total := b.SDUM()
	if a.h < 2 || !shown(total) || total <= 0 {
		return
	}
	type part struct {
		name string
		um   float64
	}
	parts := []part{{"noise", b.FitUM}, {"silicon table", b.TableUM}, {"temperature", b.TemperatureUM},
		{"wavelength", b.WavelengthUM}, {"underlayer", b.UnderlayerUM}}
	slices.SortStableFunc(parts, func(p, q part) int { return int(math.Copysign(1, q.um-p.um)) })
	a.text(0, 0, penDim, "uncertainty, nm:")
	for i, p := range parts {
		if i+1 >= a.h {
			break
		}
		a.text(1, i+1, penPlain, p.name)
		if !shown(p.um * 1000) {
			continue
		}
		x := a.text(15, i+1, penPlain, fmt.Sprintf("%6.2f ", p.um*1000))
		a.bar(x, i+1, min(a.w-x, 12), p.um/total, penComputed)
	}
}

// bar draws a part of 1 as a bar of at most w cells.
func (a area) bar(x, y, w int, part float64, p pen) {
	if !finite(part) {
		return
	}
	n := int(math.Round(min(max(part, 0), 1) * float64(w)))
	a.sub(x, y, n, 1).fill('▆', p)
}

// drawLog lists what happened, newest first.
func drawLog(a area, sc *scene) {
	if a.w < 24 || a.h < 2 {
		return
	}
	a.text(0, 0, penDim, "what happened, newest first")
	y := 1
	for _, e := range slices.Backward(sc.entries) {
		if e.TimeS > sc.nowS && sc.held {
			continue
		}
		if y >= a.h {
			return
		}
		p := penPlain
		if e.Kind == NoteMade {
			p = penStrong
		}
		x := a.text(0, y, penDim, runTime(e.TimeS)+" ")
		a.set(x, y, e.shape(), p)
		a.text(x+2, y, p, e.Text)
		y++
	}
	if y == 1 {
		a.text(0, 1, penDim, "nothing yet")
	}
}
