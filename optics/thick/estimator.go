package thick

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
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
)

// Estimator reads spectra of one channel. It keeps no history: each Measure
// stands alone. It owns its workspace: one goroutine at a time.
type Estimator struct {
	pixels        int
	order         []int // pixels used, wavelengths rising
	film          *film
	lowNM, highNM float64
	lobeNM        float64 // thickness by which the fringes of the band change by one
	scales        []scale
	w             *workspace

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
	e.scales = newScales(e.film, max(e.lowNM/searchMargin, e.lobeNM), e.highNM*searchMargin)
	e.w = newWorkspace(e.film)
	e.flat = make([]float64, len(used))
	return e, nil
}

// Limits returns the range this channel can measure, µm: from 1.5 fringes in the band
// up to where pixels, line width and absorption leave too little of the fringes, both
// within the options.
func (e *Estimator) Limits() (minUM, maxUM float64) { return e.lowNM / 1000, e.highNM / 1000 }

// PhasePerNM returns the fringe phase 4πn/λ per nanometre of silicon at every
// wavelength of Result.WavelengthNM.
func (e *Estimator) PhasePerNM() []float64 { return e.film.phase }

// Measure reads one spectrum: reflectance as a fraction, one value per pixel, NaN
// where a pixel says nothing. The bands of the result are the pixels used.
func (e *Estimator) Measure(reflectance []float64) (estimate.Result, error) {
	if len(reflectance) != e.pixels {
		return estimate.Result{}, fmt.Errorf("%w: found %d, the channel has %d", estimate.ErrLength, len(reflectance), e.pixels)
	}
	w := e.w
	e.lit = e.load(reflectance)
	if e.lit < max(minPixels, len(w.data)/3) {
		return e.lost(fmt.Sprintf("only %d of %d pixels have light", e.lit, len(w.data))), nil
	}
	fits := e.fit(e.search())
	if len(fits) == 0 {
		return e.lost(e.noFringes()), nil
	}
	return e.judge(fits), nil
}

func (e *Estimator) noFringes() string {
	low, high := e.Limits()
	return fmt.Sprintf("no clear fringes; this channel measures %.3g to %.3g µm", low, high)
}

