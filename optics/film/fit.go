package film

import (
	"math"
	"slices"

	"bluefringe/optics"

	"gonum.org/v1/gonum/mat"
)

// The unknowns of a fit.
const (
	atThickness     = iota // nm
	atLine                 // variance of the instrument's line, nm²
	atStray                // share of the mean light
	atA                    // added to the index of the film
	atB                    // added to B of its Cauchy formula, µm²
	atC                    // and to C, µm⁴
	atContrast             // relative error of the fringe size that the tables imply
	atContrastSlope        // and its change from the middle to the ends of the spectrum
	atScale                // lamp and coupling against the reference
	atSlope
	atCurvature
	unknowns
)

// What is believed before a spectrum is seen, as standard deviations.
const (
	// Thermal oxide is denser than the fused silica of the table: 0.002 to 0.006 in n
	// (common practice, no source), deposited ones lie on either side.
	oxideSD = 0.003
	// Resists after a bake differ by some hundredths (common practice, no source).
	resistASD = 0.03
	resistBSD = 0.0015 // µm²
	resistCSD = 0.0003 // µm⁴
	// Silicon tables differ by 0.3 % in reflectance (Green 2008 against C. Schinke et
	// al., AIP Advances 5 (2015) 067168), and so does the fringe size they imply.
	contrastSD      = 0.003
	contrastSlopeSD = 0.003
	// What that leaves of reflectance beyond the size of the fringes, as if it were
	// noise of one band a nanometre: so that many pixels, or many spectra, do not make
	// a table truer than it is. Found on films of another table (see TestOxide).
	tableSD = 0.001
	// And what it leaves of stray light where a lamp is weak (see TestStrayInCounts).
	strayTableSD = 0.003
	// Resists are not quite clear in the blue (common practice, no source).
	resistContrastSD = 0.006
	// Lamp, seat and coupling, and stray light: common practice, no source.
	scaleSD     = 0.10
	slopeSD     = 0.05
	curvatureSD = 0.03
	straySD     = 0.10
)

const (
	fwhmPerSigma = 2.3548200450309493 // of a Gaussian, √(8 ln 2)
	maxLineNM    = 12                 // full width at half maximum
	maxStray     = 0.5
	noiseFloor   = 2e-4 // of reflectance: nothing is truer
	outlierSD    = 4    // residuals beyond this many deviations lose weight
	hopelessSD   = 8    // and all of it beyond this many, once a fit stands
)

// fitter refines one starting point on one grid. It owns its workspace.
type fitter struct {
	model    *model
	position []float64
	data     []float64 // of the bands
	weight   []float64 // 0: a band without a value
	light    []float64 // on the reference, relative to its mean over the grid
	share    []float64 // mean light over the light of the band
	back     []float64 // reflectance of the reference; 1 where the light is the same everywhere
	robust   []float64 // what outliers keep of the weight
	noise    []float64 // standard deviation of a band's residual
	sigma    []float64 // the same with the error of the tables
	table    float64   // standard deviation that stands for that error

	prior, priorSD, low, high [unknowns]float64
	free                      [unknowns]bool

	reflectance, mean, moved, movedMean []float64
	fitted, residual                    []float64
	jacobian                            [unknowns][]float64
}

func newFitter(s Setup, g grid, minNM, maxNM float64) (*fitter, error) {
	m, err := newModel(s, g)
	if err != nil {
		return nil, err
	}
	n := len(g.groups)
	span := g.wavelengthNM[n-1] - g.wavelengthNM[0]
	f := &fitter{model: m, position: g.position, table: tableSD * math.Sqrt(math.Max(1, float64(n)/span))}
	for _, list := range []*[]float64{&f.data, &f.weight, &f.light, &f.share, &f.back, &f.robust, &f.noise, &f.sigma, &f.reflectance, &f.mean, &f.moved, &f.movedMean, &f.fitted, &f.residual} {
		*list = make([]float64, n)
	}
	for k := range f.jacobian {
		f.jacobian[k] = make([]float64, n)
	}
	set := func(k int, prior, sd, low, high float64) {
		f.prior[k], f.priorSD[k], f.low[k], f.high[k], f.free[k] = prior, sd, low, high, true
	}
	f.illuminate(s, g)
	within := func(k int, prior, sd float64) { set(k, prior, sd, prior-5*sd, prior+5*sd) }
	set(atThickness, 0, math.Inf(1), minNM, maxNM)
	set(atLine, 0, math.Inf(1), 0, math.Pow(maxLineNM/fwhmPerSigma, 2))
	set(atStray, 0, straySD, 0, maxStray)
	within(atA, 0, oxideSD)
	within(atContrast, 0, contrastSD)
	within(atContrastSlope, 0, contrastSlopeSD)
	if s.Film == Resist {
		within(atA, 0, resistASD)
		within(atB, 0, resistBSD)
		within(atC, 0, resistCSD)
		within(atContrast, 0, resistContrastSD)
		within(atContrastSlope, 0, resistContrastSD)
	}
	set(atScale, 1, scaleSD, 0.05, 3)
	within(atSlope, 0, slopeSD)
	within(atCurvature, 0, curvatureSD)
	return f, nil
}

