package estimate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"bluefringe/optics/die"
)

// Options bound what is looked for. The zero value takes the defaults.
type Options struct {
	MinUM, MaxUM float64 // thickness searched; 0 means 0.1 and 12
	MinNM, MaxNM float64 // wavelengths used; 0 means 400 and 1100
}

func (o Options) withDefaults() Options {
	if o.MinUM == 0 {
		o.MinUM = 0.1
	}
	if o.MaxUM == 0 {
		o.MaxUM = 12
	}
	if o.MinNM == 0 {
		o.MinNM = 400
	}
	if o.MaxNM == 0 {
		o.MaxNM = 1100
	}
	return o
}

// The search works in so many bands of equal width, whatever the thickness: enough to
// tell orders. The fits that follow resolve the fringes, in bands of a part of a fringe
// where there are fringes and of the search's width where there are none.
const (
	searchBands    = 160
	bandsPerFringe = 6
	fringesLeft    = 0.003 // of the amplitude: beyond, silicon is black
	stageRatio     = 1.4   // of the greatest thickness from grid to grid
)

// How many local bests of the search are refined, and how many of those again
// on the fine grid.
const (
	searchRefined = 14
	fineRefined   = 6
	fineSettled   = 3 // of those, with outliers weighed
	firstSteps    = 2 // of a descent, after which it is seen what is worth more
	moreSteps     = 5
)

// What separates the qualities. A misfit is the part of the residual that is not
// noise, in units of the fringes; the signal is the size of the fringes over the
// standard error that noise leaves in it.
const (
	weakMisfit      = 0.25
	lostMisfit      = 0.60
	weakSignal      = 25
	lostSignal      = 12
	weakScale       = 0.20  // the lamp does not lose that much: something is on the view
	minSwing        = 0.002 // rms fringe of reflectance below which there is nothing to read
	otherOrder      = 0.02  // weight of a second candidate that makes a reading ambiguous
	mostIndependent = 120
	weakDoubt       = 4  // times the uncertainty of the front side for a weak reading
	minBands        = 40 // fewer bands with light than this say nothing
)

// The systematic part of the uncertainty (JCGM 100, 4.3), as standard uncertainties.
const (
	// The die is warm from polishing by a few kelvin that nobody measures, and n of
	// silicon rises by 1e-4 of itself per kelvin (Green 2008, 600 to 900 nm).
	temperatureSDK  = 6
	indexPerK       = 1.0e-4
	wavelengthRelSD = 2e-4 // of the spectrometer's scale: 0.1 nm in 500
	underlayerSDUM  = 7e-4 // front sides that are not a liner, an oxide and a metal
)

// Result is what one spectrum says. A number that does not exist is NaN.
type Result struct {
	Quality     Quality
	Reason      string // why the quality is not good
	ThicknessUM float64
	SDUM        float64 // standard uncertainty (JCGM 100)
	FitSDUM     float64 // the part of SDUM that is new in every spectrum
	Budget      Budget  // of SDUM
	SpreadUM    float64 // standard deviation of thickness inside the spot
	Coverage    float64
	Scale       float64 // of the reflectance against the calibration
	UnderNM     []float64
	Residual    float64 // robust standard deviation of the residuals, of reflectance

	// Candidates are the explanations that were compared, best first; none where the
	// channel cannot tell fringe orders.
	Candidates []Candidate

	WavelengthNM []float64 // bands of the fit, rising
	Measured     []float64 // reflectance of the bands; NaN where no pixel spoke
	Model        []float64 // the fit; nil when lost

	PhasePerNM []float64 // fringe phase 4πn/λ per nanometre of silicon

	// Of the fit: the part of Model that does not swing, and the first harmonic of
	// the fringes (die.Model.Fundamental), in the units of Measured; nil when lost.
	Mean        []float64
	Fundamental []complex128

	at    []float64 // the fitted parameters, for Again
	stage *stage    // and the bands in which they were fitted
}

// Candidate is one explanation of the spectrum.
type Candidate struct {
	ThicknessUM float64
	Weight      float64 // of all candidates, sum 1
}

