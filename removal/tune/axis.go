package tune

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Axis is one key of the set-up and the values that it shall take.
type Axis struct {
	Key    string
	Values []float64
}

// Setting is one value for each axis, in their order. Nil is the set-up's own.
type Setting []float64

const (
	mostValues = 1000
	// MostSettings bounds the product of all axes.
	MostSettings = 20000
)

// ParseAxis reads key=low:high:n, n values from low to high at equal distances, or
// key=a,b,c. The key is what stands before the last "=".
func ParseAxis(text string) (Axis, error) {
	const allowed = "key=low:high:n or key=a,b,c is allowed, such as stop.reaction_s=1:4:7"
	at := strings.LastIndexByte(text, '=')
	if at < 0 {
		return Axis{}, fmt.Errorf("found %q without =: %s", text, allowed)
	}
	axis := Axis{Key: strings.TrimSpace(text[:at])}
	right := strings.TrimSpace(text[at+1:])
	if axis.Key == "" || right == "" {
		return Axis{}, fmt.Errorf("found %q: %s", text, allowed)
	}
	var err error
	if parts := strings.Split(right, ":"); len(parts) == 1 {
		axis.Values, err = list(right)
	} else {
		axis.Values, err = span(parts)
	}
	if err != nil {
		return Axis{}, fmt.Errorf("%s: found %q: %w: %s", axis.Key, right, err, allowed)
	}
	return axis, nil
}

func list(text string) ([]float64, error) {
	var values []float64
	for part := range strings.SplitSeq(text, ",") {
		v, err := finite(part)
		if err != nil {
			return nil, err
		}
		if slices.Contains(values, v) {
			return nil, fmt.Errorf("%g is there twice", v)
		}
		if values = append(values, v); len(values) > mostValues {
			return nil, fmt.Errorf("more than %d values", mostValues)
		}
	}
	return values, nil
}

func span(parts []string) ([]float64, error) {
	if len(parts) != 3 {
		return nil, fmt.Errorf("%d parts between colons", len(parts))
	}
	low, err := finite(parts[0])
	if err != nil {
		return nil, err
	}
	high, err := finite(parts[1])
	if err != nil {
		return nil, err
	}
	n, err := strconv.Atoi(strings.TrimSpace(parts[2]))
	switch {
	case err != nil || n < 2 || n > mostValues:
		return nil, fmt.Errorf("%q is no number of values from 2 to %d", parts[2], mostValues)
	case !(low < high):
		return nil, fmt.Errorf("%g is not below %g", low, high)
	}
	// To a hundredth of the step: nobody wants 3.7777777777777777 in a set-up.
	step := (high - low) / float64(n-1)
	decimals := max(0, 2-int(math.Floor(math.Log10(step))))
	values := make([]float64, n)
	for i := range values {
		values[i], _ = strconv.ParseFloat(strconv.FormatFloat(low+step*float64(i), 'f', decimals, 64), 64)
	}
	values[0], values[n-1] = low, high
	return values, nil
}

func finite(text string) (float64, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is no number", text)
	}
	return v, nil
}

// Grid is every combination of values; the last axis changes fastest.
func Grid(axes []Axis) ([]Setting, error) {
	n := 1
	for i, a := range axes {
		if slices.ContainsFunc(axes[:i], func(b Axis) bool { return b.Key == a.Key }) {
			return nil, fmt.Errorf("%s is varied twice: once is allowed", a.Key)
		}
		if n *= len(a.Values); n > MostSettings {
			return nil, fmt.Errorf("%s make more than %d settings: that many are allowed, take fewer values", sizes(axes), MostSettings)
		}
	}
	settings := make([]Setting, n)
	for i := range settings {
		s := make(Setting, len(axes))
		rest := i
		for j := len(axes) - 1; j >= 0; j-- {
			values := axes[j].Values
			s[j] = values[rest%len(values)]
			rest /= len(values)
		}
		settings[i] = s
	}
	return settings, nil
}

func sizes(axes []Axis) string {
	var parts []string
	for _, a := range axes {
		parts = append(parts, fmt.Sprintf("%d values of %s", len(a.Values), a.Key))
	}
	return strings.Join(parts, " times ")
}

// distance is how far a setting is from another, every axis from end to end being 1.
func distance(axes []Axis, s, from Setting) float64 {
	sum := 0.0
	for j, a := range axes {
		reach := slices.Max(a.Values) - slices.Min(a.Values)
		if d := (s[j] - from[j]) / reach; reach > 0 && !math.IsNaN(d) {
			sum += d * d
		}
	}
	return math.Sqrt(sum)
}
