package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"
)

// WriteMarkdown writes the report as Markdown (CommonMark with the tables of GFM). In
// place of its figures it has their numbers.
func (r *Report) WriteMarkdown(w io.Writer) error {
	d, err := r.document()
	if err != nil {
		return err
	}
	m := markdown{bufio.NewWriter(w)}
	m.line("# %s", escaped(d.Title))
	m.line("%s", paragraph(d.Subtitle))
	for _, alert := range d.Alerts {
		m.line("**Attention:** %s", escaped(alert))
	}
	m.line("**%s**", escaped(strings.Join(d.Headline, "; ")))
	for _, s := range d.Sections {
		m.line("## %s", escaped(s.Title))
		for _, b := range s.Blocks {
			m.block(b)
		}
	}
	return m.w.Flush()
}

type markdown struct{ w *bufio.Writer }

// line writes a paragraph.
func (m markdown) line(format string, args ...any) { fmt.Fprintf(m.w, format+"\n\n", args...) }

func (m markdown) block(b block) {
	switch {
	case b.Text != "":
		m.line("%s", paragraph(b.Text))
	case b.Table != nil:
		m.table(b.Table)
	case b.Figure != nil && b.Figure.Data != nil:
		m.line("%s (The figure is in the HTML report; here are its numbers.)", paragraph(b.Figure.Caption))
		m.table(b.Figure.Data)
	case b.Figure != nil:
		m.line("%s (The figure is in the HTML report.)", paragraph(b.Figure.Caption))
	case b.Code != "":
		m.code(b.Code)
	}
}

func (m markdown) table(t *table) {
	if len(t.Rows) == 0 {
		return
	}
	head, numeric := t.Head, t.Numeric
	if head == nil {
		head, numeric = make([]string, len(t.Rows[0])), make([]bool, len(t.Rows[0]))
	}
	m.row(head, false)
	for _, n := range numeric {
		if n {
			m.w.WriteString("| ---: ")
		} else {
			m.w.WriteString("| --- ")
		}
	}
	m.w.WriteString("|\n")
	for i, row := range t.Rows {
		m.row(row, i+1 == t.Strong)
	}
	m.w.WriteString("\n")
}

func (m markdown) row(cells []string, strong bool) {
	for _, c := range cells {
		c = escaped(c)
		if strong && c != "" {
			c = "**" + c + "**"
		}
		fmt.Fprintf(m.w, "| %s ", c)
	}
	m.w.WriteString("|\n")
}

// code writes a fenced block that no line inside can close.
func (m markdown) code(text string) {
	fence := "```"
	for strings.Contains(text, fence) {
		fence += "`"
	}
	m.line("%s\n%s\n%s", fence, strings.TrimRight(printable(text), "\n"), fence)
}

// printable leaves lines and tabs and replaces other control characters.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if r != '\n' && r != '\t' && (r < ' ' || r == 0x7f || 0x80 <= r && r < 0xa0) {
			return '\uFFFD'
		}
		return r
	}, strings.ReplaceAll(text, "\r\n", "\n"))
}

// escaped makes text stand for itself in one line of Markdown: no markup, no link, no
// HTML, no end of a table cell.
func escaped(text string) string {
	var b strings.Builder
	for _, r := range strings.Join(strings.Fields(printable(text)), " ") {
		switch {
		case r == '<':
			b.WriteString("&lt;")
		case r == '>':
			b.WriteString("&gt;")
		case r == '&':
			b.WriteString("&amp;")
		case strings.ContainsRune("\\`*_{}[]#|~!", r):
			b.WriteByte('\\')
			b.WriteRune(r)
		default:
			b.WriteRune(r)
		}
	}
	return withoutLinks(b.String())
}

// paragraph escapes also what makes a list or a heading at the start of a line only.
func paragraph(text string) string {
	text = escaped(text)
	if strings.HasPrefix(text, "-") || strings.HasPrefix(text, "+") || strings.HasPrefix(text, "=") {
		return "\\" + text
	}
	digits := strings.TrimLeft(text, "0123456789")
	if n := len(text) - len(digits); n > 0 && (strings.HasPrefix(digits, ". ") || strings.HasPrefix(digits, ") ")) {
		return text[:n] + "\\" + text[n:]
	}
	return text
}

// withoutLinks breaks what GFM would make a link of by itself.
func withoutLinks(text string) string {
	return strings.NewReplacer("://", "\\:\\/\\/", "www.", "www\\.", "@", "\\@", "mailto:", "mailto\\:").Replace(text)
}
