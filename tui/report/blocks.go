package report

import (
	"math"
	"strconv"
)

// document is a report laid out, in plain text that is not escaped yet.
type document struct {
	Title    string
	Subtitle string
	Alerts   []string
	Headline []string // the result in large
	Sections []section
}

type section struct {
	Title  string
	Blocks []block
}

// block is one of these.
type block struct {
	Text   string
	Table  *table
	Figure *figure
	Code   string
}

type table struct {
	Head    []string // nil: rows are facts, a name and a value
	Rows    [][]string
	Numeric []bool // columns of numbers
	Strong  int    // row to stand out, from 1; 0: none
}

// figure is a picture for the page, and its numbers for where there are no pictures.
type figure struct {
	Caption string
	SVG     string
	Data    *table // nil: none
}

func text(s string) block { return block{Text: s} }

func facts(list []Fact) block {
	t := &table{}
	for _, f := range list {
		t.Rows = append(t.Rows, []string{f.Name, f.Value})
	}
	return block{Table: t}
}

// absent stands for a number that does not exist.
const absent = "–"

// num prints a number with the digits it has.
func num(v float64) string {
	if !exists(v) {
		return absent
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// sci prints a small number with three digits.
func sci(v float64) string {
	if !exists(v) {
		return absent
	}
	return strconv.FormatFloat(v, 'g', 3, 64)
}

func with(v float64, unit string) string {
	if !exists(v) {
		return absent
	}
	return num(v) + " " + unit
}

// plusMinus is a value with its standard uncertainty.
func plusMinus(v, sd float64, unit string) string {
	switch {
	case !exists(v):
		return absent
	case !exists(sd):
		return with(v, unit)
	}
	return num(v) + " ± " + num(sd) + " " + unit
}

func exists(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func word(s string) string {
	if s == "" {
		return absent
	}
	return s
}
