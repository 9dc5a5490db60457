package table

import (
	"fmt"
	"math"
	"strings"

	"bluefringe/device/table/export"
)

// Decode reads the spectra of a text table. Notes are also given with an error, as far as
// reading got.
func Decode(data []byte, o Options) (export.File, error) {
	text, notes, err := export.Text(data)
	if err != nil {
		return export.File{}, err
	}
	return DecodeText(text, notes, o)
}

// DecodeText is Decode for a text that export.Text has made, with its notes.
func DecodeText(text string, notes []string, o Options) (export.File, error) {
	t, err := read(text, o)
	if err == export.ErrNone {
		err = fmt.Errorf("%w: a column or row of rising or falling wavelengths with numbers beside it is needed", err)
	}
	if err != nil {
		return export.File{Notes: notes}, err
	}
	notes = append(notes, t.said())
	notes = append(notes, t.notes...)
	raws, timed := t.raws()
	if timed != "" {
		notes = append(notes, timed)
	}
	if t.percent && o.Kind == "" {
		o.Kind = export.Percent
		notes = append(notes, "ordinate taken for reflectance in per cent: per cent signs stand behind the numbers (--kind overrides)")
	}
	f, err := export.Settle(raws, prose(t.head), o.Options)
	f.Notes = append(notes, f.Notes...)
	return f, err
}

// said tells how the table was read.
func (t *table) said() string {
	out := fmt.Sprintf("read as %s, separator %s", t.layout, t.separator)
	if t.decimal != "" {
		out += ", decimal " + string(t.decimal)
	}
	n := len(t.series[0].X)
	return fmt.Sprintf("%s: %s of %s (--orientation, --separator, --decimal override)", out,
		plural(len(t.series), "spectrum", "spectra"), plural(n, "point", "points"))
}

// raws names the series.
func (t *table) raws() (raws []export.Raw, note string) {
	for i := range t.series {
		s := &t.series[i]
		r := export.Raw{Line: s.line, X: s.X, Y: s.Y, XHead: t.axisHead, YHead: strings.Join(s.heads, " ")}
		if len(s.heads) > 0 {
			r.Name = s.heads[0]
		}
		for _, l := range s.labels {
			if h := strings.ToLower(strings.TrimSpace(l.head)); h == "site" || h == "position" || h == "point" {
				r.Site = l.text
			}
		}
		if t.layout == Wide {
			// What stands before a row names it; what it is stands in the head of the file.
			r.YHead = ""
		}
		raws = append(raws, r)
	}
	if t.layout == Wide {
		return raws, t.rowTimes(raws)
	}
	return raws, t.columnTimes(raws)
}

// rowTimes takes times from a column of labels.
func (t *table) rowTimes(raws []export.Raw) string {
	for k := range t.series[0].labels {
		head := t.series[0].labels[k].head
		cells, values := make([]string, 0, len(raws)), make([]float64, 0, len(raws))
		for i := range t.series {
			if l := t.series[i].labels; k < len(l) && l[k].head == head {
				cells, values = append(cells, l[k].text), append(values, l[k].value)
			}
		}
		if export.Times(raws, head, cells, values) {
			return fmt.Sprintf("times taken from the column %s, in seconds unless it says otherwise", quote(head))
		}
	}
	return ""
}

// columnTimes takes times from the names of columns: "12.5 s" or a moment each.
func (t *table) columnTimes(raws []export.Raw) string {
	var cells []string
	var values []float64
	for i := range raws {
		name := strings.TrimSpace(strings.TrimPrefix(strings.ToLower(raws[i].Name), "t="))
		value, unit, ok := strings.Cut(name, " ")
		if !ok {
			value = strings.TrimRight(name, "smin")
			unit = name[len(value):]
		}
		var seen signs
		v, k := parseField(value, t.cellDecimal(), &seen)
		scale := map[string]float64{"s": 1, "ms": 1e-3, "min": 60}[unit]
		if k != number || scale == 0 {
			v = math.NaN()
		}
		cells, values = append(cells, raws[i].Name), append(values, v*scale)
	}
	if export.Times(raws, "time (s)", cells, values) {
		return "times taken from the names of the columns"
	}
	return ""
}

func (t *table) cellDecimal() Decimal {
	if t.decimal == DecimalComma {
		return DecimalComma
	}
	return Point
}

// prose bounds the lines before the numbers, blank ones left out.
func prose(lines []string) []string {
	const most, longest = 500, 500
	var out []string
	for _, l := range lines {
		if l = strings.TrimSpace(l); l == "" {
			continue
		}
		out = append(out, l[:min(len(l), longest)])
		if len(out) == most {
			break
		}
	}
	return out
}
