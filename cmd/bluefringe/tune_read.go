package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
	"bluefringe/removal/tune"
)

// recording is what tuning needs of a run: what the engine was told, after the optics, and
// the truth.
type recording struct {
	Chosen  setup.Setup // what the engine was made from
	Sites   map[string][2]float64
	Events  []tune.Event
	Truth   map[string][]tune.Point
	FinalUM float64 // thickness at the end that a note tells; NaN: none does
	Counts  counts
}

// Bounds of a run.
const (
	mostTuneEvents = 500_000
	mostTruth      = 2_000_000
)

// readRun sends a source through the engine, once, and keeps its readings.
func readRun(ctx context.Context, source device.Source, v view) (*recording, error) {
	t := &eventTap{Source: source, rec: &recording{Truth: map[string][]tune.Point{}, FinalUM: math.NaN()}}
	sink := &readingSink{faultLog: faultLog{w: io.Discard}, rec: t.rec, readings: map[spectrumKey]guide.Reading{}}
	s := &session{lossless: true, source: t, sink: sink}
	var err error
	if s.setup, s.prelude, err = v.load(); err != nil {
		return nil, err
	}
	err = s.run(ctx, nil)
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case err != nil:
		return nil, err
	case len(sink.readings) == 0:
		return nil, errors.New("none of its spectra can be read")
	}
	for i, key := range t.spectra {
		// A spectrum that was refused leaves the passing of time.
		if r, ok := sink.readings[key]; ok {
			t.rec.Events[i].Reading = &r
			delete(sink.readings, key) // the same again was refused
		}
	}
	t.rec.Counts = s.counts
	return t.rec, nil
}

// spectrumKey tells the spectra of a run apart: a session takes no two of one key.
type spectrumKey struct {
	timeS         float64
	channel, site string
}

// eventTap hears what a source says besides the values of spectra. It belongs to the
// goroutine that runs the source until that is done. What stands after the end of the run
// is truth and notes for it alone.
type eventTap struct {
	device.Source
	rec     *recording
	decoder event.Decoder
	spectra map[int]spectrumKey // by their place in rec.Events
	truths  int
	ended   bool
}

func (t *eventTap) Run(ctx context.Context, emit func(device.Line) error) error {
	t.spectra = map[int]spectrumKey{}
	return t.Source.Run(ctx, func(line device.Line) error {
		if line.Err == nil {
			if e, err := t.decoder.Decode(line.Text); err == nil {
				if err := t.hear(e.Body); err != nil {
					return err
				}
			}
		}
		if t.ended {
			return nil // the session would stop listening
		}
		return emit(line)
	})
}

func (t *eventTap) hear(body event.Body) error {
	switch b := body.(type) {
	case event.Truth:
		if t.truths++; t.truths > mostTruth {
			return fmt.Errorf("more than %d truth lines: so many are allowed", mostTruth)
		}
		site := event.Spectrum{Site: b.Site}.SiteName()
		t.rec.Truth[site] = append(t.rec.Truth[site], tune.Point{TimeS: b.TimeS, ThicknessUM: b.ThicknessUM})
		return nil
	case event.Note:
		if um, ok := finalThickness(b.Text); ok {
			t.rec.FinalUM = um
		}
		return nil
	}
	if t.ended {
		return nil
	}
	n := len(t.rec.Events)
	switch b := body.(type) {
	case event.Process:
		t.rec.Events = append(t.rec.Events, tune.Event{TimeS: b.TimeS, Process: (*guide.ProcessChange)(&b)})
	case event.Spectrum:
		t.spectra[n] = spectrumKey{b.TimeS, b.Channel, b.SiteName()}
		t.rec.Events = append(t.rec.Events, tune.Event{TimeS: b.TimeS})
	case event.End:
		t.ended = true
		t.rec.Events = append(t.rec.Events, tune.Event{TimeS: b.TimeS})
	}
	if n >= mostTuneEvents {
		return fmt.Errorf("more than %d spectra and changes of the process: so many are allowed", mostTuneEvents)
	}
	return nil
}

// finalThickness reads a note such as "final thickness 2.01 um".
func finalThickness(text string) (um float64, ok bool) {
	found := regexp.MustCompile(`(?i)^\s*final thickness\s*[:=]?\s*([0-9]*\.?[0-9]+)\s*(um|µm|μm|nm)\b`).FindStringSubmatch(text + " ")
	if found == nil {
		return 0, false
	}
	um, err := strconv.ParseFloat(found[1], 64)
	if found[2] == "nm" {
		um /= 1000
	}
	return um, err == nil && um > 0
}

// readingSink keeps the readings of a session.
type readingSink struct {
	faultLog
	rec      *recording
	readings map[spectrumKey]guide.Reading
}

func (k *readingSink) opened(run event.Run, s setup.Setup) { k.rec.Chosen, k.rec.Sites = s, run.Sites }
func (k *readingSink) notice(string)                       {}
func (k *readingSink) heard(counts, time.Time)             {}

func (k *readingSink) stepped(step guide.Step) error {
	if e := step.Estimate; e != nil {
		r := step.Reading
		r.Estimate = lean(e)
		k.readings[spectrumKey{e.TimeS, e.Channel, e.Site}] = r
	}
	return nil
}

// lean is an estimate without its pictures, but for the visibility that rules may ask for.
func lean(e *guide.Estimate) *guide.Estimate {
	kept := *e
	kept.Picture = guide.Picture{VisibilityNM: e.Picture.VisibilityNM, Visibility: e.Picture.Visibility}
	return &kept
}
