package estimate

import (
	"math"
	"slices"
)

// grid groups the pixels of a channel into bands, so that a fit costs what the
// fringes need and not what the detector has.
type grid struct {
	wavelengthNM []float64 // middle of each band, rising
	widthNM      float64
	pixels       [][]int // of each band
}

// newGrid makes about bands bands of equal width between minNM and maxNM, never
// narrower than the spacing of the pixels. Wavelengths may rise or fall. Bands
// that hold no pixel are left out.
func newGrid(wavelengthNM []float64, minNM, maxNM float64, bands int) grid {
	first, last := math.Inf(1), math.Inf(-1)
	inside := 0
	for _, w := range wavelengthNM {
		if w >= minNM && w <= maxNM {
			first, last = math.Min(first, w), math.Max(last, w)
			inside++
		}
	}
	if inside < 2 {
		return grid{}
	}
	bands = min(bands, inside)
	width := (last - first) / float64(bands)
	members := make([][]int, bands)
	for i, w := range wavelengthNM {
		if w >= minNM && w <= maxNM {
			b := min(int((w-first)/width), bands-1)
			members[b] = append(members[b], i)
		}
	}
	g := grid{widthNM: width}
	for _, m := range members {
		if len(m) == 0 {
			continue
		}
		sum := 0.0
		for _, i := range m {
			sum += wavelengthNM[i]
		}
		g.wavelengthNM = append(g.wavelengthNM, sum/float64(len(m)))
		g.pixels = append(g.pixels, m)
	}
	return g
}

// average fills dst with the mean of the finite pixels of each band and weight
// with the part of the band's pixels that were finite.
func (g grid) average(dst, weight, reflectance []float64) {
	for b, members := range g.pixels {
		sum, n := 0.0, 0
		for _, i := range members {
			if r := reflectance[i]; !math.IsNaN(r) && !math.IsInf(r, 0) {
				sum += r
				n++
			}
		}
		dst[b], weight[b] = 0, 0
		if n > 0 {
			dst[b] = sum / float64(n)
			weight[b] = float64(n) / float64(len(members))
		}
	}
}

// position returns each band's place on [-1, 1], the axis of the drift terms.
func (g grid) position() []float64 {
	n := len(g.wavelengthNM)
	x := make([]float64, n)
	low, high := g.wavelengthNM[0], g.wavelengthNM[n-1]
	for i, w := range g.wavelengthNM {
		x[i] = 2*(w-low)/(high-low) - 1
	}
	return x
}

// drift holds the shapes that a lamp may take on: Legendre polynomials of
// degree 0 to 2 by position.
type drift [3][]float64

func newDrift(position []float64) drift {
	var d drift
	for k := range d {
		d[k] = make([]float64, len(position))
	}
	for i, x := range position {
		d[0][i], d[1][i], d[2][i] = 1, x, (3*x*x-1)/2
	}
	return d
}

// withoutSpikes returns a copy with NaN for pixels that stand far out of their
// neighbours, as a hot pixel or a cosmic ray does and a fringe cannot: the
// distance from the median of five is more than ten of its robust deviations.
func withoutSpikes(reflectance []float64) []float64 {
	const half, limit = 2, 10
	out := slices.Clone(reflectance)
	distance := make([]float64, len(reflectance))
	sizes := make([]float64, 0, len(reflectance))
	var window [2*half + 1]float64
	for i, r := range reflectance {
		distance[i] = math.NaN()
		near := window[:0]
		for _, v := range reflectance[max(0, i-half):min(len(reflectance), i+half+1)] {
			if !math.IsNaN(v) {
				near = append(near, v)
			}
		}
		if math.IsNaN(r) || len(near) < 3 {
			continue
		}
		slices.Sort(near)
		distance[i] = math.Abs(r - near[len(near)/2])
		sizes = append(sizes, distance[i])
	}
	if len(sizes) == 0 {
		return out
	}
	slices.Sort(sizes)
	sigma := math.Max(1.4826*sizes[len(sizes)/2], sigmaFloor)
	for i, d := range distance {
		if d > limit*sigma {
			out[i] = math.NaN()
		}
	}
	return out
}
