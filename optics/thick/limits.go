package thick

import "math"

// What a channel needs to see of the fringes. Common practice, no source.
const (
	minFringes         = 1.5 // in the band: fewer cannot be told from a slope
	minPixelsPerFringe = 2.5
	minOfUnknownLine   = 4    // pixels to a fringe, when the width of the line is not known
	minContrast        = 0.05 // that line width and absorption must leave
	minPixels          = 64   // that show fringes so
)

// limits returns the smallest and the largest thickness (nm) that a film's channel
// can measure; low is above high when it can measure none.
func (f *film) limits() (lowNM, highNM float64) {
	last := len(f.phase) - 1
	lowNM = minFringes * 2 * math.Pi / (f.phase[0] - f.phase[last])
	need := max(minPixels, len(f.phase)/16)
	pixelsPerFringe := minPixelsPerFringe
	if f.setup.ResolutionNM == 0 {
		pixelsPerFringe = minOfUnknownLine
	}
	enough := func(nm float64) bool {
		count := 0
		for i := range f.phase {
			if f.contrast(i, nm) >= minContrast && f.pixelsPerFringe(i, nm) >= pixelsPerFringe {
				count++
			}
		}
		return count >= need
	}
	// What shows fringes only shrinks with thickness: bisect.
	low, high := 0.0, 1e7
	for range 60 {
		if middle := (low + high) / 2; enough(middle) {
			low = middle
		} else {
			high = middle
		}
	}
	return lowNM, low
}
