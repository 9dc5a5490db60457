package table

import (
	"errors"
	"slices"
	"strings"
)

// read finds the spectra in a text. An error is export.ErrNone, an *AmbiguousError, a
// *LineError, or says in words what is wrong.
func read(content string, o Options) (*table, error) {
	lines, err := cutLines(content)
	if err != nil {
		return nil, err
	}
	r, err := choose(lines, &o)
	if err != nil {
		return nil, err
	}
	return r.table(lines), nil
}

// choose reads lines under the one dialect that fits. A long text is tried on a sample.
func choose(lines []string, o *Options) (*reading, error) {
	from, to := sample(lines)
	found, err := tryDialects(lines[from:to], 1+from, o)
	if err != nil {
		return nil, err
	}
	if from == 0 && to == len(lines) {
		return found, nil
	}
	whole, err := newSheet(lines, 1, found.dialect)
	if err != nil {
		return nil, err
	}
	return whole.read(o)
}

// tryDialects reads lines under every dialect that they allow.
func tryDialects(lines []string, firstLine int, o *Options) (*reading, error) {
	var found []*reading
	var errs []error
	ds, err := dialects(lines, o)
	if err != nil {
		return nil, err
	}
	for _, d := range ds {
		sheet, err := newSheet(lines, firstLine, d)
		if err != nil {
			return nil, err
		}
		r, err := sheet.read(o)
		switch {
		case err != nil:
			errs = append(errs, err)
		case !r.proven(o):
		case slices.ContainsFunc(found, func(f *reading) bool { return sameSeries(f.series, r.series) }):
		default:
			found = append(found, r)
		}
	}
	for _, err := range errs {
		if errors.Is(err, errGlued) && len(found) > 0 && found[0].score < 2 {
			return nil, err
		}
	}
	if len(found) == 0 {
		if err := worst(errs); isSpecific(err) || !wholeWithCommas(lines) {
			return nil, err
		}
		return nil, errGlued
	}
	best := 0
	for _, r := range found {
		best = max(best, r.score)
	}
	found = slices.DeleteFunc(found, func(r *reading) bool { return r.score < best })
	if len(found) > 1 {
		var readings []string
		for _, r := range found {
			readings = append(readings, r.String())
		}
		return nil, &AmbiguousError{readings, "--separator and --decimal settle it"}
	}
	return found[0], nil
}

// proven reports whether the decimal sign of a reading is one. A comma that could as well
// group thousands is a decimal sign only when nothing speaks for thousands; a point that
// only groups thousands needs a decimal comma elsewhere.
func (r *reading) proven(o *Options) bool {
	if r.seen.groups == 0 || r.seen.decimals > 0 || o.Decimal != "" {
		return r.decimal == Point || r.seen.decimals > 0 || o.Decimal != ""
	}
	return r.decimal == Point && r.separator != Semicolon
}

// dialects lists what the lines allow, the more likely first.
func dialects(lines []string, o *Options) ([]dialect, error) {
	var out []dialect
	quotedComma := false
	for _, line := range lines {
		quotedComma = quotedComma || commaInQuotes(line)
	}
	for _, sep := range separators(lines, o) {
		for _, dec := range []Decimal{Point, DecimalComma} {
			switch {
			case o.Decimal != "" && dec != o.Decimal,
				sep == CommaBlank && dec == Point,
				dec == DecimalComma && o.Decimal == "" && !holds(lines, ","):
				continue
			case sep == Comma && dec == DecimalComma && !quotedComma:
				if o.Separator == Comma && o.Decimal == DecimalComma {
					return nil, errors.New("a comma cannot be separator and decimal sign at once unless numbers stand in quotes: export with semicolons or with a decimal point")
				}
				continue
			}
			out = append(out, dialect{sep, dec})
		}
	}
	return out, nil
}