// Estimator reads spectra of one channel. It keeps no history: each Measure
// stands alone. It owns its workspace: one goroutine at a time.
type Estimator struct {
	options   Options // with the thickness that the channel can reach
	ordersUM  float64 // thickness beyond which it cannot tell fringe orders
	pixels    int
	search    *stage
	fine      []*stage // by rising greatest thickness
	templates *templates
}

// stage is a grid with the fitter that works on it.
type stage struct {
	maxNM        float64 // thickness up to which it resolves the fringes
	grid         grid
	phasePerNM   []float64
	fitter       *fitter
	data, weight []float64
}

// New returns an estimator for a die and the wavelengths of a channel (nm, one
// per pixel, rising or falling).
func New(setup die.Setup, wavelengthNM []float64, options Options) (*Estimator, error) {
	options = options.withDefaults()
	setup = withLiner(setup)
	e := &Estimator{options: options, pixels: len(wavelengthNM)}
	bandNM := (options.MaxNM - options.MinNM) / searchBands
	if len(wavelengthNM) > 0 {
		low, high := math.Max(options.MinNM, slices.Min(wavelengthNM)), math.Min(options.MaxNM, slices.Max(wavelengthNM))
		bandNM = (high - low) / searchBands
	}
	var err error
	if options.MinUM, options.MaxUM, err = reach(setup, wavelengthNM, options); err != nil {
		return nil, err
	}
	e.options = options
	if e.search, err = newStage(setup, wavelengthNM, options, func(float64) float64 { return bandNM }); err != nil {
		return nil, err
	}
	e.search.maxNM = options.MaxUM * 1000
	e.ordersUM = tellable(e.search.fitter.model, options.MinUM, options.MaxUM)
	for maxNM := e.search.maxNM; ; maxNM /= stageRatio {
		width, finer := e.search.bandsFor(maxNM, bandNM)
		if !finer {
			e.search.maxNM = maxNM
			break
		}
		s, err := newStage(setup, wavelengthNM, options, width)
		if err != nil {
			return nil, err
		}
		s.maxNM = maxNM
		e.fine = append(e.fine, s)
	}
	e.fine = append(e.fine, e.search)
	slices.Reverse(e.fine)
	e.templates, err = newTemplates(e.search.fitter.model, e.search.grid, options.MinUM*1000, options.MaxUM*1000)
	if err != nil {
		return nil, fmt.Errorf("estimator: %w", err)
	}
	return e, nil
}

// Limits returns the thickness this channel can read, µm.
func (e *Estimator) Limits() (minUM, maxUM float64) { return e.options.MinUM, e.ordersUM }

// A nitride liner right under the silicon is seldom declared and turns the phase of
// what returns from there, which moves a reading by up to half a fringe order. So one of
// 0 to 60 nm is always possible.
const (
	linerMaterial    = "Si3N4"
	linerToleranceNM = 60
	linerStartNM     = 15 // of a fit: from there it finds none as well as one
)

func withLiner(setup die.Setup) die.Setup {
	if len(setup.Under) > 0 && strings.EqualFold(setup.Under[0].Material, linerMaterial) {
		return setup
	}
	liner := die.Layer{Material: linerMaterial, ToleranceNM: linerToleranceNM}
	under := setup.Under
	if len(under) == 0 && setup.Reflector == "" {
		under = []die.Layer{{Material: "SiO2", ThicknessNM: 1000}} // without end, as package die has it
	}
	setup.Under = append([]die.Layer{liner}, under...)
	return setup
}

func newStage(setup die.Setup, wavelengthNM []float64, o Options, widthNM func(nm float64) float64) (*stage, error) {
	g := newGrid(wavelengthNM, o.MinNM, o.MaxNM, widthNM)
	if len(g.wavelengthNM) < minBands {
		return nil, fmt.Errorf("estimator: %d pixels between %g and %g nm: at least %d are needed", len(g.wavelengthNM), o.MinNM, o.MaxNM, minBands)
	}
	model, err := die.NewBandModel(setup, g.wavelengthNM, g.widthNM)
	if err != nil {
		return nil, err
	}
	n := len(g.wavelengthNM)
	return &stage{grid: g, phasePerNM: model.PhasePerNM(), fitter: newFitter(model, g, o.MinUM*1000, o.MaxUM*1000),
		data: make([]float64, n), weight: make([]float64, n)}, nil
}