// illuminate sets how much of the mean light a share of stray light is at each band.
// Where hardly any light is left nothing more is told.
func (f *fitter) illuminate(s Setup, g grid) {
	const mostShare = 1.5 / maxStray // keeps a band from being all stray light
	for i, r := range f.model.silicon {
		f.light[i], f.share[i], f.back[i] = 1, 1, 1
		if s.Light != nil {
			from := optics.Interface(complex(f.model.ambient[i], 0), r)
			f.back[i] = real(from)*real(from) + imag(from)*imag(from)
		}
	}
	if s.Light == nil {
		return
	}
	sum, n := 0.0, 0.0
	light := g.load(s.Light)
	for _, v := range light {
		if v > 0 {
			sum += v
			n++
		}
	}
	for i, v := range light {
		f.light[i], f.share[i] = 0, mostShare
		if v > 0 {
			f.light[i] = v * n / sum
			f.share[i] = math.Min(mostShare, 1/f.light[i])
		}
	}
}

func state(x []float64) filmState {
	return filmState{thicknessNM: x[atThickness], lineVariance: x[atLine], a: x[atA], b: x[atB], c: x[atC]}
}

func (f *fitter) load(data []float64, sigma float64) (lit int) {
	copy(f.data, data)
	for i, v := range data {
		f.weight[i], f.sigma[i] = 0, sigma
		if !math.IsNaN(v) {
			f.weight[i] = 1
			lit++
		}
	}
	copy(f.robust, f.weight)
	return lit
}

func (f *fitter) level(sigma float64) {
	for i := range f.sigma {
		f.sigma[i] = sigma
	}
}

// lightMean is the mean of a reflectance over the light of the bands that have a value,
// as a fraction of what the reference sends back.
func (f *fitter) lightMean(v []float64) float64 {
	sum, light := 0.0, 0.0
	for i, w := range f.weight {
		sum += w * f.light[i] * v[i] / f.back[i]
		light += w * f.light[i]
	}
	return sum / light
}

// strayed adds stray light to a reflectance, or to a change of one, at band i; mean is
// its lightMean.
func (f *fitter) strayed(x []float64, i int, v, mean float64) float64 {
	return v + x[atStray]/(1+x[atStray])*f.share[i]*(f.back[i]*mean-v)
}

func (f *fitter) gain(x []float64, i int) float64 {
	p := f.position[i]
	return x[atScale] + x[atSlope]*p + x[atCurvature]*p*p
}

// contrast is what the errors of the tables do to the size of the fringes.
func (f *fitter) contrast(x []float64, i int) float64 {
	return 1 + x[atContrast] + x[atContrastSlope]*f.position[i]
}

// spectrum evaluates film, line and table errors: reflectance before stray light and
// lamp.
func (f *fitter) spectrum(reflectance, mean []float64, x []float64) {
	f.model.evaluate(reflectance, mean, state(x))
	for i := range reflectance {
		reflectance[i] = mean[i] + f.contrast(x, i)*(reflectance[i]-mean[i])
	}
}

// cost evaluates model and residuals at x and returns the sum of squares with the
// priors.
func (f *fitter) cost(x []float64) float64 {
	f.spectrum(f.reflectance, f.mean, x)
	mean := f.lightMean(f.reflectance)
	sum := 0.0
	for i := range f.data {
		f.fitted[i] = f.gain(x, i) * f.strayed(x, i, f.reflectance[i], mean)
		f.residual[i] = 0
		if f.weight[i] > 0 {
			f.residual[i] = f.data[i] - f.fitted[i]
			u := f.residual[i] / f.sigma[i]
			sum += f.robust[i] * u * u
		}
	}
	for k := range x {
		if f.free[k] {
			u := (x[k] - f.prior[k]) / f.priorSD[k]
			sum += u * u
		}
	}
	return sum
}

