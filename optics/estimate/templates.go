package estimate

import (
	"math"
	"slices"

	"bluefringe/optics/die"
)

// templates is the cold search: what the die would show over a grid of
// thickness, spread and layer thickness, whitened for what lamp drift can
// explain, so that a spectrum is compared with one pass of dot products.
type templates struct {
	bands int
	white whitening
	rows  []template

	coverageMin, coverageMax float64
}

// template is one point of the search grid: bare and metal area (metal empty
// without a reflector) and their products.
type template struct {
	thicknessNM, spreadNM float64
	underNM               []float64
	bare, metal           []float32
	bb, bm, mm            float64
}

const (
	searchSigma = 0.008 // of reflectance: noise and what the templates leave out
	searchScale = 0.08  // prior of the lamp scale in the search
)

// searchSpreadsNM are the spreads tried; the fit finds those between.
func searchSpreadsNM() []float64 { return []float64{0, 18, 36} }

func newTemplates(model *die.Model, g grid, minNM, maxNM float64) *templates {
	setup := model.Setup()
	t := &templates{bands: len(g.wavelengthNM), white: newWhitening(newDrift(g.position())),
		coverageMin: setup.CoverageMin, coverageMax: setup.CoverageMax}
	variants := underVariants(setup)
	for _, d := range searchThicknessesNM(model, minNM, maxNM) {
		for _, s := range searchSpreadsNM() {
			var bare []float32
			for _, under := range variants {
				b, m := model.Areas(die.Params{ThicknessNM: d, SpreadVarNM2: s * s, UnderNM: under})
				if bare == nil || len(under) > 1 {
					bare = t.white.apply(b)
				}
				row := template{thicknessNM: d, spreadNM: s, underNM: under, bare: bare}
				row.bb = dot(bare, bare)
				if m != nil {
					row.metal = t.white.apply(m)
					row.bm, row.mm = dot(bare, row.metal), dot(row.metal, row.metal)
				}
				t.rows = append(t.rows, row)
				if m == nil && len(under) <= 1 {
					break // without metal the one layer has no end, so no thickness
				}
			}
		}
	}
	return t
}

// underVariants are the layer thicknesses tried: as drawn, and the one with the
// widest tolerance at two thirds of it either way.
func underVariants(setup die.Setup) [][]float64 {
	nominal := make([]float64, len(setup.Under))
	widest := -1
	for j, layer := range setup.Under {
		nominal[j] = layer.ThicknessNM
		if layer.ToleranceNM > 0 && (widest < 0 || layer.ToleranceNM > setup.Under[widest].ToleranceNM) {
			widest = j
		}
	}
	variants := [][]float64{nominal}
	if widest >= 0 {
		for _, part := range []float64{-2. / 3, 2. / 3} {
			v := slices.Clone(nominal)
			v[widest] += part * setup.Under[widest].ToleranceNM
			variants = append(variants, v)
		}
	}
	return variants
}

// searchThicknessesNM steps by a fifth of the fringe period at the shortest
// wavelength that still shows fringes at the thickness reached.
func searchThicknessesNM(model *die.Model, minNM, maxNM float64) []float64 {
	var out []float64
	for d := minNM; d <= maxNM; d += model.ShortestPeriodNM(d) / 5 {
		out = append(out, d)
	}
	return out
}

// guess is a place where the search found a local best.
type guess struct {
	params die.Params
	score  float64 // chi-square, smaller is better
}

