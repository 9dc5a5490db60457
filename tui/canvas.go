package tui

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/charmbracelet/x/ansi"
)

// cell is one place on the screen. A wide character has a second cell whose
// rune is 0.
type cell struct {
	r    rune
	p    pen
	more string // combining marks after r, rarely any
}

// canvas is the grid of cells of one frame, x to the right and y down.
//
// It stands in for a chart library (github.com/NimbleMarkets/ntcharts v0.4.0 was
// looked at). Here one grid holds text, bars, dots and lines that cross each
// other, cut at the edge of their area, with a second alphabet for ASCII
// terminals, and a frame goes out with one escape per change of pen. A chart
// widget renders to a string of its own, styling each cell by itself, which costs
// many times the work, and such strings can be put beside each other but not on
// top of each other.
type canvas struct {
	w, h  int
	cells []cell
	words *strings.Replacer // spells our signs where only ASCII may go out, else nil
}

// newCanvas returns an empty canvas. With ascii nothing beyond ASCII goes out.
func newCanvas(ascii bool) *canvas {
	if !ascii {
		return &canvas{}
	}
	return &canvas{words: strings.NewReplacer(
		"µ", "u", "±", "+/-", "–", "-", "…", "~", "·", ".", "→", "->", "←", "<-")}
}

// reset blanks the canvas at a new size.
func (c *canvas) reset(w, h int) {
	c.w, c.h = max(w, 0), max(h, 0)
	if n := c.w * c.h; cap(c.cells) < n {
		c.cells = make([]cell, n)
	} else {
		c.cells = c.cells[:n]
	}
	for i := range c.cells {
		c.cells[i] = cell{r: ' '}
	}
}

// all is the whole canvas as an area.
func (c *canvas) all() area { return area{c: c, w: c.w, h: c.h} }

// render writes the frame: c.h lines, blanks at their ends left out, one escape
// per change of pen.
func (c *canvas) render(p *palette) string {
	var b strings.Builder
	b.Grow(3 * len(c.cells))
	for y := range c.h {
		if y > 0 {
			b.WriteByte('\n')
		}
		row := c.cells[y*c.w : (y+1)*c.w]
		end := len(row)
		for end > 0 && row[end-1].r == ' ' && !p[row[end-1].p].fill {
			end--
		}
		now := penPlain
		for _, cl := range row[:end] {
			if cl.r == 0 {
				continue
			}
			if cl.p != now && (cl.r != ' ' || p[cl.p].fill || p[now].fill) {
				b.WriteString(p[now].close)
				b.WriteString(p[cl.p].open)
				now = cl.p
			}
			if c.words != nil {
				b.WriteByte(asciiRune(cl.r))
				continue
			}
			b.WriteRune(cl.r)
			b.WriteString(cl.more)
		}
		b.WriteString(p[now].close)
	}
	return b.String()
}

// area is a rectangle of a canvas with its own origin; what falls outside is
// cut off.
type area struct {
	c          *canvas
	x, y, w, h int
}

// sub returns the part of a at (x, y) with the size w by h, cut to a.
func (a area) sub(x, y, w, h int) area {
	x0, y0 := min(max(x, 0), a.w), min(max(y, 0), a.h)
	w, h = w-(x0-x), h-(y0-y)
	return area{c: a.c, x: a.x + x0, y: a.y + y0, w: max(0, min(w, a.w-x0)), h: max(0, min(h, a.h-y0))}
}

// at returns the cell at (x, y), or nil outside the area.
func (a area) at(x, y int) *cell {
	if x < 0 || y < 0 || x >= a.w || y >= a.h {
		return nil
	}
	return &a.c.cells[(a.y+y)*a.c.w+a.x+x]
}

// set puts one of our own one-cell characters at (x, y).
func (a area) set(x, y int, r rune, p pen) {
	if cl := a.at(x, y); cl != nil {
		*cl = cell{r: r, p: p}
	}
}

// fill puts the same character everywhere in the area.
func (a area) fill(r rune, p pen) {
	for y := range a.h {
		for x := range a.w {
			a.set(x, y, r, p)
		}
	}
}

// blank tells whether nothing was drawn at (x, y).
func (a area) blank(x, y int) bool {
	cl := a.at(x, y)
	return cl != nil && cl.r == ' '
}

// text writes one line from (x, y) on, cut with an ellipsis at the edge of the
// area, and returns the x after it.
func (a area) text(x, y int, p pen, s string) int {
	s = clean(s)
	if a.c.words != nil {
		s = a.c.words.Replace(s)
	}
	if x < 0 || y < 0 || y >= a.h || x >= a.w || s == "" {
		return x
	}
	if ansi.StringWidth(s) > a.w-x {
		s = ansi.Truncate(s, a.w-x, "…")
	}
	for len(s) > 0 {
		if s[0] < utf8.RuneSelf && (len(s) == 1 || s[1] < utf8.RuneSelf) {
			a.set(x, y, rune(s[0]), p)
			x, s = x+1, s[1:]
			continue
		}
		cluster, width := ansi.FirstGraphemeCluster(s, ansi.GraphemeWidth)
		if cluster == "" {
			break
		}
		s = s[len(cluster):]
		if width < 1 || x+width > a.w {
			continue
		}
		if len(cluster) > 32 { // a pile of marks
			cluster = "?"
		}
		first, n := utf8.DecodeRuneInString(cluster)
		*a.at(x, y) = cell{r: first, p: p, more: cluster[n:]}
		for i := 1; i < width; i++ {
			*a.at(x+i, y) = cell{p: p}
		}
		x += width
	}
	return x
}

