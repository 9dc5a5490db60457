package estimate

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"bluefringe/optics/die"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas32"
)

// templates is the cold search: what the die would show over a grid of thickness,
// shape of the spread and layer thicknesses, whitened for what lamp drift can explain,
// so that a spectrum is compared with all of it in one pass of dot products.
type templates struct {
	bands       int
	thicknessNM []float64
	shapes      []die.Shape
	white       whitening
	bare, metal []block
	variants    []variant

	coverageMin, coverageMax float64
}

// block is one kind of area with one set of layers: a row for each thickness and
// shape, with its square.
type block struct {
	rows   []float32
	square []float64
}

// variant is one set of layers: which blocks show it, and their products.
type variant struct {
	underNM     []float64
	bare, metal int       // metal < 0: no reflector
	cross       []float64 // bare·metal of each row
}

const (
	searchSigma = 0.008 // of reflectance: noise and what the templates leave out
	searchScale = 0.08  // prior of the lamp scale in the search
)

// searchShapes are the spreads tried; the fit finds those between.
func searchShapes() []die.Shape {
	return []die.Shape{{}, {SpreadNM: 18}, {SpreadNM: 36}, {SpreadNM: 26, Tilt: 1}, {SpreadNM: 40, Tilt: 1}}
}

func newTemplates(model *die.Model, g grid, minNM, maxNM float64) (*templates, error) {
	setup := model.Setup()
	t := &templates{
		bands: len(g.wavelengthNM), white: newWhitening(newDrift(g.position())), shapes: searchShapes(),
		coverageMin: setup.CoverageMin, coverageMax: setup.CoverageMax,
	}
	for d := minNM; d <= maxNM; d += model.ShortestPeriodNM(d) / 5 {
		t.thicknessNM = append(t.thicknessNM, d)
	}
	last := len(setup.Under) - 1
	var bareUnder [][]float64 // layers of each bare block
	bareOf := map[string]int{}
	variants, err := underVariants(setup, model.HasMetal())
	if err != nil {
		return nil, err
	}
	for i, under := range variants {
		// Without metal the last layer has no end: its thickness does not matter there.
		key := keyOf(under[:max(last, 0)])
		if _, ok := bareOf[key]; !ok {
			bareOf[key] = len(bareUnder)
			bareUnder = append(bareUnder, under)
		}
		v := variant{underNM: under, bare: bareOf[key], metal: -1}
		if model.HasMetal() {
			v.metal = i
		}
		t.variants = append(t.variants, v)
	}
	t.bare = make([]block, len(bareUnder))
	var work sync.WaitGroup
	for i, under := range bareUnder {
		work.Go(func() { t.bare[i] = t.newBlock(model, under, false) })
	}
	if model.HasMetal() {
		t.metal = make([]block, len(t.variants))
		for i, v := range t.variants {
			work.Go(func() { t.metal[i] = t.newBlock(model, v.underNM, true) })
		}
	}
	work.Wait()
	for i := range t.metal {
		work.Go(func() { t.variants[i].cross = t.cross(t.bare[t.variants[i].bare], t.metal[i]) })
	}
	work.Wait()
	return t, nil
}

// cross returns the products of the rows of two blocks.
func (t *templates) cross(a, b block) []float64 {
	products := make([]float64, len(a.square))
	for r := range products {
		products[r] = dot(a.row(r, t.bands), b.row(r, t.bands))
	}
	return products
}

func keyOf(under []float64) string {
	key := make([]byte, 0, 8*len(under))
	for _, v := range under {
		bits := math.Float64bits(v)
		for shift := 0; shift < 64; shift += 8 {
			key = append(key, byte(bits>>shift))
		}
	}
	return string(key)
}

func (t *templates) newBlock(model *die.Model, underNM []float64, metal bool) block {
	b := block{rows: model.Sweep(t.thicknessNM, underNM, t.shapes, metal)}
	b.square = make([]float64, len(b.rows)/t.bands)
	for r := range b.square {
		row := b.row(r, t.bands)
		t.white.apply(row)
		b.square[r] = dot(row, row)
	}
	return b
}

func (b block) row(r, bands int) []float32 { return b.rows[r*bands : (r+1)*bands] }

// How finely layers are tried, as offsets from their nominal thickness: what the search is
// coarser than has fits of its own, half a fringe of the layer (some 90 nm of oxide in the
// blue) from the next.
const (
	widestStepNM     = 50 // of the layer with the widest tolerance
	otherStepNM      = 100
	coarsestWidestNM = 120 // 150 passed over one thickness in 25 (TestLayersKnownBadly)
	coarsestOtherNM  = 180
	leastSteps       = 4
	mostVariants     = 24 // without the liner
)

