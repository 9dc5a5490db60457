package tui

import (
	"runtime"

	"github.com/charmbracelet/bubbles/key"
)

// keyMap holds the keys of the screen with their help texts. A key that does
// nothing at the moment is disabled, and then not in the help either.
type keyMap struct {
	quit        key.Binding
	interrupt   key.Binding
	suspend     key.Binding
	acknowledge key.Binding
	pause       key.Binding
	back        key.Binding
	forth       key.Binding
	farBack     key.Binding
	farForth    key.Binding
	start       key.Binding
	now         key.Binding
	shorter     key.Binding
	longer      key.Binding
	fix         key.Binding
	site        key.Binding
	picture     key.Binding
	note        key.Binding
	bell        key.Binding
	contrast    key.Binding
	copyLine    key.Binding
	help        key.Binding

	yes  key.Binding // answers to the question before quitting
	no   key.Binding
	keep key.Binding // ends of a note
	drop key.Binding
}

func newKeyMap() keyMap {
	bind := func(shown, text string, keys ...string) key.Binding {
		return key.NewBinding(key.WithKeys(keys...), key.WithHelp(shown, text))
	}
	k := keyMap{
		quit:        bind("q", "quit", "q"),
		interrupt:   bind("ctrl+c twice", "quit at once", "ctrl+c"),
		suspend:     bind("ctrl+z", "to the shell, fg: back", "ctrl+z"),
		acknowledge: bind("a", "acknowledge stop", "a"),
		pause:       bind("space", "pause pictures", " "),
		back:        bind("←", "look back", "left", ","),
		forth:       bind("→", "and forth", "right", "."),
		farBack:     bind("pgup", "far back", "pgup", "shift+left"),
		farForth:    bind("pgdn", "far forth", "pgdown", "shift+right"),
		start:       bind("home", "start of run", "home"),
		now:         bind("end", "now", "end"),
		shorter:     bind("+", "shorter time", "+", "="),
		longer:      bind("-", "longer time", "-"),
		fix:         bind("f", "fix axes", "f"),
		site:        bind("s", "next site", "s"),
		picture:     bind("tab", "next picture", "tab"),
		note:        bind("n", "note", "n"),
		bell:        bind("b", "bell off", "b"),
		contrast:    bind("c", "contrast", "c"),
		copyLine:    bind("y", "copy numbers", "y"),
		help:        bind("?", "help", "?"),
		yes:         bind("y", "quit", "y"),
		no:          bind("n", "stay", "n", "esc"),
		keep:        bind("enter", "keep the note", "enter"),
		drop:        bind("esc", "drop it", "esc"),
	}
	k.suspend.SetEnabled(runtime.GOOS != "windows")
	return k
}

// all returns the bindings of the screen itself.
func (k *keyMap) all() []*key.Binding {
	return []*key.Binding{&k.quit, &k.interrupt, &k.suspend, &k.acknowledge, &k.pause, &k.back, &k.forth, &k.farBack, &k.farForth,
		&k.start, &k.now, &k.shorter, &k.longer, &k.fix, &k.site, &k.picture, &k.note, &k.bell, &k.contrast, &k.copyLine, &k.help}
}

// mode is what keys mean at a moment.
type mode int

const (
	watching mode = iota
	asking        // "quit? y/n"
	noting        // a line of text is typed
)

// ShortHelp implements help.KeyMap: the most useful first, since a narrow
// screen cuts the line.
func (m *Model) ShortHelp() []key.Binding {
	k := &m.keys
	switch m.mode {
	case asking:
		return []key.Binding{k.yes, k.no}
	case noting:
		return []key.Binding{k.keep, k.drop}
	}
	if m.past.held {
		return []key.Binding{k.acknowledge, k.now, k.back, k.forth, k.pause, k.picture, k.note, k.help, k.quit}
	}
	if len(m.controls) > 0 {
		line := append([]key.Binding{k.acknowledge, k.quit, k.help}, m.controlKeys(false)...)
		return append(line, k.pause, k.back, k.picture, k.site, k.note)
	}
	return []key.Binding{k.acknowledge, k.quit, k.pause, k.back, k.picture, k.site, k.note, k.help, k.shorter, k.longer,
		k.fix, k.copyLine, k.bell}
}

// FullHelp implements help.KeyMap.
func (m *Model) FullHelp() [][]key.Binding {
	k := &m.keys
	return [][]key.Binding{
		m.controlKeys(true),
		{k.pause, k.back, k.forth, k.farBack, k.farForth, k.start, k.now},
		{k.shorter, k.longer, k.fix, k.picture, k.site, k.contrast, k.bell},
		{k.acknowledge, k.note, k.copyLine, k.help, k.quit, k.interrupt, k.suspend},
	}
}

// enable settles which keys do something at the moment and what they are called.
func (m *Model) enable() {
	k, o, s := &m.keys, &m.options, &m.snapshot
	watch := m.mode == watching
	begun := s.State != Waiting
	seen := begun && !s.Host.HideNumbers
	for _, b := range []*key.Binding{&k.quit, &k.help, &k.contrast} {
		b.SetEnabled(watch)
	}
	for _, b := range []*key.Binding{&k.pause, &k.back, &k.farBack, &k.start, &k.shorter, &k.longer, &k.fix} {
		b.SetEnabled(watch && seen)
	}
	for _, b := range []*key.Binding{&k.forth, &k.farForth, &k.now} {
		b.SetEnabled(watch && m.past.held)
	}
	k.acknowledge.SetEnabled(watch && seen && o.Acknowledge != nil && stopStands(s))
	k.note.SetEnabled(watch && begun && o.Note != nil)
	k.copyLine.SetEnabled(watch && seen && o.Copy != nil)
	k.bell.SetEnabled(watch && o.Bell != nil)
	k.site.SetEnabled(watch && len(s.Sites) > 1)
	names := m.pictureNames()
	k.picture.SetEnabled(watch && len(names) > 1)
	k.yes.SetEnabled(m.mode == asking)
	k.no.SetEnabled(m.mode == asking)
	k.keep.SetEnabled(m.mode == noting)
	k.drop.SetEnabled(m.mode == noting)

	if len(names) > 1 {
		k.picture.SetHelp("tab", "see "+names[(m.choices.picture+1)%len(names)])
	}
	word := func(b *key.Binding, on bool, yes, no string) {
		if on {
			no = yes
		}
		b.SetHelp(b.Help().Key, no)
	}
	word(&k.pause, m.past.held, "run again", "pause pictures")
	if m.answers != nil {
		k.keep.SetHelp("enter", "done")
	} else {
		k.keep.SetHelp("enter", "keep the note")
	}
	word(&k.fix, m.choices.fixed, "free axes", "fix axes")
	word(&k.bell, m.choices.silent, "bell on", "bell off")
	word(&k.contrast, m.choices.contrast, "colours", "contrast")
	m.enableControls()
}
