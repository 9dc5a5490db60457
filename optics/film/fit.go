package film

import (
	"math"
	"slices"

	"bluefringe/optics"
	"bluefringe/optics/leastsq"

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
	*leastsq.Fit // its weights lose what outliers lose, and hold the noise once finish knows it

	model        *model
	position     []float64
	data, weight []float64 // of the bands, set by load; weight 0: a band without a value
	light        []float64 // on the reference, relative to its mean over the grid
	share        []float64 // mean light over the light of the band
	back         []float64 // reflectance of the reference; 1 where the light is the same everywhere
	noise        []float64 // standard deviation of a band's residual
	table        float64   // standard deviation that stands for the error of the tables

	// Of the last evaluation.
	reflectance, mean, fitted []float64
	moved, movedMean, sizes   []float64
}

func newFitter(s Setup, g grid, minNM, maxNM float64) (*fitter, error) {
	m, err := newModel(s, g)
	if err != nil {
		return nil, err
	}
	n := len(g.groups)
	span := g.wavelengthNM[n-1] - g.wavelengthNM[0]
	f := &fitter{model: m, position: g.position, table: tableSD * math.Sqrt(math.Max(1, float64(n)/span))}
	for _, list := range []*[]float64{&f.data, &f.weight, &f.light, &f.share, &f.back, &f.noise, &f.reflectance, &f.mean, &f.fitted, &f.moved, &f.movedMean} {
		*list = make([]float64, n)
	}
	f.Fit = leastsq.New(f, unknowns, n)
	f.Tolerance = 1e-3
	clear(f.Free)
	set := func(k int, prior, sd, low, high float64) {
		f.Prior[k], f.PriorSD[k], f.Low[k], f.High[k], f.Free[k] = prior, sd, low, high, true
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

// load takes the bands to fit, NaN where there is no value, and returns how many have one.
func (f *fitter) load(data []float64) (lit int) {
	copy(f.data, data)
	for i, v := range data {
		f.weight[i] = 0
		if !math.IsNaN(v) {
			f.weight[i] = 1
			lit++
		}
	}
	return lit
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

// Evaluate is the model of package leastsq: film and instrument under the lamp. What
// bends the spectrum is differenced, the rest is linear.
func (f *fitter) Evaluate(x, residual []float64, jacobian [][]float64) {
	f.spectrum(f.reflectance, f.mean, x)
	mean := f.lightMean(f.reflectance)
	for i, r := range f.reflectance {
		p, gain, lit := f.position[i], f.gain(x, i), f.strayed(x, i, r, mean)
		f.fitted[i] = gain * lit
		residual[i] = 0
		if f.weight[i] > 0 {
			residual[i] = f.data[i] - f.fitted[i]
		}
		jacobian[atStray][i] = gain * f.share[i] * (f.back[i]*mean - r) / ((1 + x[atStray]) * (1 + x[atStray]))
		jacobian[atScale][i], jacobian[atSlope][i], jacobian[atCurvature][i] = lit, lit*p, lit*p*p
		f.moved[i] = (r - f.mean[i]) / f.contrast(x, i)
	}
	f.seen(jacobian[atContrast], x)
	for i, p := range f.position {
		f.moved[i] *= p
	}
	f.seen(jacobian[atContrastSlope], x)
	steps := [...]float64{atThickness: 1e-3, atLine: 1e-4, atA: 1e-6, atB: 1e-7, atC: 1e-7}
	for k, dx := range steps {
		if dx == 0 || !f.Free[k] {
			continue
		}
		beside := [unknowns]float64(x)
		beside[k] += dx
		f.spectrum(f.moved, f.movedMean, beside[:])
		for i, r := range f.reflectance {
			f.moved[i] = (f.moved[i] - r) / dx
		}
		f.seen(jacobian[k], x)
	}
}

// seen turns a change of the spectrum, in moved, into one of the fit.
func (f *fitter) seen(dst, x []float64) {
	mean := f.lightMean(f.moved)
	for i, v := range f.moved {
		dst[i] = f.gain(x, i) * f.strayed(x, i, v, mean)
	}
}

// spreadOf returns a robust standard deviation of the residuals, 1.4826 times their
// median size, of the lit bands in a range.
func (f *fitter) spreadOf(from, to int) float64 {
	f.sizes = f.sizes[:0]
	for i := max(from, 0); i < min(to, len(f.data)); i++ {
		if f.weight[i] > 0 {
			f.sizes = append(f.sizes, math.Abs(f.Residual[i]))
		}
	}
	if len(f.sizes) == 0 {
		return noiseFloor
	}
	slices.Sort(f.sizes)
	return math.Max(1.4826*f.sizes[len(f.sizes)/2], noiseFloor)
}

// scatter evaluates the fit at x and returns the scale of all residuals.
func (f *fitter) scatter(x []float64) float64 {
	f.Cost(x, 1)
	return f.spreadOf(0, len(f.data))
}

// settle descends from x, which it moves, with outliers losing weight as they show (P.
// J. Huber, Robust Statistics, 1981).
func (f *fitter) settle(x []float64) {
	copy(f.Weight, f.weight)
	f.Descend(x, searchSigma, 15)
	for range 2 {
		sigma := f.scatter(x)
		for i, r := range f.Residual {
			f.Weight[i] = f.weight[i] / math.Max(1, math.Abs(r)/(outlierSD*sigma))
		}
		f.Descend(x, sigma, 15)
	}
}

// finish settles the best fit with the noise of each part of the spectrum as the
// residuals around it show it: a lamp is weak in the blue, and that is where the width
// of the line is told. Bands far off are left out.
func (f *fitter) finish(x []float64) {
	const parts = 16 // the noise is taken over an eighth of the spectrum around a band
	half := max(len(f.data)/parts, 20)
	for range 2 {
		f.Cost(x, 1)
		for i, r := range f.Residual {
			f.noise[i] = f.spreadOf(i-half, i+half+1)
			sigma := math.Hypot(f.noise[i], f.table)
			f.Weight[i] = f.weight[i] / (sigma * sigma)
			if math.Abs(r) > hopelessSD*sigma {
				f.Weight[i] = 0
			}
		}
		f.Descend(x, 1, 20)
	}
	f.Cost(x, 1)
}

// loss is Huber's loss at x with the priors: what candidates are compared by.
func (f *fitter) loss(x []float64, sigma float64) float64 {
	copy(f.Weight, f.weight)
	sum := f.Cost(x, sigma)
	for _, r := range f.Residual {
		if u := math.Abs(r) / sigma; u > outlierSD {
			sum -= (u - outlierSD) * (u - outlierSD)
		}
	}
	return sum
}

// hold fixes what all spectra of a film share, its index and the errors of tables, until
// the function that it returns is called.
func (f *fitter) hold() (release func()) {
	free := slices.Clone(f.Free)
	for _, k := range []int{atA, atB, atC, atContrast, atContrastSlope} {
		f.Free[k] = false
	}
	return func() { copy(f.Free, free) }
}

// covariance returns the covariance of the unknowns at the end of finish, of which a
// bound is no knowledge, with the information of the data divided by excess: all of it,
// and for film and tables as they are, which is what is new in every spectrum. False when
// it is singular.
func (f *fitter) covariance(x []float64, excess float64) (all, own *mat.SymDense, ok bool) {
	sigma := math.Sqrt(excess)
	if all, ok = f.Covariance(x, sigma); !ok {
		return nil, nil, false
	}
	defer f.hold()()
	for i, noise := range f.noise {
		if f.Weight[i] > 0 {
			f.Weight[i] = 1 / (noise * noise)
		}
	}
	own, ok = f.Covariance(x, sigma)
	return all, own, ok
}