// differentiate fills the jacobian after cost at x. What bends the spectrum is
// differenced, the rest is linear.
func (f *fitter) differentiate(x []float64) {
	mean := f.lightMean(f.reflectance)
	steps := [...]struct {
		k  int
		dx float64
	}{{atThickness, 1e-3}, {atLine, 1e-4}, {atA, 1e-6}, {atB, 1e-7}, {atC, 1e-7}}
	for _, s := range steps {
		if !f.free[s.k] {
			continue
		}
		at := x[s.k]
		x[s.k] = at + s.dx
		f.spectrum(f.moved, f.movedMean, x)
		x[s.k] = at
		for i := range f.moved {
			f.moved[i] = (f.moved[i] - f.reflectance[i]) / s.dx
		}
		f.seen(f.jacobian[s.k], x)
	}
	for i := range f.moved {
		f.moved[i] = (f.reflectance[i] - f.mean[i]) / f.contrast(x, i)
	}
	f.seen(f.jacobian[atContrast], x)
	for i := range f.moved {
		f.moved[i] *= f.position[i]
	}
	f.seen(f.jacobian[atContrastSlope], x)
	for i, r := range f.reflectance {
		p := f.position[i]
		f.jacobian[atStray][i] = f.gain(x, i) * f.share[i] * (f.back[i]*mean - r) / ((1 + x[atStray]) * (1 + x[atStray]))
		lit := f.strayed(x, i, r, mean)
		f.jacobian[atScale][i], f.jacobian[atSlope][i], f.jacobian[atCurvature][i] = lit, lit*p, lit*p*p
	}
}

// seen turns a change of the spectrum, in moved, into one of the fit.
func (f *fitter) seen(dst, x []float64) {
	mean := f.lightMean(f.moved)
	for i, v := range f.moved {
		dst[i] = f.gain(x, i) * f.strayed(x, i, v, mean)
	}
}

// equations returns the normal matrix and the gradient at x. Unknowns that are fixed,
// or held, get the unit row; so do, unless pushed is false, those that press against a
// bound.
func (f *fitter) equations(x []float64, pushed bool) (*mat.SymDense, *mat.VecDense) {
	normal, gradient := mat.NewSymDense(unknowns, nil), mat.NewVecDense(unknowns, nil)
	inverse := make([]float64, len(f.sigma))
	for i, s := range f.sigma {
		inverse[i] = f.robust[i] / (s * s)
	}
	var held [unknowns]bool
	for k := range unknowns {
		if held[k] = !f.free[k]; held[k] {
			continue
		}
		g := 0.0
		for i, r := range f.residual {
			g += inverse[i] * f.jacobian[k][i] * r
		}
		g -= (x[k] - f.prior[k]) / (f.priorSD[k] * f.priorSD[k])
		held[k] = pushed && ((x[k] <= f.low[k] && g < 0) || (x[k] >= f.high[k] && g > 0))
		gradient.SetVec(k, g)
	}
	for k := range unknowns {
		if held[k] {
			normal.SetSym(k, k, 1)
			gradient.SetVec(k, 0)
			continue
		}
		for l := range k + 1 {
			if held[l] {
				continue
			}
			h := 0.0
			for i, w := range inverse {
				h += w * f.jacobian[k][i] * f.jacobian[l][i]
			}
			if k == l {
				h += 1 / (f.priorSD[k] * f.priorSD[k])
			}
			normal.SetSym(k, l, h)
		}
	}
	return normal, gradient
}

// descend runs Levenberg-Marquardt (D. W. Marquardt, J. SIAM 11 (1963) 431) from x,
// which it moves, with bounds by projection, and returns the cost reached.
func (f *fitter) descend(x []float64, iterations int) float64 {
	trial := make([]float64, unknowns)
	var chol mat.Cholesky
	var step mat.VecDense
	cost := f.cost(x)
	damping := 1e-2
	for range iterations {
		f.differentiate(x)
		normal, gradient := f.equations(x, true)
		damped := mat.NewSymDense(unknowns, nil)
		improved := false
		for damping < 1e6 {
			damped.CopySym(normal)
			for k := range unknowns {
				damped.SetSym(k, k, normal.At(k, k)*(1+damping))
			}
			if !chol.Factorize(damped) || chol.SolveVecTo(&step, gradient) != nil {
				damping *= 10
				continue
			}
			for k := range trial {
				trial[k] = x[k]
				if f.free[k] {
					trial[k] = min(max(x[k]+step.AtVec(k), f.low[k]), f.high[k])
				}
			}
			next := f.cost(trial)
			if next < cost {
				improved = cost-next > 1e-3
				copy(x, trial)
				cost = next
				damping = math.Max(damping/10, 1e-9)
				break
			}
			damping *= 10
		}
		if !improved {
			break
		}
	}
	return f.cost(x)
}

