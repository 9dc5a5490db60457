package thick

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"

	"gonum.org/v1/gonum/floats"
)

// Options bound what is looked for. The zero value takes the defaults.
type Options struct {
	MinUM, MaxUM float64 // thickness; 0 means 3 and 800
	MinNM, MaxNM float64 // wavelengths used; 0 means 900 and 1750
}

func (o Options) withDefaults() Options {
	if o.MinUM == 0 {
		o.MinUM = 3
	}
	if o.MaxUM == 0 {
		o.MaxUM = 800
	}
	if o.MinNM == 0 {
		o.MinNM = 900
	}
	if o.MaxNM == 0 {
		o.MaxNM = 1750
	}
	return o
}

// What separates the qualities. Evidence is the sum of squares of the fitted
// fringes over the variance of the residuals: in noise alone, the best of some
// thousand thicknesses reaches about 30.
const (
	leastPower   = 20 // of the highest peak over the variance of what is no peak: worth a fit
	lostEvidence = 80
	weakEvidence = 300
	rival        = 0.5   // of what the best thickness explains, explained by another too
	whole        = 0.8   // of what is not background, explained: no room for a rival
	serious      = 0.3   // of the highest peak: worth a fit
	faint        = 0.04  // of the highest peak: worth a fit at half its thickness
	otherWeight  = 0.02  // of a second thickness that makes a reading ambiguous
	minSwing     = 0.001 // rms fringe of reflectance, where it is largest
	weakPart     = 0.01  // standard uncertainty over thickness
	lostPart     = 0.03
	weakMisfit   = 0.15 // residual that is no noise over rms fringe
	weakScale    = 0.5  // the lamp does not lose that much: something is on the view
	searchMargin = 1.15 // searched beyond the limits, to tell what lies there
	mostFits     = 3
	fewFringes   = 4.0 // in the band: another number may do as well
	someFringes  = 7   // in the band: another front side may do as well
	someBands    = 128 // enough for so many, to try what else may do
	unlikelyRuns = 3   // standard deviations of the correlation of noise: another front side may do better
)

// Estimator reads spectra of one channel. It keeps no history: each Measure
// stands alone. It owns its workspace: one goroutine at a time.
type Estimator struct {
	pixels        int
	order         []int // pixels used, wavelengths rising
	film          *film
	lowNM, highNM float64
	lobeNM        float64 // thickness by which the fringes of the band change by one
	orderUM       float64 // thickness by which one fringe passes, in the middle of the band
	scales        []scale
	w             *workspace
	coarse        *workspace // its pixels are means of so many
	pixelsPerBand int

	// Of the spectrum at hand.
	flat []float64 // without background
	lit  int       // pixels with light
}

