package tui

import (
	"strings"

	"github.com/charmbracelet/lipgloss"
)

// helpTexts explain how to read the screen.
func helpTexts() []string {
	return []string{
		"Advice only, no interlock: the machine's own stops and your local rules come first. Wear eye protection and gloves; handle slurry and silicon dust as your site prescribes.",
		"▶ CONTINUE   ▲ PREPARE – stop is near   ○ BLIND: no trustworthy sight   ■ STOP",
		"Large number: thickness at the thinnest site. Full blocks: seen. Lighter: weak, or ambiguous (two fringe orders fit). Lightest: only predicted from the rate.",
		"Time left: middle of the forecast; in brackets where 9 of 10 cases lie.",
		"Column: silicon to scale; shaded: gone within 60 s; dotted: gone.",
		"Visibility: strength of the fringes. The contrast edge ▲ moves to the blue as silicon thins; far from the expected △ the thickness is in doubt.",
	}
}

// drawHelp draws the help page; the advice stays where it is.
func (m *Model) drawHelp(a area) {
	a = a.sub(1, 0, a.w-2, a.h)
	a.text(0, 0, penStrong, "Keys")
	m.help.Width = a.w
	y := 1
	for _, line := range strings.Split(m.help.FullHelpView(m.keys.FullHelp()), "\n") {
		a.text(2, y, penPlain, line)
		y++
	}
	y++
	a.text(0, y, penStrong, "How to read the screen")
	y++
	text := a.sub(2, 0, min(a.w-2, 100), a.h)
	loose := lipgloss.Height(strings.Join(helpTexts(), "\n"))*3 < a.h-y
	for _, s := range helpTexts() {
		y = text.paragraph(y, penPlain, s)
		if loose {
			y++
		}
	}
}
