// Package leastsq fits a model to data by weighted least squares with Gaussian priors
// and bounds on the parameters: Levenberg–Marquardt (D. W. Marquardt, J. SIAM 11 (1963)
// 431) with the bounds by projection.
package leastsq

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Model is evaluated at parameters x: it fills residual with data minus model, one
// value per point, and jacobian[k] with the slope of the model in parameter k.
type Model interface {
	Evaluate(x, residual []float64, jacobian [][]float64)
}

// Fit is a model with what is believed of its parameters. It owns its workspace and is
// not safe for concurrent use; no method but Covariance allocates after the first call.
type Fit struct {
	Prior, PriorSD []float64 // per parameter; an infinite PriorSD is no prior
	Low, High      []float64
	Free           []bool
	Weight         []float64 // per point

	// Tolerance is how much of the cost, relative to 1+cost/1000, a step must gain for
	// the descent to go on.
	Tolerance float64

	// Of the last evaluation: data minus model, and the slopes of the model by parameter.
	Residual []float64
	Jacobian [][]float64

	model    Model
	held     []bool
	gradient []float64
	trial    []float64
	normal   *mat.SymDense
	damped   *mat.SymDense
	step     *mat.VecDense
	chol     mat.Cholesky
}

// New returns a fit without priors and bounds, all parameters free and all weights one.
func New(model Model, parameters, points int) *Fit {
	f := &Fit{
		Prior: make([]float64, parameters), PriorSD: make([]float64, parameters),
		Low: make([]float64, parameters), High: make([]float64, parameters), Free: make([]bool, parameters),
		Weight: make([]float64, points), Residual: make([]float64, points), Tolerance: 1e-4,
		model: model, Jacobian: make([][]float64, parameters), held: make([]bool, parameters),
		gradient: make([]float64, parameters), trial: make([]float64, parameters),
		normal: mat.NewSymDense(parameters, nil), damped: mat.NewSymDense(parameters, nil), step: mat.NewVecDense(parameters, nil),
	}
	for k := range f.Jacobian {
		f.PriorSD[k], f.Low[k], f.High[k], f.Free[k] = math.Inf(1), math.Inf(-1), math.Inf(1), true
		f.Jacobian[k] = make([]float64, points)
	}
	for i := range f.Weight {
		f.Weight[i] = 1
	}
	return f
}

// Cost evaluates the model at x and returns the weighted sum of squares over sigma²
// with the cost of the priors.
func (f *Fit) Cost(x []float64, sigma float64) float64 {
	f.model.Evaluate(x, f.Residual, f.Jacobian)
	sum := 0.0
	for i, r := range f.Residual {
		sum += f.Weight[i] * r * r
	}
	return sum/(sigma*sigma) + f.PriorCost(x)
}

// PriorCost is how far x is from what was believed: the sum of the squares of the
// distances in standard deviations.
func (f *Fit) PriorCost(x []float64) float64 {
	sum := 0.0
	for k := range x {
		if f.Free[k] {
			u := (x[k] - f.Prior[k]) / f.PriorSD[k]
			sum += u * u
		}
	}
	return sum
}

// Clamp brings the free parameters inside their bounds.
func (f *Fit) Clamp(x []float64) {
	for k := range x {
		if f.Free[k] {
			x[k] = min(max(x[k], f.Low[k]), f.High[k])
		}
	}
}

// equations fills normal matrix and gradient for the last evaluation, at x. Parameters
// that are fixed, or pushed against a bound when bounded, are held: their row is the
// unit row.
func (f *Fit) equations(x []float64, sigma float64, bounded bool) {
	inverse := 1 / (sigma * sigma)
	for k := range x {
		g := 0.0
		for i, r := range f.Residual {
			g += f.Weight[i] * f.Jacobian[k][i] * r
		}
		f.gradient[k] = g*inverse - (x[k]-f.Prior[k])/(f.PriorSD[k]*f.PriorSD[k])
		atBound := (x[k] <= f.Low[k] && f.gradient[k] < 0) || (x[k] >= f.High[k] && f.gradient[k] > 0)
		f.held[k] = !f.Free[k] || (bounded && atBound)
	}
	for k := range x {
		for l := range k + 1 {
			h := 0.0
			switch {
			case f.held[k] || f.held[l]:
				if k == l {
					h = 1
					f.gradient[k] = 0
				}
			default:
				for i, w := range f.Weight {
					h += w * f.Jacobian[k][i] * f.Jacobian[l][i]
				}
				h *= inverse
				if k == l {
					h += 1 / (f.PriorSD[k] * f.PriorSD[k])
				}
			}
			f.normal.SetSym(k, l, h)
		}
	}
}

// Descend moves x, which must lie inside its bounds, downhill by at most so many
// iterations and returns the cost reached.
func (f *Fit) Descend(x []float64, sigma float64, iterations int) float64 {
	cost := f.Cost(x, sigma)
	damping := 1e-2
	for range iterations {
		f.equations(x, sigma, true)
		improved := false
		for damping < 1e6 {
			f.damped.CopySym(f.normal)
			for k := range x {
				f.damped.SetSym(k, k, f.normal.At(k, k)*(1+damping))
			}
			if !f.chol.Factorize(f.damped) || f.chol.SolveVecTo(f.step, mat.NewVecDense(len(x), f.gradient)) != nil {
				damping *= 10
				continue
			}
			for k := range x {
				f.trial[k] = x[k] + f.step.AtVec(k)
			}
			f.Clamp(f.trial)
			next := f.Cost(f.trial, sigma)
			if next < cost {
				gain := cost - next
				copy(x, f.trial)
				cost = next
				damping = math.Max(damping/10, 1e-9)
				improved = gain > f.Tolerance*(1+1e-3*cost)
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

// Covariance returns the covariance of the parameters at x, in units where a residual
// of weight one has the standard deviation sigma. Parameters at a bound count as free: a
// bound is not knowledge. ok is false when it is singular.
func (f *Fit) Covariance(x []float64, sigma float64) (c *mat.SymDense, ok bool) {
	f.Cost(x, sigma)
	f.equations(x, sigma, false)
	if !f.chol.Factorize(f.normal) {
		return nil, false
	}
	c = mat.NewSymDense(len(x), nil)
	if f.chol.InverseTo(c) != nil {
		return nil, false
	}
	return c, true
}
