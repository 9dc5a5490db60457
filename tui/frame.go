package tui

import (
	"fmt"
	"math"

	"github.com/charmbracelet/lipgloss"
)

// draw makes the frame.
func (m *Model) draw() {
	if m.width < 1 || m.height < 1 {
		m.frame = "Bluefringe: waiting for the size of the terminal"
		return
	}
	m.canvas.reset(m.width, m.height)
	all := m.canvas.all()
	r := read(&m.snapshot, m.now)
	if m.width < minWidth || m.height < minHeight {
		m.drawSmall(all, &r)
	} else {
		m.drawFull(all, &r)
	}
	m.frame = m.canvas.render(&m.palette)
}

// drawFull arranges the full screen: advice at the top, health, notice and
// keys at the bottom, everything else between.
func (m *Model) drawFull(all area, r *reading) {
	band := bandRows(all.w, all.h)
	drawAdvice(all.sub(0, 0, all.w, band), bandOf(&m.snapshot, r))
	drawReason(all.sub(0, band, all.w, 1), &m.snapshot)
	drawHeader(all.sub(0, band+1, all.w, 1), &m.snapshot)

	host := m.snapshot.hostRows()
	top, bottom := band+2, all.h-3
	drawHost(all.sub(0, bottom-host, all.w, host), &m.snapshot)
	middle := all.sub(0, top, all.w, bottom-host-top)
	if m.page > 0 {
		m.drawHelp(middle)
	} else {
		m.drawMiddle(middle, r)
	}
	m.drawHealth(all.sub(0, bottom, all.w, 1))
	m.drawNotice(all.sub(0, bottom+1, all.w, 1))
	m.help.Width = all.w - 1
	all.text(1, bottom+2, penDim, m.help.ShortHelpView(m.ShortHelp()))
}

// drawSmall says the most important in plain words where the screen is too
// small for more, and how large it would have to be.
func (m *Model) drawSmall(a area, r *reading) {
	s := &m.snapshot
	drawAdvice(a.sub(0, 0, a.w, 1), bandOf(s, r))
	size := "no thickness yet"
	if shown(r.thicknessUM) {
		size = measure(r.thicknessUM, r.sdUM, thicknessDecimals(r.thicknessUM), "µm")
		if r.predicted {
			size = "predicted " + size
		}
		if r.contradicted {
			size += " CONTRADICTED"
		}
	}
	y := 1
	if !s.Host.HideNumbers {
		y = a.paragraph(y, penStrong, size)
	}
	for _, line := range []string{s.Host.Status, s.Host.Hint} {
		if line != "" {
			y = a.paragraph(y, penPlain, line)
		}
	}
	switch urgent := m.urgent(); {
	case m.mode == noting && y < a.h:
		m.drawEntry(a.sub(0, y, a.w, 1))
		y++
	case urgent != "":
		y = a.paragraph(y, penWarn, urgent)
	case m.cautioning():
		y = a.paragraph(y, penWarn, caution(0))
	}
	if reason := s.Step.Advice.Reason; reason != "" && s.State != Waiting {
		y = a.paragraph(y, penPlain, reason)
	}
	a.paragraph(y, penDim, fmt.Sprintf("%d x %d cells: please enlarge to %d x %d for the pictures",
		a.w, a.h, minWidth, minHeight))
}

// drawHeader draws a rule with what is watched and where the data come from.
func drawHeader(a area, s *Snapshot) {
	a.fill('─', penDim)
	clock := " run " + runTime(s.Step.TimeS) + " "
	if s.State == Waiting {
		clock = ""
	}
	record, p := "not recorded", penDim
	switch {
	case s.RecordError != "":
		record, p = "RECORDING FAILED", penWarn
	case s.Recording != "":
		record, p = "recording "+s.Recording, penPlain
	}
	rest := a.sub(0, 0, a.w-len(clock)-1, 1)
	state := s.State.String()
	if (s.State == Live || s.State == Waiting) && s.Host.Word != "" {
		state = s.Host.Word
	}
	parts := []struct {
		s string
		p pen
	}{{s.Job, penStrong}, {s.Source, penPlain}, {state, statePen(s.State)}, {record, p}}
	limit, total := rest.w, 1
	for _, part := range parts {
		total += lipgloss.Width(clean(part.s)) + 3
	}
	if total > rest.w { // one long name must not push the others out
		limit = max(12, (rest.w-4)/3)
	}
	x := 1
	for _, part := range parts {
		if clean(part.s) == "" || x >= rest.w-4 {
			continue
		}
		x = rest.sub(0, 0, x+limit, 1).text(x, 0, part.p, " "+clean(part.s)+" ") + 1
	}
	a.textRight(a.w-1, 0, penPlain, clock)
}

