package tui

import (
	"fmt"

	"github.com/charmbracelet/lipgloss"
)

// Sizes at which the arrangement changes.
const (
	minWidth      = 60 // below: plain words
	minHeight     = 18
	spectrumFrom  = 76  // width from which the spectrum stands beside the column
	doubleFrom    = 160 // width from which the digits are twice as large
	tallBand      = 36  // height from which the advice is three lines high
	largeBand     = 48  // height and width from which it is in large letters
	largeBandFrom = 110
	lowerFrom     = 28 // height of the middle from which it is split in two
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
		notice := m.urgent()
		if notice == "" && m.cautioning() {
			notice = caution(0)
		}
		drawSmall(all, &m.snapshot, &r, notice)
	} else {
		m.drawFull(all, &r)
	}
	m.frame = m.canvas.render(&m.palette)
}

// drawFull arranges the full screen: advice at the top, health, notice and
// keys at the bottom, everything else between.
func (m *Model) drawFull(all area, r *reading) {
	bandRows := 1
	switch {
	case all.h >= largeBand && all.w >= largeBandFrom:
		bandRows = largeRows + 2
	case all.h >= tallBand:
		bandRows = 3
	}
	drawAdvice(all.sub(0, 0, all.w, bandRows), bandOf(&m.snapshot, r))
	drawReason(all.sub(0, bandRows, all.w, 1), &m.snapshot)
	drawHeader(all.sub(0, bandRows+1, all.w, 1), &m.snapshot)

	top, bottom := bandRows+2, all.h-3
	middle := all.sub(0, top, all.w, bottom-top)
	if m.helping {
		m.drawHelp(middle)
	} else {
		m.drawMiddle(middle, r)
	}
	drawHealth(all.sub(0, bottom, all.w, 1), &m.snapshot.Health)
	m.drawNotice(all.sub(0, bottom+1, all.w, 1))
	m.help.Width = all.w - 1
	all.text(1, bottom+2, penDim, m.help.ShortHelpView(m.keys.ShortHelp()))
}

// drawMiddle arranges numbers and pictures.
func (m *Model) drawMiddle(a area, r *reading) {
	upper, lower := a, area{}
	if a.h >= lowerFrom {
		h := min(max(a.h*11/20, 18), 26)
		upper, lower = a.sub(0, 0, a.w, h), a.sub(0, h+1, a.w, a.h-h-1)
	}
	pic := &m.pictures.snapshot

	size, x := 1, readoutCols
	if upper.w >= doubleFrom && upper.h >= 24 {
		size, x = 2, 2*readoutCols-5
	}
	drawReadout(upper.sub(0, 0, x, upper.h), &m.snapshot, r, size)
	if upper.w >= spectrumFrom {
		w := min(max(upper.w/8, 13), 22)
		drawColumn(upper.sub(x, 0, w, upper.h), &m.snapshot, r)
		x += w + 1
		m.drawSpectrum(upper.sub(x, 0, upper.w-x, upper.h), pic)
	} else {
		drawColumn(upper.sub(x, 0, min(upper.w-x, 22), upper.h), &m.snapshot, r)
	}

	if lower.h < 6 {
		return
	}
	rest := lower.w
	if len(pic.Sites) > 1 && lower.w >= 80 {
		w := min(max(lower.w*3/10, 42), 70)
		drawSites(lower.sub(lower.w-w, 0, w, lower.h), pic, m.pictures.frozen)
		rest -= w + 2
	}
	// A narrow but tall screen has its spectrum here.
	if upper.w < spectrumFrom {
		h := lower.h
		if h >= 26 {
			h = 16
		}
		m.drawSpectrum(lower.sub(0, 0, rest, h), pic)
		lower = lower.sub(0, h+1, lower.w, lower.h)
	}
	drawTime(lower.sub(0, 0, rest, lower.h), pic, m.pictures.points, m.pictures.frozen)
}

// drawSmall says the most important in plain words where the screen is too
// small for more.
func drawSmall(a area, s *Snapshot, r *reading, notice string) {
	drawAdvice(a.sub(0, 0, a.w, 1), bandOf(s, r))
	size := "no thickness yet"
	if shown(r.thicknessUM) {
		size = measure(r.thicknessUM, r.sdUM, thicknessDecimals(r.thicknessUM), "µm")
		if r.predicted {
			size = "predicted " + size
		}
	}
	y := a.paragraph(1, penStrong, size)
	if notice != "" {
		y = a.paragraph(y, penWarn, notice)
	}
	if reason := s.Step.Advice.Reason; reason != "" && s.State != Waiting {
		y = a.paragraph(y, penPlain, reason)
	}
	a.paragraph(y, penDim, fmt.Sprintf("%d x %d cells: enlarge to %d x %d for the pictures",
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
	parts := []struct {
		s string
		p pen
	}{{s.Job, penStrong}, {s.Source, penPlain}, {s.State.String(), statePen(s.State)}, {record, p}}
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
func drawHealth(a area, h *Health) {
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
	if s := m.urgent(); s != "" {
		a.text(1, 0, penWarn, s)
		return
	}
	switch {
	case m.notice != "" && m.now.Sub(m.noticed) < noticeFor:
		a.text(1, 0, penStrong, m.notice)
	case m.cautioning():
		a.text(1, 0, penStrong, caution(a.w-1))
	}
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
	switch {
	case m.asking:
		return "The pad is on the die; quit? y/n"
	case !m.interrupted.IsZero() && m.now.Sub(m.interrupted) < interruptFor:
		return "The watch goes on. To leave: ctrl+c once more, or q."
	case m.pictures.frozen:
		return fmt.Sprintf("PICTURES FROZEN at %s; advice and numbers go on. space: run again",
			runTime(m.pictures.snapshot.Step.TimeS))
	case m.snapshot.RecordError != "":
		return "NOT RECORDED: " + clean(m.snapshot.RecordError)
	}
	return ""
}
