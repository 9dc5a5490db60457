package setup

import (
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"bluefringe/device/event"
	"bluefringe/optics/material"
)

// kind is the shape of a value.
type kind int

const (
	number kind = iota
	whole
	truth
	text
	materialName
	numbers
	wholes
	pair
	pairs
	table
	tables
	anyName // a table whose keys are names of the user's choice
)

func (k kind) String() string {
	return [...]string{"a number", "a whole number", "true or false", "text", "text", "a list of numbers", "a list of whole numbers", "a list of two numbers", "a list of lists of two numbers", "a table", "a list of tables", "a table"}[k]
}

// field is one key the file may have.
type field struct {
	path    string // "*" stands for a name of the user's choice
	kind    kind
	ok      func(v any) bool // nil: any value of the kind
	allowed string           // what ok accepts, in words
}

// schema lists every key. The words in allowed finish "… is allowed".
func schema() []field {
	return append(append(planSchema(), sourceSchema()...), []field{
		{path: "target", kind: table},
		{"target.thickness_um", number, above(0, 1000), "above 0 and up to 1000 um"},
		{"target.floor_um", number, from(0, 1000), "0 to 1000 um"},
		{"target.window_um", number, above(0, 100), "above 0 and up to 100 um"},

		{path: "die", kind: table},
		{"die.width_mm", number, above(0, 1000), "above 0 and up to 1000 mm"},
		{"die.height_mm", number, above(0, 1000), "above 0 and up to 1000 mm"},

		{path: "optics", kind: table},
		oneOf("optics.ambient", "air", "water"),
		{"optics.temperature_c", number, from(0, 100), "0 to 100 °C"},
		{path: "optics.under", kind: tables},
		{path: "optics.under.material", kind: materialName},
		{"optics.under.thickness_nm", number, above(0, 1e5), "above 0 and up to 100000 nm"},
		{"optics.under.tolerance_nm", number, from(0, 1e5), "0 to 100000 nm"},
		{path: "optics.reflector", kind: table},
		{path: "optics.reflector.material", kind: materialName},
		{"optics.reflector.coverage", pair, ordered, "two fractions from 0 to 1, the smaller first"},

		{path: "optics.table", kind: tables},
		{"optics.table.name", text, filled, "a name"},
		{"optics.table.file", text, filled, "the name of a file"},
		{path: "optics.doping", kind: table},
		oneOf("optics.doping.type", string(material.PType), string(material.NType)),
		{"optics.doping.per_cm3", number, from(0, material.MaxCarriersPerCM3), "0 to 1e20 per cm³"},

		{path: "instrument", kind: anyName},
		{path: "instrument.*", kind: table},
		{"instrument.*.resolution_nm", number, from(0, 50), "0 to 50 nm"},
		{"instrument.*.na", number, from(0, 0.6), "0 to 0.6"},
		{"instrument.*.stray", number, from(0, 0.2), "0 to 0.2, as a fraction"},

		{path: "process", kind: table},
		{"process.material", text, shortName, "a name of up to 64 characters"},
		{"process.pad", text, shortName, "a name of up to 64 characters"},
		{"process.slurry", text, shortName, "a name of up to 64 characters"},
		{"process.pad_mm", number, above(0, 1000), "above 0 and up to 1000 mm"},
		{"process.force_n", number, above(0, 1e4), "above 0 and up to 10000 N"},
		{"process.spring_n_mm", number, above(0, 1e4), "above 0 and up to 10000 N/mm"},
		{"process.compression_mm", number, above(0, 1000), "above 0 and up to 1000 mm"},
		{"process.speed_m_s", number, above(0, 100), "above 0 and up to 100 m/s"},
		{"process.preston_per_pa", number, above(0, 1e-9), "above 0 and up to 1e-9 per Pa (polishing silicon is near 1e-13)"},
		{"process.preston_rel_sd", number, above(0, 10), "above 0 and up to 10, as a fraction"},
		{"process.break_in_s", number, above(0, 36000), "above 0 and up to 36000 s"},
		{"process.glazing_s", number, above(0, 360000), "above 0 and up to 360000 s"},

		{path: "stop", kind: table},
		{"stop.reaction_s", number, from(0, 600), "0 to 600 s"},
		{"stop.risk_floor", number, above(0, 0.5), "above 0 and up to 0.5"},
		{"stop.risk_stretch", number, above(0, 0.5), "above 0 and up to 0.5"},
		{"stop.prepare_s", number, from(0, 3600), "0 to 3600 s"},

		{path: "rule", kind: tables},
		{"rule.name", text, filled, "text that is not empty"},
		{"rule.when", text, filled, "a condition"},
		{"rule.for_s", number, from(0, 3600), "0 to 3600 s"},
		oneOf("rule.advice", "continue", "prepare", "blind", "stop"),

		{path: "channels", kind: anyName},
		{path: "channels.*", kind: table},
		{path: "channels.*.wavelength_nm", kind: numbers},
		{path: "channels.*.wavelength_poly", kind: numbers},
		{"channels.*.pixels", whole, from(1, event.MaxPixels), "1 to 65536"},
		{"channels.*.mask_nm", pairs, ranges, "up to 64 ranges in nm, the smaller end first"},
		{"channels.*.mask_pixels", wholes, pixelNumbers, "numbers of pixels, the first is 0"},

		{path: "calibration", kind: table},
		{"calibration.record", text, filled, "the name of a record"},
		{"calibration.dark_age_s", number, above(0, 1e7), "above 0 and up to 10000000 s"},
		{"calibration.reference_age_s", number, above(0, 1e7), "above 0 and up to 10000000 s"},
	}...)
}

