package jcamp

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"bluefringe/device/table/export"
)

// Decode reads all spectra of a file, in order. Notes are also given with an error, as far
// as reading got.
func Decode(data []byte, o export.Options) (export.File, error) {
	text, notes, err := export.Text(data)
	if err != nil {
		return export.File{}, err
	}
	return DecodeText(text, notes, o)
}

// DecodeText is Decode for a text that export.Text has made, with its notes.
func DecodeText(text string, notes []string, o export.Options) (export.File, error) {
	blocks, err := read(text, export.MaxValues)
	if err != nil {
		return export.File{Notes: notes}, err
	}
	notes = append(notes, fmt.Sprintf("read as JCAMP-DX: %d spectra, the first of %d points", len(blocks), len(blocks[0].x)))
	var raws []export.Raw
	var prose []string
	for _, b := range blocks {
		raw := export.Raw{Line: b.line, X: b.x, Y: b.y, Name: b.title, XHead: b.xUnits, YHead: b.yUnits}
		raw.When, _ = export.Moment(b.longDate)
		raws = append(raws, raw)
		notes = append(notes, b.notes...)
		if b.dataType != "" {
			prose = append(prose, b.dataType)
		}
	}
	f, err := export.Settle(raws, prose, o)
	f.Notes = append(notes, f.Notes...)
	return f, err
}

// read decodes all blocks, of up to so many points in all.
func read(text string, mostValues int) ([]block, error) {
	var out []block
	var open []*draft // blocks begun and not ended
	var peaks error   // the first block of nothing else
	values := 0
	finish := func() error {
		d := open[len(open)-1]
		open = open[:len(open)-1]
		if len(d.tables) == 0 && d.peaks.label != "" && peaks == nil {
			peaks = errorf(d.peaks.line, "##%s= holds peaks, not a spectrum: export with ##XYDATA= or ##XYPOINTS=", d.peaks.label)
		}
		for _, t := range d.tables {
			b, err := d.decode(t)
			if err != nil {
				return err
			}
			out = append(out, b)
			if values += len(b.x); values > mostValues {
				return errorf(t.line, "found more than %d points in all", mostValues)
			}
			if len(out) > export.MaxSpectra {
				return errorf(t.line, "found more than %d spectra", export.MaxSpectra)
			}
		}
		return nil
	}
	all, err := records(text)
	if err != nil {
		return nil, err
	}
	for _, r := range all {
		switch {
		case r.label == "TITLE":
			if n := len(open); n > 0 && len(open[n-1].tables) > 0 {
				if err := finish(); err != nil { // its ##END= is missing
					return nil, err
				}
			}
			const deepest = 32
			if len(open) >= deepest {
				return nil, errorf(r.line, "blocks lie in each other more than %d deep", deepest)
			}
			open = append(open, &draft{line: r.line, title: r.value, labels: map[string]record{}})
		case len(open) == 0 && r.label == "END":
		case len(open) == 0:
			// records before ##TITLE=, which comes first (section 6.1)
			open = append(open, &draft{line: r.line, labels: map[string]record{}})
			fallthrough
		default:
			d := open[len(open)-1]
			if r.label == "END" {
				d.ended = true
				if err := finish(); err != nil {
					return nil, err
				}
				continue
			}
			if err := d.take(r); err != nil {
				return nil, err
			}
		}
	}
	for len(open) > 0 {
		if err := finish(); err != nil {
			return nil, err
		}
	}
	switch {
	case len(out) == 0 && peaks != nil:
		return nil, peaks
	case len(out) == 0:
		return nil, fmt.Errorf("%w: neither ##XYDATA= nor ##XYPOINTS=", export.ErrNone)
	}
	if peaks != nil {
		out[0].notes = append(out[0].notes, "left out: "+peaks.Error())
	}
	return out, nil
}

// draft is a block being read.
type draft struct {
	line   int
	title  string
	labels map[string]record
	tables []record
	peaks  record // its label is "" when there is none
	ended  bool
}

func (d *draft) take(r record) error {
	switch r.label {
	case "XYDATA", "XYPOINTS":
		d.tables = append(d.tables, r)
		return nil
	case "PEAKTABLE", "PEAKASSIGNMENTS":
		d.peaks = r
		return nil
	case "NTUPLES", "PAGE", "DATATABLE":
		return errorf(r.line, "##%s= is not read: export every spectrum as a block of its own with ##XYDATA=", r.label)
	case "RADATA":
		return errorf(r.line, "##RADATA= is an interferogram: export the spectrum")
	case "":
		return nil // ##= is a comment
	}
	if _, twice := d.labels[r.label]; !twice {
		d.labels[r.label] = r
	}
	return nil
}

func (d *draft) text(labels ...string) string {
	for _, l := range labels {
		if r, ok := d.labels[l]; ok && r.value != "" {
			return r.value
		}
	}
	return ""
}

// number reads a label that holds one number. ok is false when it is missing or empty.
func (d *draft) number(label string) (v float64, r record, ok bool, err error) {
	r, found := d.labels[label]
	if !found || r.value == "" {
		return 0, r, false, nil
	}
	v, e := strconv.ParseFloat(strings.Fields(r.value)[0], 64)
	if e != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, r, false, errorf(r.line, "##%s= is %s: a number is allowed", label, quote(r.value))
	}
	return v, r, true, nil
}

// decode reads one table.
func (d *draft) decode(t record) (block, error) {
	b := block{
		line: d.line, title: d.title, dataType: d.text("DATATYPE"),
		xUnits: d.text("XUNITS"), yUnits: d.text("YUNITS"),
		longDate: d.text("LONGDATE"),
	}
	if b.longDate == "" {
		b.longDate = d.text("DATE") + " " + d.text("TIME")
	}
	n, err := d.numbers()
	if err != nil {
		return b, err
	}
	if n.yFactor.v == 0 || n.xFactor.v == 0 {
		return b, errorf(t.line, "##XFACTOR= is %g and ##YFACTOR= is %g: 0 is not allowed", n.xFactor.v, n.yFactor.v)
	}
	shape := strings.ToUpper(strings.Join(strings.Fields(t.value), ""))
	if i := strings.IndexByte(shape, ')'); strings.HasPrefix(shape, "(XY..XY)") && i >= 0 {
		shape = "(XY..XY)"
	}
	switch {
	case strings.HasPrefix(shape, "(X++(Y..Y))"):
		err = b.spaced(t, n)
	case shape == "(XY..XY)":
		err = b.pairs(t, n)
	default:
		err = errorf(t.line, "##%s= has the form %s: (X++(Y..Y)) and (XY..XY) are read", t.label, quote(t.value))
	}
	if err != nil {
		return b, err
	}
	if !d.ended {
		if !n.points.ok {
			return b, errorf(d.line, "the block has neither ##END= nor ##NPOINTS=: the file may be cut short")
		}
		b.notes = append(b.notes, "##END= is missing")
	}
	return b, b.checkFirstY(t, n, shape != "(XY..XY)")
}