func statePen(s State) pen {
	if s == LineLost {
		return penWarn
	}
	return penPlain
}

// drawHealth counts what came over the line. What is wrong is told by a
// number that is not zero and a stronger pen.
func (m *Model) drawHealth(a area) {
	h := &m.snapshot.Health
	if m.choices.silent && m.options.Bell != nil {
		const words = " BELL OFF"
		a.textRight(a.w, 0, penWarn, words)
		a = a.sub(0, 0, a.w-len(words)-1, 1)
	}
	x := a.text(1, 0, penDim, fmt.Sprintf("%d spectra", h.Spectra))
	if shown(h.RateHz) && h.RateHz > 0 {
		x = a.text(x, 0, penDim, fmt.Sprintf("  %.1f/s", h.RateHz))
	}
	count := func(n int, what string, p pen) {
		if n == 0 {
			p = penDim
		}
		x = a.text(x, 0, p, fmt.Sprintf("  %d %s", n, what))
	}
	count(h.BadLines, "bad lines", penWarn)
	count(h.BadCRC, "bad CRC", penWarn)
	count(h.Refused, "refused", penWarn)
	if h.Skipped > 0 {
		count(h.Skipped, "skipped", penDim)
	}
	if h.LastFault != "" {
		a.text(x+2, 0, penWarn, h.LastFault)
	}
}

// drawNotice uses the reserved line for what matters most at the moment.
func (m *Model) drawNotice(a area) {
	switch urgent := m.urgent(); {
	case m.mode == noting:
		m.drawEntry(a)
	case urgent != "":
		a.text(1, 0, penWarn, urgent)
	case m.notice != "" && m.now.Sub(m.noticed) < noticeFor:
		a.text(1, 0, penStrong, m.notice)
	case m.past.held:
		m.drawPast(a)
	case m.cautioning():
		a.text(1, 0, penStrong, caution(a.w-1))
	}
}

// drawPast says loudly, over the whole width, that the pictures do not show the
// present, and the numbers of the moment that they show.
func (m *Model) drawPast(a area) {
	a.fill('◀', penBandPast)
	sc := &m.scene
	back := seconds(m.snapshot.Step.TimeS - sc.atS)
	again := "end"
	if m.keys.pause.Enabled() {
		again = "space"
	}
	words := []string{
		fmt.Sprintf(" PICTURES PAUSED at %s, %s ago; advice and numbers go on. %s: run again ", runTime(sc.atS), back, again),
		fmt.Sprintf(" PICTURES PAUSED at %s, %s ago. %s: run again ", runTime(sc.atS), back, again),
		fmt.Sprintf(" PAUSED at %s. %s: run ", runTime(sc.atS), again),
	}
	if sc.atS < sc.nowS {
		f := &sc.forecast
		size := measure(f.ThicknessUM, f.SDUM, thicknessDecimals(f.ThicknessUM), "µm")
		more := size + ", " + rate(f.RateUMMin, math.NaN())
		if p, ok := sc.history.At(sc.atS); ok {
			more += ", " + p.Level.String()
		}
		words = []string{
			fmt.Sprintf(" LOOKING BACK at %s, %s ago: %s. Advice and large number are of now. end: now ", runTime(sc.atS), back, more),
			fmt.Sprintf(" LOOKING BACK at %s, %s ago: %s. end: now ", runTime(sc.atS), back, size),
			fmt.Sprintf(" LOOKING BACK at %s: %s. end: now ", runTime(sc.atS), size),
			fmt.Sprintf(" LOOKING BACK at %s. end: now ", runTime(sc.atS)),
		}
	}
	a.text(2, 0, penBandPast, fitting(a.w-4, words...))
}

// cautioning tells whether the opening caution still stands.
func (m *Model) cautioning() bool {
	return m.caution && m.now.Sub(m.started) < cautionFor
}

// caution stands at the start of every run, in the longest form that fits.
func caution(width int) string {
	return fitting(width,
		"Advice only, no interlock: the machine's own stops come first. "+
			"Eye protection, gloves; local rules decide. (any key)",
		"Advice only, no interlock. Eye protection, gloves; local rules decide. (key)",
		"Advice only, no interlock. Eyes, gloves, local rules. (key)")
}

// urgent returns what must be read before anything else in the notice line.
func (m *Model) urgent() string {
	second := m.now.Sub(m.armedAt) < secondFor
	switch {
	case m.mode == asking:
		return "The pad is on the die; quit? y/n"
	case m.armed == "ctrl+c" && second:
		return "The watch goes on. To leave: ctrl+c once more, or q."
	case m.armed == "ctrl+z" && second:
		return "The pad is on the die. To suspend: ctrl+z once more."
	case m.snapshot.RecordError != "":
		return "NOT RECORDED: " + clean(m.snapshot.RecordError)
	}
	return ""
}
