package film

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"bluefringe/optics/estimate"
	"bluefringe/optics/fringe"

	"gonum.org/v1/gonum/mat"
)

// Kind is a film whose index is known well enough.
type Kind string

// The films that can be read.
const (
	Oxide  Kind = "SiO2"   // I. H. Malitson, J. Opt. Soc. Am. 55 (1965) 1205; n free by 0.003
	Resist Kind = "resist" // n = A + B/λ² + C/λ⁴, near the material "resist"
)

// Kinds lists the films that can be read.
func Kinds() []string { return []string{string(Oxide), string(Resist)} }

// ParseKind finds a film by its name; case does not matter.
func ParseKind(name string) (Kind, error) {
	for _, kind := range Kinds() {
		if strings.EqualFold(name, kind) {
			return Kind(kind), nil
		}
	}
	return "", fmt.Errorf("found film %q: %s is allowed", name, strings.Join(Kinds(), " or "))
}

// Setup says what lies on the silicon, in air, and what is used of the spectrum.
type Setup struct {
	Film         Kind
	TemperatureC float64
	MinNM, MaxNM float64 // wavelengths used; 0 means 400 and 1000

	// Light is what the detector counts above dark on the reference, a piece of bare
	// silicon, one value per pixel. Stray light is a larger share where there is little
	// of it. Nil: the same at every pixel.
	Light []float64
}

// Thickness searched, nm: from less than one fringe in the visible to fringes that
// only a fine instrument resolves.
const minThicknessNM, maxThicknessNM = 300, 6000

const (
	defaultMinNM, defaultMaxNM = 400, 1000

	searchBands = 300
	fineBands   = 2048

	searchStepNM  = 12 // a sixth of the half order at 400 nm
	searchSigma   = 0.01
	searchRefined = 8 // local bests that are refined
	fineRefined   = 3 // and how many of those again with all pixels
)

// What separates the qualities: the residual against the size of the fringes, both
// root mean square, and what else a film check should find.
const (
	goodResidual = 0.15
	weakResidual = 0.60
	weakScale    = 0.20
	minSwing     = 0.01
	otherOrder   = 0.02
)

// Result is what one spectrum says. A number that does not exist is NaN.
type Result struct {
	Quality estimate.Quality
	Reason  string // why the quality is not good

	ThicknessNM float64
	SDNM        float64 // standard uncertainty with that of the film's index (JCGM 100)
	FitSDNM     float64 // the part that is new in every spectrum

	// Full width at half maximum of the instrument's line. A width that the film does
	// not show above its uncertainty is known only as less than ResolutionMaxNM, the
	// upper end of its 95 % interval.
	ResolutionNM, ResolutionSDNM, ResolutionMaxNM float64
	ResolutionShown                               bool

	Stray, StraySD     float64    // share of the mean light
	Cauchy             [3]float64 // A, B, C of n = A + B/λ² + C/λ⁴, λ in µm; NaN but for a resist
	CauchyASD          float64
	Scale              float64 // of the reflectance against the calibration
	Residual           float64 // robust standard deviation of the residuals, of reflectance
	OtherThicknessesNM []float64

	WavelengthNM []float64 // bands of the fit, rising
	Measured     []float64 // reflectance of the bands; NaN where there is none
	Model        []float64 // the fit; nil when lost
	Ideal        []float64 // the same film seen by an instrument without a fault; nil when lost

	phase   []float64
	carrier []complex128
	unknown []float64
}

// Estimator reads spectra of one channel and keeps no history. It owns its workspace:
// one goroutine at a time.
type Estimator struct {
	setup              Setup
	pixels             int
	searchGrid, fine   grid
	searcher, finisher *fitter
}

// New returns an estimator for a film and the wavelengths of a channel (nm, one per
// pixel, rising or falling).
func New(setup Setup, wavelengthNM []float64) (*Estimator, error) {
	if setup.MinNM == 0 {
		setup.MinNM = defaultMinNM
	}
	if setup.MaxNM == 0 {
		setup.MaxNM = defaultMaxNM
	}
	if setup.Light != nil && len(setup.Light) != len(wavelengthNM) {
		return nil, fmt.Errorf("film check: found light at %d pixels, %d are needed", len(setup.Light), len(wavelengthNM))
	}
	e := &Estimator{setup: setup, pixels: len(wavelengthNM)}
	var err error
	stage := func(most int) (g grid, f *fitter) {
		if err == nil {
			g, err = newGrid(wavelengthNM, setup.MinNM, setup.MaxNM, most)
		}
		if err == nil {
			f, err = newFitter(setup, g, minThicknessNM, maxThicknessNM)
		}
		return g, f
	}
	e.searchGrid, e.searcher = stage(searchBands)
	e.fine, e.finisher = stage(fineBands)
	if err != nil {
		return nil, err
	}
	return e, nil
}

