// Package leastsq fits a model to data by weighted least squares with Gaussian priors
// and bounds on the parameters: Levenberg–Marquardt (D. W. Marquardt, J. SIAM 11 (1963)
// 431) in which what meets a bound stays there for the step.
package leastsq

import (
	"math"

	"gonum.org/v1/gonum/floats"
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
	// the descent to go on, and must promise to be tried.
	Tolerance float64

	// Damping is what a descent starts with (Marquardt's λ, relative to the diagonal of the
	// normal matrix): little where the model is nearly linear on the way.
	Damping float64

	// Where the fit stands, after Cost and Descend: data minus model, and the slopes of
	// the model by parameter.
	Residual []float64
	Jacobian [][]float64

	model         Model
	trialResidual []float64
	trialJacobian [][]float64
	held, fixed   []bool
	weighted      []float64
	sizes         []float64 // of residuals
	gradient      []float64
	trial         []float64
	normal        *mat.SymDense
	damped        *mat.SymDense
	step, right   *mat.VecDense
	chol          mat.Cholesky
}

// New returns a fit without priors and bounds, all parameters free and all weights one.
func New(model Model, parameters, points int) *Fit {
	f := &Fit{
		Prior: make([]float64, parameters), PriorSD: make([]float64, parameters),
		Low: make([]float64, parameters), High: make([]float64, parameters), Free: make([]bool, parameters),
		Weight: make([]float64, points), Residual: make([]float64, points), Tolerance: 1e-4, Damping: 1e-2,
		model: model, Jacobian: make([][]float64, parameters), held: make([]bool, parameters), fixed: make([]bool, parameters),
		trialResidual: make([]float64, points), trialJacobian: make([][]float64, parameters), weighted: make([]float64, points),
		gradient: make([]float64, parameters), trial: make([]float64, parameters),
		normal: mat.NewSymDense(parameters, nil), damped: mat.NewSymDense(parameters, nil), step: mat.NewVecDense(parameters, nil), right: mat.NewVecDense(parameters, nil),
	}
	for k := range f.Jacobian {
		f.PriorSD[k], f.Low[k], f.High[k], f.Free[k] = math.Inf(1), math.Inf(-1), math.Inf(1), true
		f.Jacobian[k], f.trialJacobian[k] = make([]float64, points), make([]float64, points)
	}
	for i := range f.Weight {
		f.Weight[i] = 1
	}
	return f
}

// Cost evaluates the model at x, where the fit then stands, and returns the weighted sum
// of squares over sigma² with the cost of the priors.
func (f *Fit) Cost(x []float64, sigma float64) float64 {
	f.model.Evaluate(x, f.Residual, f.Jacobian)
	return f.CostHere(x, sigma)
}

// CostHere is Cost at x where the fit stands, without another evaluation: after a change
// of Weight.
func (f *Fit) CostHere(x []float64, sigma float64) float64 {
	return f.costOf(f.Residual, x, sigma)
}

