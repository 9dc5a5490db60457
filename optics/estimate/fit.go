package estimate

import (
	"math"

	"bluefringe/optics/die"
	"bluefringe/optics/leastsq"
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

// A polished face has some nanometres of roughness; more is a ground one (common
// practice, no source).
const (
	roughnessVarSDNM2 = 40
	maxRoughnessNM    = 20
)

const (
	maxSpreadNM = 60    // a spot rougher than that shows no fringes in the visible
	sigmaFloor  = 0.001 // of reflectance: no instrument of this kind is truer
	outlierSD   = 4     // residuals beyond this many deviations lose weight
)

// fitter refines one starting point on one grid. It owns its workspace and is not safe
// for concurrent use.
type fitter struct {
	*leastsq.Fit // its weights lose what outliers lose

	model *die.Model
	eval  *die.Evaluation
	shape drift

	data, weight []float64 // of the bands, set by load
	evaluated    []float64 // parameters of eval
}

// The order of the parameters: three of the die, its layers, then the lamp.
const (
	atThickness = iota
	atSpreadVar
	atTilt
	atCoverage
	atRoughnessVar
	atDispersion
	atAbsorption = atDispersion + die.Dispersions
	atUnder      = atAbsorption + die.Absorptions
)

func newFitter(model *die.Model, g grid, minNM, maxNM float64) *fitter {
	setup := model.Setup()
	layers := len(setup.Under)
	n := atUnder + layers + 4
	f := &fitter{
		model: model, eval: model.NewEvaluation(), shape: newDrift(g.position()),
		data: make([]float64, model.Pixels()), weight: make([]float64, model.Pixels()), evaluated: make([]float64, n),
	}
	f.Fit = leastsq.New(f, n, model.Pixels())
	set := func(k int, prior, sd, low, high float64) {
		f.Prior[k], f.PriorSD[k], f.Low[k], f.High[k], f.Free[k] = prior, sd, low, high, high > low
	}
	none := math.Inf(1)
	set(atThickness, 0, none, minNM, maxNM)
	set(atSpreadVar, 0, none, 0, maxSpreadNM*maxSpreadNM)
	set(atTilt, 0.5, 1, 0, 1) // without spread its shape means nothing: the prior keeps it defined
	set(atCoverage, 0, none, 0, 0)
	if model.HasMetal() {
		set(atCoverage, 0, none, setup.CoverageMin, setup.CoverageMax)
	}
	set(atRoughnessVar, 0, roughnessVarSDNM2, 0, maxRoughnessNM*maxRoughnessNM)
	for k := atDispersion; k < atUnder; k++ {
		set(k, 0, 1, -5, 5)
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
	x := make([]float64, len(f.Prior))
	x[atThickness], x[atSpreadVar], x[atTilt], x[atCoverage] = p.ThicknessNM, p.SpreadVarNM2, p.Tilt, p.Coverage
	copy(x[atUnder:], p.UnderNM)
	x[f.lamp()] = 1
	f.Clamp(x)
	return x
}

func (f *fitter) lamp() int { return len(f.Prior) - 4 }

// gain is the lamp against the reference at band i.
func (f *fitter) gain(x []float64, i int) float64 {
	lamp := f.lamp()
	return x[lamp] + x[lamp+1]*f.shape[1][i] + x[lamp+2]*f.shape[2][i]
}

func (f *fitter) params(x []float64) die.Params {
	return die.Params{
		ThicknessNM: x[atThickness], SpreadVarNM2: x[atSpreadVar], Tilt: x[atTilt],
		Coverage: x[atCoverage], RoughnessVarNM2: x[atRoughnessVar], UnderNM: x[atUnder:f.lamp()],
		Dispersion: [die.Dispersions]float64(x[atDispersion:atAbsorption]),
		Absorption: [die.Absorptions]float64(x[atAbsorption:atUnder]),
	}
}

// load takes the bands to fit; weight 0 leaves one out.
func (f *fitter) load(data, weight []float64) {
	copy(f.data, data)
	copy(f.weight, weight)
	f.trustAll()
}

// trustAll gives every band its full weight again.
func (f *fitter) trustAll() { copy(f.Weight, f.weight) }

// Evaluate is the model of package leastsq: the die under the lamp.
func (f *fitter) Evaluate(x, residual []float64, jacobian [][]float64) {
	f.model.Evaluate(f.eval, f.params(x))
	copy(f.evaluated, x)
	e, lamp := f.eval, f.lamp()
	for i := range f.data {
		gain := f.gain(x, i)
		r := e.Reflectance[i]
		residual[i] = f.data[i] - gain*r - x[lamp+3]
		jacobian[atThickness][i] = gain * e.Thickness[i]
		jacobian[atSpreadVar][i] = gain * e.SpreadVar[i]
		jacobian[atTilt][i] = gain * e.Tilt[i]
		jacobian[atCoverage][i] = gain * e.Coverage[i]
		jacobian[atRoughnessVar][i] = gain * e.Roughness[i]
		for k := range e.Dispersion {
			jacobian[atDispersion+k][i] = gain * e.Dispersion[k][i]
		}
		for k := range e.Absorption {
			jacobian[atAbsorption+k][i] = gain * e.Absorption[k][i]
		}
		for j := range e.Under {
			jacobian[atUnder+j][i] = gain * e.Under[j][i]
		}
		jacobian[lamp][i] = r
		jacobian[lamp+1][i] = r * f.shape[1][i]
		jacobian[lamp+2][i] = r * f.shape[2][i]
		jacobian[lamp+3][i] = 1
	}
}

// reweigh takes weight from outliers where the fit stands and returns the scale of the
// residuals, and whether any weight changed.
func (f *fitter) reweigh() (sigma float64, changed bool) {
	return f.Reweigh(f.weight, sigmaFloor, outlierSD)
}

// race descends from all fits a little way, and on from those that the others have not
// left behind. It returns those, best first, each a different thickness.
func (f *fitter) race(fits []fit) []fit {
	n := float64(len(f.data))
	for i := range fits {
		fits[i].cost = f.Descend(fits[i].x, searchSigma, firstSteps)
	}
	fits = contenders(distinct(fits), n/2)
	for i := range fits {
		fits[i].cost = f.Descend(fits[i].x, searchSigma, moreSteps)
	}
	return contenders(distinct(fits), n/10)
}

// contenders are the fits, best first, that are worth another look: not worse than
// twice the best and some.
func contenders(fits []fit, some float64) []fit {
	for i, r := range fits {
		if r.cost > 2*fits[0].cost+some {
			return fits[:i]
		}
	}
	return fits
}

// settle descends from x, which it moves, with outliers losing weight as they
// show, and returns the scale of the residuals.
func (f *fitter) settle(x []float64, sigma float64) float64 {
	f.trustAll()
	f.Descend(x, sigma, 12)
	for range 2 {
		sigma, _ = f.reweigh()
		f.DescendOn(x, sigma, 12)
	}
	return sigma
}

// loss is Huber's loss at x, with the priors.
func (f *fitter) loss(x []float64, sigma float64) float64 {
	f.trustAll()
	sum := f.Cost(x, sigma)
	for i, r := range f.Residual {
		if u := math.Abs(r) / sigma; u > outlierSD {
			sum -= f.weight[i] * (u - outlierSD) * (u - outlierSD)
		}
	}
	return sum
}