// Measure finds film and instrument from a spectrum of reflectance, one value per
// pixel as a fraction, NaN where there is none. Only a wrong number of pixels is an
// error; a spectrum that says nothing is Lost.
func (e *Estimator) Measure(reflectance []float64) (Result, error) {
	if len(reflectance) != e.pixels {
		return Result{}, fmt.Errorf("film check: found %d pixels, %d are needed", len(reflectance), e.pixels)
	}
	lit := e.finisher.load(e.fine.load(reflectance))
	if e.searcher.load(e.searchGrid.load(reflectance)) < minBands {
		return e.lost(fmt.Sprintf("only %d pixels have a value", lit)), nil
	}
	var fits []fit
	for _, x := range e.search() {
		e.searcher.settle(x)
		fits = append(fits, fit{x: x})
	}
	if len(fits) == 0 {
		return e.lost("no film between 0.3 and 6 µm has fringes like these"), nil
	}
	rank(fits, e.searcher)
	fits = distinct(fits)
	fits = fits[:min(len(fits), fineRefined)]
	for i := range fits {
		e.finisher.settle(fits[i].x)
	}
	rank(fits, e.finisher)
	return e.judge(distinct(fits), lit), nil
}

// Again reads another spectrum of the film of a result that is not lost, from there:
// its thickness, NaN when the spectrum has too few pixels with a value.
func (e *Estimator) Again(reflectance []float64, r Result) (thicknessNM float64, err error) {
	if len(reflectance) != e.pixels {
		return math.NaN(), fmt.Errorf("film check: found %d pixels, %d are needed", len(reflectance), e.pixels)
	}
	f := e.finisher
	if r.unknown == nil || f.load(e.fine.load(reflectance)) < minBands {
		return math.NaN(), nil
	}
	x := slices.Clone(r.unknown)
	defer f.hold()()
	f.settle(x)
	f.finish(x)
	return x[atThickness], nil
}

type fit struct {
	x    []float64
	cost float64
}

// search returns starting points at the local bests over thickness, for a fine
// and a coarse line. At each, lamp and contrast are free: linear least
// squares.
func (e *Estimator) search() [][]float64 {
	f := e.searcher
	type point struct {
		thicknessNM, variance, cost float64
	}
	var found []point
	for _, lineNM := range []float64{0, 5} {
		variance := math.Pow(lineNM/fwhmPerSigma, 2)
		var row []point
		for d := float64(minThicknessNM); d <= maxThicknessNM; d += searchStepNM {
			f.model.evaluate(f.reflectance, f.mean, filmState{thicknessNM: d, lineVariance: variance})
			row = append(row, point{d, variance, f.unexplained()})
		}
		for i, p := range row {
			if (i == 0 || row[i-1].cost >= p.cost) && (i == len(row)-1 || row[i+1].cost > p.cost) && !math.IsInf(p.cost, 1) {
				found = append(found, p)
			}
		}
	}
	slices.SortStableFunc(found, func(a, b point) int { return cmp.Compare(a.cost, b.cost) })
	var starts [][]float64
	var kept []float64
	for _, p := range found {
		if len(starts) == searchRefined {
			break
		}
		if slices.ContainsFunc(kept, func(d float64) bool { return math.Abs(d-p.thicknessNM) < 2*searchStepNM }) {
			continue
		}
		kept = append(kept, p.thicknessNM)
		x := make([]float64, unknowns)
		x[atThickness], x[atLine], x[atScale] = p.thicknessNM, p.variance, 1
		x[atStray] = 0.01 // inside, where the slope leads either way
		starts = append(starts, x)
	}
	return starts
}

// unexplained is the sum of squares that the spectrum in reflectance leaves with lamp
// (scale, slope, curvature) and contrast free; +Inf when its fringes would have to be
// turned over.
func (f *fitter) unexplained() float64 {
	const columns = 4
	var normal [columns * columns]float64 // upper triangle
	var right [columns]float64
	square := 0.0
	for i, w := range f.weight {
		if w == 0 {
			continue
		}
		p, m := f.position[i], f.mean[i]
		row := [columns]float64{f.reflectance[i] - m, m, m * p, m * p * p}
		for k, a := range row {
			for l := k; l < columns; l++ {
				normal[columns*k+l] += a * row[l]
			}
			right[k] += a * f.data[i]
		}
		square += f.data[i] * f.data[i]
	}
	var chol mat.Cholesky
	var c mat.VecDense
	b := mat.NewVecDense(columns, right[:])
	if !chol.Factorize(mat.NewSymDense(columns, normal[:])) || chol.SolveVecTo(&c, b) != nil || c.AtVec(0) <= 0 {
		return math.Inf(1)
	}
	return square - mat.Dot(b, &c)
}

