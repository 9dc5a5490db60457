package table

import (
	"fmt"
	"math"
	"strconv"

	"bluefringe/device/table/export"
)

// table is what a text holds.
type table struct {
	separator Separator
	decimal   Decimal // "" when no number has a fraction
	layout    Layout
	percent   bool     // numbers have a per cent sign behind them
	head      []string // the lines before the numbers
	axisHead  string   // what stands over, or before, the abscissa
	series    []series
	notes     []string // what was left out, and other things a reader should know
}

// series is one spectrum as the text has it.
type series struct {
	line   int // of its first number, from 1
	X, Y   []float64
	heads  []string // the words over its column from the top down, or before its row
	labels []label  // the fields of its row that are no values; only of wide tables
}

// label is a field beside the values of a row.
type label struct {
	head, text string
	value      float64 // NaN when it is no number
}

// minPoints is the fewest numbers that are taken for an abscissa.
const minPoints = export.MinPoints

// ErrNone says that no spectrum was found.
var ErrNone = export.ErrNone

// LineError is what is wrong with one line.
type LineError struct {
	Line int
	Text string // what is wrong
}

func (e *LineError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Text) }

func lineErrorf(line int, format string, args ...any) error {
	return &LineError{line, fmt.Sprintf(format, args...)}
}

// AmbiguousError says that a text can be read in more than one way.
type AmbiguousError struct {
	Readings []string // what each would be
	Remedy   string   // what settles it
}

func (e *AmbiguousError) Error() string {
	out := "the text can be read in more than one way"
	for i, r := range e.Readings {
		if i == 0 {
			out += ": "
		} else {
			out += "; or "
		}
		out += r
	}
	return out + ": " + e.Remedy
}

// direction is +1 for strictly rising, -1 for strictly falling numbers, otherwise 0.
func direction(x []float64) int {
	if len(x) < 2 || x[0] == x[1] {
		return 0
	}
	dir := 1
	if x[1] < x[0] {
		dir = -1
	}
	for i := 1; i < len(x); i++ {
		if !(float64(dir)*(x[i]-x[i-1]) > 0) {
			return 0
		}
	}
	return dir
}

// same compares numbers; NaN equals NaN.
func same(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] && !(math.IsNaN(a[i]) && math.IsNaN(b[i])) {
			return false
		}
	}
	return true
}

func sameSeries(a, b []series) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if !same(a[i].X, b[i].X) || !same(a[i].Y, b[i].Y) {
			return false
		}
	}
	return true
}

// quote shows a piece of the text.
func quote(text string) string {
	const most = 40
	if r := []rune(text); len(r) > most {
		return strconv.QuoteToGraphic(string(r[:most])) + "…"
	}
	return strconv.QuoteToGraphic(text)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
