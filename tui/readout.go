package tui

import (
	"fmt"
	"math"
	"strings"

	"bluefringe/optics/estimate"
	"bluefringe/removal/guide"
)

// readoutCols is the width of the numbers: four large digits, a dot, the unit.
const readoutCols = 35

// ink is the character large digits are made of: the less a number can be
// trusted, the thinner it looks.
func ink(q estimate.Quality, predicted bool) rune {
	switch {
	case predicted:
		return '▒'
	case q == estimate.Good:
		return '█'
	}
	return '▓'
}

// drawReadout draws the thickness in large digits and the numbers under it.
// digitSize scales the digits.
func drawReadout(a area, s *Snapshot, r *reading, digitSize int) {
	title := "remaining thickness"
	switch {
	case len(s.Sites) > 1 && r.site != "":
		title = fmt.Sprintf("thinnest of %d sites: %s", len(s.Sites), r.site)
	case r.site != "":
		title += ", site " + r.site
	}
	a.sub(0, 0, a.w-1, 1).text(1, 0, penDim, title)

	size, p := "-.---", penDim
	if shown(r.thicknessUM) {
		size, p = thickness(r.thicknessUM), penStrong
		if r.predicted {
			p = penComputed
		}
	}
	x := a.large(1, 1, digitSize, p, ink(r.quality, r.predicted), size)
	y := largeRows * digitSize
	a.text(x+1, y, penDim, "µm")
	drawTrust(a.sub(1, y+1, a.w-1, 1), r, s.Step.Disagreement != nil)

	y += 3
	if a.h < 18 {
		y--
	}
	row := func(label, value string, p pen) {
		a.text(1, y, penDim, label)
		a.text(12, y, p, value)
		y++
	}
	row("to target", distance(r.toTargetUM, s.TargetUM, "no target set"), past(r.toTargetUM, penStrong))
	row("to floor", distance(r.toFloorUM, s.FloorUM, "no floor set"), past(r.toFloorUM, penPlain))
	row("time left", timeLeft(s, r), penStrong)
	row("rate", rate(r.rate, r.rateSD), penPlain)
	row(goodAge(s, r))
	switch {
	case s.State == Waiting:
		return
	case r.contact:
		row("pad", "on the die", penPlain)
	default:
		row("pad", "lifted, the time stands", penStrong)
	}
	if e := s.Step.Estimate; e != nil {
		row("edge", edges(e.EdgeNM, e.Picture.EdgeExpectedNM), penPlain)
		row("spread", spread(e.SpreadUM), penPlain)
	} else {
		row("edge", none, penDim)
		row("spread", none, penDim)
	}
	if e := s.Step.Estimate; e != nil && !drawDoubts(a.sub(1, y, a.w-2, a.h-y), e, s.Step.Disagreement) && shown(e.AbsorptionUM) {
		row("absorption", measure(e.AbsorptionUM, e.AbsorptionSDUM, 2, "µm"), penPlain)
	}
}

// drawDoubts says what speaks against an estimate, and whether anything does.
func drawDoubts(a area, e *guide.Estimate, other *guide.Disagreement) bool {
	y := 0
	if other != nil {
		y = a.paragraph(y, penWarn, fmt.Sprintf("%s sees %s here, not what %s does", clean(other.Channel),
			measure(other.ThicknessUM, other.SDUM, thicknessDecimals(other.ThicknessUM), "µm"), clean(e.Channel)))
	}
	if e.Quality != estimate.Good && e.Reason != "" {
		y = a.paragraph(y, penWarn, e.Reason)
	}
	return y > 0
}

// drawTrust tells, right under the large number, how far it can be trusted.
func drawTrust(a area, r *reading, contradicted bool) {
	if !shown(r.thicknessUM) {
		a.text(0, 0, penDim, "no thickness yet")
		return
	}
	x := a.text(0, 0, penStrong, plusMinus(r.sdUM, thicknessDecimals(r.thicknessUM))+" µm")
	x += 2
	if r.predicted {
		x = a.text(x, 0, penWarn, "predicted") + 2
	}
	switch {
	case !r.sighted:
	case contradicted:
		a.text(x, 0, penWarn, "CONTRADICTED")
	case r.quality == estimate.Good:
		if !r.predicted {
			a.text(x, 0, penPlain, "good")
		}
	default:
		a.text(x, 0, penWarn, strings.ToUpper(r.quality.String()))
	}
}

// distance formats what is left of the silicon above a limit.
func distance(um, limitUM float64, unset string) string {
	switch {
	case !set(limitUM):
		return unset
	case !shown(um):
		return none
	case um < 0:
		return thickness(-um) + " µm PAST IT"
	}
	return thickness(um) + " µm"
}

// past returns the pen of a distance: a limit crossed is no ordinary number.
func past(um float64, p pen) pen {
	if um < 0 {
		return penWarn
	}
	return p
}

// timeLeft formats the time to target with its interval.
func timeLeft(s *Snapshot, r *reading) string {
	t := interval(r.toTarget)
	switch {
	case s.State == Waiting:
		return none
	case r.toTargetUM <= 0:
		return "none"
	case t == none && set(s.TargetUM):
		return "not known"
	}
	return t
}

// goodAge returns the row that tells how old the last good spectrum is.
func goodAge(s *Snapshot, r *reading) (label, value string, p pen) {
	label = "last good"
	switch {
	case s.State == Waiting:
		return label, none, penDim
	case math.IsNaN(r.goodAgeS):
		return label, "no good spectrum yet", penWarn
	case r.goodAgeS >= staleS:
		return label, seconds(r.goodAgeS) + " ago: OLD", penWarn
	}
	return label, seconds(r.goodAgeS) + " ago", penPlain
}

// edges formats the contrast edge as measured and as expected.
func edges(measuredNM, expectedNM float64) string {
	if !shown(measuredNM) && !shown(expectedNM) {
		return none
	}
	return nanometres(measuredNM) + ", expect " + nanometres(expectedNM)
}

// spread formats the spread inside the spot.
func spread(um float64) string {
	if !shown(um) {
		return none
	}
	return nanometres(um * 1000)
}
