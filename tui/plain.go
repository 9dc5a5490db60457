package tui

import (
	"fmt"
	"math"
	"strings"

	"bluefringe/optics/estimate"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// Plain decides which steps become lines where the output is no terminal: at
// most one a second of run time, and one at each change of advice. The zero
// value is ready.
type Plain struct {
	begun  bool
	level  advice.Level
	printS float64
}

// Wants tells whether the step is to be printed, and remembers it if so.
func (p *Plain) Wants(s guide.Step) bool {
	due := !p.begun || s.Advice.Level != p.level || s.TimeS < p.printS || s.TimeS-p.printS >= 1
	if due {
		p.begun, p.level, p.printS = true, s.Advice.Level, s.TimeS
	}
	return due
}

// PlainLine is one step in words, without a line end:
//
//	12.5 s  site c  2.104 ±0.004 µm  good  rate 0.58 ±0.02 µm/min  target in 10.7 s (9.1–12.6)  PREPARE: reason
func PlainLine(s guide.Step) string {
	f := s.Forecast
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }

	if shown(s.TimeS) {
		add("%6.1f s", s.TimeS)
	} else {
		add("%6s s", none)
	}
	if f.Site != "" {
		add("site %s", clean(f.Site))
	}
	size := "no thickness"
	if shown(f.ThicknessUM) {
		size = measure(f.ThicknessUM, f.SDUM, thicknessDecimals(f.ThicknessUM), "µm")
	}
	quality := "no spectrum"
	if s.Estimate != nil {
		quality = s.Estimate.Quality.String()
	}
	if shown(f.ThicknessUM) && (s.Estimate == nil || s.Estimate.Quality == estimate.Lost) {
		size = "predicted " + size
	}
	add("%s", size)
	if f.Undecided {
		quality += ", fringe order undecided"
	}
	add("%s", quality)
	if shown(f.RateUMMin) {
		add("rate %s", rate(f.RateUMMin, f.RateSDUMMin))
	}
	if next := s.Advice.NextStretchS; !f.Contact && shown(next) && next > 0 {
		add("pad lifted, next stretch at most %s", stretch(next))
	} else if !f.Contact {
		add("pad lifted")
	}
	if left := interval(f.ToTargetS); left != none {
		add("target in %s", left)
	}
	word := strings.ToUpper(s.Advice.Level.String())
	if reason := clean(s.Advice.Reason); reason != "" {
		word += ": " + reason
	}
	if other := clean(s.Advice.Site); other != "" && other != f.Site && !math.IsNaN(s.Advice.ThinnestUM) {
		word += fmt.Sprintf(" (thinnest: site %s, %s µm)", other, thickness(s.Advice.ThinnestUM))
	}
	add("%s", word)
	return strings.Join(parts, "  ")
}
