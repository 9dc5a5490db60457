package codec

import (
	"bytes"
	"fmt"
	"strconv"

	"bluefringe/device/event"
)

// numbers reads one spectrum a line. The first line of a stream is dropped: where
// its start is missing nothing could tell.
type numbers struct {
	spectra Spectra
	lines   event.Splitter
	begun   bool // the first line is over, or too long
}

func newNumbers(config Config) (Decoder, error) {
	if err := config.check(); err != nil {
		return nil, err
	}
	return &numbers{spectra: config.Spectra}, nil
}

func (d *numbers) Feed(chunk []byte, emit Emit) error {
	return d.lines.Feed(chunk, func(line []byte, err error) error {
		first := !d.begun
		d.begun = true
		if err == nil && (first || isBlank(line)) {
			return nil
		}
		if err == nil {
			line, err = d.spectrum(line)
		}
		if err != nil {
			return emit(nil, err)
		}
		return emit(line, nil)
	})
}

func (d *numbers) spectrum(line []byte) ([]byte, error) {
	values, err := Numbers(line)
	if err != nil {
		return nil, err
	}
	if err := d.spectra.fits(len(values)); err != nil {
		return nil, err
	}
	return d.spectra.line(d.spectra.ClockS(), values)
}

// fits checks the number of values of one spectrum.
func (s Spectra) fits(n int) error {
	if s.Pixels == 0 || n == s.Pixels {
		return nil
	}
	hint := ""
	if n == 2*s.Pixels {
		hint = "; if the comma is the decimal sign, make the instrument write a point"
	}
	return fmt.Errorf("%w: found %d values, channel %s has %d pixels%s", ErrPixels, n, quote([]byte(s.Channel)), s.Pixels, hint)
}

// End drops a line without its end: its last number may have been cut.
func (d *numbers) End(emit Emit) error {
	_, size := d.lines.Rest()
	begun := d.begun
	d.lines, d.begun = event.Splitter{}, false
	if size == 0 || !begun {
		return nil
	}
	return emit(nil, &TornError{Bytes: size})
}

// Numbers reads a line of 1 to event.MaxPixels finite numbers. The separator is a
// semicolon where there is one, else a comma where there is one, with spaces or
// tabs beside it as they come; else spaces and tabs. One separator may stand at
// the end. A line in which a comma may be a decimal sign is refused.
func Numbers(line []byte) (event.Values, error) {
	fields, err := split(line)
	if err != nil {
		return nil, err
	}
	values := make(event.Values, len(fields))
	for i, field := range fields {
		if values[i], err = parseNumber(field); err != nil {
			return nil, fmt.Errorf("%w: value %d is %w", ErrNumbers, i+1, err)
		}
	}
	return values, nil
}

const blanks = " \t\r\n"

func isBlank(line []byte) bool { return len(bytes.Trim(line, blanks)) == 0 }

// split cuts a line at its separator.
func split(line []byte) ([][]byte, error) {
	line = bytes.Trim(line, blanks)
	var separator []byte
	for _, s := range []string{";", ","} {
		if separator == nil && bytes.Contains(line, []byte(s)) {
			separator = []byte(s)
		}
	}
	if separator == nil {
		// FieldsFunc would need room for every field before they can be counted.
		n, inside := 0, false
		for _, c := range line {
			blank := c == ' ' || c == '\t'
			if !blank && !inside {
				n++
			}
			inside = !blank
		}
		if err := countable(n); err != nil {
			return nil, err
		}
		return bytes.FieldsFunc(line, func(r rune) bool { return r == ' ' || r == '\t' }), nil
	}
	line = bytes.TrimSuffix(line, separator)
	if err := countable(bytes.Count(line, separator) + 1); err != nil {
		return nil, err
	}
	fields := bytes.Split(line, separator)
	for i := range fields {
		fields[i] = bytes.Trim(fields[i], blanks)
		if separator[0] == ';' && bytes.IndexByte(fields[i], ',') >= 0 || separator[0] == ',' && bytes.ContainsAny(fields[i], blanks) {
			return nil, fmt.Errorf("%w: found a comma that may be a decimal sign near %s: only the decimal point is allowed, make the instrument write one", ErrNumbers, quote(fields[i]))
		}
	}
	return fields, nil
}

func countable(n int) error {
	switch {
	case n == 0:
		return fmt.Errorf("%w: found a blank line", ErrNumbers)
	case n > event.MaxPixels:
		return fmt.Errorf("%w: found %d values, at most %d are allowed", ErrPixels, n, event.MaxPixels)
	}
	return nil
}

// parseNumber reads a finite decimal number.
func parseNumber(field []byte) (float64, error) {
	for _, c := range field {
		switch {
		case '0' <= c && c <= '9', c == '+', c == '-', c == '.', c == 'e', c == 'E':
		default:
			return 0, fmt.Errorf("%s: a number is allowed", quote(field))
		}
	}
	v, err := strconv.ParseFloat(string(field), 64)
	if err != nil {
		return 0, fmt.Errorf("%s: a finite number is allowed", quote(field))
	}
	return v, nil
}
