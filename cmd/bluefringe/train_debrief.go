package main

import (
	"fmt"
	"math"
	"strings"

	"bluefringe/device/event"
	"bluefringe/removal/guide"

	"github.com/charmbracelet/x/ansi"
)

const debriefWide = 78

// text is the debrief in words and plots.
func (d told) text(ascii bool) string {
	var b strings.Builder
	line := func(format string, args ...any) {
		for i, l := range wrapped(fmt.Sprintf(format, args...), debriefWide-2) {
			if i > 0 {
				l = "  " + l
			}
			b.WriteString(l + "\n")
		}
	}
	l, e := d.debrief.Landing, d.debrief
	verdict := "NOT PASSED"
	if e.Passed {
		verdict = "PASSED"
	}
	line("Lesson %d, %s (an invented die)", d.lesson.Number, d.lesson.Title)
	for i, c := range e.Cues {
		line("")
		line("At %s %s", clock(c.TimeS), c.Text)
		switch again := i > 0 && e.Cues[i-1].Estimate == c.Estimate; {
		case c.Estimate == nil:
		case again:
			line("       the same spectrum")
		default:
			b.WriteString(spectrumPlot(c.Estimate, ascii))
		}
	}
	line("")
	line("%s, score %d", verdict, e.Score)
	line("")
	line("Thinnest place %.3f um: %s. Target %.3f within %.0f nm, floor %.3f um%s.", l.ThinnestUM, missed(l.MissUM()), l.TargetUM, 1000*e.ToleranceUM, l.FloorUM, crossed(l.Crossed()))
	b.WriteString(scale(l.FloorUM, l.TargetUM, e.ToleranceUM, l.ThinnestUM, e.Advised.ThinnestUM, ascii))
	line("Following the advice on the same die: %.3f um, %s, in %s.", e.Advised.ThinnestUM, missed(e.Advised.MissUM()), clock(e.Advised.TimeS))
	took := fmt.Sprintf("You took %s, %.0f s of it polishing", clock(l.TimeS), l.ContactS)
	if l.Lifts > 0 {
		took += fmt.Sprintf(", and went on after %d of your lifts", l.Lifts)
	}
	line("%s: %s.", took, later(l.TimeS-e.Advised.TimeS))
	if e.Because != "" {
		line("")
		line("Why: %s", e.Because)
	}
	line("")
	line("Do better: %s", e.Better)
	line("Rule: %s", d.lesson.Rule)
	line("The same die again: %s", d.flags.again(d.lesson))
	if ascii {
		return strings.ReplaceAll(b.String(), "µ", "u")
	}
	return b.String()
}

func missed(um float64) string {
	nm := math.Round(1000 * um)
	switch {
	case nm > 0:
		return fmt.Sprintf("%.0f nm above the target", nm)
	case nm < 0:
		return fmt.Sprintf("%.0f nm below the target", -nm)
	}
	return "on the target"
}

// later says how much later than with the advice the pad came off for the last time.
func later(s float64) string {
	switch s = math.Round(s); {
	case s > 0:
		return fmt.Sprintf("%.0f s lost against the advice", s)
	case s < 0:
		return fmt.Sprintf("%.0f s sooner than the advice", -s)
	}
	return "no time lost against the advice"
}

func crossed(yes bool) string {
	if yes {
		return ", which was crossed"
	}
	return ", kept"
}

func clock(s float64) string {
	if math.IsNaN(s) {
		return "--:--"
	}
	t := int(math.Round(s))
	return fmt.Sprintf("%d:%02d", t/60, t%60)
}

