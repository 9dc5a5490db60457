package guide

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/fringe"
	"bluefringe/optics/thick"
)

// reader turns the spectra of one channel into estimates. It keeps no history.
type reader struct {
	channel   string
	estimator estimator
	threshold float64
}

// estimator finds the thickness in one spectrum: from the whole shape of the fringes
// where silicon absorbs (package estimate), from their frequency where it does not
// (package thick).
type estimator interface {
	Measure(reflectance []float64) (estimate.Result, error)
	PhasePerNM() []float64
}

// A channel that reaches beyond this wavelength sees through silicon of any thickness.
const infraredNM = 1150

// finding is an estimate with what the track needs besides.
type finding struct {
	estimate     *Estimate
	sdUM         float64 // uncertainty that is new in every spectrum
	systematicUM float64 // uncertainty that they share
	candidates   []estimate.Candidate
}

func newReader(channel string, wavelengthNM []float64, setup die.Setup, threshold float64) (*reader, error) {
	r := &reader{channel: channel, threshold: threshold}
	var err error
	if slices.Max(wavelengthNM) > infraredNM {
		r.estimator, err = thick.New(setup, wavelengthNM, thick.Options{})
	} else {
		r.estimator, err = estimate.New(setup, wavelengthNM, estimate.Options{})
	}
	if err != nil {
		return nil, fmt.Errorf("channel %s: %w", channel, err)
	}
	return r, nil
}

// read says what one spectrum says by itself.
func (r *reader) read(s Spectrum) (finding, error) {
	result, err := r.estimator.Measure(s.Reflectance)
	if err != nil {
		return finding{}, fmt.Errorf("channel %s: %w", r.channel, err)
	}
	e := &Estimate{
		TimeS: s.TimeS, Site: s.Site, Channel: s.Channel,
		Quality: result.Quality, Reason: result.Reason,
		ThicknessUM: result.ThicknessUM, SDUM: result.SDUM, SpreadUM: result.SpreadUM,
		Budget: result.Budget, Candidates: result.Candidates,
		EdgeNM: math.NaN(),
		Picture: Picture{
			WavelengthNM: result.WavelengthNM, Reflectance: result.Measured, Model: result.Model,
			EdgeExpectedNM: math.NaN(), EdgeThreshold: r.threshold,
		},
	}
	f := finding{estimate: e, sdUM: result.FitSDUM, candidates: result.Candidates}
	if result.Quality == estimate.Lost {
		return f, nil
	}
	f.systematicUM = math.Sqrt(math.Max(0, result.SDUM*result.SDUM-result.FitSDUM*result.FitSDUM))

	phase := slices.Clone(r.estimator.PhasePerNM())
	for i := range phase {
		phase[i] *= result.ThicknessUM * 1000
	}
	p := &e.Picture
	measured := fringe.Measure(p.WavelengthNM, p.Reflectance, phase, result.Fundamental)
	expected := measured.Expected(p.WavelengthNM, result.Mean, result.Fundamental)
	p.VisibilityNM, p.Visibility, p.VisibilityExpected = measured.WavelengthNM, measured.Visibility, expected.Visibility
	p.EdgeExpectedNM = expected.EdgeNM(r.threshold)
	e.EdgeNM = measured.EdgeNM(r.threshold)
	return f, nil
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