// New returns an estimator for a die and the wavelengths of a channel (nm, one per
// pixel, rising or falling). It fails when the channel can measure no thickness
// within the options.
func New(setup die.Setup, wavelengthNM []float64, options Options) (*Estimator, error) {
	o := options.withDefaults()
	if setup.Reflector != "" && !(0 <= setup.CoverageMin && setup.CoverageMin <= setup.CoverageMax && setup.CoverageMax <= 1) {
		return nil, fmt.Errorf("thick silicon: coverage %g to %g: allowed is 0 to 1 in rising order", setup.CoverageMin, setup.CoverageMax)
	}
	e := &Estimator{pixels: len(wavelengthNM)}
	for i, w := range wavelengthNM {
		if w >= o.MinNM && w <= o.MaxNM {
			e.order = append(e.order, i)
		}
	}
	slices.SortStableFunc(e.order, func(a, b int) int { return cmp.Compare(wavelengthNM[a], wavelengthNM[b]) })
	used := make([]float64, 0, len(e.order))
	for _, i := range e.order {
		if n := len(used); n > 0 && wavelengthNM[i] == used[n-1] {
			return nil, fmt.Errorf("thick silicon: two pixels at %g nm", used[n-1])
		}
		used = append(used, wavelengthNM[i])
	}
	if len(used) < minPixels {
		return nil, fmt.Errorf("thick silicon: %d pixels between %g and %g nm: at least %d are needed", len(used), o.MinNM, o.MaxNM, minPixels)
	}
	var err error
	if e.film, err = newFilm(setup, used); err != nil {
		return nil, fmt.Errorf("thick silicon: %w", err)
	}
	low, high := e.film.limits()
	e.lowNM, e.highNM = max(low, o.MinUM*1000), min(high, o.MaxUM*1000)
	if !(e.lowNM < e.highNM) {
		return nil, fmt.Errorf("thick silicon: %d pixels between %.0f and %.0f nm can measure %.3g to %.3g µm, asked for are %g to %g µm",
			len(used), used[0], used[len(used)-1], low/1000, high/1000, o.MinUM, o.MaxUM)
	}
	e.lobeNM = 2 * math.Pi / (e.film.phase[0] - e.film.phase[len(used)-1])
	e.orderUM = 2 * math.Pi / e.film.phase[len(used)/2] / 1000
	e.scales = newScales(e.film, max(e.lowNM/searchMargin, e.lobeNM), e.highNM*searchMargin)
	e.w = newWorkspace(e.film)
	e.flat = make([]float64, len(used))
	e.coarse, e.pixelsPerBand = e.w, len(used)/someBands
	if e.pixelsPerBand > 1 && e.lowNM < someFringes*e.lobeNM {
		var middles []float64
		for band := range slices.Chunk(used, e.pixelsPerBand) {
			middles = append(middles, floats.Sum(band)/float64(len(band)))
		}
		f, err := newFilm(setup, middles)
		if err != nil {
			return nil, fmt.Errorf("thick silicon: %w", err)
		}
		e.coarse = newWorkspace(f)
	}
	return e, nil
}

// Limits returns the range this channel can measure, µm: from 1.5 fringes in the band
// up to where pixels, line width and absorption leave too little of the fringes, both
// within the options.
func (e *Estimator) Limits() (minUM, maxUM float64) { return e.lowNM / 1000, e.highNM / 1000 }

// Measure reads one spectrum: reflectance as a fraction, one value per pixel, NaN
// where a pixel says nothing. The bands of the result are the pixels used.
func (e *Estimator) Measure(reflectance []float64) (estimate.Result, error) {
	lit, err := e.load(reflectance)
	if err != nil {
		return estimate.Result{}, err
	}
	if !lit {
		return e.lost(fmt.Sprintf("only %d of %d bands can be used: too dark or saturated", e.lit, len(e.flat))), nil
	}
	fits := e.fit(e.search())
	if len(fits) == 0 {
		return e.lost("no clear fringes" + e.dim() + e.measures()), nil
	}
	return e.judge(fits), nil
}

// What a reading must keep to count as the continuation of an earlier one.
const (
	againResidual = 1.3  // times the residual then
	againMove     = 0.25 // of a fringe order, from the thickness expected
)

// Again reads a spectrum of the place of an earlier, sure reading: from its fit at the
// thickness now expected, without a search. ok is false when that is not a good reading
// of the same die: then Measure must look at the whole range.
func (e *Estimator) Again(reflectance []float64, earlier estimate.Result, expectedUM float64) (r estimate.Result, ok bool, err error) {
	lit, err := e.load(reflectance)
	low, high := e.Limits()
	if err != nil || !lit || !earlier.Sure() || len(earlier.Fundamental) != len(e.flat) || !(low <= expectedUM && expectedUM <= high) {
		return estimate.Result{}, false, err
	}
	w := e.w
	x := w.resume(earlier, expectedUM*1000, e.lobeNM/2)
	copy(w.Weight, w.weight)
	w.DescendOn(x, earlier.Residual, 4)
	if w.reweigh() > againResidual*earlier.Residual {
		return estimate.Result{}, false, nil
	}
	if !slices.Equal(w.Weight, w.weight) {
		w.DescendOn(x, earlier.Residual, 2)
	}
	r = e.judge([]candidate{w.candidate(x, math.Inf(1))})
	if r.Quality != estimate.Good {
		return estimate.Result{}, false, nil
	}
	// What the search found to explain it as well is not looked for again.
	r.Budget.UnderlayerUM = math.Max(r.Budget.UnderlayerUM, earlier.Budget.UnderlayerUM)
	r.SDUM = r.Budget.SDUM()
	move := againMove * e.orderUM
	if math.Abs(r.ThicknessUM-expectedUM) > move || r.FitSDUM > move/3 {
		return estimate.Result{}, false, nil
	}
	return r, true, nil
}