// rank gives fits their cost at the noise of the best of them.
func rank(fits []fit, f *fitter) {
	sigma := math.Inf(1)
	for _, one := range fits {
		sigma = math.Min(sigma, f.scatter(one.x))
	}
	for i := range fits {
		fits[i].cost = f.loss(fits[i].x, sigma)
	}
}

// distinct sorts fits by cost and drops those that ended at the same optical
// thickness.
func distinct(fits []fit) []fit {
	const same = 20 // nm
	const index = 1.5
	slices.SortStableFunc(fits, func(a, b fit) int { return cmp.Compare(a.cost, b.cost) })
	optical := func(x []float64) float64 { return x[atThickness] * (1 + x[atA]/index) }
	var out []fit
	for _, one := range fits {
		if !math.IsNaN(one.cost) && !slices.ContainsFunc(out, func(o fit) bool {
			return math.Abs(optical(o.x)-optical(one.x)) < same
		}) {
			out = append(out, one)
		}
	}
	return out
}

func (e *Estimator) lost(reason string) Result {
	nan := math.NaN()
	return Result{Quality: estimate.Lost, Reason: reason, ThicknessNM: nan, SDNM: nan, FitSDNM: nan,
		ResolutionNM: nan, ResolutionSDNM: nan, ResolutionMaxNM: nan, Stray: nan, StraySD: nan,
		Cauchy: [3]float64{nan, nan, nan}, CauchyASD: nan, Scale: nan, Residual: nan,
		WavelengthNM: e.fine.wavelengthNM, Measured: e.measured()}
}

func (e *Estimator) measured() []float64 {
	out := slices.Clone(e.finisher.data)
	for i, w := range e.finisher.weight {
		if w == 0 {
			out[i] = math.NaN()
		}
	}
	return out
}

// judge turns the refined candidates into a result with a quality.
func (e *Estimator) judge(fits []fit, lit int) Result {
	if len(fits) == 0 {
		return e.lost("the spectrum does not fix a thickness")
	}
	f := e.finisher
	best := fits[0].x
	f.Cost(best, 1)
	rho := f.Correlation()
	independent := float64(lit) * (1 - rho) / (1 + rho)
	others := weigh(fits, independent)

	f.finish(best)
	rho = f.Correlation()
	excess := (1 + rho) / (1 - rho)
	all, own, ok := f.covariance(best, excess)
	if !ok {
		return e.lost("the spectrum does not fix a thickness")
	}
	r := Result{
		ThicknessNM: best[atThickness], SDNM: sd(all, atThickness), FitSDNM: sd(own, atThickness),
		Stray: best[atStray], StraySD: math.Hypot(sd(all, atStray), strayTableSD),
		Cauchy: [3]float64{math.NaN(), math.NaN(), math.NaN()}, CauchyASD: math.NaN(),
		Scale: best[atScale], Residual: f.spreadOf(0, len(f.data)), OtherThicknessesNM: others,
		WavelengthNM: e.fine.wavelengthNM, Measured: e.measured(),
		Model: slices.Clone(f.fitted), Ideal: make([]float64, len(f.data)),
		phase: f.model.phase(state(best)), carrier: f.model.carrier(state(best)), unknown: slices.Clone(best),
	}
	if e.setup.Film == Resist {
		for k := range r.Cauchy {
			r.Cauchy[k] = f.model.cauchy[k] + best[atA+k]
		}
		r.CauchyASD = sd(all, atA)
	}
	r.setResolution(best[atLine], sd(all, atLine))

	pure := state(best)
	pure.lineVariance = 0
	mean := make([]float64, len(r.Ideal))
	f.model.evaluate(r.Ideal, mean, pure)
	swing := 0.0
	for i := range r.Ideal {
		r.Ideal[i] *= f.gain(best, i)
		if f.weight[i] > 0 {
			v := r.Model[i] - f.gain(best, i)*mean[i]
			swing += v * v
		}
	}
	e.grade(&r, math.Sqrt(swing/float64(lit)))
	return r
}

func sd(c *mat.SymDense, k int) float64 { return math.Sqrt(c.At(k, k)) }