func (f *Fit) costOf(residual, x []float64, sigma float64) float64 {
	sum := 0.0
	for i, r := range residual {
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

// equations fills normal matrix and gradient where the fit stands, at x. Parameters
// that are fixed, or pushed against a bound when bounded, are held: their row is the
// unit row.
func (f *Fit) equations(x []float64, sigma float64, bounded bool) {
	inverse := 1 / (sigma * sigma)
	for k := range x {
		f.held[k] = !f.Free[k]
		if f.held[k] {
			f.unitRow(k)
			continue
		}
		for i, w := range f.Weight {
			f.weighted[i] = w * f.Jacobian[k][i]
		}
		precision := 1 / (f.PriorSD[k] * f.PriorSD[k])
		f.gradient[k] = floats.Dot(f.weighted, f.Residual)*inverse - (x[k]-f.Prior[k])*precision
		if bounded && ((x[k] <= f.Low[k] && f.gradient[k] < 0) || (x[k] >= f.High[k] && f.gradient[k] > 0)) {
			f.held[k] = true
			f.unitRow(k)
			continue
		}
		for l := range k {
			if !f.held[l] {
				f.normal.SetSym(k, l, floats.Dot(f.weighted, f.Jacobian[l])*inverse)
			} else {
				f.normal.SetSym(k, l, 0)
			}
		}
		f.normal.SetSym(k, k, floats.Dot(f.weighted, f.Jacobian[k])*inverse+precision)
	}
}

func (f *Fit) unitRow(k int) {
	for l := range k {
		f.normal.SetSym(k, l, 0)
	}
	f.normal.SetSym(k, k, 1)
	f.gradient[k] = 0
}

// Descend moves x, which must lie inside its bounds, downhill by at most so many
// iterations and returns the cost reached. The fit then stands at x.
func (f *Fit) Descend(x []float64, sigma float64, iterations int) float64 {
	f.model.Evaluate(x, f.Residual, f.Jacobian)
	return f.DescendOn(x, sigma, iterations)
}

// DescendOn is Descend from x where the fit stands, without evaluating it again.
func (f *Fit) DescendOn(x []float64, sigma float64, iterations int) float64 {
	cost := f.CostHere(x, sigma)
	damping := f.Damping
	for range iterations {
		f.equations(x, sigma, true)
		improved := false
		for damping < 1e6 {
			if !f.solve(x, damping) {
				damping *= 10
				continue
			}
			if f.promised(x) <= f.Tolerance*(1+1e-3*cost) {
				break
			}
			f.model.Evaluate(f.trial, f.trialResidual, f.trialJacobian)
			next := f.costOf(f.trialResidual, f.trial, sigma)
			if next < cost {
				gain := cost - next
				copy(x, f.trial)
				cost = next
				f.Residual, f.trialResidual = f.trialResidual, f.Residual
				f.Jacobian, f.trialJacobian = f.trialJacobian, f.Jacobian
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

// solve sets trial to where the damped equations lead from x. What would leave its bounds
// stops there, and the others are solved for again: without that they would move as if
// it had gone on, and the descent creep along the bound.
func (f *Fit) solve(x []float64, damping float64) bool {
	copy(f.fixed, f.held)
	copy(f.trial, x)
	for {
		for k := range x {
			right := f.gradient[k]
			for l := range x {
				h := f.normal.At(k, l)
				switch {
				case k == l && f.fixed[k]:
					h, right = 1, f.trial[k]-x[k]
				case k == l:
					h *= 1 + damping
				case f.fixed[k]:
					h = 0
				case f.fixed[l]:
					right -= h * (f.trial[l] - x[l])
					h = 0
				}
				if l <= k {
					f.damped.SetSym(k, l, h)
				}
			}
			f.right.SetVec(k, right)
		}
		if !f.chol.Factorize(f.damped) || f.chol.SolveVecTo(f.step, f.right) != nil {
			return false
		}
		inside := true
		for k := range x {
			if f.fixed[k] {
				continue
			}
			to := x[k] + f.step.AtVec(k)
			f.trial[k] = min(max(to, f.Low[k]), f.High[k])
			if f.trial[k] != to {
				f.fixed[k], inside = true, false
			}
		}
		if inside {
			return true
		}
	}
}

// promised is how much the cost falls from x to trial, if the model were linear.
func (f *Fit) promised(x []float64) float64 {
	gain := 0.0
	for k := range x {
		gain += f.gradient[k] * (f.trial[k] - x[k])
	}
	return gain
}

// Covariance returns the covariance of the parameters at x, where the fit must stand, in
// units where a residual of weight one has the standard deviation sigma. Parameters at a bound count as free: a
// bound is not knowledge. ok is false when it is singular.
func (f *Fit) Covariance(x []float64, sigma float64) (c *mat.SymDense, ok bool) {
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
