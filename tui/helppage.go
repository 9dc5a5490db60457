package tui

import (
	"slices"
	"strings"

	"github.com/charmbracelet/bubbles/key"
	"github.com/charmbracelet/x/ansi"
)

// helpTexts explain how to read the screen.
func helpTexts() []string {
	return []string{
		"Advice only, no interlock: the machine's own stops and your local rules come first. Wear eye protection and gloves; handle slurry and silicon dust as your site prescribes.",
		"▶ CONTINUE  ▲ PREPARE: stop is near  ○ BLIND: no trustworthy sight  ■ STOP",
		"Large number: thickness at the thinnest site. Its strokes tell its worth: █ good, ▓ weak, ▞ ambiguous (two fringe orders fit), ╳ contradicted by the other channel, ▒ predicted from the rate, ░ lost. The words are under it.",
		"Time left: middle of the forecast; in brackets where 9 of 10 cases lie. Where the pad is up, the time stands.",
		"Column: silicon to scale; shaded: gone within 60 s; dotted: gone.",
		"Visibility: strength of the fringes. The contrast edge ▲ moves to the blue as silicon thins; the row under it shows its way. Far from △, where it belongs, the thickness is in doubt.",
	}
}

// helpPages returns the lines of the explanations, page by page, for a place w
// columns wide and h rows high.
func helpPages(w, h int) [][]string {
	var lines []string
	for _, text := range helpTexts() {
		lines = append(lines, strings.Split(ansi.Wordwrap(text, min(max(w-2, 20), 100), ""), "\n")...)
	}
	return slices.Collect(slices.Chunk(lines, max(h-1, 1)))
}

// helpWhole is the height from which keys and explanations fit on one page.
const helpWhole = 32

// helpRoom is the place that a help page has on the screen.
func (m *Model) helpRoom() (w, h int) { return m.width - 2, m.height - m.frameRows() }

// turnPage opens the next page of the help, and closes it after the last.
func (m *Model) turnPage() {
	w, h := m.helpRoom()
	last := 1 + len(helpPages(w, h))
	if h >= helpWhole {
		last = 1
	}
	if m.page++; m.page > last {
		m.page = 0
	}
}

// drawHelp draws a help page; the advice stays where it is.
func (m *Model) drawHelp(a area) {
	a = a.sub(1, 0, a.w-1, a.h)
	w, h := m.helpRoom()
	y := 0
	if m.page == 1 || h >= helpWhole {
		y = m.drawKeys(a)
		if h < helpWhole {
			a.text(0, a.h-1, penDim, "? once more: how to read the screen; esc: back")
			return
		}
		y++
	}
	pages := helpPages(w, h)
	a.text(0, y, penStrong, "How to read the screen")
	show := slices.Concat(pages...)
	if h < helpWhole {
		show = pages[min(max(m.page-2, 0), len(pages)-1)]
	}
	for i, line := range show {
		a.text(2, y+1+i, penPlain, line)
	}
}

// drawKeys lists the keys that do something at the moment, in as many columns as
// fit, and returns the row after them.
func (m *Model) drawKeys(a area) int {
	a.text(0, 0, penStrong, "Keys")
	var keys []key.Help
	keyW, textW := 0, 0
	for _, b := range slices.Concat(m.FullHelp()...) {
		if !b.Enabled() {
			continue
		}
		h := b.Help()
		keys = append(keys, h)
		keyW, textW = max(keyW, ansi.StringWidth(h.Key)), max(textW, ansi.StringWidth(h.Desc))
	}
	columnW := keyW + textW + 4
	columns := max((a.w-2)/columnW, 1)
	rows := (len(keys) + columns - 1) / columns
	for i, h := range keys {
		x, y := 2+i/rows*columnW, 1+i%rows
		a.text(x, y, penStrong, h.Key)
		a.text(x+keyW+2, y, penPlain, h.Desc)
	}
	return 1 + rows
}
