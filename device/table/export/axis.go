package export

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
)

// Axis is the unit of an abscissa; "" is to be guessed.
type Axis string

// Units of an abscissa.
const (
	Nanometres  Axis = "nm"
	Micrometres Axis = "um"
	Wavenumbers Axis = "cm-1"
	Angstroms   Axis = "angstrom"
	ElectronV   Axis = "eV"
)

// Axes lists the units that are understood.
func Axes() []Axis { return []Axis{Nanometres, Micrometres, Wavenumbers, Angstroms, ElectronV} }

// ParseAxis reads the name of a unit; "" leaves it to be guessed.
func ParseAxis(name string) (Axis, error) { return parse(name, Axes()) }

// nm converts one abscissa.
func (a Axis) nm(x float64) float64 {
	const hcNMeV = 1239.841984 // h·c/e, exact in the SI of 2019
	switch a {
	case Micrometres:
		x *= 1000
	case Wavenumbers:
		x = 1e7 / x
	case Angstroms:
		x /= 10
	case ElectronV:
		x = hcNMeV / x
	default:
		return x
	}
	const digits = 1e7 // drops what binary fractions add to 1.2345 µm
	return math.Round(x*digits) / digits
}

// Where spectra lie, nm: silicon tables and what instruments beside them see, and what is
// light at all.
const (
	usableMinNM, usableMaxNM = 150, 2600
	lightMinNM, lightMaxNM   = 100, 50_000
)

// spans reports whether abscissae from lo to hi, in unit a, lie between two wavelengths.
func (a Axis) spans(lo, hi, minNM, maxNM float64) bool {
	if !(lo > 0) {
		return false
	}
	p, q := a.nm(lo), a.nm(hi)
	return min(p, q) >= minNM && max(p, q) <= maxNM
}

func (a Axis) usable(lo, hi float64) bool { return a.spans(lo, hi, usableMinNM, usableMaxNM) }
func (a Axis) light(lo, hi float64) bool  { return a.spans(lo, hi, lightMinNM, lightMaxNM) }

var axisWords = []struct {
	axis    Axis
	pattern *regexp.Regexp
}{
	{Wavenumbers, regexp.MustCompile(`cm ?[\^*]* ?\(?[-−–⁻] ?[1¹]|1 ?/ ?cm|/cm\b|wave ?numbers?|wellenzahl|nombre d.onde|\bkaysers?\b|reciprocal cent|inverse cent`)},
	{Nanometres, regexp.MustCompile(`(^|[^\pL])nm($|[^\pL])|nano-?met|lambda_nm`)},
	{Micrometres, regexp.MustCompile(`(^|[^\pL])[uµμ]m($|[^\pL])|micro-?met|microns?\b`)},
	{Angstroms, regexp.MustCompile(`[åå]|angstr`)},
	{ElectronV, regexp.MustCompile(`(^|[^\pL])ev($|[^\pL])|electron ?-?volt`)},
}

var (
	wavelengthWord = regexp.MustCompile(`wave ?length|wellenl|longueur d.onde|longitud de onda|lunghezza d.onda|lambda|λ|(^|[^\pL])(wl|wvl|wave)($|[^\pL])`)
	foreignAxis    = regexp.MustCompile(`(^|[^\pL])(time|zeit|seconds?|secs?|s|ms|min|minutes?|pixels?|px|index|volts?|v|mv|amps?|a|hz|khz|mhz|ghz|thz|frequency|ppm|m/z|mass|degrees?|deg|temperature|raman shift|depth|distance|mm)($|[^\pL])`)
	axisLine       = regexp.MustCompile(`wave|wellen|x[ -_]?(units?|axis|label)|abscissa|lambda|λ|spectral unit`)
)

// axisHints returns the units that words name.
func axisHints(head string) []Axis {
	head = strings.ToLower(head)
	var out []Axis
	for _, w := range axisWords {
		if w.pattern.MatchString(head) {
			out = append(out, w.axis)
		}
	}
	return out
}

// NamesAxis reports words that stand for a wavelength or wavenumber, or its unit.
func NamesAxis(head string) bool {
	return len(axisHints(head)) > 0 || wavelengthWord.MatchString(strings.ToLower(head))
}

// Plausible says whether numbers, strictly rising or falling, can be the abscissa of a
// spectrum: 0 no, 1 perhaps, 2 yes. head is what the file calls them.
func (o Options) Plausible(x []float64, head string) int {
	if len(x) == 0 {
		return 0
	}
	lo, hi := min(x[0], x[len(x)-1]), max(x[0], x[len(x)-1])
	if !NamesAxis(head) && foreignAxis.MatchString(strings.ToLower(head)) {
		return 0
	}
	hints := axisHints(head)
	score := 0
	for _, a := range Axes() {
		rare := (a == Angstroms || a == ElectronV) && a != o.Axis && !slices.Contains(hints, a)
		switch {
		case o.Axis != "" && a != o.Axis:
		case a.usable(lo, hi) && !rare:
			score = 2
		case a.light(lo, hi):
			score = max(score, 1)
		}
	}
	return score
}

