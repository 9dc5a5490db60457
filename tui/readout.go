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
// trusted, the thinner it looks, and each doubt has a look of its own.
func (r *reading) ink() rune {
	switch {
	case r.contradicted:
		return '╳'
	case r.sighted && r.quality == estimate.Lost:
		return '░'
	case r.predicted:
		return '▒'
	case r.undecided || r.quality == estimate.Ambiguous:
		return '▞'
	case r.quality == estimate.Weak:
		return '▓'
	}
	return '█'
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
	x := a.large(1, 1, digitSize, p, r.ink(), size)
	y := largeRows * digitSize
	a.text(x+1, y, penDim, "µm")
	drawTrust(a.sub(1, y+1, a.w-1, 1), r)

	y += 3
	if a.h < 19 {
		y--
	}
	row := func(label, value string, p pen) {
		a.text(1, y, penDim, label)
		a.text(12, y, p, value)
		y++
	}
	row("to target", distance(r.toTargetUM, s.TargetUM, "no target set"), beyond(r.toTargetUM, penStrong))
	row("to floor", distance(r.toFloorUM, s.FloorUM, "no floor set"), beyond(r.toFloorUM, penPlain))
	row("time left", timeLeft(s, r), penStrong)
	row("rate", rate(r.rate, r.rateSD), penPlain)
	row(goodAge(s, r))
	switch {
	case s.State == Waiting:
		return
	case r.contact:
		row("pad", "on the die", penPlain)
	case finite(r.nextS):
		row("pad", "up; next: most "+stretch(r.nextS), penStrong)
	default:
		row("pad", "up, the time stands", penStrong)
	}
	e := r.estimate
	if e == nil {
		row("edge", none, penDim)
		row("spread", none, penDim)
		return
	}
	if r.estimateAgeS >= r.freshS {
		row("edge", nanometres(e.EdgeNM)+", "+seconds(r.estimateAgeS)+" OLD", penWarn)
		row("spread", none, penDim)
		drawDoubts(a.sub(1, y, a.w-2, a.h-y), e, r.other)
		return
	}
	row("edge", edges(e.EdgeNM, e.Picture.EdgeExpectedNM), penPlain)
	row("spread", spread(e.SpreadUM), penPlain)
	if !drawDoubts(a.sub(1, y, a.w-2, a.h-y), e, r.other) && shown(e.AbsorptionUM) {
		row("absorption", measure(e.AbsorptionUM, e.AbsorptionSDUM, 2, "µm"), penPlain)
	}
}

// drawVeiled draws the numbers that do not come from spectra.
func drawVeiled(a area, s *Snapshot) {
	y := 0
	row := func(label, value string, p pen) {
		a.text(1, y, penDim, label)
		a.text(12, y, p, value)
		y++
	}
	limit := func(um float64) string {
		if !set(um) {
			return "not set"
		}
		return thickness(um) + " µm"
	}
	row("target", limit(s.TargetUM), penTarget)
	row("floor", limit(s.FloorUM), penFloor)
	switch {
	case s.State == Waiting:
	case s.Step.Forecast.Contact:
		row("pad", "on the die", penPlain)
	default:
		row("pad", "up", penStrong)
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

// drawTrust tells, right under the large number, how far it can be trusted and,
// when it is not seen, for how long.
func drawTrust(a area, r *reading) {
	if !shown(r.thicknessUM) {
		a.text(0, 0, penDim, "no thickness yet")
		return
	}
	x := a.text(0, 0, penStrong, plusMinus(r.sdUM, thicknessDecimals(r.thicknessUM))+" µm")
	x += 2
	if r.predicted {
		word := "predicted"
		if finite(r.goodAgeS) {
			word += " " + seconds(r.goodAgeS)
		}
		x = a.text(x, 0, penWarn, word) + 2
	}
	if r.undecided && r.quality != estimate.Ambiguous {
		x = a.text(x, 0, penWarn, "UNDECIDED") + 2
	}
	switch {
	case !r.sighted:
	case r.contradicted:
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

// beyond returns the pen of a distance: a limit crossed is no ordinary number.
func beyond(um float64, p pen) pen {
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
	case r.goodAgeS >= r.freshS:
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
