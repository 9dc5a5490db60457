package export

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
)

// Kind is what the ordinate of a spectrum is; "" is to be guessed.
type Kind string

// Quantities of an ordinate.
const (
	Reflectance Kind = "reflectance" // a fraction
	Percent     Kind = "percent"     // reflectance in per cent
	Counts      Kind = "counts"      // of a detector, or anything in proportion to light
	Absorbance  Kind = "absorbance"  // log10(1/reflectance); never guessed
)

// Kinds lists the quantities that are understood.
func Kinds() []Kind { return []Kind{Reflectance, Percent, Counts, Absorbance} }

// ParseKind reads the name of a quantity; "" leaves it to be guessed.
func ParseKind(name string) (Kind, error) { return parse(name, Kinds()) }

// convert turns an ordinate into counts or a fraction.
func (k Kind) convert(y float64) float64 {
	switch k {
	case Percent:
		return y / 100
	case Absorbance:
		if y = math.Pow(10, -y); math.IsInf(y, 0) {
			return math.NaN()
		}
	}
	return y
}

// word is what a head calls an ordinate.
type word string

const (
	unsaid         word = ""
	saysFraction   word = "reflectance"
	saysPercentR   word = "reflectance in per cent"
	saysPercent    word = "per cent"
	saysCounts     word = "counts"
	saysTransmit   word = "transmittance"
	saysAbsorbance word = "absorbance"
	saysOther      word = "another quantity"
	saysSpread     word = "an uncertainty" // of a spectrum, none itself
)

// The order matters: "std dev of %R" is no reflectance.
var kindWords = []struct {
	word    word
	pattern *regexp.Regexp
}{
	{saysSpread, regexp.MustCompile(`variance|std\.? ?dev|stdev|standard deviation|standardabw|(^|[^\pL])(sd|sigma|error|uncertainty|rms)( ?\(.*)?$`)},
	{saysOther, regexp.MustCompile(`kubelka|irradiance|radiance|log ?\(? ?1 ?/ ?r|refractive|(^|[^\pL])(psi|delta|fluorescence|raman)($|[^\pL])|derivative|^[nk]$`)},
	{saysTransmit, regexp.MustCompile(`transm|% ?t($|[^\pL])|(^|[^\pL])t ?[(\[]? ?%|^t$`)},
	{saysAbsorbance, regexp.MustCompile(`absorb|absorption|extinction|extinktion|optical density|(^|[^\pL])(abs|od|au)($|[^\pL])`)},
	{saysPercentR, regexp.MustCompile(`% ?r($|[^\pL])|% ?refl|refl.*(%|per ?cent|prozent)|(per ?cent|prozent).*refl|(^|[^\pL])r ?[(\[_]? ?(%|percent|pct)|remission.*%`)},
	{saysFraction, regexp.MustCompile(`reflect|reflekt|réflect|reflex|riflett|remission|(^|[^\pL])refl($|[^\pL])|^r$|^r ?\(`)},
	{saysCounts, regexp.MustCompile(`counts?($|[^\pL])|intens|(^|[^\pL])(raw|signal|dn|adu|cps|cnts?|scope|digits)($|[^\pL])|detector`)},
	{saysPercent, regexp.MustCompile(`%|percent|prozent`)},
}

func kindHint(head string) word {
	head = strings.ToLower(strings.TrimSpace(head))
	if head == "" {
		return unsaid
	}
	for _, w := range kindWords {
		if w.pattern.MatchString(head) {
			return w.word
		}
	}
	return unsaid
}

var kindLine = regexp.MustCompile(`y[ -_]?(units?|axis|label)|mode|quantity|ordinate|spectrum type|data type|^[^:=]*$`)

// proseHint looks for the quantity in the other lines of a file: only where one is named.
func proseHint(prose []string) (word, string) {
	said, where := unsaid, ""
	for _, line := range prose {
		const longest = 60 // a line that says what the numbers are is short
		if len(line) > longest || !kindLine.MatchString(strings.ToLower(line)) {
			continue
		}
		switch w := kindHint(line); {
		case w == unsaid || w == saysPercent || w == saysOther || w == saysSpread || w == said:
		case said == unsaid:
			said, where = w, line
		default:
			return unsaid, ""
		}
	}
	return said, where
}

// spread is where most ordinates lie: 5 and 95 % of them are below lo and hi.
type spread struct {
	lo, hi float64
	whole  bool // no ordinate has a fraction
	none   bool // there are no ordinates
}