// settleAxis returns the unit of an abscissa that runs from lo to hi, and a note when the
// file did not say it in the place where units stand. head is what the file calls the
// abscissa; prose are its other lines.
func settleAxis(lo, hi float64, head string, prose []string, forced Axis) (Axis, string, error) {
	found := fmt.Sprintf("the abscissa runs from %g to %g", lo, hi)
	if !(lo > 0) {
		return "", "", fmt.Errorf("%s: numbers above 0 are allowed", found)
	}
	if forced != "" {
		if !forced.light(lo, hi) {
			return "", "", fmt.Errorf("%s, which is no light in %s: --axis names another unit", found, forced)
		}
		return forced, beyond(forced, lo, hi), nil
	}
	hints := axisHints(head)
	where := fmt.Sprintf("as %q says", short(head))
	if len(hints) == 0 && !NamesAxis(head) {
		if foreignAxis.MatchString(strings.ToLower(head)) {
			return "", "", fmt.Errorf("the abscissa is called %q, which is no wavelength: --axis %s says that it is one", short(head), orList(Axes()))
		}
		for _, line := range prose {
			if h := axisHints(line); len(h) > 0 && axisLine.MatchString(strings.ToLower(line)) {
				hints, where = append(hints, h...), fmt.Sprintf("as the line %q says", short(line))
			}
		}
		slices.Sort(hints)
		hints = slices.Compact(hints)
	}
	switch len(hints) {
	case 0:
		return guessAxis(lo, hi, head, found)
	case 1:
		return trustAxis(lo, hi, hints[0], where, found)
	}
	return "", "", fmt.Errorf("%s and the file names several units (%s): --axis settles it", found, orList(hints))
}

// trustAxis takes the unit that a file names, unless the numbers say otherwise.
func trustAxis(lo, hi float64, named Axis, where, found string) (Axis, string, error) {
	if named.usable(lo, hi) {
		return named, fmt.Sprintf("axis in %s, %s", named, where), nil
	}
	var others []Axis
	for _, a := range Axes() {
		if a != named && a.usable(lo, hi) && (a != ElectronV || named == Wavenumbers) {
			others = append(others, a)
		}
	}
	switch {
	case named.light(lo, hi) && len(others) == 0:
		return named, fmt.Sprintf("axis in %s, %s%s", named, where, also(beyond(named, lo, hi))), nil
	case named.light(lo, hi):
		return "", "", fmt.Errorf("%s in %s, %s: as it stands %s, beyond what is measured with; as %s it would be %s: --axis settles it",
			found, named, where, inNM(named, lo, hi), others[0], inNM(others[0], lo, hi))
	case len(others) == 1:
		return others[0], fmt.Sprintf("WARNING: axis taken to be in %s, not in %s %s: %s, which in %s is no light (--axis overrides)",
			others[0], named, where, found, named), nil
	}
	return "", "", fmt.Errorf("%s in %s, %s, which is no light: --axis %s names the unit", found, named, where, orList(Axes()))
}

// guessAxis takes the one unit that numbers without a unit can be in.
func guessAxis(lo, hi float64, head, found string) (Axis, string, error) {
	var can []Axis
	for _, a := range Axes() {
		switch {
		case !a.usable(lo, hi):
		case a == Angstroms && slices.Contains(can, Nanometres): // 180 to 260 nm in ångström: nobody
		case (a == Wavenumbers || a == ElectronV) && wavelengthWord.MatchString(strings.ToLower(head)):
		default:
			can = append(can, a)
		}
	}
	switch len(can) {
	case 1:
		return can[0], fmt.Sprintf("axis taken to be in %s: %s and the file names no unit (--axis overrides)", can[0], found), nil
	case 0:
		return "", "", fmt.Errorf("%s, without a unit in which that lies between %d and %d nm: --axis %s names the unit", found, usableMinNM, usableMaxNM, orList(Axes()))
	}
	return "", "", fmt.Errorf("%s without a unit, %s as %s and %s as %s: --axis settles it",
		found, inNM(can[0], lo, hi), can[0], inNM(can[1], lo, hi), can[1])
}

func inNM(a Axis, lo, hi float64) string {
	p, q := a.nm(lo), a.nm(hi)
	return fmt.Sprintf("%.4g to %.4g nm", min(p, q), max(p, q))
}

// beyond is a note about wavelengths that no silicon is measured with.
func beyond(a Axis, lo, hi float64) string {
	if a.usable(lo, hi) {
		return ""
	}
	return fmt.Sprintf("it spans %s, beyond the %d to %d nm that thickness is measured with", inNM(a, lo, hi), usableMinNM, usableMaxNM)
}

func also(note string) string {
	if note == "" {
		return ""
	}
	return "; " + note
}
