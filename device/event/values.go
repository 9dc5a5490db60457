package event

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
)

// Values is a list of numbers, one per pixel. A pixel that says nothing is NaN
// here and null in the line.
type Values []float64

// MarshalJSON writes what is not finite as null, which JSON has no number for.
func (v Values) MarshalJSON() ([]byte, error) {
	out := make([]byte, 0, 2+8*len(v))
	out = append(out, '[')
	for i, x := range v {
		if i > 0 {
			out = append(out, ',')
		}
		out = appendNumber(out, x)
	}
	return append(out, ']'), nil
}

// UnmarshalJSON reads null as NaN. More than MaxPixels values, and anything but
// numbers and nulls, is an error.
func (v *Values) UnmarshalJSON(text []byte) error {
	text = bytes.TrimSpace(text)
	if string(text) == "null" {
		*v = nil
		return nil
	}
	if len(text) < 2 || text[0] != '[' {
		return fmt.Errorf("found %s, a list of numbers is allowed", quote(text))
	}
	text = bytes.TrimSpace(text[1 : len(text)-1])
	if len(text) == 0 {
		*v = Values{}
		return nil
	}
	n := bytes.Count(text, []byte{','}) + 1
	if n > MaxPixels {
		return fmt.Errorf("found %d values, at most %d are allowed", n, MaxPixels)
	}
	list := make(Values, 0, n)
	for more := true; more; {
		var item []byte
		item, text, more = bytes.Cut(text, []byte{','})
		item = bytes.TrimSpace(item)
		x := math.NaN()
		if string(item) != "null" {
			var err error
			if x, err = parseNumber(item); err != nil {
				return fmt.Errorf("value %d is %w", len(list), err)
			}
		}
		list = append(list, x)
	}
	*v = list
	return nil
}

// parseNumber reads a JSON value that must be a number. Its syntax has been
// checked, so the first character tells.
func parseNumber(text []byte) (float64, error) {
	if len(text) == 0 || (text[0] != '-' && (text[0] < '0' || text[0] > '9')) {
		return 0, fmt.Errorf("%s: a number is allowed", quote(text))
	}
	v, err := strconv.ParseFloat(string(text), 64)
	if err != nil {
		return 0, fmt.Errorf("%s: a finite number is allowed", quote(text))
	}
	return v, nil
}

func appendNumber(dst []byte, x float64) []byte {
	size := math.Abs(x)
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0):
		return append(dst, "null"...)
	case size != 0 && (size < 1e-6 || size >= 1e21):
		return strconv.AppendFloat(dst, x, 'e', -1, 64)
	}
	return strconv.AppendFloat(dst, x, 'f', -1, 64)
}
