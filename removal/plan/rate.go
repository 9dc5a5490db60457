package plan

import (
	"fmt"
	"math"

	"bluefringe/removal"
)

// z95 is the 95 % point of the standard normal distribution.
const z95 = 1.6448536269514722

// Rate is a removal rate, taken as log-normal.
type Rate struct {
	UMMin  float64 // median
	LnSD   float64 // standard deviation of its logarithm
	Source string
}

// NewRate is a rate with a relative standard deviation.
func NewRate(umMin, relSD float64, source string) Rate {
	return Rate{UMMin: umMin, LnSD: math.Sqrt(math.Log1p(relSD * relSD)), Source: source}
}

// Between is a rate that lies between two bounds in nine of ten cases.
func Between(lowUMMin, highUMMin float64, source string) Rate {
	return Rate{UMMin: math.Sqrt(lowUMMin * highUMMin), LnSD: math.Log(highUMMin/lowUMMin) / (2 * z95), Source: source}
}

// P05 and P95 are the 5 and 95 % points, µm/min.
func (r Rate) P05() float64 { return r.UMMin * math.Exp(-z95*r.LnSD) }

// P95 is the rate that one in twenty exceeds.
func (r Rate) P95() float64 { return r.UMMin * math.Exp(z95*r.LnSD) }

// TimeS is how long it takes to remove so much.
func (r Rate) TimeS(removeUM float64) removal.Interval {
	const secondsPerMinute = 60
	return removal.Interval{
		P05S: secondsPerMinute * removeUM / r.P95(),
		P50S: secondsPerMinute * removeUM / r.UMMin,
		P95S: secondsPerMinute * removeUM / r.P05(),
	}
}

// DefaultRate is the range in which a step with such an abrasive removes silicon where
// nothing better is known.
func DefaultRate(abrasiveUM float64) Rate {
	bands := []struct {
		fromUM, low, high float64
		what              string
	}{
		{20, 10, 60, "careful coarse grinding, from memory"},
		{5, 2, 20, "fine grinding or lapping, common practice, no source"},
		{0.2, 0.3, 3, "polishing with diamond, common practice, no source"},
		{0, 0.3, 1.5, "stock polish with colloidal silica, from memory; a finer polish is slower"},
	}
	for _, b := range bands {
		if abrasiveUM >= b.fromUM {
			return Between(b.low, b.high, fmt.Sprintf("default %g to %g um/min: %s", b.low, b.high, b.what))
		}
	}
	nan := math.NaN()
	return Rate{UMMin: nan, LnSD: nan, Source: "no abrasive size"}
}
