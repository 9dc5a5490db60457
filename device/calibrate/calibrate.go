// Package calibrate turns raw counts into reflectance. It is the only place
// that does.
//
//	R(λ) = R_ref(λ) · (counts − dark)/t ÷ (reference − dark′)/t′
//
// R_ref is the normal-incidence reflectance of the reference material in the
// ambient medium, from the published tables of optics/material. t and t′ are the
// integration times, dark and dark′ what the detector counts without light in these
// times (see dark.go); where the lines do not say them, they are taken to be equal.
//
// Where the set-up gives the stray light of the instrument, as a share s of the mean
// light, it is taken off counts and reference first: x = c − s/(1+s)·mean(c).
//
// Wavelengths are nanometres, reflectance is a fraction (1 is all the light). A pixel
// that has nothing trustworthy to say is NaN.
//
// What is wrong with a dark or reference without making it useless, and how old they
// have become, is told once, through News.
package calibrate

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

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
	ErrIntegration = errors.New("no dark of this integration time")
	ErrImplausible = errors.New("implausible reflectance")
)

// NotReady is the error of a spectrum whose dark or reference is missing or of no use.
// It says what to do next, and is the same for every spectrum until that is done.
type NotReady struct{ Err error }

func (e NotReady) Error() string { return e.Err.Error() }
func (e NotReady) Unwrap() error { return e.Err }

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

// Calibrator holds the channels with their latest darks and reference. It
// belongs to one goroutine.
type Calibrator struct {
	ambient      *material.Material
	temperatureC float64
	channels     map[string]*channel
	stray        map[string]float64       // by channel, 0 to 1
	masks        map[string]event.Channel // by channel, for their masks alone
	started      time.Time                // of this run; zero: not known
	limits       Age                      // at which an age is told; 0: never
	thinnestUM   float64                  // no silicon is expected to be thinner
	missing      Missing
	age          Age
	news         []string
}

// Missing counts the pixels of a spectrum that say nothing, by what keeps them from it.
// Those that are masked are not missing.
type Missing struct {
	Saturated   int // in the spectrum or in the reference
	Dim         int // too little light in the reference, or outside its table
	Implausible int // no reflectance at all
	Masked      int // by the set-up, or hot
	Pixels      int // of the spectrum
}

// Missing is about the spectrum that Reflectance was last called with.
func (c *Calibrator) Missing() Missing { return c.missing }

// channel is what is known of one channel.
type channel struct {
	name         string
	wavelengthNM []float64
	darks        []dark // of different integration times, the newest last
	reference    *reference
	err          error     // why dark and reference make no gain
	gain         []float64 // standard / (reference − dark), NaN where too dim, saturated or masked
	blinded      []bool    // where the reference is saturated
	excluded     []bool    // by the set-up
	masked       []bool    // by the set-up, or hot
	clip         float64   // counts at which the detector is known to saturate

	between []float64       // a dark between two, see darkOf
	told    map[string]bool // matters that are so, see matter
	hot     string          // pixels that are hot, as they were told
	ages    [2]ageTold      // of dark and reference

	bare      []float64 // see opaque; nil before the first spectrum
	fringe    []float64
	enough    []bool // where the reference is bright enough for it; nil: no reference
	brightOff offLevel
}

// reference is the latest reference of a channel.
type reference struct {
	counts        []float64
	integrationMS float64 // 0: not said
	taken         moment
	material      string
	standard      []float64 // its reflectance, NaN outside its table
}

