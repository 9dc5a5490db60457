// Package export knows what the numbers of a spectrometer's export mean: the unit of its
// abscissa, the quantity of its ordinate, which spectrum is a dark or a reference, when it
// was taken, and how the bytes of a file become text. device/table and device/jcamp read
// the shapes of files and hand what they found to Settle.
//
// Exports often do not say what they are, and sometimes say what is not so. Whatever is
// taken for granted is said in a note. Where two readings are possible, or a file
// contradicts itself, the answer is an error that says what was found and which option
// settles it, never the likelier reading.
//
// Text from outside (names, notes, pieces in errors) is bounded but not fit for a terminal:
// pass it through event.Clean.
package export
