package tui

import (
	"fmt"
	"slices"
	"sync"

	"github.com/charmbracelet/bubbles/key"
	tea "github.com/charmbracelet/bubbletea"
)

// Control is a key of the command that guides the screen.
type Control struct {
	Keys    []string                 // any of them, as bubbletea names them: "o", "up", "enter", " "
	Shown   string                   // as help shows the key; empty: the first of Keys
	Text    string                   // what it does, for help
	Words   func(s *Snapshot) string // in place of Text, where that changes; "": the key is away. Called inside Update: it must not wait
	Ask     string                   // not empty: a line of text is asked for first, with this before it
	Instead bool                     // it takes a key of the screen, which then has none
	Minor   bool                     // on the help page only
	// Do is called outside Update, one control after the other in the order of the keys.
	// text is the answer to Ask. What it says is shown.
	Do func(text string) (said string)
}

// control is a Control with its binding.
type control struct {
	Control
	binding key.Binding
}

// takeControls makes the bindings of the host. It panics where a key has two meanings:
// that is a mistake in the program, and shows when it starts.
func (m *Model) takeControls(list []Control) {
	taken := map[string]string{}
	for _, b := range m.keys.all() {
		for _, name := range b.Keys() {
			taken[name] = b.Help().Desc
		}
	}
	for _, c := range list {
		for _, name := range c.Keys {
			if of, found := taken[name]; found && !c.Instead {
				panic(fmt.Sprintf("tui: control %q: the key %q is that of %q", c.Text, name, of))
			}
			taken[name] = c.Text
			m.keys.free(name)
		}
		if c.Shown == "" {
			c.Shown = c.Keys[0]
		}
		m.controls = append(m.controls, control{c, key.NewBinding(key.WithKeys(c.Keys...), key.WithHelp(c.Shown, c.Text))})
	}
}

// free takes a key from whatever has it. A binding without keys is never enabled.
func (k *keyMap) free(name string) {
	for _, b := range k.all() {
		var left []string // nil is no key at all
		for _, other := range b.Keys() {
			if other != name {
				left = append(left, other)
			}
		}
		b.SetKeys(left...)
	}
}

// enableControls settles which keys of the host do something, and what they are called.
func (m *Model) enableControls() {
	m.controls = slices.Clone(m.controls) // models are copied
	for i := range m.controls {
		c := &m.controls[i]
		words := c.Text
		if c.Words != nil {
			words = c.Words(&m.snapshot)
		}
		c.binding.SetHelp(c.Shown, words)
		c.binding.SetEnabled(m.mode == watching && words != "")
	}
}

// controlKeys returns the bindings of the host, those of the help line or all.
func (m *Model) controlKeys(minor bool) []key.Binding {
	var list []key.Binding
	for i := range m.controls {
		if minor || !m.controls[i].Minor {
			list = append(list, m.controls[i].binding)
		}
	}
	return list
}

// pressControl handles a key of the host. ok tells whether it was one.
func (m *Model) pressControl(msg tea.KeyMsg) (cmd tea.Cmd, ok bool) {
	for i := range m.controls {
		c := &m.controls[i]
		switch {
		case !key.Matches(msg, c.binding):
		case c.Ask != "":
			m.setMode(noting)
			m.answers = c
			return nil, true
		default:
			return m.queue.call(c.Do, ""), true
		}
	}
	return nil, false
}

// callQueue calls what was asked for one after the other, in that order: bubbletea runs
// each command in a goroutine of its own.
type callQueue struct {
	running sync.Mutex
	mu      sync.Mutex
	waiting []func() string
}

func (q *callQueue) call(do func(string) string, text string) tea.Cmd {
	q.mu.Lock()
	q.waiting = append(q.waiting, func() string { return do(text) })
	q.mu.Unlock()
	return func() tea.Msg {
		q.running.Lock()
		defer q.running.Unlock()
		q.mu.Lock()
		next := q.waiting[0]
		q.waiting = q.waiting[1:]
		q.mu.Unlock()
		return saidMsg{next()}
	}
}
