package report

import (
	_ "embed"
	"html/template"
	"io"
	"strings"
)

//go:embed page.html.tmpl
var pageText string

// WriteHTML writes the report as one page that loads nothing and runs nothing.
func (r *Report) WriteHTML(w io.Writer) error {
	d, err := r.document()
	if err != nil {
		return err
	}
	page, err := template.New("page").Funcs(template.FuncMap{
		"inc": func(i int) int { return i + 1 },
		// Figures are drawn by this package; their texts are escaped by the canvas.
		"safe": func(svg string) template.HTML { return template.HTML(svg) },
	}).Parse(pageText)
	if err != nil {
		return err
	}
	var text strings.Builder
	if err := page.Execute(&text, d); err != nil {
		return err
	}
	_, err = io.WriteString(w, printable(text.String()))
	return err
}
