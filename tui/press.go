package tui

import (
	"fmt"
	"slices"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"
)

// Steps of looking back, as parts of the time shown.
const (
	smallStep = 1. / 40
	largeStep = 1. / 4
)

// apart returns the keys in a message: those that came in one piece, as from a key held
// down over a slow line, are one message. Where something is at stake such a piece means
// nothing, since it may as well be a text that got here by mistake.
func (m *Model) apart(msg tea.KeyMsg) []tea.KeyMsg {
	if msg.Type != tea.KeyRunes || msg.Paste || len(msg.Runes) < 2 || m.mode != watching || !m.snapshot.Host.Free {
		return []tea.KeyMsg{msg}
	}
	var keys []tea.KeyMsg
	for _, r := range msg.Runes {
		keys = append(keys, tea.KeyMsg{Type: tea.KeyRunes, Runes: []rune{r}, Alt: msg.Alt})
	}
	return keys
}

// press handles a key.
func (m *Model) press(msg tea.KeyMsg) tea.Cmd {
	m.caution = false
	name, k := msg.String(), &m.keys
	second := m.armed == name && m.now.Sub(m.armedAt) < secondFor
	m.armed = ""
	arm := func() { m.armed, m.armedAt = name, m.now }

	if cmd, ok := m.pressControl(msg); ok {
		return cmd
	}
	switch {
	case key.Matches(msg, k.interrupt):
		if second || m.mode == asking {
			return tea.Quit
		}
		m.setMode(watching)
		arm()
		return nil
	case m.mode == noting:
		return m.write(msg)
	case key.Matches(msg, k.yes):
		return tea.Quit
	case m.mode == asking: // any other key means no
		m.setMode(watching)
		return nil
	case key.Matches(msg, k.suspend):
		if second || !m.padDown() {
			return tea.Suspend
		}
		arm()
		return nil
	case key.Matches(msg, k.quit):
		if !m.padDown() {
			return tea.Quit
		}
		m.setMode(asking)
		return nil
	case key.Matches(msg, k.help):
		m.turnPage()
		return nil
	case m.page > 0 && msg.Type == tea.KeyEsc:
		m.page = 0
		return nil
	case key.Matches(msg, k.acknowledge):
		acknowledge := m.options.Acknowledge
		return func() tea.Msg {
			acknowledge()
			return acknowledgedMsg{}
		}
	case key.Matches(msg, k.copyLine):
		send, line := m.options.Copy, PlainLine(m.snapshot.Step)
		return func() tea.Msg { return saidMsg{send(line)} }
	case key.Matches(msg, k.note):
		m.entryS = m.snapshot.Step.TimeS
		m.setMode(noting)
		return nil
	case key.Matches(msg, k.bell):
		m.choices.silent = !m.choices.silent
		return nil
	case key.Matches(msg, k.contrast):
		m.choices.contrast = !m.choices.contrast
		m.palette = newPalette(m.options.Renderer, m.options.Light, m.choices.contrast)
		return nil
	}
	m.pressPicture(msg)
	m.compose()
	return nil
}

// pressPicture handles the keys that change the pictures.
func (m *Model) pressPicture(msg tea.KeyMsg) {
	k := &m.keys
	span := m.scene.window.hi - m.scene.window.lo
	switch {
	case key.Matches(msg, k.pause):
		if m.past.held {
			m.run()
		} else {
			m.hold()
		}
	case key.Matches(msg, k.back):
		m.goTo(m.scene.atS - span*smallStep)
	case key.Matches(msg, k.forth):
		m.goTo(m.scene.atS + span*smallStep)
	case key.Matches(msg, k.farBack):
		m.goTo(m.scene.atS - span*largeStep)
	case key.Matches(msg, k.farForth):
		m.goTo(m.scene.atS + span*largeStep)
	case key.Matches(msg, k.start):
		m.goTo(m.scene.history.Start())
	case key.Matches(msg, k.now):
		m.run()
	case key.Matches(msg, k.shorter):
		m.zoom(-1)
	case key.Matches(msg, k.longer):
		m.zoom(1)
	case key.Matches(msg, k.fix):
		m.choices.fixed = !m.choices.fixed
		m.choices.windowS = 0
		if m.choices.fixed {
			m.choices.windowS = m.scene.window.pastS()
		} else {
			m.axes = axes{}
		}
	case key.Matches(msg, k.site):
		m.nextSite()
	case key.Matches(msg, k.picture):
		m.choices.picture = (m.choices.picture + 1) % max(len(m.pictureNames()), 1)
	}
}

// padDown tells whether leaving now would leave a pad on a die.
func (m *Model) padDown() bool {
	s := &m.snapshot
	return (s.State == Live || s.State == LineLost) && s.Step.Forecast.Contact && !s.Host.Free
}

func (m *Model) setMode(to mode) {
	m.mode = to
	m.entry = entry{}
	m.answers = nil
	m.enable()
}

// hold stops the pictures at the newest moment; data, numbers and advice go on.
func (m *Model) hold() {
	m.past = past{held: true, frozen: m.snapshot, atS: m.snapshot.Step.TimeS}
	m.notice = ""
}

// run lets the pictures run again.
func (m *Model) run() {
	m.past = past{}
	m.notice = ""
}

// goTo shows the pictures of another moment. Beyond the newest they run again.
func (m *Model) goTo(timeS float64) {
	start := m.scene.history.Start()
	if !finite(timeS) || !finite(start) {
		return
	}
	if !m.past.held {
		m.hold()
	} else if timeS > m.past.frozen.Step.TimeS && m.past.atS >= m.past.frozen.Step.TimeS {
		m.run()
		return
	}
	m.past.atS = min(max(timeS, start), m.past.frozen.Step.TimeS)
}

// zoom chooses the next longer or shorter time window.
func (m *Model) zoom(by int) {
	now := m.scene.window.pastS()
	steps := windowSteps()
	i := slices.IndexFunc(steps, func(s float64) bool { return s >= now*(1-1e-6) })
	if i < 0 {
		i = len(steps) - 1
	}
	m.choices.windowS = steps[min(max(i+by, 0), len(steps)-1)]
	m.say("time shown: the last " + seconds(m.choices.windowS))
}

// nextSite picks the site whose pictures are shown; after the last the screen
// chooses again.
func (m *Model) nextSite() {
	sites := m.snapshot.Sites
	i := slices.IndexFunc(sites, func(s Site) bool { return s.Name == m.choices.site })
	m.choices.site = ""
	said := "pictures of the thinnest site"
	if i+1 < len(sites) {
		m.choices.site = sites[i+1].Name
		said = fmt.Sprintf("pictures of site %s; the large number stays with the thinnest", m.choices.site)
	}
	m.axes = axes{}
	m.say(said)
}
