// Package background settles the question of the terminal's background colour
// before anybody asks the terminal.
//
// Bubble Tea v1 asks for it while its package is initialised and waits up to
// five seconds for an answer, which a silent terminal (a serial console, some
// multiplexers) never gives. Go initialises packages in the order of their
// import paths as far as dependencies allow, and the path of this one sorts
// before github.com/charmbracelet/bubbletea, so the answer is there first.
// For that to hold it must import nothing but lipgloss.
package background

import "github.com/charmbracelet/lipgloss"

func init() {
	// The value is never used: the screen takes its light or dark colours from
	// tui.Options.
	lipgloss.SetHasDarkBackground(true)
}
