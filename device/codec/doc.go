// Package codec turns what instruments send and write into event lines.
//
// Three codecs read a stream of bytes:
//
//	events   one event a line, as package event describes, with or without CRC
//	numbers  one spectrum a line: plain numbers, separated by commas, semicolons,
//	         tabs or spaces; decimal point only
//	block    one spectrum a definite length arbitrary block (IEEE 488.2-1992,
//	         8.7.9, from memory): '#', a digit n, n digits that give a number of bytes, the
//	         bytes, and a line feed
//
// Wide reads a table that grows by a row a spectrum, and Pairs a file of two
// columns; Series gives their spectra as event lines.
//
// All of it is pure but for the clock that is passed in, holds bounded memory
// whatever comes, and loses only what is damaged: the next whole message is found
// again. Wavelengths are nanometres, times seconds.
package codec
