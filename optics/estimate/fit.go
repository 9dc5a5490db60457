package estimate

import (
	"math"
	"slices"

	"bluefringe/optics/die"

	"gonum.org/v1/gonum/mat"
)

// What is believed of the instrument before a spectrum is seen, as standard
// deviations: lamp and coupling drift of some per cent, a small offset from
// stray light. Common practice, no source. The priors are what keeps the drift
// from eating the single fringe of a 200 nm film.
const (
	scaleSD     = 0.05
	slopeSD     = 0.03
	curvatureSD = 0.02
	offsetSD    = 0.01
)

// dispersionSD is how far the shape of the silicon index along the spectrum may differ
// from the table: Green 2008 against Schinke 2015 and Vuye 1993, between 450 and 1000 nm.
const dispersionSD = 0.0010

const (
	maxSpreadNM = 60    // a spot rougher than that shows no fringes in the visible
	sigmaFloor  = 0.001 // of reflectance: no instrument of this kind is truer
	outlierSD   = 4     // residuals beyond this many deviations lose weight
)

// fitter refines one starting point on one grid. It owns its workspace and is
// not safe for concurrent use.
type fitter struct {
	model *die.Model
	eval  *die.Evaluation
	shape drift

	data, weight []float64 // of the bands, set by load
	robust       []float64 // weight times what outliers keep of it

	prior, priorSD []float64 // per parameter, NaN prior: none
	low, high      []float64
	free, held     []bool

	jacobian [][]float64 // [parameter][band]
	residual []float64
	sizes    []float64
	normal   *mat.SymDense
	gradient []float64
	chol     mat.Cholesky
}

// The order of the parameters: three of the die, its layers, then the lamp.
const (
	atThickness = iota
	atSpreadVar
	atTilt
	atCoverage
	atDispersion
	atUnder = atDispersion + 2
)

func newFitter(model *die.Model, g grid, minNM, maxNM float64) *fitter {
	setup := model.Setup()
	layers := len(setup.Under)
	n := atUnder + layers + 4
	f := &fitter{
		model: model, eval: model.NewEvaluation(), shape: newDrift(g.position()),
		data: make([]float64, model.Pixels()), weight: make([]float64, model.Pixels()), robust: make([]float64, model.Pixels()),
		prior: make([]float64, n), priorSD: make([]float64, n), low: make([]float64, n), high: make([]float64, n), free: make([]bool, n), held: make([]bool, n),
		jacobian: make([][]float64, n), residual: make([]float64, model.Pixels()),
		normal: mat.NewSymDense(n, nil), gradient: make([]float64, n),
	}
	for k := range f.jacobian {
		f.jacobian[k] = make([]float64, model.Pixels())
	}
	set := func(k int, prior, sd, low, high float64) {
		f.prior[k], f.priorSD[k], f.low[k], f.high[k], f.free[k] = prior, sd, low, high, high > low
	}
	none := math.Inf(1)
	set(atThickness, 0, none, minNM, maxNM)
	set(atSpreadVar, 0, none, 0, maxSpreadNM*maxSpreadNM)
	set(atTilt, 0.5, 1, 0, 1) // without spread its shape means nothing: the prior keeps it defined
	if model.HasMetal() {
		set(atCoverage, 0, none, setup.CoverageMin, setup.CoverageMax)
	}
	for k := range 2 {
		set(atDispersion+k, 0, dispersionSD, -5*dispersionSD, 5*dispersionSD)
	}
	for j, layer := range setup.Under {
		// A tolerance is a rectangular statement (JCGM 100, 4.3.7): its standard
		// deviation is a/√3. A layer may lie somewhat outside what was declared.
		tol := layer.ToleranceNM
		set(atUnder+j, layer.ThicknessNM, tol/math.Sqrt(3), math.Max(0, layer.ThicknessNM-1.5*tol), layer.ThicknessNM+1.5*tol)
	}
	lamp := atUnder + layers
	set(lamp, 1, scaleSD, 0.05, 3)
	set(lamp+1, 0, slopeSD, -0.5, 0.5)
	set(lamp+2, 0, curvatureSD, -0.5, 0.5)
	set(lamp+3, 0, offsetSD, -0.1, 0.3)
	return f
}

