package table

import (
	"math"
	"strconv"
	"strings"
)

// kind is what a field is.
type kind uint8

const (
	empty   kind = iota
	number       // finite
	missing      // stands for a number that does not exist
	text
)

// signs says which signs were seen in numbers.
type signs struct {
	decimals int // decimal signs
	groups   int // thousands that would read otherwise with the other decimal sign
	percents int
}

func (s *signs) add(t signs) {
	s.decimals += t.decimals
	s.groups += t.groups
	s.percents += t.percents
}

// noNumbers are words that stand where a number does not exist.
var noNumbers = []string{
	"nan", "-nan", "+nan", "na", "n/a", "n.a.", "null", "none", "nil", "missing", "?",
	"-", "--", "---", "----", "*", "**", "***", "****", "*****",
	"inf", "+inf", "-inf", "infinity", "-infinity", "∞", "-∞",
	"#n/a", "#nv", "#div/0!", "#num!", "#value!", "1.#qnan", "-1.#ind", "1.#inf", "-1.#inf", "1.#ind",
	"over", "overflow", "overrange", "ovrflw", "sat", "saturated", "out of range",
}

// parseField reads one field, blanks around it already off.
func parseField(field string, decimal Decimal, seen *signs) (float64, kind) {
	if field == "" {
		return 0, empty
	}
	if plain(field) {
		if v, ok := parsePlain(field); ok {
			if strings.IndexByte(field, '.') >= 0 {
				if decimal == DecimalComma {
					return grouped(field, decimal, seen)
				}
				seen.decimals++
			}
			return v, number
		}
	}
	c := field[0]
	if letter := c|0x20 >= 'a' && c|0x20 <= 'z'; !letter {
		if v, k := grouped(field, decimal, seen); k != text {
			return v, k
		}
	}
	if len(field) <= len("out of range") {
		lower := strings.ToLower(field)
		for _, word := range noNumbers {
			if lower == word {
				return math.NaN(), missing
			}
		}
	}
	return 0, text
}

// plain reports a field of nothing but ASCII digits, signs, points and exponents.
func plain(field string) bool {
	for i := 0; i < len(field); i++ {
		switch c := field[i]; {
		case c >= '0' && c <= '9', c == '.', c == '-', c == '+', c == 'e', c == 'E':
		default:
			return false
		}
	}
	return true
}

func parsePlain(field string) (float64, bool) {
	if c := field[0]; c == 'e' || c == 'E' {
		return 0, false
	}
	v, err := strconv.ParseFloat(field, 64)
	return v, err == nil
}

// grouped reads numbers with a decimal comma, grouped thousands, a typographic minus, the
// exponent of FORTRAN (1.5D+02) or a unit behind them.
func grouped(field string, decimal Decimal, seen *signs) (float64, kind) {
	percent := false
	field, percent = cutUnit(field)
	sign, mark := byte('.'), byte(',')
	if decimal == DecimalComma {
		sign, mark = mark, sign
	}
	const most = 64 // bytes of a number
	if len(field) > most {
		return 0, text
	}
	field = strings.NewReplacer("−", "-", "\u00a0", "'", "\u202f", "'", "\u2009", "'", "’", "'").Replace(field)
	var out []byte
	var groups []int // digits in each group of the whole part
	digits, fraction, exponent := 0, false, false
	marked := false
	for i := 0; i < len(field); i++ {
		switch c := field[i]; {
		case c >= '0' && c <= '9':
			digits++
			out = append(out, c)
		case c == sign && !fraction && !exponent:
			groups = append(groups, digits)
			fraction = true
			out = append(out, '.')
		case (c == mark || c == '\'') && !fraction && !exponent:
			groups = append(groups, digits)
			digits = 0
			marked = marked || c == mark
		case (c|0x20 == 'e' || c|0x20 == 'd') && !exponent && i > 0:
			if !fraction {
				groups = append(groups, digits)
			}
			fraction, exponent = true, true
			out = append(out, 'e')
		case (c == '-' || c == '+') && (i == 0 || field[i-1]|0x20 == 'e' || field[i-1]|0x20 == 'd'):
			out = append(out, c)
		default:
			return 0, text
		}
	}
	if !fraction {
		groups = append(groups, digits)
	}
	if !wellGrouped(groups) {
		return 0, text
	}
	if len(groups) > 1 && strings.TrimLeft(string(out), "+-")[0] == '0' {
		return 0, text
	}
	v, err := strconv.ParseFloat(string(out), 64)
	if err != nil {
		return 0, text
	}
	if fraction && strings.IndexByte(field, sign) >= 0 {
		seen.decimals++
	} else if marked && len(groups) == 2 {
		seen.groups++
	}
	if percent {
		seen.percents++
	}
	return v, number
}

// wellGrouped allows 1 to 3 digits and then groups of exactly 3; or no groups.
func wellGrouped(groups []int) bool {
	if len(groups) == 1 {
		return true
	}
	for i, n := range groups {
		if i == 0 && (n < 1 || n > 3) || i > 0 && n != 3 {
			return false
		}
	}
	return true
}

// cutUnit takes a unit off the end of a number.
func cutUnit(field string) (rest string, percent bool) {
	for _, unit := range []string{"%", "nm", "µm", "μm", "um", "cm-1"} {
		if rest, ok := strings.CutSuffix(field, unit); ok {
			return strings.TrimRight(rest, " \u00a0"), unit == "%"
		}
	}
	return field, false
}
