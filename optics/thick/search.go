package thick

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

// peak is a thickness at which the spectrum has fringes.
type peak struct {
	nm    float64
	power float64 // what fringes of it take off the sum of squares
	scale int     // of the search
}

// scale is the search over one octave of thickness, in which one weighting by
// expected contrast serves: a periodogram on the axis of fringe phase per nm.
type scale struct {
	lowNM, highNM float64
	weight        []float64 // by pixel: expected contrast, 0 where fringes alias
	norm          float64   // of the weights, sum of squares
	stepNM        float64   // of thickness from bin to bin
	fft           *fourier.FFT
	cell          []int // by pixel: where it falls on the axis
	part          []float64
	degree        int          // of the background
	shapes        [2][]float64 // mean reflectance of the two areas: what no polynomial follows

	grid     []float64
	spectrum []complex128
}

const (
	padding     = 2 // of the axis, so that peaks are not missed between bins
	oversampled = 2 // cells for each that the highest frequency needs
	aliased     = 2 // pixels a fringe
)

// newScales covers lowNM to highNM in octaves.
func newScales(f *film, lowNM, highNM float64) []scale {
	var scales []scale
	for low := lowNM; low < highNM; low *= 2 {
		scales = append(scales, newScale(f, low, min(2*low, highNM)))
	}
	return scales
}

func newScale(f *film, lowNM, highNM float64) scale {
	s := scale{lowNM: lowNM, highNM: highNM, weight: make([]float64, len(f.phase))}
	first, last := f.phase[len(f.phase)-1], f.phase[0] // phase falls with wavelength
	middle := math.Sqrt(lowNM * highNM)
	for i := range f.phase {
		if f.pixelsPerFringe(i, middle) >= aliased {
			s.weight[i] = f.contrast(i, middle)
			s.norm += s.weight[i] * s.weight[i]
		}
	}
	span := last - first
	cells := 1
	for float64(cells) < padding*oversampled*span*highNM/math.Pi {
		cells *= 2
	}
	// Cell c of the axis is c·width of phase per nm; bin b is then b·stepNM thick.
	width := padding * span / float64(cells)
	s.stepNM = 2 * math.Pi / (padding * span)
	s.fft = fourier.NewFFT(cells)
	s.grid = make([]float64, cells)
	s.spectrum = make([]complex128, cells/2+1)
	for _, p := range f.phase {
		x := (p - first) / width
		c := min(int(x), cells-2)
		s.cell = append(s.cell, c)
		s.part = append(s.part, x-float64(c))
	}
	s.degree = int(min(max(span*lowNM/(2*math.Pi)/1.5, 1), 4))
	for k := range s.shapes {
		for i := range f.phase {
			s.shapes[k] = append(s.shapes[k], f.meanShape(i, middle, k))
		}
	}
	return s
}

// meanShape is the mean reflectance over a faint (0) or a strong (1) front side: it
// rises where silicon becomes transparent.
func (f *film) meanShape(i int, nm float64, strong int) float64 {
	size := [2]float64{0.4, 0.95}[strong]
	r := f.inner[i]
	through := 1 - r*r
	qq := r * r * size * size * math.Exp(-2*f.absorb[i]*nm)
	return r*r + through*through/(r*r)*qq/(1-qq)
}