// bandsFor returns the widths of the bands that silicon of up to maxNM needs, at most
// the given width, and whether any must be finer than that.
func (s *stage) bandsFor(maxNM, bandNM float64) (widthNM func(nm float64) float64, finer bool) {
	widths := make([]float64, len(s.grid.wavelengthNM))
	for i := range widths {
		widths[i] = bandNM
		period, _ := s.fitter.model.Fringe(i, maxNM)
		if _, left := s.fitter.model.Fringe(i, maxNM/stageRatio); left > fringesLeft && period/bandsPerFringe < bandNM {
			widths[i], finer = period/bandsPerFringe, true
		}
	}
	return func(nm float64) float64 {
		i, _ := slices.BinarySearch(s.grid.wavelengthNM, nm)
		return widths[min(i, len(widths)-1)]
	}, finer
}

// stageFor returns the stage that resolves the fringes of a thickness.
func (e *Estimator) stageFor(thicknessNM float64) *stage {
	i := slices.IndexFunc(e.fine, func(s *stage) bool { return s.maxNM >= thicknessNM })
	if i < 0 {
		i = len(e.fine) - 1
	}
	return e.fine[i]
}

// load averages a spectrum into the bands and returns how many have light.
func (s *stage) load(reflectance []float64) int {
	s.grid.average(s.data, s.weight, reflectance)
	s.fitter.load(s.data, s.weight)
	lit := 0
	for _, w := range s.weight {
		if w > 0 {
			lit++
		}
	}
	return lit
}

// filled returns the data with dark bands bridged from their neighbours, for the
// templates, which have no weights.
func (s *stage) filled() []float64 {
	out := slices.Clone(s.data)
	last := -1
	for i, w := range s.weight {
		if w == 0 {
			continue
		}
		for j := last + 1; j < i; j++ {
			if last < 0 {
				out[j] = out[i]
			} else {
				t := float64(j-last) / float64(i-last)
				out[j] = out[last] + t*(out[i]-out[last])
			}
		}
		last = i
	}
	for j := last + 1; j < len(out) && last >= 0; j++ {
		out[j] = out[last]
	}
	return out
}

// fit is one refined candidate.
type fit struct {
	x      []float64
	cost   float64 // with the priors
	prior  float64 // their part
	weight float64 // of all candidates, set by weigh
}

// ErrLength is returned for a spectrum that is not of the channel's length.
var ErrLength = errors.New("wrong number of pixels")

// Measure reads one spectrum: reflectance as a fraction, one value per pixel,
// NaN where a pixel says nothing.
func (e *Estimator) Measure(reflectance []float64) (Result, error) {
	if len(reflectance) != e.pixels {
		return Result{}, fmt.Errorf("%w: found %d, the channel has %d", ErrLength, len(reflectance), e.pixels)
	}
	reflectance = withoutSpikes(reflectance)
	if lit := e.search.load(reflectance); lit < e.enough(e.search) {
		return e.search.lost(tooDark(lit, e.search)), nil
	}
	rough := e.rough(e.templates.search(e.search.filled()))
	thickest := 0.0
	for _, r := range rough {
		thickest = math.Max(thickest, r.x[atThickness])
	}
	at := e.stageFor(thickest)
	if at != e.search {
		at.load(reflectance)
	}
	fits := e.refine(at, rough)
	if len(fits) == 0 {
		return at.lost("no thickness explains the spectrum"), nil
	}
	at.byWeight(fits)
	return e.judge(at, fits), nil
}

// enough is how many bands must have light.
func (e *Estimator) enough(s *stage) int { return max(minBands, len(s.data)/3) }

func tooDark(lit int, s *stage) string {
	return fmt.Sprintf("only %d of %d bands can be used: too dark or saturated", lit, len(s.data))
}

func (s *stage) lost(reason string) Result {
	nan := math.NaN()
	r := Result{Quality: Lost, Reason: reason, ThicknessUM: nan, SDUM: nan, FitSDUM: nan, SpreadUM: nan,
		Coverage: nan, Scale: nan, Residual: nan}
	r.WavelengthNM, r.Measured, r.PhasePerNM = s.grid.wavelengthNM, s.measured(), s.phasePerNM
	return r
}

