package jcamp

import (
	"fmt"
	"strconv"
)

// block is one spectrum, its units as the file has them.
type block struct {
	line            int // of its ##TITLE=, from 1
	title, dataType string
	xUnits, yUnits  string
	longDate        string // ##LONG DATE=, or ##DATE= and ##TIME=
	x, y            []float64
	notes           []string
}

// Error is what is wrong with one line.
type Error struct {
	Line int
	Text string
}

func (e *Error) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Text) }

func errorf(line int, format string, args ...any) error {
	return &Error{line, fmt.Sprintf(format, args...)}
}

// quote shows a piece of the text.
func quote(text string) string {
	const most = 40
	if r := []rune(text); len(r) > most {
		return strconv.QuoteToGraphic(string(r[:most])) + "…"
	}
	return strconv.QuoteToGraphic(text)
}