// measures names the limits of the channel, for the end of a reason.
func (e *Estimator) measures() string {
	low, high := e.Limits()
	return fmt.Sprintf("; this channel measures %.3g to %.3g µm", low, high)
}

// dim says so when the spectrum is far too dark or too bright for a die that cannot be
// read.
func (e *Estimator) dim() string {
	sum, bare := 0.0, 0.0
	for i, v := range e.w.weight {
		sum += v * e.w.data[i]
		bare += v * e.film.inner[i] * e.film.inner[i]
	}
	switch left := sum / bare; {
	case sum > float64(e.lit):
		return fmt.Sprintf(", and %.0f %% of the light comes back: a wrong reference, or the lamp has drifted", 100*sum/float64(e.lit))
	case left < weakScale:
		return fmt.Sprintf(", and %.0f %% of the brightness of bare silicon: out of focus, something on the view, or a wrong reference", 100*left)
	}
	return ""
}

// load takes the pixels used, in order, without spikes, and tells whether enough have
// light.
func (e *Estimator) load(reflectance []float64) (ok bool, err error) {
	const brightest = 3 // no reflectance, however wrong the reference
	if len(reflectance) != e.pixels {
		return false, fmt.Errorf("%w: found %d, the channel has %d", estimate.ErrLength, len(reflectance), e.pixels)
	}
	w := e.w
	w.aroundNM = math.NaN()
	for k, i := range e.order {
		r := reflectance[i]
		w.data[k], w.weight[k] = r, 1
		if !(math.Abs(r) <= brightest) {
			w.data[k], w.weight[k] = 0, 0
		}
	}
	w.dropSpikes()
	e.lit = 0
	for _, v := range w.weight {
		if v > 0 {
			e.lit++
		}
	}
	return e.lit >= max(minPixels, len(w.data)/3), nil
}

// dropSpikes takes the weight from pixels far outside the range of their
// neighbourhood: hot pixels, cosmic rays. Fringes of whatever period swing by no more
// than 1.5 times their usual deviation.
func (w *workspace) dropSpikes() {
	const (
		near  = 32
		limit = 6
		floor = 0.01 // of reflectance
	)
	n := len(w.data)
	for first := 0; first < n; first += near {
		low, high := max(0, min(first, n-near)), min(first+near, n)
		w.sizes = w.sizes[:0]
		for i := low; i < high; i++ {
			if w.weight[i] > 0 {
				w.sizes = append(w.sizes, w.data[i])
			}
		}
		if len(w.sizes) < near/4 {
			continue
		}
		slices.Sort(w.sizes)
		middle := w.sizes[len(w.sizes)/2]
		for k, v := range w.sizes {
			w.sizes[k] = math.Abs(v - middle)
		}
		slices.Sort(w.sizes)
		usual := 1.4826 * w.sizes[len(w.sizes)/2]
		for i := low; i < high; i++ {
			if w.weight[i] > 0 && math.Abs(w.data[i]-middle) > limit*usual+floor {
				w.data[i], w.weight[i] = 0, 0
			}
		}
	}
}

// search returns the thicknesses worth a fit, strongest peak first, and how many of
// them must be fitted come what may: half the strongest is one, for what was found may
// be its second harmonic.
func (e *Estimator) search() (peaks []peak, must int) {
	w := e.w
	var list []peak
	around := math.Inf(1) // sum of squares without background
	for k := range e.scales {
		around = math.Min(around, e.scales[k].background(e.flat, w.data, w.weight))
		list = e.scales[k].peaks(list, k, e.flat, w.weight, 2*mostFits)
	}
	list = apart(list, 2*e.lobeNM)
	if len(list) == 0 || list[0].power*float64(e.lit) < leastPower*(around-list[0].power) {
		return nil, 0
	}
	best := list[0]
	peaks = append(peaks, best)
	for _, p := range list[1:] {
		if math.Abs(2*p.nm-best.nm) < 2*e.lobeNM && p.power > faint*best.power {
			peaks = append(peaks, p)
		}
	}
	must = len(peaks)
	for _, p := range list[1:] {
		if len(peaks) < must+mostFits-1 && p.power > serious*best.power && !slices.Contains(peaks, p) {
			peaks = append(peaks, p)
		}
	}
	return peaks, must
}

