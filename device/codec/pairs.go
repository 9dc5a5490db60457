package codec

import (
	"bytes"
	"fmt"

	"bluefringe/device/event"
)

// Pairs reads one spectrum from a text of two columns: wavelength in nm and value,
// separated as in Numbers, the wavelengths only rising or only falling. Blank lines
// and lines that begin with '#' are passed over; one heading of words may stand
// before the first row. At least two rows are needed; any other line is an error
// that names it.
func Pairs(text []byte) (wavelengthNM, values event.Values, err error) {
	if len(text) > event.MaxLineBytes {
		return nil, nil, fmt.Errorf("%w: found %d bytes, at most %d are allowed", ErrTable, len(text), event.MaxLineBytes)
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	headed := false
	for n := 1; len(text) > 0; n++ {
		var line []byte
		line, text, _ = bytes.Cut(text, []byte{'\n'})
		line = bytes.Trim(line, blanks)
		switch {
		case len(line) == 0 || line[0] == '#':
			continue
		case !headed && len(values) == 0 && isHeading(line):
			headed = true
			continue
		case len(values) == event.MaxPixels:
			return nil, nil, fmt.Errorf("line %d: %w: at most %d rows are allowed", n, ErrPixels, event.MaxPixels)
		}
		pair, err := Numbers(line)
		if err != nil {
			return nil, nil, fmt.Errorf("line %d: %w", n, err)
		}
		if len(pair) != 2 {
			return nil, nil, fmt.Errorf("line %d: %w: found %d numbers, a wavelength in nm and a value are allowed", n, ErrTable, len(pair))
		}
		wavelengthNM, values = append(wavelengthNM, pair[0]), append(values, pair[1])
	}
	if len(values) < 2 {
		return nil, nil, fmt.Errorf("%w: found %d rows of two numbers, at least 2 are needed", ErrTable, len(values))
	}
	if _, err := (event.Channel{WavelengthNM: wavelengthNM}).Wavelengths(); err != nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrTable, err)
	}
	return wavelengthNM, values, nil
}

// isHeading tells a line of words from one of numbers.
func isHeading(line []byte) bool {
	switch c := line[0]; {
	case '0' <= c && c <= '9', c == '+', c == '-', c == '.', c == ',', c == ';':
		return false
	}
	return true
}
