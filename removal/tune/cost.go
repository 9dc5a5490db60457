package tune

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
)

// Weights say what an outcome costs. A unit is worth what the user likes; with
// DefaultWeights it is a nanometre of landing error.
type Weights struct {
	Above     float64 // for each nm that the thinnest place ends above the target
	Below     float64 // for each nm below it
	Floor     float64 // for crossing the floor
	False     float64 // for a stop that would land more than 50 nm and 5 % above the target
	Minute    float64 // for each minute lost with looks
	Unreached float64 // for a run that the record does not show ended
	Unwarned  float64 // for a stop with less than 5 s of prepare before it
}

// DefaultWeights are common practice, no source: a lost part is worth 5 µm of landing
// error, a false stop two ordinary landings.
func DefaultWeights() Weights {
	return Weights{Above: 1, Below: 1, Floor: 5000, False: 20, Minute: 5, Unreached: 100}
}

// warningS is the least warning that counts as one (common practice, no source).
const warningS = 5

type weight struct {
	name  string
	value *float64
}

func (w *Weights) named() []weight {
	return []weight{{"above", &w.Above}, {"below", &w.Below}, {"floor", &w.Floor}, {"false", &w.False},
		{"minute", &w.Minute}, {"unreached", &w.Unreached}, {"unwarned", &w.Unwarned}}
}

// String writes the weights as ParseWeights reads them.
func (w Weights) String() string {
	var parts []string
	for _, n := range w.named() {
		parts = append(parts, fmt.Sprintf("%s=%g", n.name, *n.value))
	}
	return strings.Join(parts, ",")
}

// ParseWeights reads name=number pairs with commas between them; what is not named keeps
// its default.
func ParseWeights(text string) (Weights, error) {
	w := DefaultWeights()
	named := w.named()
	for part := range strings.SplitSeq(text, ",") {
		if part = strings.TrimSpace(part); part == "" {
			continue
		}
		name, number, _ := strings.Cut(part, "=")
		name = strings.TrimSpace(name)
		i := slices.IndexFunc(named, func(n weight) bool { return n.name == name })
		if i < 0 {
			var names []string
			for _, n := range named {
				names = append(names, n.name)
			}
			return w, fmt.Errorf("found %q: the nearest weight is %s; allowed are %s", name, Nearest(name, names), strings.Join(names, ", "))
		}
		v, err := finite(number)
		if err != nil || v < 0 {
			return w, fmt.Errorf("found %q: %s=NUMBER with a number from 0 is allowed", part, name)
		}
		*named[i].value = v
	}
	return w, nil
}

// Nearest is the known word most like another.
func Nearest(word string, known []string) string {
	const longest = 100
	word = word[:min(len(word), longest)]
	best, least := "", math.MaxInt
	for _, k := range known {
		if d := levenshtein.ComputeDistance(word, k); d < least {
			best, least = k, d
		}
	}
	return best
}

// Cost is what an outcome costs; NaN without truth.
func (w Weights) Cost(o *Outcome) float64 {
	if !o.HasTruth {
		return math.NaN()
	}
	cost := w.Minute * o.LostMin()
	if !o.Reached() {
		return cost + w.Unreached
	}
	l := &o.Landing
	if missNM := 1000 * l.MissUM(); missNM >= 0 {
		cost += w.Above * missNM
	} else {
		cost -= w.Below * missNM
	}
	if l.Crossed() {
		cost += w.Floor
	}
	if l.FalseStop() {
		cost += w.False
	}
	if !(o.WarnedS >= warningS) {
		cost += w.Unwarned
	}
	return cost
}

// Map gives the weights by name.
func (w Weights) Map() map[string]float64 {
	m := map[string]float64{}
	for _, n := range w.named() {
		m[n.name] = *n.value
	}
	return m
}