// load takes the pixels used, in order, without spikes, and returns how many have
// light.
func (e *Estimator) load(reflectance []float64) (lit int) {
	const brightest = 3 // no reflectance, however wrong the reference
	w := e.w
	for k, i := range e.order {
		r := reflectance[i]
		w.data[k], w.weight[k] = r, 1
		if !(math.Abs(r) <= brightest) {
			w.data[k], w.weight[k] = 0, 0
		}
	}
	w.dropSpikes()
	for _, v := range w.weight {
		if v > 0 {
			lit++
		}
	}
	return lit
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

// candidate is one thickness after its fit.
type candidate struct {
	x         []float64
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
	if len(fits) > 0 && fits[0].x[atThickness] < someFringes*e.lobeNM {
		fits = e.compare(fits)
	}
	return fits
}

// compare adds to fits of few fringes what else may explain them: other front sides,
// and fringes fewer or more with a front side to suit.
func (e *Estimator) compare(fits []candidate) []candidate {
	w := e.w
	best := fits[0]
	around := best.left / (1 - best.explained)
	sigma := w.reweigh(best.x)
	try := func(s start, iterations int) {
		x := w.around(s, e.lobeNM/2)
		w.Descend(x, sigma, iterations)
		fits = append(fits, w.candidate(x, around))
	}
	under, coverage := w.underChoices(), w.coverageChoices()
	for _, u := range spaced(under) {
		for _, c := range spaced(coverage) {
			try(start{nm: best.x[atThickness], phase: best.x[atPhase], coverage: c, underNM: u}, 15)
		}
	}
	if best.x[atThickness] < fewFringes*e.lobeNM {
		for fringes := fewFringes + 1; fringes > 0; fringes -= 0.5 {
			try(start{nm: fringes * e.lobeNM, coverage: w.Prior[atCoverage], underNM: w.Prior[atUnder:w.lamp()]}, 6)
		}
	}
	for _, f := range e.different(slices.Clone(fits)) {
		if f.left < 2*best.left { // worth an end
			x := w.around(start{nm: f.x[atThickness]}, e.lobeNM/2)
			copy(x, f.x)
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

// candidate evaluates the end of a fit; around is the sum of squares without background.
func (w *workspace) candidate(x []float64, around float64) candidate {
	w.Cost(x, 1)
	left := dot(w.Residual, w.Residual, w.Weight)
	return candidate{x: x, left: left, explained: 1 - left/around}
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
		Coverage: nan, Scale: nan, Residual: nan, WavelengthNM: e.film.wavelengthNM, Measured: e.measured()}
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
	sigma := w.reweigh(x)
	rho := w.correlation()
	inflate := (1 + rho) / (1 - rho) // fewer residuals are independent than there are pixels

	all, noise, ok := w.covariance(x, sigma)
	r := estimate.Result{
		SpreadUM: math.Sqrt(math.Max(x[atSpread], 0)) / 1000,
		Coverage: x[atCoverage],
		Scale:    x[w.lamp()],
		UnderNM:  slices.Clone(x[atUnder:w.lamp()]),
		Residual: sigma,

		WavelengthNM: e.film.wavelengthNM,
		Measured:     e.measured(),
		Model:        slices.Clone(w.model),
		Mean:         slices.Clone(w.mean),
		Fundamental:  slices.Clone(w.first),
	}
	evidence, swing := 0.0, 0.0
	for i, v := range w.weight {
		if v == 0 {
			r.Model[i] = math.NaN()
		}
		evidence += v * w.swing[i] * w.swing[i] / (sigma * sigma * inflate)
		swing = math.Max(swing, real(w.first[i])*real(w.first[i])+imag(w.first[i])*imag(w.first[i]))
	}
	swing = math.Sqrt(swing / 2)

	// What the fit leaves in runs is no noise: the front side is not quite as modelled.
	// A part p of the fringes in its own rhythm shifts their phase by up to p rad, and
	// over the band thickness by as much of half a lobe.
	misfit := math.Sqrt(rho) * sigma / swing
	doubt, _ := w.doubt(x[atThickness], func(i int) float64 {
		return w.weight[i]*(real(w.first[i])*real(w.first[i])+imag(w.first[i])*imag(w.first[i])) + 1e-12
	})
	doubt[0][0] += math.Pow(misfit*e.lobeNM/2, 2)
	doubt[1][1] += misfit * misfit
	for a := range noise {
		for b := range noise {
			all[a][b] += (inflate - 1) * noise[a][b]
			noise[a][b] *= inflate
		}
	}
	all[0][0] += best.doubtVar
	v := weighOrders(x[atThickness], x[atPhase], all, noise, doubt)
	r.ThicknessUM, r.SDUM, r.FitSDUM = v.nm/1000, v.sd/1000, v.noiseSD/1000
	r.Candidates = v.orders
	weights, other := rivals(fits, float64(e.lit)/inflate)
	for k := range r.Candidates {
		r.Candidates[k].Weight *= weights[0]
	}
	for k, f := range fits[1:] {
		r.Candidates = append(r.Candidates, estimate.Candidate{ThicknessUM: f.x[atThickness] / 1000, Weight: weights[k+1]})
	}
	slices.SortStableFunc(r.Candidates, func(a, b estimate.Candidate) int { return cmp.Compare(b.Weight, a.Weight) })
	e.grade(&r, ok, evidence, swing, misfit, other)
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
func (e *Estimator) grade(r *estimate.Result, fixed bool, evidence, swing, misfit, otherUM float64) {
	low, high := e.Limits()
	unsure := r.SDUM / r.ThicknessUM
	switch {
	case !fixed || math.IsNaN(r.SDUM) || math.IsNaN(r.FitSDUM) || evidence < lostEvidence || swing < minSwing:
		r.Quality, r.Reason = estimate.Lost, e.noFringes()
	case r.ThicknessUM < low:
		r.Quality, r.Reason = estimate.Lost, fmt.Sprintf("thinner than %.3g µm, where this channel begins: too few fringes", low)
	case r.ThicknessUM > high:
		r.Quality, r.Reason = estimate.Lost, fmt.Sprintf("thicker than %.3g µm, where this channel ends: fringes too close", high)
	case unsure > lostPart:
		r.Quality, r.Reason = estimate.Lost, e.noFringes()
	case !math.IsNaN(otherUM):
		r.Quality = estimate.Ambiguous
		r.Reason = fmt.Sprintf("fringes of %.2f and of %.2f µm", r.ThicknessUM, otherUM)
	case evidence < weakEvidence:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("faint fringes, %.2g %% of reflectance", 100*swing)
	case misfit > weakMisfit:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("the fit leaves %.0f %% of the fringes unexplained", 100*misfit)
	case unsure > weakPart:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("known to %.2g %% only", 100*unsure)
	case math.Abs(r.Scale-1) > weakScale:
		r.Quality, r.Reason = estimate.Weak, fmt.Sprintf("brightness is %.0f %% of the reference", 100*r.Scale)
	}
	if r.Quality == estimate.Lost {
		lost := e.lost(r.Reason)
		lost.Candidates = r.Candidates
		*r = lost
	}
}