// New returns a Calibrator for references measured in ambient (a material's
// name: "air", "water") at a temperature.
func New(ambient string, temperatureC float64) (*Calibrator, error) {
	m, err := material.Lookup(ambient)
	if err != nil {
		return nil, fmt.Errorf("ambient: %w", err)
	}
	return &Calibrator{
		ambient: m, temperatureC: temperatureC, thinnestUM: leastSiliconUM,
		channels: map[string]*channel{}, stray: map[string]float64{}, masks: map[string]event.Channel{},
	}, nil
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
// and reference. One that has a mask and no wavelengths gives its mask to the channel of
// that name, be it known now or later. With an error nothing has changed.
func (c *Calibrator) SetChannels(channels map[string]event.Channel) error {
	fresh := map[string]*channel{}
	masks := map[string]event.Channel{}
	for name, ch := range channels {
		if len(ch.MaskNM)+len(ch.MaskPixels) > 0 {
			masks[name] = ch
			if !ch.HasWavelengths() {
				continue
			}
		}
		wavelengthNM, err := ch.Wavelengths()
		if err != nil {
			return fmt.Errorf("channel %q: %w", event.Clean(name), err)
		}
		if old := c.channels[name]; old != nil && slices.Equal(old.wavelengthNM, wavelengthNM) {
			continue
		}
		fresh[name] = &channel{name: event.Clean(name), wavelengthNM: wavelengthNM, told: map[string]bool{}}
	}
	if n := len(c.channels) + len(fresh); n > event.MaxChannels {
		return fmt.Errorf("found %d channels: at most %d are allowed", n, event.MaxChannels)
	}
	for name, ch := range fresh {
		c.channels[name] = ch
	}
	for name, mask := range masks {
		c.masks[name] = mask
	}
	for _, name := range slices.Sorted(maps.Keys(c.channels)) {
		_, isFresh := fresh[name]
		if _, newMask := masks[name]; isFresh || newMask {
			c.exclude(c.channels[name], c.masks[name])
		}
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
// nothing; after ErrNoLight or ErrIntegration the channel gives no reflectance until a
// better dark or reference comes.
func (c *Calibrator) Take(body event.Body) error {
	switch b := body.(type) {
	case event.Run:
		if err := c.SetChannels(b.Channels); err != nil {
			return err
		}
		c.started = b.Started
	case event.Dark:
		ch, err := c.find(b.Channel, "dark", len(b.Counts))
		if err != nil {
			return err
		}
		ch.keep(dark{counts: slices.Clone(b.Counts), integrationMS: b.IntegrationMS, taken: moment{b.TimeS, b.Earlier, b.Started}})
		ch.ages[ofDark] = ageTold{}
		return c.update(ch, c.stray[b.Channel])
	case event.Reference:
		ch, err := c.find(b.Channel, "reference", len(b.Counts))
		if err != nil {
			return err
		}
		r := reference{counts: slices.Clone(b.Counts), integrationMS: b.IntegrationMS, taken: moment{b.TimeS, b.Earlier, b.Started}, material: b.Material}
		if old := ch.reference; old != nil && old.material == b.Material {
			r.standard = old.standard
		} else if r.standard, err = c.standard(b.Material, ch.wavelengthNM); err != nil {
			return err
		}
		ch.reference = &r
		ch.ages[ofReference], ch.brightOff = ageTold{}, offLevel{}
		return c.update(ch, c.stray[b.Channel])
	}
	return nil
}

// Reflectance returns the spectrum's reflectance in dst, or in a new slice when
// dst is too small. A reflectance that the instrument has calibrated itself is
// passed on after the same checks.
func (c *Calibrator) Reflectance(dst []float64, s event.Spectrum) ([]float64, error) {
	c.missing, c.age = Missing{}, Age{math.NaN(), math.NaN()}
	var ch *channel
	var err error
	if s.Reflectance != nil {
		ch, dst, err = c.given(dst, s)
	} else {
		ch, dst, err = c.measured(dst, s)
	}
	if err != nil {
		return nil, err
	}
	c.missing.Pixels = len(dst)
	if err := c.plausible(dst); err != nil {
		return dst, err
	}
	c.checkLevel(ch, s.TimeS, dst)
	return dst, nil
}

// given passes on what the instrument calibrated.
func (c *Calibrator) given(dst []float64, s event.Spectrum) (*channel, []float64, error) {
	ch, err := c.find(s.Channel, "spectrum", len(s.Reflectance))
	if err != nil {
		return nil, nil, err
	}
	dst = append(dst[:0], s.Reflectance...)
	for i, excluded := range ch.excluded {
		if excluded {
			dst[i] = math.NaN()
			c.missing.Masked++
		}
	}
	share := c.stray[s.Channel]
	withoutStray(dst, share)
	for i := range dst {
		dst[i] *= 1 + share // the reference, one everywhere, had its own
	}
	return ch, dst, nil
}

// measured makes a reflectance of counts.
func (c *Calibrator) measured(dst []float64, s event.Spectrum) (*channel, []float64, error) {
	ch, err := c.find(s.Channel, "spectrum", len(s.Counts))
	if err != nil {
		return nil, nil, err
	}
	if err := ch.ready(); err != nil {
		return nil, nil, NotReady{err}
	}
	counted, from, err := ch.darkOf(s.IntegrationMS)
	if err != nil {
		return nil, nil, NotReady{fmt.Errorf("channel %q: spectrum: %w", ch.name, err)}
	}
	c.tellAges(ch, s.TimeS, from)
	clip := min(ch.clip, saturation(s.Counts, ch.masked))
	dst = slices.Grow(dst[:0], len(s.Counts))[:len(s.Counts)]
	for i, counts := range s.Counts {
		dst[i] = math.NaN()
		switch {
		case ch.masked[i]:
			c.missing.Masked++
		case counts < clip:
			dst[i] = counts - counted[i]
		case !math.IsNaN(counts):
			c.missing.Saturated++
		}
	}
	withoutStray(dst, c.stray[s.Channel])
	longer := 1.0 // the reference was integrated than the spectrum
	if ch.reference.integrationMS > 0 && s.IntegrationMS > 0 {
		longer = ch.reference.integrationMS / s.IntegrationMS
	}
	for i := range dst {
		switch {
		case math.IsNaN(dst[i]) || !math.IsNaN(ch.gain[i]):
		case ch.blinded[i]:
			c.missing.Saturated++
		default:
			c.missing.Dim++
		}
		dst[i] *= ch.gain[i] * longer
	}
	return ch, dst, nil
}

// ready says what a channel lacks, and what to do.
func (ch *channel) ready() error {
	switch {
	case len(ch.darks) == 0:
		return fmt.Errorf("channel %q: %w: block the light and send a dark, or name a record that holds one in [calibration] of the set-up", ch.name, ErrNoDark)
	case ch.reference == nil:
		return fmt.Errorf("channel %q: %w: put the reference (bare silicon) under the spot and send a reference", ch.name, ErrNoReference)
	}
	return ch.err
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

// update makes the gain from darks and reference, for a share of stray light.
func (c *Calibrator) update(ch *channel, stray float64) error {
	ch.err = nil
	c.checkDark(ch)
	if ch.reference == nil {
		return nil
	}
	c.checkReference(ch)
	if len(ch.darks) == 0 {
		return nil
	}
	counted, _, err := ch.darkOf(ch.reference.integrationMS)
	if err == nil {
		err = c.checkOrder(ch, counted)
	}
	if err == nil {
		c.maskHot(ch, counted)
		c.checkPair(ch, counted)
		err = ch.makeGain(counted, stray)
	}
	if err != nil {
		ch.err = fmt.Errorf("channel %q: reference: %w", ch.name, err)
	}
	return ch.err
}

// makeGain fails when it leaves no pixel.
func (ch *channel) makeGain(dark []float64, stray float64) error {
	r := ch.reference
	ch.clip = saturation(r.counts, ch.masked)
	ch.gain = slices.Grow(ch.gain[:0], len(dark))[:len(dark)]
	ch.blinded = slices.Grow(ch.blinded[:0], len(dark))[:len(dark)]
	most := ch.strongest(dark)
	for i, v := range r.counts {
		ch.gain[i] = math.NaN()
		if v < ch.clip && !ch.masked[i] {
			ch.gain[i] = v - dark[i]
		}
		ch.blinded[i] = math.IsNaN(ch.gain[i]) && !ch.masked[i]
	}
	withoutStray(ch.gain, stray)
	ch.enough = slices.Grow(ch.enough[:0], len(dark))[:len(dark)]
	usable := 0
	for i, light := range ch.gain {
		ch.gain[i], ch.enough[i] = math.NaN(), light > levelLight*most
		if light > minLight*most {
			ch.gain[i] = r.standard[i] / light
		}
		if !math.IsNaN(ch.gain[i]) {
			usable++
		}
	}
	if usable == 0 {
		return fmt.Errorf("%w: it is nowhere above the dark, below saturation and inside the table of %s: take it again, with light on a bare piece", ErrNoLight, event.Clean(r.material))
	}
	return nil
}

// strongest is the strongest light of the reference. A saturated pixel counts as at
// least so strong.
func (ch *channel) strongest(dark []float64) float64 {
	most := 0.0
	for i, v := range ch.reference.counts {
		if light := v - dark[i]; light > most && !ch.masked[i] {
			most = light
		}
	}
	return most
}

// saturation returns the count at which the detector saturates, as told by a
// flat top: the maximum repeated over minFlat adjacent pixels. Without one it
// is +Inf. Pixels that are masked are left out.
func saturation(counts []float64, masked []bool) float64 {
	top := math.Inf(-1)
	for i, v := range counts {
		if v > top && !masked[i] {
			top = v
		}
	}
	flat := 0
	for i, v := range counts {
		if masked[i] {
			continue
		}
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
