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
	line("Lesson %d, %s: %s, score %d", d.lesson.Number, d.lesson.Title, verdict, e.Score)
	line("")
	line("Thinnest place %.3f um: %s. Target %.3f within %.0f nm, floor %.3f um%s.", l.ThinnestUM, missed(l.MissUM()), l.TargetUM, 1000*e.ToleranceUM, l.FloorUM, crossed(l.Crossed()))
	b.WriteString(scale(l.FloorUM, l.TargetUM, e.ToleranceUM, l.ThinnestUM, e.Advised.ThinnestUM, ascii))
	line("Following the advice on the same die: %.3f um, %s, in %s.", e.Advised.ThinnestUM, missed(e.Advised.MissUM()), clock(e.Advised.TimeS))
	took := fmt.Sprintf("You took %s, %.0f s of it polishing", clock(l.TimeS), l.ContactS)
	if l.Lifts > 0 {
		took += fmt.Sprintf(", and went on after %d of your lifts", l.Lifts)
	}
	line("%s; %.0f s were lost.", took, e.LostS)
	if e.Because != "" {
		line("")
		line("Why: %s", e.Because)
	}
	line("")
	line("Do better: %s", e.Better)
	line("Rule: %s", d.lesson.Rule)
	for _, c := range e.Cues {
		line("")
		line("At %s %s", clock(c.TimeS), c.Text)
		if c.Estimate != nil {
			b.WriteString(spectrumPlot(c.Estimate, ascii))
		}
	}
	line("")
	line("The same die again: bluefringe train %s --seed %d --assistance %s. Invented, as all dies here.", d.lesson.Name, d.flags.seed, d.flags.assistance)
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

// spectrumPlot draws a spectrum against wavelength, the measured one over the fitted.
func spectrumPlot(e *guide.Estimate, ascii bool) string {
	const wide, high = 64, 9
	p := e.Picture
	n := len(p.WavelengthNM)
	if n < 2 {
		return ""
	}
	from, to := p.WavelengthNM[0], p.WavelengthNM[n-1]
	measured, fitted := columns(p.WavelengthNM, p.Reflectance, from, to, wide), columns(p.WavelengthNM, p.Model, from, to, wide)
	least, most := math.Inf(1), math.Inf(-1)
	for _, v := range measured {
		least, most = math.Min(least, orInf(v, 1)), math.Max(most, orInf(v, -1))
	}
	if !(most > least) {
		return ""
	}
	grid := make([][]rune, high)
	for y := range grid {
		grid[y] = []rune(strings.Repeat(" ", wide))
	}
	put := func(values []float64, mark rune) {
		last := -1 // row of the column before; steep pieces are joined
		for x, v := range values {
			if v != v {
				last = -1
				continue
			}
			y := max(0, min(int(math.Round((most-v)/(most-least)*(high-1))), high-1))
			grid[y][x] = mark
			for row := min(y, last) + 1; last >= 0 && row < max(y, last); row++ {
				grid[row][x] = mark
			}
			last = y
		}
	}
	put(fitted, '·')
	put(measured, '•')
	var b strings.Builder
	for y, row := range grid {
		label := "    "
		switch y {
		case 0:
			label = fmt.Sprintf("%3.0f%%", 100*most)
		case high - 1:
			label = fmt.Sprintf("%3.0f%%", 100*least)
		}
		fmt.Fprintf(&b, "  %s│%s\n", label, strings.TrimRight(string(row), " "))
	}
	left, right := fmt.Sprintf("%.0f nm", from), fmt.Sprintf("%.0f nm", to)
	fmt.Fprintf(&b, "      └%s\n       %s%s%s\n", strings.Repeat("─", wide), left, strings.Repeat(" ", wide-len(left)-len(right)), right)
	legend := fmt.Sprintf("reflectance at site %s, %s, %.1f s: %s", event.Clean(e.Site), event.Clean(e.Channel), e.TimeS, e.Quality)
	if e.ThicknessUM == e.ThicknessUM {
		legend += fmt.Sprintf(", %.3f um", e.ThicknessUM)
	}
	if len(p.Model) > 0 {
		legend += "; • measured, · fitted"
	}
	fmt.Fprintf(&b, "       %s\n", legend)
	out := b.String()
	if ascii {
		out = strings.NewReplacer("•", "o", "·", ".", "│", "|", "└", "+", "─", "-").Replace(out)
	}
	return out
}

func orInf(v float64, sign int) float64 {
	if v != v {
		return math.Inf(sign)
	}
	return v
}

// columns averages values over so many stretches of wavelength; NaN where there are none.
func columns(wavelengthNM, values []float64, from, to float64, n int) []float64 {
	sum, count := make([]float64, n), make([]float64, n)
	for i := range values {
		x := int((wavelengthNM[i] - from) / (to - from) * float64(n))
		if v := values[i]; x >= 0 && v == v {
			x = min(x, n-1)
			sum[x] += v
			count[x]++
		}
	}
	for x := range sum {
		sum[x] /= count[x] // 0/0 is NaN
	}
	return sum
}

// wrapped breaks text into lines.
func wrapped(text string, width int) []string {
	return strings.Split(ansi.Wordwrap(text, width, ""), "\n")
}
