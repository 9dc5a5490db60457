// Package simulate makes the event record of a die being thinned: raw spectra
// of an instrument with noise and faults, and the true thickness beside them.
//
// It is the independent check of the estimator and shares neither its fringe
// series nor, unless asked, its silicon table. Each spectrum is the stack
// recursion of package optics averaged over the thickness inside the spot and
// over the line of the instrument.
//
// Run makes a record on its own; a Machine is driven step by step, by somebody who lifts
// the pad, wipes the view or changes the force on the way.
//
// The same configuration gives the same events, number for number. Random
// draws come from PCG streams of the seed, one a purpose, so that a fault more
// or less does not change the noise of the removal.
package simulate
