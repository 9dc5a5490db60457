package setup

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"bluefringe/device/event"
)

// Problem is one fault of a set-up file.
type Problem struct {
	File string
	Line int    // from 1; 0 when no line is to blame
	Key  string // with its tables, "optics.under[0].material"; empty for faults of syntax
	Text string // what was found and what is allowed
}

func (p Problem) Error() string {
	out := p.File
	if p.Line > 0 {
		out += fmt.Sprintf(":%d", p.Line)
	}
	if p.Key != "" {
		out += ": " + p.Key
	}
	return event.Clean(out) + ": " + event.Clean(p.Text)
}

// Problems are all faults of a set-up file, in the order of its lines.
type Problems []Problem

func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}

func (c *checker) sorted() Problems {
	slices.SortStableFunc(c.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
	return c.problems
}
