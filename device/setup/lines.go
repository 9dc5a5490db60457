package setup

import (
	"bytes"
	"fmt"

	"github.com/pelletier/go-toml/v2/unstable"
)

// indexLines finds the line of every table and key of a TOML text that has
// parsed without error. Tables in a list carry their index from 0:
// "optics.under[0].material"; the list itself has the line of its first table.
func indexLines(data []byte) map[string]int {
	x := indexer{data: data, lines: map[string]int{}, counts: map[string]int{}}
	x.parser.Reset(data)
	table := ""
	for x.parser.NextExpression() {
		switch e := x.parser.Expression(); e.Kind {
		case unstable.Table:
			table = x.keys("", e)
		case unstable.ArrayTable:
			table = x.list(e)
		case unstable.KeyValue:
			x.keyValue(table, e)
		}
	}
	return x.lines
}

type indexer struct {
	parser unstable.Parser
	data   []byte
	lines  map[string]int
	counts map[string]int // tables so far in each list
}

// keys notes every part of a dotted key below a table and returns the whole.
// A part that is a list of tables means its last table.
func (x *indexer) keys(at string, node *unstable.Node) string {
	for parts := node.Key(); parts.Next(); {
		part := parts.Node()
		at = join(at, string(part.Data))
		x.note(at, part)
		if n := x.counts[at]; n > 0 {
			at = fmt.Sprintf("%s[%d]", at, n-1)
		}
	}
	return at
}

// list opens the next table of a list.
func (x *indexer) list(node *unstable.Node) string {
	at := ""
	for parts := node.Key(); parts.Next(); {
		part := parts.Node()
		at = join(at, string(part.Data))
		x.note(at, part)
		if parts.IsLast() {
			x.counts[at]++
		}
		if n := x.counts[at]; n > 0 {
			at = fmt.Sprintf("%s[%d]", at, n-1)
			x.note(at, part)
		}
	}
	return at
}

func (x *indexer) keyValue(table string, node *unstable.Node) {
	x.value(x.keys(table, node), node.Value())
}

// value looks for tables written in line.
func (x *indexer) value(at string, node *unstable.Node) {
	switch node.Kind {
	case unstable.InlineTable:
		for children := node.Children(); children.Next(); {
			x.keyValue(at, children.Node())
		}
	case unstable.Array:
		i := 0
		for children := node.Children(); children.Next(); i++ {
			if child := children.Node(); child.Kind == unstable.InlineTable {
				inside := fmt.Sprintf("%s[%d]", at, i)
				x.note(inside, child)
				x.value(inside, child)
			}
		}
	}
}

// note keeps the first line of a key.
func (x *indexer) note(at string, node *unstable.Node) {
	if x.lines[at] == 0 {
		x.lines[at] = 1 + bytes.Count(x.data[:node.Raw.Offset], []byte{'\n'})
	}
}
