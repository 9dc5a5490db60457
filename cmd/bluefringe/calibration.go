package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"bluefringe/device/calibrate"
	"bluefringe/device/event"
	"bluefringe/device/setup"
)

// fromEarlierRun says of a dark or reference that it was taken in another run, so that its
// time_s is not taken for one of the run that it is used in, nor in the record of that.
func fromEarlierRun(e event.Event, started time.Time) (event.Event, error) {
	switch b := e.Body.(type) {
	case event.Dark:
		if b.Earlier {
			return e, nil
		}
		b.Earlier, b.Started = true, started
		e.Body = b
	case event.Reference:
		if b.Earlier {
			return e, nil
		}
		b.Earlier, b.Started = true, started
		e.Body = b
	}
	var err error
	e.Raw, err = event.Append(nil, e.Body)
	return e, err
}

// tellLimits gives the calibrator what the set-up says of its checks.
func tellLimits(c *calibrate.Calibrator, s setup.Setup) {
	c.SetAgeLimits(calibrate.Age{DarkS: s.Calibration.DarkAgeS, ReferenceS: s.Calibration.ReferenceAgeS})
	thinnestUM := s.Target.FloorUM
	if thinnestUM == 0 {
		thinnestUM = s.Target.ThicknessUM
	}
	c.SetThinnest(thinnestUM)
}

// takePrelude learns from dark and reference of a calibration record. Those of a channel
// whose wavelengths are yet to come with the run line wait for it.
func (s *session) takePrelude(prelude []event.Event) error {
	s.unplaced = nil
	var last error // dark and reference of a channel that do not go together: more may follow
	for _, e := range prelude {
		err := s.calibrator.Take(e.Body)
		switch {
		case errors.Is(err, calibrate.ErrChannel):
			s.unplaced = append(s.unplaced, e)
			continue
		case err != nil && !errors.Is(err, calibrate.ErrIntegration) && !errors.Is(err, calibrate.ErrNoLight):
			return usage(fmt.Errorf("calibration record: %w", err))
		}
		last = err
	}
	if last != nil {
		return usage(fmt.Errorf("calibration record: %w", last))
	}
	s.news()
	return nil
}

// news hands on what the calibrator has to tell.
func (s *session) news() {
	for _, text := range s.calibrator.News() {
		s.sink.notice(text)
	}
}

// lack is what keeps the counts of a channel from becoming a reflectance.
type lack struct {
	kind   error
	change bool // a dark or reference has come since it was told
}

// refuse counts a spectrum that cannot be used and tells why. What is so for every
// spectrum until a dark or reference comes is told once, with what to do.
func (s *session) refuse(spectrum event.Spectrum, err error) {
	s.counts.refused++
	fault := fmt.Errorf("spectrum at %g s: %w", spectrum.TimeS, err)
	var notReady calibrate.NotReady
	if !errors.As(err, &notReady) {
		s.sink.fault(fault)
		return
	}
	is := lack{}
	for _, kind := range []error{calibrate.ErrNoDark, calibrate.ErrNoReference, calibrate.ErrIntegration, calibrate.ErrNoLight} {
		if errors.Is(err, kind) {
			is.kind = kind
		}
	}
	if told, ok := s.lacks[spectrum.Channel]; ok && told == is {
		return
	}
	if s.lacks == nil {
		s.lacks = map[string]lack{}
	}
	s.lacks[spectrum.Channel] = is
	if g, ok := s.sink.(guided); ok {
		g.guide(err.Error())
	} else {
		s.sink.fault(fault)
	}
}

// changed notes that a dark or reference of a channel has come.
func (s *session) changed(body event.Body) {
	channel := ""
	switch b := body.(type) {
	case event.Dark:
		channel = b.Channel
	case event.Reference:
		channel = b.Channel
	}
	if told, ok := s.lacks[channel]; ok {
		told.change = true
		s.lacks[channel] = told
	}
}

// accepted tells, once, that what a channel lacked has come.
func (s *session) accepted(channel string) {
	if s.lacks[channel].change {
		delete(s.lacks, channel)
		if g, ok := s.sink.(guided); ok {
			g.guide("")
		}
		s.sink.notice(fmt.Sprintf("channel %q: ready: dark and reference are there", event.Clean(channel)))
	}
}

// guided is a sink that keeps what to do next before its reader until it is done.
type guided interface{ guide(text string) } // empty: it is done

// guide puts what to do into the state text and on the line of the source's health: the
// state text goes with the next step.
func (b *boardSink) guide(text string) {
	_, what, _ := strings.Cut(text, ": ") // room is scarce there: without the channel
	b.snapshot.Health.LastFault = what
	if text != "" {
		b.notice(text)
	}
}