func spreadOf(series []Raw) spread {
	const enough = 100_000
	total := 0
	for _, r := range series {
		total += len(r.Y)
	}
	step := max(1, total/enough)
	s := spread{whole: true}
	var values []float64
	at := 0
	for _, r := range series {
		for _, y := range r.Y {
			if at++; at%step != 0 || math.IsNaN(y) {
				continue
			}
			values = append(values, y)
			s.whole = s.whole && y == math.Trunc(y)
		}
	}
	if len(values) == 0 {
		return spread{none: true}
	}
	slices.Sort(values)
	s.lo, s.hi = values[len(values)*5/100], values[(len(values)*95)/100]
	return s
}

// Bounds of a reflectance, as a fraction: noise below, a better mirror than the reference
// above. They are those of device/calibrate.
const minFraction, maxFraction = -0.1, 1.5

func (s spread) fraction() bool { return s.lo >= minFraction && s.hi <= maxFraction }
func (s spread) percent() bool  { return s.lo >= 100*minFraction && s.hi <= 100*maxFraction }

// settleKind returns the quantity of ordinates, and a note of what was taken.
func settleKind(s spread, head string, prose []string, forced Kind) (Kind, string, error) {
	if s.none {
		return "", "", fmt.Errorf("found no ordinates")
	}
	found := fmt.Sprintf("most ordinates lie between %.4g and %.4g", s.lo, s.hi)
	if forced != "" {
		return checkForced(s, found, forced)
	}
	said, where := kindHint(head), fmt.Sprintf("as %q says", short(head))
	if said == unsaid {
		var line string
		if said, line = proseHint(prose); said != unsaid {
			where = fmt.Sprintf("as the line %q says", short(line))
		}
	}
	took := func(k Kind, why string) (Kind, string, error) {
		return k, fmt.Sprintf("ordinate taken for %s, %s (--kind overrides)", k, why), nil
	}
	switch said {
	case unsaid:
		return guessKind(s, found)
	case saysCounts:
		return took(Counts, where)
	case saysFraction:
		switch {
		case s.fraction():
			return took(Reflectance, where)
		case s.percent():
			return took(Percent, where+" and because "+found)
		}
	case saysPercentR, saysPercent:
		switch {
		case s.fraction():
			return "", "", fmt.Errorf("%s, %s they are per cent, but they look like fractions: --kind percent or --kind reflectance settles it", found, where)
		case s.percent() && said == saysPercent:
			return took(Percent, where+" it is per cent, of reflectance by assumption")
		case s.percent():
			return took(Percent, where)
		}
	case saysTransmit:
		return "", "", fmt.Errorf("found transmittance, %s: reflectance is needed; --kind percent or --kind reflectance says that it is one all the same", where)
	case saysAbsorbance:
		return "", "", fmt.Errorf("found absorbance, %s: reflectance is needed; --kind absorbance says that it is log10(1/reflectance)", where)
	default:
		return "", "", fmt.Errorf("found %s, %s: reflectance or counts are needed; --kind %s says what it is", said, where, orList(Kinds()))
	}
	return "", "", fmt.Errorf("%s, %s they are %s, which they cannot be: --kind %s says what they are", found, where, said, orList(Kinds()))
}

func checkForced(s spread, found string, forced Kind) (Kind, string, error) {
	switch {
	case forced == Reflectance && !s.fraction(),
		forced == Percent && !s.percent(),
		forced == Absorbance && !(s.lo >= -1 && s.hi <= 10):
		return "", "", fmt.Errorf("--kind %s: %s, which %s cannot", forced, found, forced)
	case forced == Percent && s.fraction():
		return forced, fmt.Sprintf("WARNING: %s: that little in per cent is almost no reflectance", found), nil
	}
	return forced, "", nil
}

// guessKind decides without a word: only what one quantity alone explains.
func guessKind(s spread, found string) (Kind, string, error) {
	took := func(k Kind) (Kind, string, error) {
		return k, fmt.Sprintf("ordinate taken for %s: %s and the file names no quantity (--kind overrides)", k, found), nil
	}
	switch {
	case s.hi > 100*maxFraction:
		return took(Counts)
	case s.fraction() && !s.whole && s.hi > 0:
		return took(Reflectance)
	}
	return "", "", fmt.Errorf("%s and the file names no quantity: --kind %s says what they are", found, orList([]Kind{Percent, Reflectance, Counts}))
}
