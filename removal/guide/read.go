package guide

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/fringe"
	"bluefringe/optics/material"
	"bluefringe/optics/thick"
)

// reader turns the spectra of one channel into estimates. It keeps no history.
type reader struct {
	channel   string
	estimator estimator
	threshold float64
	setup     die.Setup
	silicon   *material.Material // whose absorption is a second witness; nil: none in this channel
	alpha     absorption         // of the last curve
}

// absorption is 4πk/λ of silicon in 1/µm at some wavelengths.
type absorption struct {
	wavelengthNM, perUM []float64
}

// estimator finds the thickness in one spectrum: from the whole shape of the fringes
// where silicon absorbs (package estimate), from their frequency where it does not
// (package thick).
type estimator interface {
	Measure(reflectance []float64) (estimate.Result, error)
}

// continuer is an estimator that can read on from an earlier reading.
type continuer interface {
	Again(reflectance []float64, earlier estimate.Result, expectedUM float64) (r estimate.Result, ok bool, err error)
}

// coldEvery is how many spectra of a site are read from the forecast before one is
// searched for over the whole range again, lest a wrong fringe order be kept. Between,
// absorption witnesses each reading.
const coldEvery = 40

// lead is where the next spectrum of a site is expected: from the last sure reading,
// and how long that goes on.
type lead struct {
	earlier estimate.Result
	left    int // spectra to go before the next search
}

// A channel that reaches beyond this wavelength sees through silicon of any thickness.
const infraredNM = 1150

// finding is an estimate with what the track needs besides.
type finding struct {
	estimate     *Estimate
	lead         *lead   // for the next spectrum of the site; nil: search
	sdUM         float64 // uncertainty that is new in every spectrum
	systematicUM float64 // uncertainty that they share
	candidates   []estimate.Candidate
}

func newReader(channel string, wavelengthNM []float64, setup die.Setup, threshold float64) (*reader, error) {
	r := &reader{channel: channel, threshold: threshold, setup: setup}
	var err error
	if slices.Max(wavelengthNM) > infraredNM {
		r.estimator, err = thick.New(setup, wavelengthNM, thick.Options{})
	} else {
		r.estimator, err = estimate.New(setup, wavelengthNM, estimate.Options{})
	}
	if err != nil {
		return nil, fmt.Errorf("channel %s: %w", channel, err)
	}
	if slices.Max(wavelengthNM) <= infraredNM {
		if r.silicon, err = setup.Library.Lookup("Si"); err != nil {
			return nil, fmt.Errorf("channel %s: %w", channel, err)
		}
	}
	return r, nil
}

// measure reads on from the lead where there is one, and searches otherwise.
func (r *reader) measure(reflectance []float64, from *lead, expectedUM float64) (estimate.Result, *lead, error) {
	c, can := r.estimator.(continuer)
	if can && from != nil && from.left > 0 {
		result, ok, err := c.Again(reflectance, from.earlier, expectedUM)
		if err != nil || ok {
			// The residual of the search stays the measure: it must not creep.
			result.Residual = from.earlier.Residual
			next := &lead{from.earlier, from.left - 1}
			if result.Quality == estimate.Good {
				next.earlier = result
			}
			return result, next, err
		}
	}
	result, err := r.estimator.Measure(reflectance)
	if err != nil || !can || !result.Sure() {
		return result, nil, err
	}
	return result, &lead{result, coldEvery}, nil
}