// coarsen returns the spectrum with some pixels in one.
func (e *Estimator) coarsen() *workspace {
	w, c := e.w, e.coarse
	if c == w {
		return w
	}
	c.aroundNM = math.NaN()
	for k := range c.data {
		first, last := k*e.pixelsPerBand, min((k+1)*e.pixelsPerBand, len(w.data))
		lit := floats.Sum(w.weight[first:last])
		c.data[k], c.weight[k] = 0, lit/float64(e.pixelsPerBand)
		if lit > 0 {
			c.data[k] = floats.Sum(w.data[first:last]) / lit // dark pixels are 0
		}
	}
	return c
}

// candidate is one thickness after its fit.
type candidate struct {
	x         []float64
	aroundNM  float64 // what the parameters were opened around
	left      float64 // sum of squares of the residuals
	explained float64 // part of what is not background
	doubtVar  float64 // nm², from other fits that do nearly as well nearby
}

// fit refines peaks; best first, each a different thickness.
func (e *Estimator) fit(peaks []peak, must int) []candidate {
	w := e.w
	var fits []candidate
	for k, p := range peaks {
		if k >= must && fits[0].explained > whole {
			break
		}
		around := e.scales[p.scale].background(e.flat, w.data, w.weight)
		for _, s := range w.begin(p, e.flat, w.weight, e.lobeNM) {
			x := w.around(s, e.lobeNM)
			w.settle(x, math.Max(math.Sqrt(around/float64(len(e.flat)))/2, sigmaFloor))
			fits = append(fits, w.candidate(x, around))
		}
	}
	fits = e.different(fits)
	if len(fits) == 0 {
		return nil
	}
	if fits[0].x[atThickness] < someFringes*e.lobeNM {
		return e.compare(fits, e.coarsen())
	}
	w.stand(fits[0])
	w.reweigh()
	if w.Correlation() > unlikelyRuns/math.Sqrt(float64(e.lit)) || w.strange(fits[0].x) {
		return e.compare(fits, w)
	}
	return fits
}

// strange tells whether a layer lies outside its tolerance.
func (w *workspace) strange(x []float64) bool {
	for j, layer := range w.film.setup.Under {
		if math.Abs(x[atUnder+j]-layer.ThicknessNM) > layer.ToleranceNM {
			return true
		}
	}
	return false
}

// compare adds to fits what else may explain the spectrum: other front sides, and when
// there are few fringes, fewer or more with a front side to suit. It tries them on c.
func (e *Estimator) compare(fits []candidate, c *workspace) []candidate {
	w, best := e.w, fits[0]
	around := best.left / (1 - best.explained)
	c.stand(best)
	sigma := c.reweigh()
	try := func(s start, iterations int) {
		x := c.around(s, e.lobeNM/2)
		c.Descend(x, sigma, iterations)
		w.stand(candidate{x: x, aroundNM: s.nm})
		fits = append(fits, w.candidate(x, around))
	}
	under, coverage := w.underChoices(), w.coverageChoices()
	for _, u := range spaced(under) {
		for _, share := range spaced(coverage) {
			try(start{nm: best.x[atThickness], phase: best.x[atPhase], coverage: share, underNM: u}, 15)
		}
	}
	if best.x[atThickness] < fewFringes*e.lobeNM {
		for fringes := fewFringes + 1; fringes > 0; fringes -= 0.5 {
			try(start{nm: fringes * e.lobeNM, coverage: w.Prior[atCoverage], underNM: w.Prior[atUnder:w.lamp()]}, 6)
		}
	}
	w.stand(best)
	sigma = w.reweigh()
	for _, f := range e.different(slices.Clone(fits)) {
		if f.left < 2*best.left { // worth an end
			x := w.around(start{nm: f.x[atThickness]}, e.lobeNM/2)
			copy(x, f.x)
			w.Clamp(x)
			w.settle(x, sigma)
			fits = append(fits, w.candidate(x, around))
		}
	}
	return e.different(fits)
}