func above(low, high float64) func(any) bool {
	return func(v any) bool { x := float(v); return x > low && x <= high }
}

func from(low, high float64) func(any) bool {
	return func(v any) bool { x := float(v); return x >= low && x <= high }
}

func oneOf(path string, words ...string) field {
	return field{path, text, func(v any) bool { return slices.Contains(words, v.(string)) }, "one of " + strings.Join(words, ", ")}
}

func ordered(v any) bool {
	list := v.([]any)
	low, high := float(list[0]), float(list[1])
	return 0 <= low && low <= high && high <= 1
}

func ranges(v any) bool {
	list := v.([]any)
	if len(list) > 64 {
		return false
	}
	for _, item := range list {
		ends := item.([]any)
		if low, high := float(ends[0]), float(ends[1]); !(low > 0 && low <= high) {
			return false
		}
	}
	return true
}

func pixelNumbers(v any) bool {
	for _, item := range v.([]any) {
		if !from(0, event.MaxPixels-1)(item) {
			return false
		}
	}
	return true
}

// shortName takes a name of the user's choice that fits in a table.
func shortName(v any) bool { return filled(v) && utf8.RuneCountInString(v.(string)) <= 64 }

func filled(v any) bool { return strings.TrimSpace(v.(string)) != "" }

// is tells whether a decoded TOML value has the kind's shape.
func (k kind) is(v any) bool {
	switch k {
	case number:
		return !math.IsNaN(float(v))
	case whole:
		_, ok := v.(int64)
		return ok
	case truth:
		_, ok := v.(bool)
		return ok
	case text, materialName:
		_, ok := v.(string)
		return ok
	case table, anyName:
		_, ok := v.(map[string]any)
		return ok
	}
	list, ok := v.([]any)
	if !ok || (k == pair && len(list) != 2) {
		return false
	}
	of := map[kind]kind{numbers: number, wholes: whole, pair: number, pairs: pair, tables: table}[k]
	for _, item := range list {
		if !of.is(item) {
			return false
		}
	}
	return true
}

// float returns a decoded TOML number, NaN for anything else.
func float(v any) float64 {
	switch x := v.(type) {
	case int64:
		return float64(x)
	case float64:
		return x
	}
	return math.NaN()
}