// search returns the local best over thickness, best first.
func (t *templates) search(data []float64) []guess {
	y := t.white.apply(data)
	yy := dot(y, y) + 1/(searchScale*searchScale)

	// The best over spread and layers at each thickness.
	var best []guess
	for i := range t.rows {
		row := &t.rows[i]
		score, coverage := t.score(row, y)
		score = yy - score
		n := len(best)
		if n == 0 || best[n-1].params.ThicknessNM != row.thicknessNM {
			best = append(best, guess{score: math.Inf(1)})
			n++
		}
		if score < best[n-1].score {
			best[n-1] = guess{die.Params{ThicknessNM: row.thicknessNM, SpreadVarNM2: row.spreadNM * row.spreadNM,
				Coverage: coverage, UnderNM: row.underNM}, score}
		}
	}
	var local []guess
	for i, b := range best {
		if (i == 0 || b.score <= best[i-1].score) && (i == len(best)-1 || b.score < best[i+1].score) {
			local = append(local, b)
		}
	}
	slices.SortStableFunc(local, func(a, b guess) int {
		switch {
		case a.score < b.score:
			return -1
		case a.score > b.score:
			return 1
		}
		return 0
	})
	return local
}

// score returns how much of y the template explains, with the scale near one
// and the coverage inside its bounds, and that coverage. The spot is
// scale·(coverage·metal + (1-coverage)·bare): linear in two products.
func (t *templates) score(row *template, y []float32) (explained, coverage float64) {
	const p = 1 / (searchScale * searchScale)
	yb := dot(row.bare, y) + p
	if row.metal == nil {
		return yb * yb / (row.bb + p), 0
	}
	ym := dot(row.metal, y) + p
	bb, bm, mm := row.bb+p, row.bm+p, row.mm+p
	det := bb*mm - bm*bm
	b, m := (mm*yb-bm*ym)/det, (bb*ym-bm*yb)/det
	coverage = m / (b + m)
	if coverage >= t.coverageMin && coverage <= t.coverageMax && b+m > 0 {
		return b*yb + m*ym, coverage
	}
	along := func(c float64) float64 {
		a := c*ym + (1-c)*yb
		return a * a / (c*c*mm + 2*c*(1-c)*bm + (1-c)*(1-c)*bb)
	}
	low, high := along(t.coverageMin), along(t.coverageMax)
	if low >= high {
		return low, t.coverageMin
	}
	return high, t.coverageMax
}

// whitening divides out what is believed of noise and drift: for the
// covariance σ²I + Σ p²bbᵀ it is the symmetric root of the inverse.
type whitening struct {
	basis  [][]float64 // orthonormal
	shrink []float64
}

func newWhitening(shape drift) whitening {
	const typicalReflectance = 0.35
	sds := []float64{0.01, slopeSD * typicalReflectance, curvatureSD * typicalReflectance}
	var w whitening
	for k, column := range shape {
		b := slices.Clone(column)
		for _, earlier := range w.basis {
			along := 0.0
			for i := range b {
				along += b[i] * earlier[i]
			}
			for i := range b {
				b[i] -= along * earlier[i]
			}
		}
		norm := 0.0
		for _, v := range b {
			norm += v * v
		}
		norm = math.Sqrt(norm)
		for i := range b {
			b[i] /= norm
		}
		w.basis = append(w.basis, b)
		w.shrink = append(w.shrink, 1-searchSigma/math.Hypot(searchSigma, sds[k]*norm))
	}
	return w
}

func (w whitening) apply(y []float64) []float32 {
	along := make([]float64, len(w.basis))
	for k, b := range w.basis {
		for i, v := range y {
			along[k] += b[i] * v
		}
	}
	out := make([]float32, len(y))
	for i, v := range y {
		for k, b := range w.basis {
			v -= w.shrink[k] * along[k] * b[i]
		}
		out[i] = float32(v / searchSigma)
	}
	return out
}

func dot(a, b []float32) float64 {
	// Four sums in flight: the products of one chain would wait for each other.
	var s0, s1, s2, s3 float32
	i := 0
	for ; i+4 <= len(a); i += 4 {
		s0 += a[i] * b[i]
		s1 += a[i+1] * b[i+1]
		s2 += a[i+2] * b[i+2]
		s3 += a[i+3] * b[i+3]
	}
	for ; i < len(a); i++ {
		s0 += a[i] * b[i]
	}
	return float64(s0+s1) + float64(s2+s3)
}