// setResolution turns the variance of the line and its standard deviation into a width.
// Near zero the variance is the honest unknown, its root is not.
func (r *Result) setResolution(variance, sd float64) {
	const both, shown = 1.96, 2
	width := func(v float64) float64 { return fwhmPerSigma * math.Sqrt(math.Max(v, 0)) }
	r.ResolutionNM = width(variance)
	r.ResolutionSDNM = (width(variance+sd) - width(variance-sd)) / 2
	r.ResolutionMaxNM = width(variance + both*sd)
	r.ResolutionShown = variance > shown*sd
}

// weigh returns the thicknesses of the other candidates that cannot be ruled out, by a
// likelihood ratio under Gaussian errors of unknown scale, (cost ratio)^(-N/2), with
// the number of independent bands for N.
func weigh(fits []fit, independent float64) []float64 {
	var others []float64
	best := math.Max(fits[0].cost, 1e-9)
	for _, one := range fits[1:] {
		if math.Exp(-independent/2*math.Log(math.Max(one.cost, best)/best)) > otherOrder {
			others = append(others, one.x[atThickness])
		}
	}
	return others
}

// grade decides how far the result may be trusted.
func (e *Estimator) grade(r *Result, swing float64) {
	relative := r.Residual / swing
	line := r.ResolutionNM >= maxLineNM*0.999
	switch {
	case r.ThicknessNM <= minThicknessNM*1.001 || r.ThicknessNM >= maxThicknessNM*0.999:
		*r = e.lost("the best fit lies outside 0.3 to 6 µm")
	case swing < minSwing:
		*r = e.lost(fmt.Sprintf("fringes of %.2g %% of reflectance are too faint", 100*swing))
	case relative > weakResidual:
		*r = e.lost(fmt.Sprintf("a film of %s explains too little of the fringes: %.0f %% are left", e.setup.Film, 100*relative))
	case len(r.OtherThicknessesNM) > 0:
		r.Quality = estimate.Ambiguous
		r.Reason = fmt.Sprintf("%.3f or %.3f µm", r.ThicknessNM/1000, r.OtherThicknessesNM[0]/1000)
	case relative > goodResidual:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("the fit leaves %.0f %% of the fringes unexplained", 100*relative)
	case math.Abs(r.Scale-1) > weakScale:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("brightness is %.0f %% of the reference", 100*r.Scale)
	case line:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("the line is wider than %d nm, or the film is uneven inside the spot", maxLineNM)
	case r.Stray >= maxStray*0.999:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("more than %.0f %% of the light is stray", 100*maxStray)
	}
}

// Contrast is what the instrument leaves of fringes as close as those of the film.
type Contrast struct {
	fringe.Curve           // Visibility is measured over expected visibility, 1 for an instrument without a fault
	Fitted       []float64 // the same from resolution and stray light alone
}

// Half returns the shortest wavelength at which the instrument still shows at least
// half of the contrast, NaN when there is none. Where even the shortest one measured
// does, the true limit may lie further in the blue.
func (c Contrast) Half() float64 { return c.EdgeNM(0.5) }

// Contrast compares the visibility of the fringes with what the film has (see
// fringe.Measure). It is that of this film: a thicker one has closer fringes and loses
// more to the same line. A lost result has no contrast.
func (r Result) Contrast() Contrast {
	if r.Model == nil {
		return Contrast{}
	}
	measure := func(spectrum []float64) fringe.Curve {
		return fringe.Measure(r.WavelengthNM, spectrum, r.phase, r.carrier)
	}
	lit := func(spectrum []float64) []float64 {
		out := slices.Clone(spectrum)
		for i, v := range r.Measured {
			if math.IsNaN(v) {
				out[i] = math.NaN()
			}
		}
		return out
	}
	c := Contrast{Curve: measure(r.Measured)}
	ideal, fitted := measure(lit(r.Ideal)), measure(lit(r.Model))
	for i := range c.Visibility {
		c.Visibility[i] /= ideal.Visibility[i]
		c.SD[i] /= ideal.Visibility[i]
		c.Fitted = append(c.Fitted, fitted.Visibility[i]/ideal.Visibility[i])
	}
	return c
}

// AsSiliconNM returns the thickness of silicon whose fringes are as close at a
// wavelength as those of a film: what its contrast says of a die. The distance of
// fringes goes with the group index n - λ dn/dλ. NaN outside the tables.
func AsSiliconNM(kind Kind, thicknessNM, wavelengthNM, temperatureC float64) float64 {
	const step = 10 // nm
	group := func(name string) float64 {
		index, err := lookup(name, Setup{TemperatureC: temperatureC}, []float64{wavelengthNM - step, wavelengthNM, wavelengthNM + step})
		if err != nil {
			return math.NaN()
		}
		return real(index[1]) - wavelengthNM*real(index[2]-index[0])/(2*step)
	}
	return thicknessNM * group(string(kind)) / group("Si")
}
