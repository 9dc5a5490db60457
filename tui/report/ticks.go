package report

import (
	"math"
	"strconv"

	"gonum.org/v1/plot"
)

// roundTicks puts about six ticks at round numbers: steps of 1, 2 or 5 of some power of
// ten.
func roundTicks(low, high float64) []plot.Tick {
	const about = 6
	span := high - low
	if !(span > 0) || math.IsInf(span, 0) {
		return []plot.Tick{{Value: low, Label: strconv.FormatFloat(low, 'g', 4, 64)}}
	}
	power := math.Floor(math.Log10(span / about))
	step := math.Pow(10, power)
	for _, factor := range []float64{2, 5, 10} {
		if span/step > about {
			step = factor * math.Pow(10, power)
		}
	}
	decimals := max(0, int(-math.Floor(math.Log10(step*1.000001))))
	var ticks []plot.Tick
	for i := math.Ceil(low / step); i*step <= high && len(ticks) < 3*about; i++ {
		ticks = append(ticks, plot.Tick{Value: i * step, Label: strconv.FormatFloat(i*step+0, 'f', decimals, 64)})
	}
	return ticks
}
