// Package calibrate turns raw counts into reflectance. It is the only place
// that does.
//
//	R(λ) = R_ref(λ) · (counts − dark) / (reference − dark)
//
// Where the set-up gives the stray light of the instrument, as a share s of the mean
// light, it is taken off counts and reference first: x = c − s/(1+s)·mean(c).
//
// R_ref is the normal-incidence reflectance of the reference material in the
// ambient medium, from the published tables of optics/material. Wavelengths are
// nanometres, reflectance is a fraction (1 is all the light). A pixel that has
// nothing trustworthy to say is NaN.
package calibrate

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"bluefringe/device/event"
	"bluefringe/optics"
	"bluefringe/optics/material"
)

// Why a line could not be used. Errors wrap one of them, so that they can be
// counted by kind.
var (
	ErrChannel     = errors.New("unknown channel")
	ErrLength      = errors.New("wrong number of pixels")
	ErrNoDark      = errors.New("no dark yet")
	ErrNoReference = errors.New("no reference yet")
	ErrMaterial    = errors.New("unknown reference material")
	ErrNoLight     = errors.New("no pixel can be used")
	ErrImplausible = errors.New("implausible reflectance")
)

// Bounds of trust. Common practice, no source.
const (
	// minLight is the part of the strongest lamp signal (reference − dark)
	// below which a pixel is too dim to divide by.
	minLight = 0.01
	// minFlat adjacent pixels at the maximum count mean a saturated detector.
	minFlat = 3
	// A reflectance outside these is no reflectance. They leave room for noise
	// near zero and for a sample that sits better than the reference did.
	minReflectance, maxReflectance = -0.1, 1.5
)

// Calibrator holds the channels with their latest dark and reference. It
// belongs to one goroutine.
type Calibrator struct {
	ambient      *material.Material
	temperatureC float64
	channels     map[string]*channel
	stray        map[string]float64 // by channel, 0 to 1
	missing      Missing
}

// Missing counts the pixels of a spectrum that say nothing, by what keeps them from it.
type Missing struct {
	Saturated   int // in the spectrum or in the reference
	Dim         int // too little light in the reference, or outside its table
	Implausible int // no reflectance at all
	Pixels      int // of the spectrum
}

// Missing is about the spectrum that Reflectance was last called with.
func (c *Calibrator) Missing() Missing { return c.missing }

type channel struct {
	wavelengthNM    []float64
	dark, reference []float64
	material        string    // of the reference
	standard        []float64 // its reflectance, NaN outside its table
	gain            []float64 // standard / (reference − dark), NaN where too dim or saturated
	blinded         []bool    // where the reference is saturated
	clip            float64   // counts at which the detector is known to saturate
}

// New returns a Calibrator for references measured in ambient (a material's
// name: "air", "water") at a temperature.
func New(ambient string, temperatureC float64) (*Calibrator, error) {
	m, err := material.Lookup(ambient)
	if err != nil {
		return nil, fmt.Errorf("ambient: %w", err)
	}
	return &Calibrator{ambient: m, temperatureC: temperatureC, channels: map[string]*channel{}, stray: map[string]float64{}}, nil
}

// SetStray tells what share of the mean light every pixel of a channel sees as stray
// light. It holds for what is taken from then on.
func (c *Calibrator) SetStray(channel string, share float64) { c.stray[channel] = share }

// withoutStray takes the stray light off a signal, in place. Pixels without a value
// (NaN) are left out of the mean.
func withoutStray(signal []float64, share float64) {
	if share == 0 {
		return
	}
	sum, n := 0.0, 0
	for _, v := range signal {
		if !math.IsNaN(v) {
			sum += v
			n++
		}
	}
	if n == 0 {
		return
	}
	stray := share / (1 + share) * sum / float64(n)
	for i := range signal {
		signal[i] -= stray
	}
}

