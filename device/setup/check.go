package setup

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/agnivade/levenshtein"

	"bluefringe/device/event"
	"bluefringe/optics/material"
)

// checker collects the faults of one file.
type checker struct {
	file     string
	lines    map[string]int // of every key, see indexLines
	problems []Problem

	library *material.Library // with the tables of the file; nil when it names none
	unread  []string          // names of tables that could not be read
}

// table checks the values of one table: at is its key with indices, path its
// place in the schema.
func (c *checker) table(at, path string, values map[string]any) {
	for _, name := range slices.Sorted(maps.Keys(values)) {
		c.value(join(at, name), join(path, name), values[name])
	}
}

func (c *checker) value(at, path string, v any) {
	f, ok := find(path)
	switch {
	case !ok:
		c.add(at, "found an unknown key: the nearest known key is %s", nearest(path))
	case !f.kind.is(v):
		c.add(at, "found %s: %s is allowed", show(v), strings.TrimSuffix(f.kind.String()+", "+f.allowed, ", "))
	case f.ok != nil && !f.ok(v):
		c.add(at, "found %s: %s is allowed", show(v), f.allowed)
	case f.kind == materialName && !c.knows(v.(string)):
		c.add(at, "found %s: one of %s is allowed", show(v), strings.Join(c.library.Names(), ", "))
	case f.kind == table:
		c.table(at, path, v.(map[string]any))
	case f.kind == anyName:
		for _, name := range slices.Sorted(maps.Keys(v.(map[string]any))) {
			c.value(join(at, name), join(path, "*"), v.(map[string]any)[name])
		}
	case f.kind == tables:
		for i, item := range v.([]any) {
			c.table(fmt.Sprintf("%s[%d]", at, i), path, item.(map[string]any))
		}
	}
}

// together checks what no key can tell alone.
func (c *checker) together(s Setup) {
	if t := s.Target; t.FloorUM > 0 && t.ThicknessUM > 0 && t.FloorUM >= t.ThicknessUM {
		c.add("target.floor_um", "found %g: less than target.thickness_um, %g, is allowed", t.FloorUM, t.ThicknessUM)
	}
	c.need("die", "width_mm", "height_mm")
	c.plan(s)
	for i := range s.Optics.Under {
		c.need(fmt.Sprintf("optics.under[%d]", i), "material", "thickness_nm")
	}
	c.need("optics.reflector", "material")
	for i := range s.Optics.Table {
		c.need(fmt.Sprintf("optics.table[%d]", i), "name", "file")
	}
	c.need("optics.doping", "type", "per_cm3")
	for i := range s.Rule {
		c.need(fmt.Sprintf("rule[%d]", i), "when", "advice")
	}
	p := s.Process
	switch spring := p.SpringNMM > 0 || p.CompressionMM > 0; {
	case p.ForceN > 0 && spring:
		c.add("process.force_n", "found both force_n and a spring: force_n alone, or spring_n_mm with compression_mm, is allowed")
	case spring && p.CompressionMM == 0:
		c.add("process.spring_n_mm", "found spring_n_mm without compression_mm: both are needed")
	case spring && p.SpringNMM == 0:
		c.add("process.compression_mm", "found compression_mm without spring_n_mm: both are needed")
	}
	c.sources(s)
	for name, ch := range s.Channels {
		c.channel("channels."+name, ch)
	}
}

// channel checks a channel. Its wavelengths may be left to the stream where it has a
// mask alone.
func (c *checker) channel(at string, ch event.Channel) {
	if !ch.HasWavelengths() && len(ch.MaskNM)+len(ch.MaskPixels) > 0 {
		return
	}
	nm, err := ch.Wavelengths()
	if err != nil {
		c.add(at, "%v", err)
		return
	}
	for _, pixel := range ch.MaskPixels {
		if pixel >= len(nm) {
			c.add(join(at, "mask_pixels"), "found %d: 0 to %d is allowed", pixel, len(nm)-1)
			break
		}
	}
	for _, r := range ch.MaskNM {
		if !slices.ContainsFunc(nm, func(w float64) bool { return r[0] <= w && w <= r[1] }) {
			c.add(join(at, "mask_nm"), "found [%g, %g]: no pixel lies there, those of the channel are at %g to %g nm", r[0], r[1], slices.Min(nm), slices.Max(nm))
		}
	}
}

// need reports the keys that a table, where it is there, lacks.
func (c *checker) need(at string, names ...string) {
	if c.lines[at] == 0 {
		return
	}
	for _, name := range names {
		if c.lines[join(at, name)] == 0 {
			c.add(at, "found no %s: it is needed", name)
		}
	}
}

func (c *checker) add(at, format string, args ...any) {
	c.problems = append(c.problems, Problem{File: c.file, Line: c.lines[at], Key: at, Text: fmt.Sprintf(format, args...)})
}

func find(path string) (field, bool) {
	for _, f := range schema() {
		if f.path == path {
			return f, true
		}
	}
	return field{}, false
}

// nearest finds the known key most like path: by its last part within the same
// table first, then, one step worse, in any other.
func nearest(path string) string {
	const longest = 100 // an absurd key needs no exact distance
	best, least := "", 0
	table, name := split(path)
	name = name[:min(len(name), longest)]
	for _, f := range schema() {
		inTable, known := split(f.path)
		distance := levenshtein.ComputeDistance(name, known)
		if inTable != table {
			distance++
		}
		if known != "*" && (best == "" || distance < least) {
			best, least = f.path, distance
		}
	}
	return best
}

func split(path string) (table, name string) {
	if dot := strings.LastIndexByte(path, '.'); dot >= 0 {
		return path[:dot], path[dot+1:]
	}
	return "", path
}

func join(table, name string) string {
	if table == "" {
		return name
	}
	return table + "." + name
}

// key is the key of a value in the i-th table of a list.
func key(list string, i int, name string) string {
	return fmt.Sprintf("%s[%d].%s", list, i, name)
}

// show prints a found value, shortened.
func show(v any) string {
	const most = 40
	out := ""
	switch x := v.(type) {
	case string:
		out = strconv.QuoteToGraphic(x)
	case float64:
		out = strconv.FormatFloat(x, 'g', -1, 64)
	case map[string]any:
		return "a table"
	case []any:
		if len(x) > 4 {
			return fmt.Sprintf("a list of %d values", len(x))
		}
		out = fmt.Sprint(x)
	default:
		out = fmt.Sprint(x)
	}
	if r := []rune(out); len(r) > most {
		out = string(r[:most]) + "…"
	}
	return out
}