// textRight writes s so that it ends before column x.
func (a area) textRight(x, y int, p pen, s string) {
	a.text(max(0, x-ansi.StringWidth(clean(s))), y, p, s)
}

// textCentre writes s in the middle of row y.
func (a area) textCentre(y int, p pen, s string) {
	a.text(max(0, (a.w-ansi.StringWidth(clean(s)))/2), y, p, s)
}

// paragraph writes s over as many rows as it needs and has from row y on, and
// returns the row after it.
func (a area) paragraph(y int, p pen, s string) int {
	if a.w < 1 {
		return y
	}
	for _, line := range strings.Split(ansi.Wordwrap(clean(s), a.w, ""), "\n") {
		if y >= a.h {
			break
		}
		a.text(0, y, p, line)
		y++
	}
	return y
}

// fitting returns the first of some wordings, longest first, that is at most
// width cells wide, or the last.
func fitting(width int, wordings ...string) string {
	for _, s := range wordings {
		if ansi.StringWidth(s) <= width {
			return s
		}
	}
	return wordings[len(wordings)-1]
}

// Braille patterns (Unicode block U+2800) hold 2 by 4 dots in one cell.
const (
	braille    = 0x2800
	brailleEnd = 0x28FF
	dotsX      = 2
	dotsY      = 4
)

// dot sets the dot at (x, y), counted in dots from the upper left corner of the
// area. It leaves characters other than dots alone; in a cell shared by two
// pens the later one shows.
func (a area) dot(x, y int, p pen) {
	if x < 0 || y < 0 {
		return
	}
	cl := a.at(x/dotsX, y/dotsY)
	if cl == nil {
		return
	}
	switch {
	case cl.r == ' ':
		cl.r = braille
	case cl.r < braille || cl.r > brailleEnd:
		return
	}
	bit := rune(0x40)
	if row := y % dotsY; row < 3 {
		bit = 1 << row
		if x%dotsX == 1 {
			bit <<= 3
		}
	} else if x%dotsX == 1 {
		bit = 0x80
	}
	cl.r |= bit
	cl.p = p
}

// line joins two dots (Bresenham). Ends far outside are pulled near, which
// keeps the work bounded.
func (a area) line(x0, y0, x1, y1 int, p pen) {
	near := func(v, n int) int { return min(max(v, -4*n-8), 5*n+8) }
	x0, x1 = near(x0, a.w*dotsX), near(x1, a.w*dotsX)
	y0, y1 = near(y0, a.h*dotsY), near(y1, a.h*dotsY)
	dx, dy := abs(x1-x0), -abs(y1-y0)
	sx, sy := sign(x1-x0), sign(y1-y0)
	for e := dx + dy; ; {
		a.dot(x0, y0, p)
		if x0 == x1 && y0 == y1 {
			return
		}
		e2 := 2 * e
		if e2 >= dy {
			e, x0 = e+dy, x0+sx
		}
		if e2 <= dx {
			e, y0 = e+dx, y0+sy
		}
	}
}

func abs(v int) int { return max(v, -v) }

func sign(v int) int {
	switch {
	case v > 0:
		return 1
	case v < 0:
		return -1
	}
	return 0
}

// eighths are the lower blocks: a cell filled from below in steps of 1/8.
const eighths = " ▁▂▃▄▅▆▇█"

// eighth returns the block that is n eighths high.
func eighth(n int) rune {
	return []rune(eighths)[min(max(n, 0), 8)]
}

// clean makes outside text fit to be shown in a line: no escape sequences, no
// control or formatting characters, no variants that terminals measure
// differently.
func clean(s string) string {
	plain := true
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			plain = false
			break
		}
	}
	if plain {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 0xFE00 && r <= 0xFE0F: // variation selectors
			return -1
		case unicode.IsPrint(r):
			return r
		case unicode.IsSpace(r):
			return ' '
		}
		return -1
	}, ansi.Strip(s))
}

// asciiRune returns what stands for a character where only ASCII can be shown.
func asciiRune(r rune) byte {
	switch {
	case r < utf8.RuneSelf:
		return byte(r)
	case r == braille:
		return ' '
	case r > braille && r <= brailleEnd:
		if r&(0x01|0x08|0x02|0x10) == 0 {
			return '.'
		}
		if r&(0x04|0x20|0x40|0x80) == 0 {
			return '\''
		}
		return ':'
	case r >= '▁' && r <= '█':
		return "..--==##"[r-'▁']
	}
	switch r {
	case '─', '━', '╌', '…':
		return '-'
	case '│', '┆', '▌', '▏':
		return '|'
	case '┼', '├', '┤', '└', '┴', '┬', '┌', '┐', '┘':
		return '+'
	case '■':
		return '#'
	case '▓':
		return '%'
	case '▒':
		return '+'
	case '●':
		return '*'
	case '░':
		return ':'
	case '·':
		return '.'
	case '▲':
		return '^'
	case '△':
		return 'v'
	case '▶':
		return '>'
	case '◀':
		return '<'
	case '○':
		return 'O'
	case '◆':
		return '@'
	case '╳':
		return 'X'
	case '▞':
		return '/'
	}
	return '?'
}