// SetChannels adds channels, or replaces them: from a set-up file, for streams
// without a run line. A channel whose wavelengths stay the same keeps its dark
// and reference. With an error nothing has changed.
func (c *Calibrator) SetChannels(channels map[string]event.Channel) error {
	fresh := map[string]*channel{}
	for name, ch := range channels {
		wavelengthNM, err := ch.Wavelengths()
		if err != nil {
			return fmt.Errorf("channel %q: %w", event.Clean(name), err)
		}
		if old := c.channels[name]; old != nil && slices.Equal(old.wavelengthNM, wavelengthNM) {
			continue
		}
		fresh[name] = &channel{wavelengthNM: wavelengthNM}
	}
	if n := len(c.channels) + len(fresh); n > event.MaxChannels {
		return fmt.Errorf("found %d channels: at most %d are allowed", n, event.MaxChannels)
	}
	for name, ch := range fresh {
		c.channels[name] = ch
	}
	return nil
}

// WavelengthsNM returns a channel's wavelengths, nil when it is unknown. The
// caller must not change them.
func (c *Calibrator) WavelengthsNM(channel string) []float64 {
	if ch := c.channels[channel]; ch != nil {
		return ch.wavelengthNM
	}
	return nil
}

// Take learns from run, dark and reference events and ignores all others. A
// line with an error of ErrChannel, ErrLength or ErrMaterial has changed
// nothing; after ErrNoLight the channel gives no reflectance until a better
// dark or reference comes.
func (c *Calibrator) Take(body event.Body) error {
	switch b := body.(type) {
	case event.Run:
		return c.SetChannels(b.Channels)
	case event.Dark:
		ch, err := c.find(b.Channel, "dark", len(b.Counts))
		if err != nil {
			return err
		}
		ch.dark = slices.Clone(b.Counts)
		return ch.update(c.stray[b.Channel])
	case event.Reference:
		ch, err := c.find(b.Channel, "reference", len(b.Counts))
		if err != nil {
			return err
		}
		if ch.material != b.Material {
			standard, err := c.standard(b.Material, ch.wavelengthNM)
			if err != nil {
				return err
			}
			ch.material, ch.standard = b.Material, standard
		}
		ch.reference = slices.Clone(b.Counts)
		return ch.update(c.stray[b.Channel])
	}
	return nil
}

// Reflectance returns the spectrum's reflectance in dst, or in a new slice when
// dst is too small. A reflectance that the instrument has calibrated itself is
// passed on after the same checks.
func (c *Calibrator) Reflectance(dst []float64, s event.Spectrum) ([]float64, error) {
	c.missing = Missing{}
	if s.Reflectance != nil {
		if _, err := c.find(s.Channel, "spectrum", len(s.Reflectance)); err != nil {
			return nil, err
		}
		dst = append(dst[:0], s.Reflectance...)
		share := c.stray[s.Channel]
		withoutStray(dst, share)
		for i := range dst {
			dst[i] *= 1 + share // the reference, one everywhere, had its own
		}
		c.missing.Pixels = len(dst)
		return dst, c.plausible(dst)
	}
	ch, err := c.find(s.Channel, "spectrum", len(s.Counts))
	switch {
	case err != nil:
		return nil, err
	case ch.dark == nil:
		return nil, fmt.Errorf("channel %q: %w", s.Channel, ErrNoDark)
	case ch.reference == nil:
		return nil, fmt.Errorf("channel %q: %w", s.Channel, ErrNoReference)
	}
	clip := min(ch.clip, saturation(s.Counts))
	dst = slices.Grow(dst[:0], len(s.Counts))[:len(s.Counts)]
	for i, counts := range s.Counts {
		dst[i] = math.NaN()
		switch {
		case counts < clip:
			dst[i] = counts - ch.dark[i]
		case !math.IsNaN(counts):
			c.missing.Saturated++
		}
	}
	withoutStray(dst, c.stray[s.Channel])
	for i := range dst {
		switch {
		case math.IsNaN(dst[i]) || !math.IsNaN(ch.gain[i]):
		case ch.blinded[i]:
			c.missing.Saturated++
		default:
			c.missing.Dim++
		}
		dst[i] *= ch.gain[i]
	}
	c.missing.Pixels = len(dst)
	return dst, c.plausible(dst)
}