func (s *stage) measured() []float64 {
	out := slices.Clone(s.data)
	for i, w := range s.weight {
		if w == 0 {
			out[i] = math.NaN()
		}
	}
	return out
}

// What a reading must keep to count as the continuation of an earlier one.
const (
	againResidual = 1.3  // times the residual then
	againMoveNM   = 30   // from the thickness expected: a third of a fringe order
	againRival    = 1e-3 // weight of a second candidate then
	againRounds   = 3    // of descents, between which outliers lose weight

	// The fit has all but been there: the model is nearly linear on the way, and a gain of
	// 0.02 in chi-square is a tenth of a standard deviation.
	againDamping   = 1e-5
	againTolerance = 0.02
)

// Sure tells whether the reading leaves no other fringe order open, so that the next
// spectrum of the same place may be read from there with Again.
func (r Result) Sure() bool {
	return r.Quality == Good && (len(r.Candidates) < 2 || r.Candidates[1].Weight < againRival)
}

// Again reads a spectrum of the place of an earlier, sure reading: from its fit at the
// thickness now expected, without a search. ok is false when that is not a reading of the
// same die with residuals as small as then: Measure must look at the whole range. It may
// be weak for want of light.
func (e *Estimator) Again(reflectance []float64, earlier Result, expectedUM float64) (r Result, ok bool, err error) {
	if len(reflectance) != e.pixels {
		return Result{}, false, fmt.Errorf("%w: found %d, the channel has %d", ErrLength, len(reflectance), e.pixels)
	}
	if !earlier.Sure() || earlier.stage == nil || !slices.Contains(e.fine, earlier.stage) {
		return Result{}, false, nil
	}
	at := earlier.stage
	if lit := at.load(withoutSpikes(reflectance)); lit < e.enough(at) {
		return Result{}, false, nil
	}
	f := at.fitter
	x := slices.Clone(earlier.at)
	x[atThickness] = expectedUM * 1000
	sigma := earlier.Residual
	defer func(damping, tolerance float64) { f.Damping, f.Tolerance = damping, tolerance }(f.Damping, f.Tolerance)
	f.Damping, f.Tolerance = againDamping, againTolerance
	f.Cost(x, sigma)
	now, outliers := sigma, true
	for round := 0; outliers && round < againRounds; round++ {
		f.DescendOn(x, sigma, 3)
		now, outliers = f.reweigh()
	}
	if now > againResidual*sigma {
		return Result{}, false, nil
	}
	if math.Abs(x[atThickness]-expectedUM*1000) > againMoveNM {
		return Result{}, false, nil
	}
	if !slices.Equal(f.evaluated, x) { // the last step was no better
		f.Cost(x, sigma)
	}
	r = e.judge(at, []fit{{x: x, weight: 1}})
	return r, r.Quality == Good || r.Quality == Weak, nil
}

// rough refines the best guesses in the bands of the search and returns those that are
// worth more, best first, each a different thickness.
func (e *Estimator) rough(guesses []guess) []fit {
	f := e.search.fitter
	var fits []fit
	for _, g := range guesses[:min(len(guesses), searchRefined)] {
		x := f.start(g.params)
		x[atTilt] = 0.3 // inside, where the slopes lead either way
		if undeclared(f.model.Setup(), 0) {
			x[atUnder] = linerStartNM
		}
		fits = append(fits, fit{x: x})
	}
	fits = f.race(fits)
	return fits[:min(len(fits), fineRefined)]
}

// refine fits in the bands of a stage, from rough fits and from the fringe orders next
// to the best of them, and returns what was found, best first, each a different thickness.
func (e *Estimator) refine(at *stage, fits []fit) []fit {
	f := at.fitter
	f.trustAll()
	for i := range fits {
		fits[i].cost = f.Descend(fits[i].x, searchSigma, 6)
	}
	if fits = distinct(fits); len(fits) == 0 {
		return nil
	}
	fits = contenders(distinct(append(fits, f.race(at.neighbours(fits))...)), float64(len(f.data))/10)
	sigma := math.Inf(1)
	for _, o := range fits[:min(len(fits), fineSettled)] {
		sigma = math.Min(sigma, f.settle(o.x, searchSigma))
	}
	for i := range fits {
		fits[i].cost, fits[i].prior = f.loss(fits[i].x, sigma), f.PriorCost(fits[i].x)
	}
	return distinct(fits)
}

