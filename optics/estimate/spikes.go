package estimate

import (
	"math"
	"slices"
)

// withoutSpikes returns a copy with NaN for pixels, alone or in pairs, that stand out of
// what is beside them, as a hot or a dead pixel or a cosmic ray does: they lie further off
// the straight line from one neighbour to the other than these do from each other, and many
// times further than pixels nearby usually do. Fringes bend everywhere alike, however few
// pixels there are to a fringe.
func withoutSpikes(reflectance []float64) []float64 {
	const (
		near  = 8
		limit = 8
		floor = 0.003 // of reflectance
		most  = 2     // pixels in a row
	)
	out := slices.Clone(reflectance)
	n := len(out)
	bend := make([]float64, n) // of each pixel off the line between its neighbours
	for i := range bend {
		bend[i] = math.NaN()
		if i > 0 && i < n-1 {
			bend[i] = math.Abs(out[i] - (out[i-1]+out[i+1])/2)
		}
	}
	// unusual tells whether most pixels near a run bend by less.
	unusual := func(off float64, first, width int) bool {
		less, known := 0, 0
		for i := max(0, first-near); i < min(n, first+width+near); i++ {
			if i == first-1 {
				i += width + 1 // the run and its neighbours
				continue
			}
			if b := bend[i]; finite(b) {
				known++
				if b < off {
					less++
				}
			}
		}
		return less > known/2
	}
	value := func(i int) float64 {
		if i < 0 || i >= n {
			return math.NaN()
		}
		return out[i]
	}
	// On a curve a pair lies twice as far off its line as a single pixel does.
	for width := 1; width <= most; width++ {
		for i := 0; i+width <= n; i++ {
			if off := standsOut(value, i, width); off > floor && unusual((off-floor)/(limit*float64(width)), i, width) {
				for k := range width {
					out[i+k] = math.NaN()
				}
			}
		}
	}
	return out
}

// standsOut returns how far at least the pixels of a run lie off the straight line between
// the two beside it, 0 if these differ more. Where one is missing, at an end or beside
// pixels without a value, the two on the other side stand in.
func standsOut(value func(int) float64, first, width int) float64 {
	left, right := value(first-1), value(first+width)
	difference := math.Abs(right - left)
	if !finite(left) {
		left, difference = right, math.Abs(right-value(first+width+1))
	} else if !finite(right) {
		right, difference = left, math.Abs(left-value(first-2))
	}
	off := math.Inf(1)
	for k := range width {
		t := float64(k+1) / float64(width+1)
		off = math.Min(off, math.Abs(value(first+k)-(left+t*(right-left))))
	}
	// False with NaN: what is not known does not stand out.
	if off > difference && finite(off) {
		return off
	}
	return 0
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
