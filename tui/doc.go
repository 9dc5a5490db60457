// Package tui is the watch screen: how thick the silicon is, what to do, and
// why. It draws the values it is given and knows no device, no file and no
// physics.
//
// A session publishes a Snapshot on a Board whenever it has something new; the
// Model looks at the board ten times a second and draws the newest. Neither
// waits for the other. Numbers and advice always come from the newest snapshot.
// The pictures show a scene: the present, or, while they are paused, a moment of
// the past made from what History, Album and Log keep in bounded memory. Every
// frame is drawn into a grid of cells as large as
// the terminal, so it always has exactly the terminal's size whatever text
// came from outside. The shared line format for output that is no terminal is
// in Plain.
package tui