// neighbours returns starts one and two fringe orders from the best fit, where no fit
// stands yet: the search may have passed over one, and it is the orders next to the best
// that a reading can be mistaken for.
func (s *stage) neighbours(fits []fit) []fit {
	f := s.fitter
	best := fits[0].x
	period := s.orderNM(f.model.Fundamental(f.params(best)))
	var starts []fit
	for _, orders := range []float64{-0.5, 0.5, -1, 1, -2, 2} {
		d := best[atThickness] + orders*period
		if math.IsNaN(d) {
			break
		}
		stands := slices.ContainsFunc(fits, func(o fit) bool { return math.Abs(o.x[atThickness]-d) < 0.3*period })
		if stands || d < f.Low[atThickness] || d > f.High[atThickness] {
			continue
		}
		x := slices.Clone(best)
		x[atThickness] = d
		clear(x[atDispersion:atUnder])
		if math.Abs(orders) < 1 {
			x[atSpreadVar], x[atTilt] = turned(best[atSpreadVar], best[atTilt])
		}
		starts = append(starts, fit{x: x})
	}
	return starts
}

// orderNM is the thickness of a fringe order, λ/2n = 2π/(4πn/λ), averaged over where the
// fringes are; NaN without any.
func (s *stage) orderNM(fundamental []complex128) float64 {
	sum, weights := 0.0, 0.0
	for i, z := range fundamental {
		w := real(z)*real(z) + imag(z)*imag(z)
		sum += w * 2 * math.Pi / s.phasePerNM[i]
		weights += w
	}
	return sum / weights
}

// turned returns the spread that shows fringes of about the same size with dark for
// bright: a face tilted by more than half a fringe does that to those of one that is not,
// so that its fit stands half an order away. The numbers are of such pairs of fits to test
// spectra; a descent goes on from there.
func turned(spreadVar, tilt float64) (otherVar, otherTilt float64) {
	if tilt > 0.4 {
		return 0.55 * spreadVar, 0.1
	}
	return 1.8 * spreadVar, 0.6
}

// distinct sorts fits by cost and drops those that ended at the same thickness.
func distinct(fits []fit) []fit {
	slices.SortStableFunc(fits, func(a, b fit) int { return compare(a.cost, b.cost) })
	var out []fit
	for _, f := range fits {
		same := slices.ContainsFunc(out, func(o fit) bool {
			return math.Abs(o.x[atThickness]-f.x[atThickness]) < 20
		})
		if !same && !math.IsNaN(f.cost) {
			out = append(out, f)
		}
	}
	return out
}

// byWeight sorts fits by weight, best first, and leaves the fitter evaluated at the best.
func (s *stage) byWeight(fits []fit) {
	f := s.fitter
	f.Cost(fits[0].x, 1)
	f.reweigh()
	lit, _, independent := s.evidence()
	weigh(fits, independent, lit)
	slices.SortStableFunc(fits, func(a, b fit) int { return compare(b.weight, a.weight) })
	if !slices.Equal(f.evaluated, fits[0].x) {
		f.Cost(fits[0].x, 1)
	}
}

// evidence is the number of bands with light, how alike the residuals of neighbours are
// where the fit stands, and how many independent bands that leaves.
func (s *stage) evidence() (lit, rho, independent float64) {
	for _, w := range s.weight {
		lit += w
	}
	rho = s.fitter.Correlation()
	return lit, rho, lit * (1 - rho) / (1 + rho)
}