// separators lists those that occur. Blanks separate only where nothing stronger stands in
// most lines of numbers.
func separators(lines []string, o *Options) []Separator {
	if o.Separator != "" {
		return []Separator{o.Separator}
	}
	n := map[Separator]int{}
	numeric := 0
	for _, line := range lines {
		if !mostlyNumbers(line) {
			continue
		}
		numeric++
		for sep, mark := range map[Separator]string{Tab: "\t", Semicolon: ";", Comma: ",", Pipe: "|", CommaBlank: ", "} {
			if strings.Contains(strings.TrimSpace(line), mark) {
				n[sep]++
			}
		}
	}
	var out []Separator
	for _, sep := range Separators() {
		if sep == Blank || n[sep] == 0 {
			continue
		}
		if 2*n[sep] >= numeric || sep == Comma {
			out = append(out, sep)
		}
	}
	strong := slices.ContainsFunc(out, func(sep Separator) bool {
		return sep != Comma && sep != CommaBlank && 10*n[sep] >= 9*numeric
	})
	if !strong {
		out = append(out, Blank)
	}
	return out
}

// wholeWithCommas reports lines of whole numbers with commas, and no other separator.
func wholeWithCommas(lines []string) bool {
	with := 0
	for _, l := range lines {
		if mostlyNumbers(l) && strings.Count(l, ",") >= 2 && !strings.ContainsAny(strings.TrimSpace(l), ".;\t| ") {
			with++
		}
	}
	return with >= minPoints
}

func holds(lines []string, mark string) bool {
	return slices.ContainsFunc(lines, func(l string) bool { return strings.Contains(l, mark) })
}

func commaInQuotes(line string) bool {
	quoted := false
	for i := 0; i < len(line); i++ {
		switch {
		case line[i] == '"':
			quoted = !quoted
		case line[i] == ',' && quoted && i > 0 && i+1 < len(line) && isDigit(line[i-1]) && isDigit(line[i+1]):
			return true
		}
	}
	return false
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// mostlyNumbers reports a line of digits and what stands around them in numbers.
func mostlyNumbers(line string) bool {
	digits, others := 0, 0
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case isDigit(c):
			digits++
		case c == ' ' || c == '\t' || c == ',' || c == ';' || c == '.' || c == '-' || c == '+' || c == '|' || c == '"' || c == 'e' || c == 'E':
		default:
			others++
		}
	}
	return digits > 0 && digits >= 2*others
}

// Bounds of a sample.
const (
	sampleLines = 200
	sampleBytes = 1 << 20
	sampleLead  = 12 // lines before the numbers
)

// sample picks the lines that dialects are tried on: the start of the longest stretch of
// numbers with what stands before it. A short text is its own sample.
func sample(lines []string) (from, to int) {
	if len(lines) <= sampleLines+sampleLead {
		size := 0
		for _, l := range lines {
			size += len(l)
		}
		if size <= sampleBytes {
			return 0, len(lines)
		}
	}
	best, size, start, gap := 0, 0, 0, 0
	for i, line := range lines {
		if mostlyNumbers(line) {
			if size == 0 {
				start = i
			}
			size += len(line)
			gap = 0
			if size > best {
				best, from = size, start
			}
			continue
		}
		const mostGap = 3
		if gap++; gap > mostGap {
			size = 0
		}
	}
	to = from
	for size := 0; to < len(lines) && to < from+sampleLines && (size < sampleBytes || to < from+4); to++ {
		size += len(lines[to])
	}
	return max(0, from-sampleLead), to
}

// table is what a reading found.
func (r *reading) table(lines []string) *table {
	t := &table{
		separator: r.separator, layout: r.layout, percent: r.seen.percents > 0,
		axisHead: r.axisHead, series: r.series, notes: r.notes.list(),
		head: lines[:min(len(lines), max(0, r.top-1))],
	}
	if r.seen.decimals > 0 || r.seen.groups > 0 {
		t.decimal = r.decimal
	}
	return t
}
