// Package table reads spectra from text tables: numbers in lines and fields, in the many
// shapes in which instruments and spreadsheets write them.
//
// A line is cut into fields under a dialect: a separator and a decimal sign. Every dialect
// that the text allows is tried on a sample. When two of them read different numbers, and
// neither is ruled out, the answer is an *AmbiguousError; a comma is never taken for a
// separator where it may be a decimal sign. What the numbers mean is settled by
// device/table/export.
package table