// judge turns the refined candidates into a reading with a quality. The fit of the stage
// must stand at the best and be evaluated there last.
func (e *Estimator) judge(at *stage, fits []fit) Result {
	f := at.fitter
	best := fits[0].x
	sigma, _ := f.reweigh()
	_, rho, independent := at.evidence()

	r := Result{
		ThicknessUM: best[atThickness] / 1000,
		SpreadUM:    math.Sqrt(best[atSpreadVar]) / 1000,
		Coverage:    best[atCoverage],
		Scale:       best[f.lamp()],
		UnderNM:     slices.Clone(best[atUnder:f.lamp()]),
		Residual:    sigma,
		at:          slices.Clone(best),
		stage:       at,

		WavelengthNM: at.grid.wavelengthNM,
		PhasePerNM:   at.phasePerNM,
		Measured:     at.measured(),
		Model:        make([]float64, len(at.data)),
	}
	// The fit stands at the best: residual = data - model.
	swing := 0.0
	for i := range r.Model {
		r.Model[i] = f.data[i] - f.Residual[i]
		if at.weight[i] == 0 {
			r.Model[i] = math.NaN()
		}
		v := f.eval.Reflectance[i] - f.eval.Mean[i]
		swing += v * v
	}
	r.Fundamental = slices.Clone(f.eval.First)
	r.Mean = make([]float64, len(r.Model))
	for i := range r.Mean {
		r.Fundamental[i] *= complex(f.gain(best, i), 0)
		r.Mean[i] = f.gain(best, i)*f.eval.Mean[i] + best[f.lamp()+3]
	}
	swing = r.Scale * math.Sqrt(swing/float64(len(r.Model)))

	r.FitSDUM, r.SDUM = math.NaN(), math.NaN()
	if c, ok := f.Covariance(best, sigma); ok {
		r.Budget = newBudget(r.ThicknessUM, f.model.IndexRelSD())
		// What the priors of some unknowns leave in the thickness is the same in every
		// spectrum of the die, and is not for the next one to average out.
		share := func(from, to int) float64 {
			sum := 0.0
			for k := from; k < to; k++ {
				if f.Free[k] {
					part := c.At(atThickness, k) / f.PriorSD[k]
					sum += part * part
				}
			}
			return sum
		}
		table, under := share(atDispersion, atUnder), share(atUnder, f.lamp())
		r.FitSDUM = math.Sqrt(c.At(atThickness, atThickness)-table-under) / 1000
		r.Budget.FitUM = r.FitSDUM
		r.Budget.TableUM = math.Hypot(r.Budget.TableUM, math.Sqrt(table)/1000)
		r.Budget.UnderlayerUM = math.Hypot(r.Budget.UnderlayerUM, math.Sqrt(under)/1000)
		r.SDUM = r.Budget.SDUM()
	}
	if r.ThicknessUM <= e.ordersUM {
		for _, f := range fits {
			r.Candidates = append(r.Candidates, Candidate{f.x[atThickness] / 1000, f.weight})
		}
	}
	e.grade(at, &r, swing, sigma*math.Sqrt(rho)/swing, swing*math.Sqrt(independent)/sigma)
	return r
}

// weigh turns costs into weights, of sum 1. The scale of the residuals is not known
// beforehand, so a likelihood ratio under Gaussian errors of unknown scale is used,
// (ratio of the losses)^(-N/2) with the number of independent bands for N, times the
// ratio of the priors. But what the model gets wrong is shared by many bands: beyond
// mostIndependent more bands are no more evidence.
func weigh(fits []fit, independent, lit float64) {
	independent = math.Min(independent, mostIndependent)
	most := math.Inf(-1)
	for i, f := range fits {
		fits[i].weight = -independent/2*math.Log(math.Max(f.cost-f.prior, lit*1e-3)) - f.prior/2
		most = math.Max(most, fits[i].weight)
	}
	sum := 0.0
	for i := range fits {
		fits[i].weight = math.Exp(fits[i].weight - most)
		sum += fits[i].weight
	}
	for i := range fits {
		fits[i].weight /= sum
	}
}

