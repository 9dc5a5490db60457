package codec

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/device/event"
)

// Series turns spectra that lie in files into event lines: one channel, whose
// wavelengths the files give, and times that do not run back. It is the one place
// that refuses an old spectrum: read as a new one it would show silicon that is
// gone.
type Series struct {
	spectra      Spectra
	wavelengthNM event.Values
	lastS        float64
	last         event.Values
}

// NewSeries returns a Series without wavelengths. ClockS is not used; with Pixels
// other than 0 another number of wavelengths is refused.
func NewSeries(spectra Spectra) *Series { return &Series{spectra: spectra, lastS: math.Inf(-1)} }

// Open takes the wavelengths in nm of the spectra to come. It returns the run line
// that gives them to the channel, nil when they are those it has.
func (s *Series) Open(wavelengthNM event.Values) ([]byte, error) {
	if s.wavelengthNM != nil && slices.Equal(s.wavelengthNM, wavelengthNM) {
		return nil, nil
	}
	if err := s.spectra.fits(len(wavelengthNM)); err != nil {
		return nil, err
	}
	channel := event.Channel{WavelengthNM: wavelengthNM}
	if _, err := channel.Wavelengths(); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrTable, err)
	}
	s.wavelengthNM = slices.Clone(wavelengthNM)
	return event.Append(nil, event.Run{Format: event.Format, Channels: map[string]event.Channel{s.spectra.Channel: channel}})
}

// Holds tells whether there are wavelengths, and whether they are these.
func (s *Series) Holds(wavelengthNM event.Values) (opened, same bool) {
	return s.wavelengthNM != nil, slices.Equal(s.wavelengthNM, wavelengthNM)
}

// Line encodes a spectrum. A time before that of the spectrum before it is refused,
// and so is the same spectrum again at the same time.
func (s *Series) Line(timeS float64, values event.Values) ([]byte, error) {
	switch {
	case math.IsNaN(timeS) || math.IsInf(timeS, 0):
		return nil, fmt.Errorf("%w: found the time %g s, a finite number is allowed", ErrOrder, timeS)
	case len(values) != len(s.wavelengthNM):
		return nil, fmt.Errorf("%w: found %d values for %d wavelengths", ErrPixels, len(values), len(s.wavelengthNM))
	case timeS < s.lastS:
		return nil, fmt.Errorf("%w: found %g s behind %g s: an old spectrum, or a clock that was set back; it is not used", ErrOrder, timeS, s.lastS)
	case timeS == s.lastS && slices.Equal(values, s.last):
		return nil, fmt.Errorf("%w: found the spectrum of %g s a second time", ErrOrder, timeS)
	}
	line, err := s.spectra.line(timeS, values)
	if err != nil {
		return nil, err
	}
	s.lastS, s.last = timeS, slices.Clone(values)
	return line, nil
}