// spaced returns up to three of a list, from near its ends and its middle.
func spaced[T any](list []T) []T {
	n := len(list)
	if n <= 3 {
		return list
	}
	return []T{list[n/6], list[n/2], list[n-1-n/6]}
}

// candidate is the fit that stands at x; around is the sum of squares without background.
func (w *workspace) candidate(x []float64, around float64) candidate {
	left := dot(w.Residual, w.Residual, w.Weight)
	return candidate{x: x, aroundNM: w.aroundNM, left: left, explained: 1 - left/around}
}

// stand makes the fit stand at a candidate, with the bend that was its own.
func (w *workspace) stand(c candidate) {
	if w.aroundNM != c.aroundNM {
		w.around(start{nm: c.aroundNM}, 0)
	} else if slices.Equal(w.evaluated, c.x) {
		return
	}
	w.Cost(c.x, 1)
}

// different sorts fits and merges those near the thickness of a better one into it: as
// likely as they are, they widen its uncertainty.
func (e *Estimator) different(fits []candidate) []candidate {
	slices.SortStableFunc(fits, func(a, b candidate) int { return cmp.Compare(a.left, b.left) })
	var out []candidate
	for _, f := range fits {
		k := slices.IndexFunc(out, func(o candidate) bool { return math.Abs(o.x[atThickness]-f.x[atThickness]) < e.lobeNM/4 })
		if k < 0 {
			f.doubtVar = 0
			out = append(out, f)
			continue
		}
		apart := f.x[atThickness] - out[k].x[atThickness]
		likely := math.Pow(out[k].left/f.left, float64(e.lit)/2)
		out[k].doubtVar = math.Max(out[k].doubtVar, likely/(1+likely)*apart*apart)
	}
	return out
}

func (e *Estimator) lost(reason string) estimate.Result {
	nan := math.NaN()
	return estimate.Result{Quality: estimate.Lost, Reason: reason, ThicknessUM: nan, SDUM: nan, FitSDUM: nan, SpreadUM: nan,
		Coverage: nan, Scale: nan, Residual: nan, WavelengthNM: e.film.wavelengthNM, Measured: e.measured(), PhasePerNM: e.film.phase}
}

func (e *Estimator) measured() []float64 {
	out := slices.Clone(e.w.data)
	for i, v := range e.w.weight {
		if v == 0 {
			out[i] = math.NaN()
		}
	}
	return out
}

// judge turns the fits into a reading with a quality.
func (e *Estimator) judge(fits []candidate) estimate.Result {
	w, best := e.w, fits[0]
	x := best.x
	w.stand(best)
	sigma := w.reweigh()
	rho := w.Correlation()
	inflate := (1 + rho) / (1 - rho) // fewer residuals are independent than there are pixels

	r := estimate.Result{
		SpreadUM: math.Sqrt(math.Max(x[atSpread], 0)) / 1000,
		Coverage: x[atCoverage],
		Scale:    x[w.lamp()],
		UnderNM:  slices.Clone(x[atUnder:w.lamp()]),
		Residual: sigma,

		WavelengthNM: e.film.wavelengthNM,
		Measured:     e.measured(),
		Model:        slices.Clone(w.model),
		PhasePerNM:   e.film.phase,
		Mean:         slices.Clone(w.mean),
		Fundamental:  slices.Clone(w.first),
	}
	evidence, swing := 0.0, 0.0
	for i, v := range w.weight {
		if v == 0 {
			r.Model[i] = math.NaN()
		}
		evidence += v * w.swing[i] * w.swing[i] / (sigma * sigma * inflate)
		square := real(w.first[i])*real(w.first[i]) + imag(w.first[i])*imag(w.first[i])
		swing = math.Max(swing, square)
		w.sight[i] = v*square + 1e-12
	}
	swing = math.Sqrt(swing / 2)

	noise, beliefs, ok := w.covariance(x, sigma)
	by, _ := w.doubt(x[atThickness], w.sight)
	by[fromFit].add(noise, inflate)
	by[fromUnderlayer].add(beliefs, 1)
	// What the fit leaves in runs is no noise: the front side is not quite as modelled.
	// A part p of the fringes in its own rhythm shifts their phase by up to p rad, and
	// over the band thickness by as much of half a lobe.
	misfit := math.Sqrt(rho) * sigma / swing
	by[fromUnderlayer].add(covariance{{math.Pow(misfit*e.lobeNM/2, 2) + best.doubtVar, 0}, {0, misfit * misfit}}, 1)
	nm, variance := weighOrders(x[atThickness], x[atPhase], by)
	r.Budget = newBudget(variance)
	r.ThicknessUM, r.SDUM, r.FitSDUM = nm/1000, r.Budget.SDUM(), r.Budget.FitUM

	weights, other := rivals(fits, float64(e.lit)/inflate)
	for k, f := range fits {
		r.Candidates = append(r.Candidates, estimate.Candidate{ThicknessUM: f.x[atThickness] / 1000, Weight: weights[k]})
	}
	r.Candidates[0].ThicknessUM = r.ThicknessUM
	e.grade(&r, ok, evidence, swing, misfit, x[w.lamp()+lampTerms], other)
	return r
}