// grade decides how far the reading may be trusted.
func (e *Estimator) grade(at *stage, r *Result, swing, misfit, signal float64) {
	edge := r.ThicknessUM <= e.options.MinUM*1.001 || r.ThicknessUM >= e.options.MaxUM*0.999
	switch {
	case math.IsNaN(r.FitSDUM):
		r.Quality, r.Reason = Lost, "the spectrum does not fix a thickness"
	case edge:
		r.Quality, r.Reason = Lost, fmt.Sprintf("the best fit lies outside %g to %g µm", e.options.MinUM, e.options.MaxUM)
	case swing < minSwing:
		r.Quality, r.Reason = Lost, fmt.Sprintf("fringes of %.2g %% of reflectance are too faint", 100*swing)
	case misfit > lostMisfit:
		r.Quality, r.Reason = Lost, fmt.Sprintf("the fit leaves %.0f %% of the fringes unexplained", 100*misfit)
	case signal < lostSignal:
		r.Quality, r.Reason = Lost, fmt.Sprintf("fringes of %.2g %% of reflectance drown in noise", 100*swing)
	case len(r.Candidates) > 1 && r.Candidates[1].Weight > otherOrder:
		r.Quality = Ambiguous
		r.Reason = fmt.Sprintf("%.3f or %.3f µm", r.Candidates[0].ThicknessUM, r.Candidates[1].ThicknessUM)
	case len(r.Candidates) == 0:
		r.Quality = Ambiguous
		r.Reason = fmt.Sprintf("too thick to tell orders: about %.2f µm, told up to %.1f µm", r.ThicknessUM, e.ordersUM)
	case math.Abs(r.Scale-1) > weakScale:
		r.Quality, r.Reason = Weak, OffBrightness(r.Scale, r.at[len(r.at)-1])
	case misfit > weakMisfit:
		r.Quality, r.Reason = Weak, fmt.Sprintf("the fit leaves %.0f %% of the fringes unexplained", 100*misfit)
	case signal < weakSignal:
		r.Quality, r.Reason = Weak, fmt.Sprintf("fringes of %.2g %% of reflectance are faint", 100*swing)
	}
	if r.Quality == Weak {
		// What spoils the fit reaches the phase as well; by how much is not known.
		r.Budget.UnderlayerUM *= weakDoubt
		r.SDUM = r.Budget.SDUM()
	}
	if r.Quality == Lost {
		lost := at.lost(r.Reason)
		lost.Candidates = r.Candidates
		*r = lost
	}
}

// OffBrightness says what a scale far from one and the offset beside it point to. Slurry
// scatters: it takes light from the beam and gives some back without fringes. A reference
// of another material, or a spot out of focus, only scales.
func OffBrightness(scale, offset float64) string {
	const scattered = 0.02 // of reflectance
	switch {
	case scale > 1:
		return fmt.Sprintf("%.0f %% of the brightness expected: a wrong reference, or the lamp has drifted", 100*scale)
	case offset > scattered:
		return fmt.Sprintf("%.0f %% of the brightness expected, and %.0f %% of scattered light: slurry or a film on the view", 100*scale, 100*offset)
	}
	return fmt.Sprintf("%.0f %% of the brightness expected: out of focus, something on the view, or a wrong reference", 100*scale)
}

// Budget is the uncertainty of a thickness by its sources (JCGM 100, 5.1.2), each as a
// standard uncertainty in µm.
type Budget struct {
	FitUM         float64 // noise, through the unknowns that are fitted: new in every spectrum
	TableUM       float64 // silicon index of the published table, its level and its shape
	TemperatureUM float64 // of the die, through the index
	WavelengthUM  float64 // scale of the spectrometer
	UnderlayerUM  float64 // layers of the front side within their tolerances, and what is not a layer
}

func newBudget(thicknessUM, tableRelSD float64) Budget {
	return Budget{
		TableUM:       tableRelSD * thicknessUM,
		TemperatureUM: indexPerK * temperatureSDK * thicknessUM,
		WavelengthUM:  wavelengthRelSD * thicknessUM,
		UnderlayerUM:  underlayerSDUM,
	}
}

// SDUM is the sum of the budget, in quadrature.
func (b Budget) SDUM() float64 {
	sum := 0.0
	for _, u := range []float64{b.FitUM, b.TableUM, b.TemperatureUM, b.WavelengthUM, b.UnderlayerUM} {
		sum += u * u
	}
	return math.Sqrt(sum)
}