// underVariants are the layer thicknesses tried: those with a tolerance over it (without
// metal: those that have an end), the widest finest, crossed with no liner and one where
// none was declared. The error says which layer is known too badly to be searched.
func underVariants(setup die.Setup, metal bool) ([][]float64, error) {
	ends := len(setup.Under)
	if !metal {
		ends--
	}
	nominal := make([]float64, len(setup.Under))
	var open []int // layers with a tolerance, the widest first
	for j, layer := range setup.Under {
		nominal[j] = layer.ThicknessNM
		if j < ends && layer.ToleranceNM > 0 && !undeclared(setup, j) {
			open = append(open, j)
		}
	}
	slices.SortStableFunc(open, func(a, b int) int {
		return compare(setup.Under[b].ToleranceNM, setup.Under[a].ToleranceNM)
	})
	variants := [][]float64{nominal}
	for i, j := range open {
		tolerance := setup.Under[j].ToleranceNM
		steps, coarsest := int(math.Ceil(2*tolerance/otherStepNM)), float64(coarsestOtherNM)
		if i == 0 {
			steps, coarsest = max(leastSteps, int(math.Ceil(2*tolerance/widestStepNM))), coarsestWidestNM
		}
		steps = min(steps, max(1, mostVariants/len(variants)))
		if most := coarsest * float64(steps) / 2; tolerance > most {
			return nil, fmt.Errorf("%s of %g nm under the silicon: a tolerance of %g nm is too wide to search, beside the other layers at most %g nm is allowed",
				setup.Under[j].Material, setup.Under[j].ThicknessNM, tolerance, most)
		}
		variants = crossed(variants, j, tolerance, steps)
	}
	if ends > 0 && undeclared(setup, 0) {
		with := func(part float64) (out [][]float64) {
			for _, v := range variants {
				v = slices.Clone(v)
				v[0] += part * setup.Under[0].ToleranceNM
				out = append(out, v)
			}
			return out
		}
		variants = append(with(0.05), with(0.65)...)
	}
	return variants, nil
}

// undeclared tells whether layer j is a liner that nobody declared.
func undeclared(setup die.Setup, j int) bool { return j == 0 && setup.Under[j].ThicknessNM == 0 }

// crossed returns the variants with layer j at so many thicknesses in the middle of equal
// parts of its tolerance.
func crossed(variants [][]float64, j int, tolerance float64, steps int) (out [][]float64) {
	for _, v := range variants {
		for k := range steps {
			v := slices.Clone(v)
			v[j] += tolerance * ((2*float64(k)+1)/float64(steps) - 1)
			out = append(out, v)
		}
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
	y := make([]float32, len(data))
	for i, v := range data {
		y[i] = float32(v)
	}
	t.white.apply(y)
	yy := dot(y, y) + 1/(searchScale*searchScale)

	along := func(blocks []block) [][]float32 {
		out := make([][]float32, len(blocks))
		for k, b := range blocks {
			n := len(b.square)
			out[k] = make([]float32, n)
			blas32.Gemv(blas.NoTrans, 1, blas32.General{Rows: n, Cols: t.bands, Stride: t.bands, Data: b.rows},
				blas32.Vector{N: len(y), Inc: 1, Data: y}, 0, blas32.Vector{N: n, Inc: 1, Data: out[k]})
		}
		return out
	}
	yBare, yMetal := along(t.bare), along(t.metal)

	// The best over shapes and layers at each thickness.
	best := make([]guess, len(t.thicknessNM))
	for d, nm := range t.thicknessNM {
		best[d].score = math.Inf(1)
		for s, shape := range t.shapes {
			r := d*len(t.shapes) + s
			for _, v := range t.variants {
				explained, coverage := 0.0, 0.0
				bb, yb := t.bare[v.bare].square[r], float64(yBare[v.bare][r])
				if v.metal < 0 {
					const p = 1 / (searchScale * searchScale)
					explained = (yb + p) * (yb + p) / (bb + p)
				} else {
					explained, coverage = t.explain(bb, v.cross[r], t.metal[v.metal].square[r], yb, float64(yMetal[v.metal][r]))
				}
				if score := yy - explained; score < best[d].score {
					best[d] = guess{die.Params{ThicknessNM: nm, SpreadVarNM2: shape.SpreadNM * shape.SpreadNM, Tilt: shape.Tilt,
						Coverage: coverage, UnderNM: v.underNM}, score}
				}
			}
		}
	}
	var local []guess
	for i, b := range best {
		if (i == 0 || b.score <= best[i-1].score) && (i == len(best)-1 || b.score < best[i+1].score) {
			local = append(local, b)
		}
	}
	slices.SortStableFunc(local, func(a, b guess) int { return compare(a.score, b.score) })
	return local
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// explain returns how much of y a spot explains with the scale near one and the
// coverage inside its bounds, and that coverage. The spot is
// scale·(coverage·metal + (1-coverage)·bare): linear in two products.
func (t *templates) explain(bb, bm, mm, yb, ym float64) (explained, coverage float64) {
	const p = 1 / (searchScale * searchScale)
	bb, bm, mm, yb, ym = bb+p, bm+p, mm+p, yb+p, ym+p
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
	basis  [][]float32 // orthonormal
	shrink []float32
}

func newWhitening(shape drift) whitening {
	const typicalReflectance = 0.35
	sds := []float64{0.01, slopeSD * typicalReflectance, curvatureSD * typicalReflectance}
	var orthonormal [][]float64
	var w whitening
	for k, column := range shape {
		b := slices.Clone(column)
		for _, earlier := range orthonormal {
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
		single := make([]float32, len(b))
		for i := range b {
			b[i] /= norm
			single[i] = float32(b[i])
		}
		orthonormal = append(orthonormal, b)
		w.basis = append(w.basis, single)
		w.shrink = append(w.shrink, float32(1-searchSigma/math.Hypot(searchSigma, sds[k]*norm)))
	}
	return w
}

// apply whitens y in place.
func (w whitening) apply(y []float32) {
	var along [3]float32
	for k, b := range w.basis {
		along[k] = w.shrink[k] * float32(dot(b, y))
	}
	for i, v := range y {
		for k, b := range w.basis {
			v -= along[k] * b[i]
		}
		y[i] = v / searchSigma
	}
}

func dot(a, b []float32) float64 {
	return float64(blas32.Dot(blas32.Vector{N: len(a), Inc: 1, Data: a}, blas32.Vector{N: len(b), Inc: 1, Data: b}))
}
