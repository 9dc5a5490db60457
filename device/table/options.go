package table

import (
	"fmt"
	"slices"
	"strings"

	"bluefringe/device/table/export"
)

// Options settle what is otherwise guessed. The zero value guesses everything.
type Options struct {
	Separator Separator
	Decimal   Decimal
	Layout    Layout
	export.Options
}

// Separator is what stands between the fields of a line; "" is to be guessed.
type Separator string

// Separators. Blank is any run of spaces and tabs; CommaBlank is a comma with a blank
// behind it, where commas without one are decimal signs.
const (
	Tab        Separator = "tab"
	Semicolon  Separator = "semicolon"
	Comma      Separator = "comma"
	Pipe       Separator = "pipe"
	CommaBlank Separator = "comma-blank"
	Blank      Separator = "space"
)

// Separators lists them in the order in which they are preferred when they read the same
// numbers.
func Separators() []Separator { return []Separator{Tab, Semicolon, Comma, Pipe, CommaBlank, Blank} }

// ParseSeparator reads the name of a separator; "" leaves it to be guessed.
func ParseSeparator(name string) (Separator, error) {
	signs := map[string]Separator{"\t": Tab, "\\t": Tab, ";": Semicolon, ",": Comma, "|": Pipe, " ": Blank, "blank": Blank}
	if s, ok := signs[name]; ok {
		return s, nil
	}
	return parse(name, Separators())
}

// Decimal is the decimal sign; "" is to be guessed.
type Decimal string

// Decimal signs.
const (
	Point        Decimal = "point"
	DecimalComma Decimal = "comma"
)

// Decimals lists the decimal signs.
func Decimals() []Decimal { return []Decimal{Point, DecimalComma} }

// ParseDecimal reads the name of a decimal sign; "" leaves it to be guessed.
func ParseDecimal(name string) (Decimal, error) {
	signs := map[string]Decimal{".": Point, ",": DecimalComma}
	if d, ok := signs[name]; ok {
		return d, nil
	}
	return parse(name, Decimals())
}

// Layout is how spectra lie in a table; "" is to be guessed.
type Layout string

// Layouts.
const (
	Wide      Layout = "rows"      // a row of wavelengths, then a spectrum a row
	Columns   Layout = "columns"   // a column of wavelengths, then a spectrum a column
	Pairs     Layout = "pairs"     // columns x, y, x, y
	Alternate Layout = "alternate" // a number a line: x, y, x, y
)

// Layouts lists them.
func Layouts() []Layout { return []Layout{Wide, Columns, Pairs, Alternate} }

// ParseLayout reads the name of a layout; "" leaves it to be guessed.
func ParseLayout(name string) (Layout, error) { return parse(name, Layouts()) }

func parse[T ~string](name string, allowed []T) (T, error) {
	if name == "" || slices.Contains(allowed, T(name)) {
		return T(name), nil
	}
	var names []string
	for _, a := range allowed {
		names = append(names, string(a))
	}
	return "", fmt.Errorf("found %q: %s is allowed", name, strings.Join(names, ", "))
}