// spreadOf returns a robust standard deviation of the residuals, 1.4826 times their
// median size, of the lit bands in a range.
func (f *fitter) spreadOf(from, to int) float64 {
	var sizes []float64
	for i := max(from, 0); i < min(to, len(f.data)); i++ {
		if f.weight[i] > 0 {
			sizes = append(sizes, math.Abs(f.residual[i]))
		}
	}
	if len(sizes) == 0 {
		return noiseFloor
	}
	slices.Sort(sizes)
	return math.Max(1.4826*sizes[len(sizes)/2], noiseFloor)
}

// huber takes weight from outliers (P. J. Huber, Robust Statistics, 1981).
func (f *fitter) huber() {
	for i, r := range f.residual {
		f.robust[i] = f.weight[i]
		if u := math.Abs(r) / f.sigma[i]; u > outlierSD {
			f.robust[i] *= outlierSD / u
		}
	}
}

// settle descends from x, which it moves, with outliers losing weight as they show,
// and returns the scale of the residuals.
func (f *fitter) settle(x []float64, sigma float64, iterations int) float64 {
	copy(f.robust, f.weight)
	f.level(sigma)
	f.descend(x, iterations)
	for range 2 {
		sigma = f.spreadOf(0, len(f.data))
		f.level(sigma)
		f.huber()
		f.descend(x, iterations)
	}
	return sigma
}

// finish settles the best fit with the noise of each part of the spectrum as the
// residuals around it show it: a lamp is weak in the blue, and that is where the width
// of the line is told. Bands far off are left out.
func (f *fitter) finish(x []float64) {
	const parts = 16 // the noise is taken over an eighth of the spectrum around a band
	half := max(len(f.data)/parts, 20)
	for range 2 {
		f.cost(x)
		for i := range f.sigma {
			f.noise[i] = f.spreadOf(i-half, i+half+1)
			f.sigma[i] = math.Hypot(f.noise[i], f.table)
		}
		for i, r := range f.residual {
			f.robust[i] = f.weight[i]
			if math.Abs(r) > hopelessSD*f.sigma[i] {
				f.robust[i] = 0
			}
		}
		f.descend(x, 20)
	}
}

// loss is Huber's loss at x with the priors: what candidates are compared by.
func (f *fitter) loss(x []float64, sigma float64) float64 {
	copy(f.robust, f.weight)
	f.level(sigma)
	sum := f.cost(x)
	for _, r := range f.residual {
		if u := math.Abs(r) / sigma; u > outlierSD {
			sum -= (u - outlierSD) * (u - outlierSD)
		}
	}
	return sum
}

// correlation is the lag-one autocorrelation of the residuals: the error of a model is
// not noise, it leaves runs of one sign.
func (f *fitter) correlation() float64 {
	sum, cross, last := 0.0, 0.0, 0.0
	for i, r := range f.residual {
		u := math.Sqrt(f.robust[i]) * r / f.sigma[i]
		sum += u * u
		cross += u * last
		last = u
	}
	if sum == 0 {
		return 0
	}
	return min(max(cross/sum, 0), 0.98)
}

// hold fixes what all spectra of a film share: its index and the errors of tables.
func (f *fitter) hold() {
	for _, k := range []int{atA, atB, atC, atContrast, atContrastSlope} {
		f.free[k] = false
	}
}

// covariance returns the covariance of the unknowns at x, of which a bound is no
// knowledge, with the information of the data divided by excess; with fixed, for film
// and tables as they are: what is new in every spectrum. False when it is singular.
func (f *fitter) covariance(x []float64, excess float64, fixed bool) (*mat.SymDense, bool) {
	sigma, free := slices.Clone(f.sigma), f.free
	defer func() { copy(f.sigma, sigma); f.free = free }()
	if fixed {
		f.hold()
		copy(f.sigma, f.noise)
	}
	for i := range f.sigma {
		f.sigma[i] *= math.Sqrt(excess)
	}
	f.cost(x)
	f.differentiate(x)
	normal, _ := f.equations(x, false)
	var chol mat.Cholesky
	if !chol.Factorize(normal) {
		return nil, false
	}
	c := mat.NewSymDense(unknowns, nil)
	return c, chol.InverseTo(c) == nil
}