// scale draws where the run ended, thin at the left, with the window of the target, the
// floor, and where the advice would have ended.
func scale(floorUM, targetUM, toleranceUM, endUM, advisedUM float64, ascii bool) string {
	const wide = 64
	low := math.Min(floorUM, math.Min(endUM, advisedUM))
	high := math.Max(targetUM+2*toleranceUM, math.Max(endUM, advisedUM))
	margin := 0.05 * (high - low)
	low, high = low-margin, high+margin
	at := func(um float64) int { return int((um - low) / (high - low) * (wide - 1)) }
	row := []rune(strings.Repeat("─", wide))
	for x := at(targetUM - toleranceUM); x <= at(targetUM+toleranceUM); x++ {
		row[x] = '═'
	}
	row[at(floorUM)], row[at(targetUM)] = '┃', '╪'
	marks := []rune(strings.Repeat(" ", wide))
	marks[at(advisedUM)] = '△'
	marks[at(endUM)] = '▲'
	out := fmt.Sprintf("  %s\n  %s\n  %s\n", string(row), string(marks), "┃ floor  ═ target within tolerance  ▲ you  △ the advice")
	if ascii {
		out = strings.NewReplacer("─", "-", "═", "=", "┃", "|", "╪", "+", "△", "a", "▲", "Y").Replace(out)
	}
	return out
}

// spectrumPlot draws a measured spectrum against wavelength, in braille dots or ASCII.
func spectrumPlot(e *guide.Estimate, ascii bool) string {
	const wide, high = 64, 9
	nm := e.Picture.WavelengthNM
	if len(nm) < 2 {
		return ""
	}
	perX, perY := 2, 4 // dots in a cell
	if ascii {
		perX, perY = 1, 1
	}
	values := sampled(nm, e.Picture.Reflectance, wide*perX)
	least, most := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if v == v {
			least, most = math.Min(least, v), math.Max(most, v)
		}
	}
	if !(most > least) {
		return ""
	}
	var cells [high][wide]rune // a bit a dot, as braille counts them
	dot := func(x, y int) {
		bits := [4][2]rune{{0x01, 0x08}, {0x02, 0x10}, {0x04, 0x20}, {0x40, 0x80}}
		cells[y/perY][x/perX] |= bits[y%perY][x%perX]
	}
	last := -1 // row of the column before; steep pieces are joined
	for x, v := range values {
		if v != v {
			last = -1
			continue
		}
		y := int(math.Round((most - v) / (most - least) * float64(high*perY-1)))
		dot(x, y)
		for row := min(y, last) + 1; last >= 0 && row < max(y, last); row++ {
			dot(x, row)
		}
		last = y
	}
	var b strings.Builder
	for y, row := range cells {
		label := "    "
		switch y {
		case 0:
			label = fmt.Sprintf("%3.0f%%", 100*most)
		case high - 1:
			label = fmt.Sprintf("%3.0f%%", 100*least)
		}
		var line strings.Builder
		for _, bits := range row {
			switch {
			case bits == 0:
				bits = ' '
			case ascii:
				bits = 'o'
			default:
				bits += 0x2800
			}
			line.WriteRune(bits)
		}
		fmt.Fprintf(&b, "  %s│%s\n", label, strings.TrimRight(line.String(), " "))
	}
	left, right := fmt.Sprintf("%.0f nm", nm[0]), fmt.Sprintf("%.0f nm", nm[len(nm)-1])
	fmt.Fprintf(&b, "      └%s\n       %s%s%s\n", strings.Repeat("─", wide), left, strings.Repeat(" ", wide-len(left)-len(right)), right)
	fmt.Fprintf(&b, "       reflectance at site %s, %s, %.1f s: %s", event.Clean(e.Site), event.Clean(e.Channel), e.TimeS, e.Quality)
	if e.ThicknessUM == e.ThicknessUM {
		fmt.Fprintf(&b, ", %.3f um", e.ThicknessUM)
	}
	b.WriteString("\n")
	if ascii {
		return strings.NewReplacer("│", "|", "└", "+", "─", "-").Replace(b.String())
	}
	return b.String()
}

// sampled is y at n evenly spaced places from the first x to the last, in straight lines
// between neighbours; NaN beside a y that is not there. The x rise.
func sampled(x, y []float64, n int) []float64 {
	out := make([]float64, n)
	i := 0
	for k := range out {
		at := x[0] + (x[len(x)-1]-x[0])*float64(k)/float64(n-1)
		for i < len(x)-2 && x[i+1] < at {
			i++
		}
		out[k] = y[i] + (y[i+1]-y[i])*(at-x[i])/(x[i+1]-x[i])
	}
	return out
}

// wrapped breaks text into lines.
func wrapped(text string, width int) []string {
	return strings.Split(ansi.Wordwrap(text, width, ""), "\n")
}
