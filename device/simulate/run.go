package simulate

import (
	"context"
	"math/rand/v2"

	"bluefringe/device/event"
	"bluefringe/optics/material"
)

// One stream of random numbers a purpose.
const (
	streamPattern = iota + 1
	streamNoise
	streamDrift
	streamRate
	streamSlurry
	streamDropout
	streamMore // pattern, noise and drift of the further spectrometers
)

// Run makes the record of one run and hands its events to emit, in the order of
// their times: run, set-up if any, dark, reference, then process, spectra, notes
// and truth, and end. At every time at which a spectrum is due there is one truth
// event a site, also when the spectrum drops out. What is emitted is the
// receiver's to keep. Run does not wait between events.
//
// It returns what is wrong with the configuration, emit's error, or ctx.Err().
func Run(ctx context.Context, cfg Config, emit func(event.Body) error) error {
	m, err := New(cfg)
	if err != nil {
		return err
	}
	for _, body := range m.Opening() {
		if err := emit(body); err != nil {
			return err
		}
	}
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return err
		}
		if more, err = m.Next(emit); err != nil {
			return err
		}
	}
	return nil
}

// eye is one spectrometer on the die.
type eye struct {
	channel   string
	scene     *scene
	detector  *detector
	reference []float64 // reflectance of bare silicon under what touches the die
}

// newEyes makes the spectrometers of a configuration for the thickest silicon that they
// will see.
func newEyes(cfg Config, thickestNM float64, stream func(uint64) *rand.Rand) ([]*eye, error) {
	first := &eye{channel: cfg.Channel,
		detector: newDetector(cfg.Instrument, stream(streamPattern), stream(streamNoise), stream(streamDrift))}
	eyes := []*eye{first}
	for i, more := range cfg.More {
		in, own := more.Instrument, streamMore+3*uint64(i)
		in.SpectraPerS = cfg.Instrument.SpectraPerS
		eyes = append(eyes, &eye{channel: more.Channel, detector: newDetector(in, stream(own), stream(own+1), stream(own+2))})
	}
	for _, e := range eyes {
		var err error
		if e.scene, err = newScene(cfg.Die, e.detector.wavelengthNM, e.detector.in.ResolutionNM, thickestNM); err != nil {
			return nil, err
		}
		if e.reference, err = bareSilicon(e.detector.wavelengthNM, cfg.Die.Ambient, cfg.Die.TemperatureC); err != nil {
			return nil, err
		}
	}
	return eyes, nil
}

// calibration is what the spectrometer counts in the dark and on bare silicon.
func (e *eye) calibration(darkS, referenceS float64) []event.Body {
	frames := e.detector.in.Frames
	return []event.Body{
		event.Dark{TimeS: darkS, Channel: e.channel, Counts: e.detector.counts(nil, frames)},
		event.Reference{TimeS: referenceS, Channel: e.channel, Material: "silicon", Counts: e.detector.counts(e.reference, frames)},
	}
}

// bareSilicon is the reflectance of the reference: R = |(n0-N)/(n0+N)|², silicon
// by package material, which is how the readers of a record know it.
func bareSilicon(wavelengthNM []float64, ambient string, temperatureC float64) ([]float64, error) {
	var index [2][]complex128
	for i, name := range []string{"Si", ambient} {
		m, err := material.Lookup(name)
		if err != nil {
			return nil, err
		}
		if index[i], err = m.Indices(wavelengthNM, temperatureC); err != nil {
			return nil, err
		}
	}
	r := make([]float64, len(wavelengthNM))
	for i := range r {
		r[i] = norm((index[1][i] - index[0][i]) / (index[1][i] + index[0][i]))
	}
	return r, nil
}