// start returns the nominal point at a thickness.
func (f *fitter) start(p die.Params) []float64 {
	x := make([]float64, len(f.prior))
	x[atThickness], x[atSpreadVar], x[atTilt], x[atCoverage] = p.ThicknessNM, p.SpreadVarNM2, p.Tilt, p.Coverage
	copy(x[atUnder:], p.UnderNM)
	x[f.lamp()] = 1
	for k := range x {
		if f.free[k] {
			x[k] = min(max(x[k], f.low[k]), f.high[k])
		}
	}
	return x
}

func (f *fitter) lamp() int { return len(f.prior) - 4 }

// gain is the lamp against the reference at band i.
func (f *fitter) gain(x []float64, i int) float64 {
	lamp := f.lamp()
	return x[lamp] + x[lamp+1]*f.shape[1][i] + x[lamp+2]*f.shape[2][i]
}

func (f *fitter) params(x []float64) die.Params {
	return die.Params{ThicknessNM: x[atThickness], SpreadVarNM2: x[atSpreadVar], Tilt: x[atTilt], Coverage: x[atCoverage],
		Dispersion: [2]float64{x[atDispersion], x[atDispersion+1]}, UnderNM: x[atUnder:f.lamp()]}
}

// load takes the bands to fit; weight 0 leaves one out.
func (f *fitter) load(data, weight []float64) {
	copy(f.data, data)
	copy(f.weight, weight)
	copy(f.robust, weight)
}

// cost evaluates model, residuals and jacobian at x and returns the sum of
// squares over sigma² with the priors.
func (f *fitter) cost(x []float64, sigma float64) float64 {
	f.model.Evaluate(f.eval, f.params(x))
	e, lamp := f.eval, f.lamp()
	sum := 0.0
	for i := range f.data {
		gain := f.gain(x, i)
		r := e.Reflectance[i]
		f.residual[i] = f.data[i] - gain*r - x[lamp+3]
		f.jacobian[atThickness][i] = gain * e.Thickness[i]
		f.jacobian[atSpreadVar][i] = gain * e.SpreadVar[i]
		f.jacobian[atTilt][i] = gain * e.Tilt[i]
		f.jacobian[atCoverage][i] = gain * e.Coverage[i]
		for k := range e.Dispersion {
			f.jacobian[atDispersion+k][i] = gain * e.Dispersion[k][i]
		}
		for j := range e.Under {
			f.jacobian[atUnder+j][i] = gain * e.Under[j][i]
		}
		f.jacobian[lamp][i] = r
		f.jacobian[lamp+1][i] = r * f.shape[1][i]
		f.jacobian[lamp+2][i] = r * f.shape[2][i]
		f.jacobian[lamp+3][i] = 1
		sum += f.robust[i] * f.residual[i] * f.residual[i]
	}
	return sum/(sigma*sigma) + f.priorCost(x)
}

// priorCost is how far the parameters are from what was believed of them.
func (f *fitter) priorCost(x []float64) float64 {
	sum := 0.0
	for k := range x {
		if f.free[k] {
			u := (x[k] - f.prior[k]) / f.priorSD[k]
			sum += u * u
		}
	}
	return sum
}

// equations fills the normal matrix and the gradient of the last cost at x.
// Parameters that are fixed, or pushed against a bound, are held: their row is
// the unit row.
func (f *fitter) equations(x []float64, sigma float64) {
	inverse := 1 / (sigma * sigma)
	n := len(x)
	for k := range n {
		g := 0.0
		for i, r := range f.residual {
			g += f.robust[i] * f.jacobian[k][i] * r
		}
		f.gradient[k] = g*inverse - (x[k]-f.prior[k])/(f.priorSD[k]*f.priorSD[k])
	}
	for k := range n {
		f.held[k] = !f.free[k] || (x[k] <= f.low[k] && f.gradient[k] < 0) || (x[k] >= f.high[k] && f.gradient[k] > 0)
	}
	for k := range n {
		for l := range k + 1 {
			h := 0.0
			switch {
			case f.held[k] || f.held[l]:
				if k == l {
					h = 1
					f.gradient[k] = 0
				}
			default:
				for i, w := range f.robust {
					h += w * f.jacobian[k][i] * f.jacobian[l][i]
				}
				h *= inverse
				if k == l {
					h += 1 / (f.priorSD[k] * f.priorSD[k])
				}
			}
			f.normal.SetSym(k, l, h)
		}
	}
}