// read says what one spectrum shows. from and expectedUM, the thickness that the track
// forecasts, only spare the search: nil makes it read the spectrum by itself.
func (r *reader) read(s Spectrum, from *lead, expectedUM float64) (finding, error) {
	result, next, err := r.measure(s.Reflectance, from, expectedUM)
	if err != nil {
		return finding{}, fmt.Errorf("channel %s: %w", r.channel, err)
	}
	e := &Estimate{
		TimeS: s.TimeS, Site: s.Site, Channel: s.Channel,
		Quality: result.Quality, Reason: reasonOf(result, s),
		ThicknessUM: result.ThicknessUM, SDUM: result.SDUM, SpreadUM: result.SpreadUM,
		Budget: result.Budget, Candidates: result.Candidates,
		EdgeNM: math.NaN(), AbsorptionUM: math.NaN(), AbsorptionSDUM: math.NaN(),
		Picture: Picture{
			WavelengthNM: result.WavelengthNM, Reflectance: result.Measured, Model: result.Model,
			EdgeExpectedNM: math.NaN(), EdgeThreshold: r.threshold,
		},
	}
	f := finding{estimate: e, lead: next, sdUM: result.FitSDUM, candidates: result.Candidates}
	if result.Quality == estimate.Lost {
		return f, nil
	}
	f.systematicUM = math.Sqrt(math.Max(0, result.SDUM*result.SDUM-result.FitSDUM*result.FitSDUM))

	phase := slices.Clone(result.PhasePerNM)
	for i := range phase {
		phase[i] *= result.ThicknessUM * 1000
	}
	p := &e.Picture
	curves := fringe.MeasureAll(p.WavelengthNM, [][]float64{p.Reflectance, p.Model}, phase, result.Fundamental)
	measured, fitted := curves[0], curves[1]
	expected := measured.Expected(p.WavelengthNM, result.Mean, result.Fundamental)
	p.VisibilityNM, p.Visibility, p.VisibilityExpected = measured.WavelengthNM, measured.Visibility, expected.Visibility
	p.EdgeExpectedNM = expected.EdgeNM(r.threshold)
	e.EdgeNM = measured.EdgeNM(r.threshold)
	if r.silicon != nil {
		alphaPerUM, err := r.absorptionAt(measured.WavelengthNM)
		if err != nil {
			return finding{}, fmt.Errorf("channel %s: %w", r.channel, err)
		}
		shiftUM, sdUM := fringe.Absorption(measured, fitted, alphaPerUM, result.ThicknessUM)
		e.AbsorptionUM, e.AbsorptionSDUM = result.ThicknessUM+shiftUM, sdUM
	}
	return f, nil
}

// reasonOf is why a reading is not good, with what the detector has to do with it.
func reasonOf(r estimate.Result, s Spectrum) string {
	const many = 0.1 // of the pixels: fewer do not matter
	reason := r.Reason
	pixels := float64(len(s.Reflectance))
	if share := float64(s.Dim) / pixels; reason != "" && share > many {
		reason = fmt.Sprintf("%.0f %% of the pixels see too little of the lamp; %s", 100*share, reason)
	}
	if share := float64(s.Saturated) / pixels; reason != "" && share > many {
		reason = fmt.Sprintf("%.0f %% of the pixels are saturated: shorten the integration time; %s", 100*share, reason)
	}
	return reason
}

// absorptionAt looks the absorption up where it is not the same as last time.
func (r *reader) absorptionAt(wavelengthNM []float64) ([]float64, error) {
	if slices.Equal(wavelengthNM, r.alpha.wavelengthNM) {
		return r.alpha.perUM, nil
	}
	index, err := r.silicon.Indices(wavelengthNM, r.setup.TemperatureC)
	if err != nil {
		return nil, err
	}
	perUM := make([]float64, len(index))
	for i, w := range wavelengthNM {
		perUM[i] = 4 * math.Pi * imag(r.setup.Carriers.Dope(index[i], w)) / (w / 1000)
	}
	r.alpha = absorption{wavelengthNM, perUM}
	return perUM, nil
}

// witnessSigmas is how far thickness from phase and from absorption may lie apart, in
// standard uncertainties of the difference. Those are generous: of 684 sound readings the
// worst lay 2.1 apart (TestWitnessIsQuietOnSoundReadings).
const witnessSigmas = 2.5

// witnessDisagrees tells whether absorption contradicts a reading.
func (e *Estimate) witnessDisagrees() bool {
	if e.Quality != estimate.Good && e.Quality != estimate.Weak {
		return false
	}
	// False for NaN: absorption that cannot tell contradicts nothing.
	return math.Abs(e.AbsorptionUM-e.ThicknessUM) > witnessSigmas*math.Hypot(e.AbsorptionSDUM, e.SDUM)
}

// visibilityNear returns the measured visibility at the nearest wavelength of the
// curve, NaN where there is none within its spacing.
func (p *Picture) visibilityNear(wavelengthNM float64) float64 {
	const spacingNM = 8
	best, distance := math.NaN(), float64(spacingNM)
	for i, w := range p.VisibilityNM {
		if d := math.Abs(w - wavelengthNM); d <= distance {
			best, distance = p.Visibility[i], d
		}
	}
	return best
}