// background returns data without what changes slowly, and its sum of squares over
// the pixels that count (weight not 0).
func (s *scale) background(dst, data, weight []float64) (sum float64) {
	n := len(data)
	columns := make([][]float64, 0, s.degree+3)
	add := func(f func(i int) float64) {
		column := make([]float64, n)
		before := 0.0
		for i := range column {
			column[i] = f(i)
			before += weight[i] * column[i] * column[i]
		}
		// Twice for what the first pass leaves by rounding.
		for range 2 {
			for _, c := range columns {
				project(column, c, weight)
			}
		}
		after := dot(column, column, weight)
		if after < 1e-9*before {
			return // nothing new in it
		}
		size := math.Sqrt(after)
		for i := range column {
			column[i] /= size
		}
		columns = append(columns, column)
	}
	power := make([]float64, n)
	for i := range power {
		power[i] = 1
	}
	for range s.degree + 1 {
		add(func(i int) float64 { return power[i] })
		for i := range power {
			power[i] *= 2*float64(i)/float64(n-1) - 1
		}
	}
	for _, shape := range s.shapes {
		add(func(i int) float64 { return shape[i] })
	}
	copy(dst, data)
	for _, c := range columns {
		project(dst, c, weight)
	}
	return dot(dst, dst, weight)
}

func dot(a, b, weight []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += weight[i] * a[i] * b[i]
	}
	return sum
}

// project takes from x its part along the unit column c.
func project(x, c, weight []float64) {
	along := dot(x, c, weight)
	for i := range x {
		x[i] -= along * c[i]
	}
}

// peaks appends the highest peaks of a background-free spectrum to list.
func (s *scale) peaks(list []peak, index int, data, weight []float64, most int) []peak {
	clear(s.grid)
	for i, y := range data {
		v := y * weight[i] * s.weight[i]
		s.grid[s.cell[i]] += v * (1 - s.part[i])
		s.grid[s.cell[i]+1] += v * s.part[i]
	}
	s.fft.Coefficients(s.spectrum, s.grid)
	power := func(b int) float64 {
		if b < 0 || b >= len(s.spectrum) {
			return 0
		}
		c := s.spectrum[b]
		return 2 * (real(c)*real(c) + imag(c)*imag(c)) / s.norm
	}
	var found []peak
	for b := max(1, int(s.lowNM/s.stepNM)); b <= int(s.highNM/s.stepNM)+1; b++ {
		left, here, right := power(b-1), power(b), power(b+1)
		if here <= left || here < right {
			continue
		}
		shift := (left - right) / (2 * (left - 2*here + right))
		found = append(found, peak{(float64(b) + shift) * s.stepNM, here, index})
	}
	byPower(found)
	return append(list, found[:min(len(found), most)]...)
}

func byPower(list []peak) {
	slices.SortStableFunc(list, func(a, b peak) int { return cmp.Compare(b.power, a.power) })
}

// apart drops peaks closer than nm to a stronger one.
func apart(list []peak, nm float64) []peak {
	byPower(list)
	var out []peak
	for _, p := range list {
		if !slices.ContainsFunc(out, func(o peak) bool { return math.Abs(o.nm-p.nm) < nm }) {
			out = append(out, p)
		}
	}
	return out
}

// start is where a fit begins.
type start struct {
	nm, phase float64
	coverage  float64
	underNM   []float64
	power     float64
}

