package tui

import (
	"slices"
	"strings"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/x/ansi"
)

// noteCharacters bounds a note.
const noteCharacters = 200

// entry is a line of text being typed. (bubbles/textinput would start the
// clipboard programs of this computer on ctrl+v, which need not be the
// operator's.)
type entry struct {
	text []rune
	at   int // of the cursor
}

// press handles a key; what is no editing is ignored.
func (e *entry) press(msg tea.KeyMsg) {
	switch msg.Type {
	case tea.KeyRunes, tea.KeySpace:
		if msg.Alt {
			return
		}
		typed := []rune(clean(string(msg.Runes)))
		typed = typed[:min(len(typed), noteCharacters-len(e.text))]
		e.text = slices.Insert(slices.Clone(e.text), e.at, typed...)
		e.at += len(typed)
	case tea.KeyBackspace, tea.KeyCtrlH:
		if e.at > 0 {
			e.at--
			e.text = slices.Delete(slices.Clone(e.text), e.at, e.at+1)
		}
	case tea.KeyDelete:
		if e.at < len(e.text) {
			e.text = slices.Delete(slices.Clone(e.text), e.at, e.at+1)
		}
	case tea.KeyLeft:
		e.at = max(e.at-1, 0)
	case tea.KeyRight:
		e.at = min(e.at+1, len(e.text))
	case tea.KeyHome, tea.KeyCtrlA:
		e.at = 0
	case tea.KeyEnd, tea.KeyCtrlE:
		e.at = len(e.text)
	case tea.KeyCtrlU:
		*e = entry{text: slices.Clone(e.text[e.at:])}
	}
}

// write handles a key while a note, or an answer to a control, is typed.
func (m *Model) write(msg tea.KeyMsg) tea.Cmd {
	switch {
	case key.Matches(msg, m.keys.drop):
		asked := m.answers
		m.setMode(watching)
		if asked == nil {
			m.say("no note made")
		}
	case key.Matches(msg, m.keys.keep):
		text := strings.TrimSpace(string(m.entry.text))
		asked := m.answers
		m.setMode(watching)
		if asked != nil {
			if text == "" {
				return nil
			}
			return m.queue.call(asked.Do, text)
		}
		if text == "" {
			m.say("no note made: it was empty")
			return nil
		}
		keep, timeS := m.options.Note, m.entryS
		return func() tea.Msg { return saidMsg{keep(timeS, text)} }
	default:
		m.entry.press(msg)
	}
	return nil
}

// drawEntry draws the line that is being typed, with the part around the cursor
// in sight. The cursor is a character, so that it shows without colour.
func (m *Model) drawEntry(a area) {
	a.fill(' ', penBandPast)
	title := "note at " + runTime(m.entryS)
	if m.answers != nil {
		title = m.answers.Ask
	}
	x := a.text(0, 0, penBandPast, " "+title+": ")
	before, after := string(m.entry.text[:m.entry.at]), string(m.entry.text[m.entry.at:])
	if over := ansi.StringWidth(before) - max(a.w-x-2, 0); over > 0 {
		before = ansi.TruncateLeft(before, over, "")
	}
	x = a.text(x, 0, penBandPast, before)
	a.set(x, 0, '▏', penBandPast)
	a.text(x+1, 0, penBandPast, after)
}
