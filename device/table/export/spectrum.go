package export

import (
	"errors"
	"fmt"
	"math"
	"time"

	"bluefringe/device/event"
)

// Raw is a spectrum as a file has it, before units are settled.
type Raw struct {
	Line  int       // where it begins, from 1
	X, Y  []float64 // Y is NaN where there is no value
	Name  string    // of its column, row or block
	XHead string    // what the file calls the abscissa
	YHead string    // what it calls the ordinate
	Site  string
	TimeS float64 // only when Timed
	Timed bool
	When  time.Time // zero when the file does not say
}

// File is what a file holds, with its units settled.
type File struct {
	Spectra []Spectrum
	Notes   []string // what was guessed or left out
}

// Spectrum is one spectrum.
type Spectrum struct {
	Name string
	Site string // "" when the file names none
	Role Role
	// WavelengthNM is finite, positive and strictly rising or strictly falling. Spectra
	// with the same axis share the slice: do not change it.
	WavelengthNM []float64
	// Values has one value per wavelength: reflectance as a fraction (1 is all the light),
	// or counts. NaN is a pixel that says nothing.
	Values  []float64
	Counted bool // Values are counts
	// TimeS is seconds from a start that the spectra of a file share; only when Timed.
	TimeS float64
	Timed bool
	When  time.Time // zero when the file does not say; UTC where it gives no zone
}

// Options settle what is otherwise guessed. The zero value guesses everything.
type Options struct {
	Axis Axis
	Kind Kind
	// Only picks spectra by name (case does not matter) or by number from 1.
	Only []string
}

// Bounds of what is read.
const (
	MaxBytes   = 256 << 20 // of a file
	MaxSpectra = 100_000   // of a file
	MaxValues  = 32 << 20  // numbers of a file
	MinPoints  = 3         // of a spectrum
	MaxPoints  = event.MaxPixels
)

// Valid reports what no decoder may hand out.
func (s *Spectrum) Valid() error {
	if len(s.Values) != len(s.WavelengthNM) {
		return fmt.Errorf("found %d values for %d wavelengths", len(s.Values), len(s.WavelengthNM))
	}
	for _, v := range s.Values {
		if math.IsInf(v, 0) {
			return errors.New("found an infinite value")
		}
	}
	_, err := event.Channel{WavelengthNM: s.WavelengthNM}.Wavelengths()
	return err
}
