package tui

import (
	"fmt"
	"strings"

	"github.com/charmbracelet/lipgloss"

	"bluefringe/removal/advice"
)

// band is the advice line: what to do in words, in one large word, and how it
// looks.
type band struct {
	words string
	large string
	shape rune
	pen   pen
	next  string // most that the pad may polish next, empty while that is no question
}

// bandOf returns the advice line of a snapshot.
func bandOf(s *Snapshot, r *reading) band {
	l := s.level()
	b := band{words: order(l), shape: adviceShape(l)}
	switch l {
	case advice.Continue:
		b.large, b.pen = "CONTINUE", penBandContinue
	case advice.Prepare:
		b.large, b.pen = "PREPARE", penBandPrepare
	case advice.Stop:
		b.large, b.pen = "STOP", penBandStop
	default:
		b.large, b.pen = "BLIND", penBandBlind
	}
	if finite(r.nextS) && !r.old(s) && l < advice.Blind {
		b.next = stretch(r.nextS)
		b.words = fmt.Sprintf("%s – next stretch at most %s", strings.ToUpper(l.String()), b.next)
	}
	switch {
	case s.Host.HideNumbers:
		words := s.Host.Banner
		if words == "" {
			words = "NUMBERS AND ADVICE ARE HIDDEN"
		}
		return band{words: words, shape: '·', pen: penBandQuiet}
	case s.State == Waiting:
		return band{words: "WAITING FOR DATA – no advice yet", shape: '·', pen: penBandQuiet}
	case s.State == Ended:
		return band{words: "RUN ENDED – last advice: " + b.words, large: "ENDED", shape: b.shape, pen: penBandQuiet}
	case r.old(s) && l < advice.Blind:
		// An old "continue" must not look like a present one.
		return band{words: fmt.Sprintf("NO DATA%s – last advice: %s", lasting(r.silentS), b.words),
			large: "NO DATA", shape: '○', pen: penBandBlind}
	case r.old(s):
		b.words += fmt.Sprintf(" (no data%s)", lasting(r.silentS))
	}
	return b
}

// adviceShape returns the sign of an advice, the same everywhere on the screen.
func adviceShape(l advice.Level) rune {
	switch l {
	case advice.Continue:
		return '▶'
	case advice.Prepare:
		return '▲'
	case advice.Blind:
		return '○'
	}
	return '■'
}

// order returns the advice in the operator's words.
func order(l advice.Level) string {
	switch l {
	case advice.Continue:
		return "CONTINUE"
	case advice.Prepare:
		return "PREPARE – stop is near"
	case advice.Blind:
		return "BLIND – lift, clean, look"
	case advice.Stop:
		return "STOP – lift the pad now"
	}
	return "UNKNOWN ADVICE – lift and look"
}

// lasting formats how long something has lasted, " for 3.4 s", empty for none.
func lasting(s float64) string {
	if s <= 0 {
		return ""
	}
	return " for " + seconds(s)
}

// drawAdvice draws the advice line. Where it is urgent its shape is repeated
// over the whole width, so that it is loud without colour too. An area seven
// rows high has the word in large letters.
func drawAdvice(a area, b band) {
	a.fill(' ', b.pen)
	every := 0
	switch b.pen {
	case penBandStop:
		every = 1
	case penBandBlind:
		every = 2
	case penBandPrepare:
		every = 4
	}
	if every > 0 {
		for y := range a.h {
			for x := every; x < a.w-1; x += every {
				a.set(x, y, b.shape, b.pen)
			}
		}
	}
	x := 0
	if a.h >= largeRows+2 && b.large != "" {
		width := len(b.large)*(largeCols+1) + 3
		a.sub(0, 1, width, largeRows).fill(' ', b.pen)
		a.large(2, 1, 1, b.pen, '█', b.large)
		x = width
	}
	words := fmt.Sprintf(" %c %s ", b.shape, b.words)
	y := a.h / 2
	const label = "next stretch, at most"
	if width := max(len(b.next)*(largeCols+1), len(label)) + 3; a.h >= largeRows+2 && b.next != "" && x+len(words)+width < a.w {
		next := a.sub(a.w-width, 0, width, a.h)
		next.fill(' ', b.pen)
		next.text(1, 0, b.pen, label)
		next.large(1, 1, 1, b.pen, '█', strings.ToUpper(b.next))
	}
	a.sub(x, y, lipgloss.Width(words)+1, 1).fill(' ', b.pen)
	a.text(x, y, b.pen, words)
}

// drawReason writes why the advice is given.
func drawReason(a area, s *Snapshot) {
	switch {
	case s.State == Waiting:
		a.text(1, 0, penDim, s.StateText)
	case s.State == LineLost:
		a.text(1, 0, penWarn, strings.TrimSuffix("line lost: "+s.StateText, ": "))
	case s.Step.Advice.Reason != "":
		a.text(1, 0, penStrong, s.Step.Advice.Reason)
	}
}
