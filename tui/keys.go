package tui

import "github.com/charmbracelet/bubbles/key"

// keyMap holds the keys of the screen with their help texts.
type keyMap struct {
	quit        key.Binding
	interrupt   key.Binding
	acknowledge key.Binding
	freeze      key.Binding
	help        key.Binding
	yes         key.Binding // answers to the question before quitting
	no          key.Binding
}

func newKeyMap() keyMap {
	k := keyMap{
		quit:        key.NewBinding(key.WithKeys("q"), key.WithHelp("q", "quit")),
		interrupt:   key.NewBinding(key.WithKeys("ctrl+c"), key.WithHelp("ctrl+c twice", "quit at once")),
		acknowledge: key.NewBinding(key.WithKeys("a"), key.WithHelp("a", "acknowledge stop")),
		freeze:      key.NewBinding(key.WithKeys(" "), key.WithHelp("space", "freeze pictures")),
		help:        key.NewBinding(key.WithKeys("?"), key.WithHelp("?", "help")),
		yes:         key.NewBinding(key.WithKeys("y"), key.WithHelp("y", "quit")),
		no:          key.NewBinding(key.WithKeys("n", "esc"), key.WithHelp("n", "stay")),
	}
	k.acknowledge.SetEnabled(false)
	k.yes.SetEnabled(false)
	k.no.SetEnabled(false)
	return k
}

// asking switches between the keys of the screen and those of the question.
func (k *keyMap) asking(on bool) {
	k.yes.SetEnabled(on)
	k.no.SetEnabled(on)
	k.quit.SetEnabled(!on)
	k.freeze.SetEnabled(!on)
	k.help.SetEnabled(!on)
}

// ShortHelp implements help.KeyMap.
func (k keyMap) ShortHelp() []key.Binding {
	return []key.Binding{k.yes, k.no, k.quit, k.freeze, k.acknowledge, k.help}
}

// FullHelp implements help.KeyMap.
func (k keyMap) FullHelp() [][]key.Binding {
	return [][]key.Binding{{k.quit, k.interrupt, k.freeze}, {k.acknowledge, k.help}}
}
