package tui

import (
	"sync"

	"bluefringe/removal/advice"
)

// Entry is one thing that happened in a run.
type Entry struct {
	TimeS float64
	Kind  EntryKind
	Level advice.Level // of an advice
	Text  string
}

// EntryKind says what happened.
type EntryKind int

// The kinds of entries.
const (
	AdviceChanged EntryKind = iota
	NoteMade
	PadMoved
	LineChanged // the source broke off, or said something
)

// shape returns the sign that stands for an entry.
func (e Entry) shape() rune {
	switch e.Kind {
	case AdviceChanged:
		return adviceShape(e.Level)
	case NoteMade:
		return '◆'
	case PadMoved:
		return '┴'
	}
	return '~'
}

// Bounds of a Log.
const (
	logEntries = 256
	logText    = 400 // bytes
)

// Log keeps the newest entries of a run. The zero value is empty and ready; its
// methods may be called from different goroutines.
type Log struct {
	mu      sync.Mutex
	entries []Entry // oldest first
}

// Add appends an entry; of a full log the oldest goes. Long text is cut.
func (l *Log) Add(e Entry) {
	e.Text = cut(clean(e.Text), logText)
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.entries) >= logEntries {
		l.entries = append(l.entries[:0], l.entries[1:]...)
	}
	l.entries = append(l.entries, e)
}

// Entries appends all entries to dst, oldest first, and returns it.
func (l *Log) Entries(dst []Entry) []Entry {
	if l == nil {
		return dst
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return append(dst, l.entries...)
}

// cut returns s with at most n bytes, whole characters only.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && s[n]&0xC0 == 0x80 {
		n--
	}
	return s[:n]
}
