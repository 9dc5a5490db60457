package lesson

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// median of values, NaN without any. It sorts them.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	return stat.Quantile(0.5, stat.Empirical, values, nil)
}
