// Package jcamp reads JCAMP-DX 4.24 and 5.01, the open form in which spectra are exchanged
// (R. S. McDonald, P. A. Wilks, Applied Spectroscopy 42 (1988) 151; sections named in
// comments are those of that paper).
//
// It reads XYDATA=(X++(Y..Y)) in all packed forms (AFFN, PAC, SQZ, DIF, DUP), XYDATA and
// XYPOINTS=(XY..XY), and LINK blocks. What a file says twice is checked: a contradiction is
// an error with line, what was found and what was expected.
package jcamp