func (c *Calibrator) find(name, what string, pixels int) (*channel, error) {
	ch := c.channels[name]
	if ch == nil {
		return nil, fmt.Errorf("%s: %w %q: neither the run line nor the set-up gives its wavelengths", what, ErrChannel, event.Clean(name))
	}
	if pixels != len(ch.wavelengthNM) {
		return nil, fmt.Errorf("%s: %w: found %d, channel %q has %d", what, ErrLength, pixels, name, len(ch.wavelengthNM))
	}
	return ch, nil
}

// standard returns the reflectance of a thick piece of the material.
func (c *Calibrator) standard(name string, wavelengthNM []float64) ([]float64, error) {
	m, err := material.Lookup(name)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrMaterial, err)
	}
	standard := make([]float64, len(wavelengthNM))
	for i, w := range wavelengthNM {
		standard[i] = math.NaN()
		piece, err := m.Index(w, c.temperatureC)
		if err != nil {
			continue // outside the table
		}
		ambient, err := c.ambient.Index(w, c.temperatureC)
		if err != nil {
			continue
		}
		// The ambient medium's own absorption is not part of a reflectance.
		standard[i] = optics.Reflectance(w, complex(real(ambient), 0), nil, piece, 0, optics.S)
	}
	return standard, nil
}

// update makes the gain from dark and reference, for a share of stray light.
func (ch *channel) update(stray float64) error {
	if ch.dark == nil || ch.reference == nil {
		return nil
	}
	ch.clip = saturation(ch.reference)
	ch.gain = slices.Grow(ch.gain[:0], len(ch.dark))[:len(ch.dark)]
	most := 0.0
	for i, v := range ch.reference {
		if light := v - ch.dark[i]; light > most { // a saturated pixel counts as at least so strong
			most = light
		}
	}
	usable := 0
	ch.blinded = slices.Grow(ch.blinded[:0], len(ch.gain))[:len(ch.gain)]
	for i := range ch.gain {
		ch.gain[i] = ch.light(i)
		ch.blinded[i] = math.IsNaN(ch.gain[i])
	}
	withoutStray(ch.gain, stray)
	for i, light := range ch.gain {
		ch.gain[i] = math.NaN()
		if light > minLight*most {
			ch.gain[i] = ch.standard[i] / light
		}
		if !math.IsNaN(ch.gain[i]) {
			usable++
		}
	}
	if usable == 0 {
		return fmt.Errorf("%w: the reference is nowhere above the dark, below saturation and inside the table of %s", ErrNoLight, ch.material)
	}
	return nil
}

// light is the lamp's signal at a pixel, NaN where it is saturated.
func (ch *channel) light(i int) float64 {
	if ch.reference[i] >= ch.clip {
		return math.NaN()
	}
	return ch.reference[i] - ch.dark[i]
}

// saturation returns the count at which the detector saturates, as told by a
// flat top: the maximum repeated over minFlat adjacent pixels. Without one it
// is +Inf.
func saturation(counts []float64) float64 {
	top := math.Inf(-1)
	for _, v := range counts {
		if v > top {
			top = v
		}
	}
	flat := 0
	for _, v := range counts {
		if v != top {
			flat = 0
			continue
		}
		if flat++; flat == minFlat {
			return top
		}
	}
	return math.Inf(1)
}

// plausible sets what is no reflectance to NaN. When no pixel says anything, or
// most of those that do are implausible, the whole spectrum is in error.
func (c *Calibrator) plausible(reflectance []float64) error {
	bad, good := 0, 0
	worst := 0.0
	for i, r := range reflectance {
		switch {
		case r >= minReflectance && r <= maxReflectance:
			good++
		case !math.IsNaN(r):
			bad++
			worst = r
			reflectance[i] = math.NaN()
		}
	}
	c.missing.Implausible = bad
	switch {
	case bad > good:
		return fmt.Errorf("%w: found %.3g and the like at %d of %d pixels: %g to %g, as a fraction and not per cent, is allowed", ErrImplausible, worst, bad, len(reflectance), minReflectance, maxReflectance)
	case good == 0:
		return fmt.Errorf("%w: of %d pixels %d are saturated, %d too dim and %d outside reason", ErrNoLight, len(reflectance), c.missing.Saturated, c.missing.Dim, bad)
	}
	return nil
}