// rivals returns the weights of fits, sum 1, and the thickness (µm) of one that makes
// the best doubtful, NaN for none. Two thicknesses can explain the same fringes: then
// the ratio of likelihoods counts, under Gaussian errors of unknown scale (cost
// ratio)^(-N/2) for N independent residuals. Or each explains fringes of its own, and
// which film is the silicon is not for the fit to say.
func rivals(fits []candidate, independent float64) (weights []float64, otherUM float64) {
	best := fits[0]
	sum := 0.0
	for _, f := range fits {
		weight := math.Pow(best.left/f.left, independent/2)
		if best.explained < whole && f.explained > rival*best.explained {
			weight = f.explained / best.explained
		}
		weights = append(weights, weight)
		sum += weight
	}
	otherUM = math.NaN()
	for k := range weights {
		weights[k] /= sum
		if k > 0 && weights[k] > otherWeight && math.IsNaN(otherUM) {
			otherUM = fits[k].x[atThickness] / 1000
		}
	}
	return weights, otherUM
}

// grade decides how far the reading may be trusted.
func (e *Estimator) grade(r *estimate.Result, fixed bool, evidence, swing, misfit, offset, otherUM float64) {
	low, high := e.Limits()
	unsure := r.SDUM / r.ThicknessUM
	lost := func(format string, values ...any) {
		r.Quality, r.Reason = estimate.Lost, fmt.Sprintf(format, values...)+e.measures()
	}
	weak := func(format string, values ...any) {
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf(format, values...)
	}
	switch {
	case swing < minSwing:
		lost("fringes of %.2g %% of reflectance are too faint%s", 100*swing, e.dim())
	case evidence < lostEvidence:
		lost("fringes of %.2g %% of reflectance drown in noise%s", 100*swing, e.dim())
	case !fixed || math.IsNaN(unsure):
		lost("the spectrum does not fix a thickness")
	case r.ThicknessUM < low:
		lost("too few fringes: the silicon is too thin, or so thick that its own do not show")
	case r.ThicknessUM > high:
		lost("fringes too close: the silicon is too thick")
	case unsure > lostPart:
		lost("the spectrum fixes the thickness to %.2g %% only", 100*unsure)
	case !math.IsNaN(otherUM):
		r.Quality = estimate.Ambiguous
		r.Reason = fmt.Sprintf("fringes of %.2f and of %.2f µm", r.ThicknessUM, otherUM)
	case math.Abs(r.Scale-1) > weakScale:
		weak("%s", estimate.OffBrightness(r.Scale, offset))
	case misfit > weakMisfit:
		weak("the fit leaves %.0f %% of the fringes unexplained", 100*misfit)
	case evidence < weakEvidence:
		weak("fringes of %.2g %% of reflectance are faint", 100*swing)
	case unsure > weakPart:
		weak("known to %.2g %% only", 100*unsure)
	}
	if r.Quality == estimate.Lost {
		lost := e.lost(r.Reason)
		lost.Candidates = r.Candidates
		*r = lost
	}
}
