package estimate

import "math"

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
	n := len(reflectance)
	// Beyond the ends, pixels without a value.
	room := make([]float64, 2*n+2*most+2)
	padded, bend := room[:n+2*most+2], room[n+2*most+2:]
	for i := range most + 1 {
		padded[i], padded[len(padded)-1-i] = math.NaN(), math.NaN()
	}
	out := padded[most+1 : most+1+n]
	copy(out, reflectance)
	for i := range bend { // of each pixel off the line between its neighbours
		bend[i] = math.Abs(out[i] - (padded[most+i]+padded[most+2+i])/2)
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
	// On a curve a pair lies twice as far off its line as a single pixel does.
	for width := 1; width <= most; width++ {
		for i := 0; i+width <= n; i++ {
			if bend[i] <= floor/2 { // as nearly all do; not NaN
				continue
			}
			if off := standsOut(padded, most+1+i, width); off > floor && unusual((off-floor)/(limit*float64(width)), i, width) {
				for k := range width {
					out[i+k] = math.NaN()
				}
			}
		}
	}
	return out[:n:n]
}

// standsOut returns how far at least the pixels of a run lie off the straight line between
// the two beside it, 0 if these differ more. Where one is missing, at an end or beside
// pixels without a value, the two on the other side stand in. There must be two more on
// either side.
func standsOut(y []float64, first, width int) float64 {
	left, right := y[first-1], y[first+width]
	difference := math.Abs(right - left)
	if !finite(left) {
		left, difference = right, math.Abs(right-y[first+width+1])
	} else if !finite(right) {
		right, difference = left, math.Abs(left-y[first-2])
	}
	off := math.Inf(1)
	for k := range width {
		t := float64(k+1) / float64(width+1)
		off = math.Min(off, math.Abs(y[first+k]-(left+t*(right-left))))
	}
	// False with NaN: what is not known does not stand out.
	if off > difference && finite(off) {
		return off
	}
	return 0
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
