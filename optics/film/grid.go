package film

import (
	"fmt"
	"math"
	"slices"
)

// grid averages pixels into bands.
type grid struct {
	groups       [][]int // pixels of each band
	wavelengthNM []float64
	variance     []float64 // of the pixels' wavelengths inside a band, nm²
	position     []float64 // -1 at the first band, 1 at the last
}

// Fewer bands or less of the spectrum than this do not tell a film.
const (
	minBands  = 60
	minSpanNM = 100
)

// newGrid makes at most so many bands of equal numbers of pixels from the pixels
// between two wavelengths.
func newGrid(wavelengthNM []float64, minNM, maxNM float64, most int) (grid, error) {
	var pixels []int
	for i, nm := range wavelengthNM {
		if nm >= minNM && nm <= maxNM {
			pixels = append(pixels, i)
		}
	}
	if n := len(wavelengthNM); n > 1 && wavelengthNM[0] > wavelengthNM[n-1] {
		slices.Reverse(pixels)
	}
	if len(pixels) < minBands || wavelengthNM[pixels[len(pixels)-1]]-wavelengthNM[pixels[0]] < minSpanNM {
		return grid{}, fmt.Errorf("%d pixels lie between %g and %g nm: at least %d over at least %d nm are needed", len(pixels), minNM, maxNM, minBands, minSpanNM)
	}
	var g grid
	size := (len(pixels) + most - 1) / most
	for group := range slices.Chunk(pixels, size) {
		sum, squares := 0.0, 0.0
		for _, p := range group {
			sum += wavelengthNM[p]
		}
		mean := sum / float64(len(group))
		for _, p := range group {
			squares += (wavelengthNM[p] - mean) * (wavelengthNM[p] - mean)
		}
		g.groups = append(g.groups, group)
		g.wavelengthNM = append(g.wavelengthNM, mean)
		g.variance = append(g.variance, squares/float64(len(group)))
	}
	first, last := g.wavelengthNM[0], g.wavelengthNM[len(g.wavelengthNM)-1]
	for _, nm := range g.wavelengthNM {
		g.position = append(g.position, 2*(nm-first)/(last-first)-1)
	}
	return g, nil
}

// load returns the mean of each band; NaN where no pixel has a value.
func (g grid) load(pixels []float64) []float64 {
	out := make([]float64, len(g.groups))
	for i, group := range g.groups {
		sum, n := 0.0, 0
		for _, p := range group {
			if v := pixels[p]; !math.IsNaN(v) && !math.IsInf(v, 0) {
				sum += v
				n++
			}
		}
		out[i] = math.NaN()
		if n > 0 {
			out[i] = sum / float64(n)
		}
	}
	return out
}
