// Package tui is the watch screen: how thick the silicon is, what to do, and
// why. It draws the values it is given and knows no device, no file and no
// physics.
//
// A session publishes a Snapshot on a Board whenever it has something new; the
// Model looks at the board ten times a second and draws the newest. Neither
// waits for the other. Every frame is drawn into a grid of cells as large as
// the terminal, so it always has exactly the terminal's size whatever text
// came from outside. The shared line format for output that is no terminal is
// in Plain.
package tui