// descend runs Levenberg–Marquardt (D. W. Marquardt, J. SIAM 11 (1963) 431) from
// x, which it moves, with bounds by projection, and returns the cost reached.
func (f *fitter) descend(x []float64, sigma float64, iterations int) float64 {
	n := len(x)
	trial := make([]float64, n)
	step := mat.NewVecDense(n, nil)
	damped := mat.NewSymDense(n, nil)
	cost := f.cost(x, sigma)
	damping := 1e-2
	for range iterations {
		f.equations(x, sigma)
		improved := false
		for damping < 1e6 {
			damped.CopySym(f.normal)
			for k := range n {
				damped.SetSym(k, k, f.normal.At(k, k)*(1+damping))
			}
			if !f.chol.Factorize(damped) || f.chol.SolveVecTo(step, mat.NewVecDense(n, f.gradient)) != nil {
				damping *= 10
				continue
			}
			for k := range n {
				trial[k] = x[k]
				if f.free[k] {
					trial[k] = min(max(x[k]+step.AtVec(k), f.low[k]), f.high[k])
				}
			}
			next := f.cost(trial, sigma)
			if next < cost {
				gain := cost - next
				copy(x, trial)
				cost = next
				damping = math.Max(damping/10, 1e-9)
				improved = gain > 1e-4*(1+1e-3*cost)
				break
			}
			damping *= 10
		}
		if !improved {
			break
		}
	}
	return cost
}

// reweigh sets the scale of the residuals at x robustly (1.4826 times their
// median size) and takes weight from outliers: the weights of Huber's loss (P. J.
// Huber, Robust Statistics, 1981). It returns the scale.
func (f *fitter) reweigh(x []float64) float64 {
	f.cost(x, 1)
	f.sizes = f.sizes[:0]
	for i, r := range f.residual {
		if f.weight[i] > 0 {
			f.sizes = append(f.sizes, math.Abs(r))
		}
	}
	slices.Sort(f.sizes)
	sigma := math.Max(1.4826*f.sizes[len(f.sizes)/2], sigmaFloor)
	for i, r := range f.residual {
		f.robust[i] = f.weight[i]
		if size := math.Abs(r); size > outlierSD*sigma {
			f.robust[i] *= outlierSD * sigma / size
		}
	}
	return sigma
}

// settle descends from x, which it moves, with outliers losing weight as they
// show, and returns the scale of the residuals.
func (f *fitter) settle(x []float64, sigma float64) float64 {
	copy(f.robust, f.weight)
	f.descend(x, sigma, 12)
	for range 2 {
		sigma = f.reweigh(x)
		f.descend(x, sigma, 12)
	}
	return sigma
}

// loss is Huber's loss at x, with the priors.
func (f *fitter) loss(x []float64, sigma float64) float64 {
	copy(f.robust, f.weight)
	sum := f.cost(x, sigma)
	for i, r := range f.residual {
		if u := math.Abs(r) / sigma; u > outlierSD {
			sum -= f.weight[i] * (u - outlierSD) * (u - outlierSD)
		}
	}
	return sum
}

// covariance returns the covariance of the parameters at x, in units where the
// residuals have the standard deviation sigma. Parameters held at a bound count
// as free: a bound is not knowledge. ok is false when it is singular.
func (f *fitter) covariance(x []float64, sigma float64) (c *mat.SymDense, ok bool) {
	f.cost(x, sigma)
	low, high := f.low, f.high
	unbounded := make([]float64, len(x))
	for k := range unbounded {
		unbounded[k] = math.Inf(-1)
	}
	f.low = unbounded
	f.high = make([]float64, len(x))
	for k := range f.high {
		f.high[k] = math.Inf(1)
	}
	f.equations(x, sigma)
	f.low, f.high = low, high
	if !f.chol.Factorize(f.normal) {
		return nil, false
	}
	c = mat.NewSymDense(len(x), nil)
	if f.chol.InverseTo(c) != nil {
		return nil, false
	}
	return c, true
}

// correlation is the lag-one autocorrelation of the residuals: model error is
// not noise, it leaves runs of one sign.
func (f *fitter) correlation() float64 {
	sum, cross := 0.0, 0.0
	for i, r := range f.residual {
		sum += f.robust[i] * r * r
		if i > 0 {
			cross += math.Sqrt(f.robust[i]*f.robust[i-1]) * r * f.residual[i-1]
		}
	}
	if sum == 0 {
		return 0
	}
	return min(max(cross/sum, 0), 0.98)
}
