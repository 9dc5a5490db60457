package guide

import (
	"fmt"
	"math"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/fringe"
)

// reader turns the spectra of one channel into estimates. It keeps no history.
type reader struct {
	channel   string
	estimator *estimate.Estimator
	threshold float64
}

// finding is an estimate with what the track needs besides.
type finding struct {
	estimate     *Estimate
	sdUM         float64 // uncertainty that is new in every spectrum
	systematicUM float64 // uncertainty that they share
	candidates   []estimate.Candidate
}

func newReader(channel string, wavelengthNM []float64, setup die.Setup, threshold float64) (*reader, error) {
	e, err := estimate.New(setup, wavelengthNM, estimate.Options{})
	if err != nil {
		return nil, fmt.Errorf("channel %s: %w", channel, err)
	}
	return &reader{channel, e, threshold}, nil
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

	phase := r.estimator.PhasePerNM()
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
