package codec

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"bluefringe/device/event"
)

// Why a message could not be used. Errors of this package wrap one of them, or
// one of package event.
var (
	ErrNumbers = errors.New("not a line of numbers")
	ErrPixels  = errors.New("wrong number of pixels")
	ErrBlock   = errors.New("not a block")
	ErrTable   = errors.New("not a table of spectra")
	ErrOrder   = errors.New("time does not go on")
)

// TornError reports bytes at the end of the data that make no whole message, as a
// crash or a pulled cable leaves them.
type TornError struct{ Bytes int }

func (e *TornError) Error() string {
	return fmt.Sprintf("the last line is torn: its %d bytes were dropped", e.Bytes)
}

// Emit takes an event line without its '\n', valid only during the call, or in
// its place why something could not be used.
type Emit func(line []byte, err error) error

// Decoder cuts a stream of chunks into event lines. It belongs to one goroutine.
type Decoder interface {
	// Feed calls emit for every message that chunk completes. When emit returns an
	// error, Feed stops, drops the rest of the chunk and returns it. Any other error
	// says that the whole stream cannot be read.
	Feed(chunk []byte, emit Emit) error
	// End deals with what stands after the last whole message: the data ended or the
	// line broke off. The next chunk begins a stream anew.
	End(emit Emit) error
}

// Config says what a stream holds.
type Config struct {
	Codec   string // one of Names
	Pixel   string // one of PixelTypes; for block
	Spectra        // for numbers and block
}

// Spectra says what the spectra of a stream are that does not say so itself.
type Spectra struct {
	Channel     string
	Site        string // "" means the middle
	Reflectance bool   // values are reflectance (1 is all the light), not counts
	Pixels      int    // of one spectrum; 0: any number, where the codec allows it
	// ClockS gives the time of a spectrum without one: seconds since the start of
	// the run.
	ClockS func() float64
}

// codec is one line of the table of codecs.
type codec struct {
	name string
	make func(Config) (Decoder, error)
}

func codecs() []codec {
	return []codec{
		{"events", func(Config) (Decoder, error) { return &events{}, nil }},
		{"numbers", newNumbers},
		{"block", newBlocks},
	}
}

// Names lists the codecs.
func Names() []string {
	var names []string
	for _, c := range codecs() {
		names = append(names, c.name)
	}
	return names
}

// Events returns the decoder of event lines.
func Events() Decoder { return &events{} }

// New returns the decoder of a stream.
func New(config Config) (Decoder, error) {
	for _, c := range codecs() {
		if c.name == config.Codec {
			return c.make(config)
		}
	}
	return nil, fmt.Errorf("found the codec %s: one of %s is allowed", quote([]byte(config.Codec)), strings.Join(Names(), ", "))
}

// check finds what numbers and block need.
func (s Spectra) check() error {
	switch {
	case s.Channel == "" || len(s.Channel) > event.MaxNameBytes || len(s.Site) > event.MaxNameBytes:
		return fmt.Errorf("found the channel %s and the site %s: names of up to %d bytes, and a channel, are needed", quote([]byte(s.Channel)), quote([]byte(s.Site)), event.MaxNameBytes)
	case s.Pixels < 1 || s.Pixels > event.MaxPixels:
		return fmt.Errorf("found %d pixels: 1 to %d are allowed", s.Pixels, event.MaxPixels)
	case s.ClockS == nil:
		return errors.New("found no clock: these spectra carry no time")
	}
	return nil
}

// line encodes a spectrum.
func (s Spectra) line(timeS float64, values event.Values) ([]byte, error) {
	body := event.Spectrum{TimeS: timeS, Channel: s.Channel, Site: s.Site}
	if s.Reflectance {
		body.Reflectance = values
	} else {
		body.Counts = values
	}
	return event.Append(nil, body)
}

// quote shows a piece of outside text in an error.
func quote(text []byte) string {
	const most = 40
	if len(text) <= most {
		return strconv.QuoteToGraphic(string(text))
	}
	return strconv.QuoteToGraphic(string(text[:most])) + "…"
}
