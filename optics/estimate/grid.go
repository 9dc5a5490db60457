package estimate

import (
	"cmp"
	"math"
	"slices"
)

// grid groups the pixels of a channel into bands, so that a fit costs what the
// fringes need and not what the detector has.
type grid struct {
	wavelengthNM []float64 // middle of each band, rising
	widthNM      []float64
	pixels       [][]int // of each band
}

// newGrid makes bands between minNM and maxNM of about the width wanted at their
// wavelength, never narrower than a pixel. Wavelengths may rise or fall.
func newGrid(wavelengthNM []float64, minNM, maxNM float64, widthNM func(nm float64) float64) grid {
	var inside []int
	for i, w := range wavelengthNM {
		if w >= minNM && w <= maxNM {
			inside = append(inside, i)
		}
	}
	slices.SortStableFunc(inside, func(a, b int) int { return cmp.Compare(wavelengthNM[a], wavelengthNM[b]) })
	var g grid
	for first := 0; first < len(inside); {
		from := wavelengthNM[inside[first]]
		to, sum, end := from+widthNM(from), 0.0, first
		for end < len(inside) && (end == first || wavelengthNM[inside[end]] < to-1e-6) {
			sum += wavelengthNM[inside[end]]
			end++
		}
		width := 0.0
		switch {
		case end < len(inside):
			width = wavelengthNM[inside[end]] - from
		case first > 0: // the last band: as wide as its pixels are apart
			width = float64(end-first) * (from - wavelengthNM[inside[first-1]])
		}
		g.wavelengthNM = append(g.wavelengthNM, sum/float64(end-first))
		g.widthNM = append(g.widthNM, width)
		g.pixels = append(g.pixels, inside[first:end:end])
		first = end
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