// begin finds the best thicknesses around a peak, each with the front side that
// explains the fringes best, of some: the phase of the front side turns with
// wavelength, most where metal and dielectric nearly cancel, so the peak may stand two
// fringes off the truth. Once the fringes of the peak are taken out, what is left is
// slow, so sums over the cells of the front side's nodes do for all trials.
func (w *workspace) begin(p peak, data, weight []float64, lobeNM float64) []start {
	const (
		reach   = 2    // lobes to either side
		perLobe = 6    // trials
		nearly  = 0.85 // of the best power: worth a fit too
		most    = 2
		trials  = 2*reach*perLobe + 1
	)
	f, s := w.film, &w.film.front
	stepNM := lobeNM / perLobe
	firstNM := p.nm - reach*lobeNM
	clear(w.cellSum)
	clear(w.cellNorm)
	for i, y := range data {
		c := f.contrast(i, p.nm)
		k := s.nearest(i)
		w.cellSum[k] += cmplx.Rect(weight[i]*c*y, -f.phase[i]*p.nm)
		w.cellNorm[k] += weight[i] * c * c
	}
	for k := range w.turn {
		w.turn[k] = cmplx.Rect(1, -s.phase[k]*stepNM)
		w.cellSum[k] *= cmplx.Rect(1, s.phase[k]*(p.nm-firstNM))
	}
	none := make([]bool, len(f.setup.Under))
	var best [trials]start // by thickness
	for _, under := range w.underChoices() {
		w.bare.set(s, under, none, false)
		if s.metal != nil {
			w.metal.set(s, under, none, true)
		}
		for k := range w.product {
			w.bareSwing[k] = s.swing(k, w.bare.rho[k], p.nm)
			if s.metal != nil {
				w.metalSwing[k] = s.swing(k, w.metal.rho[k], p.nm)
			}
		}
		for _, coverage := range w.coverageChoices() {
			norm := 0.0
			for k := range w.product {
				c := w.bareSwing[k] + complex(coverage, 0)*(w.metalSwing[k]-w.bareSwing[k])
				norm += w.cellNorm[k] * (real(c)*real(c) + imag(c)*imag(c))
				w.product[k] = w.cellSum[k] * cmplx.Conj(c)
			}
			for j := range best {
				sum := complex(0, 0)
				for k, turn := range w.turn {
					sum += w.product[k]
					w.product[k] *= turn
				}
				power := 2 * (real(sum)*real(sum) + imag(sum)*imag(sum)) / norm
				if nm := firstNM + float64(j)*stepNM; nm > 0 && power > best[j].power {
					best[j] = start{nm: nm, phase: cmplx.Phase(sum), coverage: coverage, underNM: under, power: power}
				}
			}
		}
	}
	list := best[:]
	slices.SortStableFunc(list, func(a, b start) int { return cmp.Compare(b.power, a.power) })
	var out []start
	for _, s := range list {
		near := slices.ContainsFunc(out, func(o start) bool { return math.Abs(o.nm-s.nm) < 0.7*lobeNM })
		if !near && s.power > nearly*list[0].power && len(out) < most {
			out = append(out, s)
		}
	}
	return out
}

// swing is the first harmonic of the fringes over a front side at node k, without the
// phase of the silicon and what contrast takes.
func (s *frontSide) swing(k int, rho complex128, nm float64) complex128 {
	r := s.inner[k]
	through := 1 - r*r
	size := r * math.Exp(-s.absorb[k]*nm)
	power := size * size * (real(rho)*real(rho) + imag(rho)*imag(rho))
	mean := through * through / (r * r) * power / (1 - power)
	return complex(2*(mean-through)*r, 0) * rho
}

// underChoices returns the layers as drawn and, where metal lies under them, with
// thinner and thicker ones of the layer that is least well known.
func (w *workspace) underChoices() [][]float64 {
	layers := w.film.setup.Under
	nominal := make([]float64, len(layers))
	least := -1
	for j, layer := range layers {
		nominal[j] = layer.ThicknessNM
		if layer.ToleranceNM > 0 && (least < 0 || layer.ToleranceNM > layers[least].ToleranceNM) {
			least = j
		}
	}
	if least < 0 || w.film.front.metal == nil {
		return [][]float64{nominal}
	}
	// Near where metal and dielectric cancel, the phase turns fast with both: steps of
	// some tenths of a radian at most tolerances met.
	const each = 6 // to either side
	var choices [][]float64
	for k := -each; k <= each; k++ {
		c := slices.Clone(nominal)
		c[least] = math.Max(0, c[least]+layers[least].ToleranceNM*float64(k)/each)
		choices = append(choices, c)
	}
	return choices
}

// coverageChoices returns coverages over what the set-up allows.
func (w *workspace) coverageChoices() []float64 {
	const choices = 9
	s := w.film.setup
	if s.Reflector == "" {
		return []float64{0}
	}
	var list []float64
	for k := range choices {
		list = append(list, s.CoverageMin+(s.CoverageMax-s.CoverageMin)*(float64(k)+0.5)/choices)
	}
	return list
}
