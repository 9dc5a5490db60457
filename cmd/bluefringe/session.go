package main

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"bluefringe/device"
	"bluefringe/device/calibrate"
	"bluefringe/device/event"
	"bluefringe/device/record"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
)

// item is one line on its way from the reader to the engine.
type item struct {
	event event.Event
	err   error // instead of the event
	at    time.Time
}

func (it item) isSpectrum() bool {
	_, ok := it.event.Body.(event.Spectrum)
	return ok
}

// sink is told what a session does. All calls come from one goroutine.
type sink interface {
	// opened comes once the set-up is known, before the first step.
	opened(run event.Run, s setup.Setup)
	// stepped brings what the engine says about one moment.
	stepped(step guide.Step) error
	// notice brings word of the source itself, such as a file that is waited for.
	notice(text string)
	// fault brings a line that could not be used; it is counted in heard.
	fault(err error)
	// heard comes after every batch of lines with the health of the line.
	heard(c counts, at time.Time)
}

// counts is the health of the line.
type counts struct {
	spectra, badLines, badCRC, refused, unknown, skipped int
}

// session runs one source through the engine.
type session struct {
	source   device.Source
	setup    *setup.Setup     // nil: from the stream, else the default
	prelude  []event.Event    // dark and reference of a calibration record
	recorder *record.Recorder // nil: nothing is recorded
	clock    float64          // run seconds per second on the wall while no line comes; 0: none pass
	lossless bool             // the reader may wait for the engine
	cold     bool             // every spectrum is read by itself
	sink     sink
	notices  chan string // from the source; nil: none
	// lost is told that a live source broke off; the session then goes on without data
	// until its context is done. nil: the session ends with the source.
	lost func(err error)

	calibrator *calibrate.Calibrator
	engine     *guide.Engine
	opening    event.Run
	counts     counts
	lastS      float64   // run time of the newest event
	lastAt     time.Time // and when it came
	recorded   bool      // the record has its set-up
}

// lateness is how late a line may come before its silence counts as passing of
// time: lines wait in buffers on their way.
const lateness = 300 * time.Millisecond

// errEnd ends a session when the run says that it is over.
var errEnd = errors.New("end of run")

// run reads the source to its end, or to the run's end event. The recorder gets
// every line before anything else. The engine works in this goroutine, the
// reader in another; neither waits for a screen. A stop is acknowledged through
// the channel.
func (s *session) run(ctx context.Context, acknowledge <-chan struct{}) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	box := newMailbox(s.lossless)
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		box.end(guarded(func() error {
			return s.source.Run(ctx, func(line device.Line) error { return s.receive(ctx, box, line) })
		}))
	}()
	err := guarded(func() error { return s.work(ctx, box, acknowledge) })
	cancel()
	<-stopped
	if errors.Is(err, errEnd) {
		return nil
	}
	return err
}

// crash is a panic turned into an error: the terminal must be restored and the
// record closed before it is told.
type crash struct {
	value any
	stack []byte
}

func (c *crash) Error() string { return fmt.Sprintf("internal error: %v\n%s", c.value, c.stack) }

func guarded(f func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = &crash{r, debug.Stack()}
		}
	}()
	return f()
}

// receive is the reader's side: record, decode, hand on.
func (s *session) receive(ctx context.Context, box *mailbox, line device.Line) error {
	it := item{err: line.Err, at: time.Now()}
	if line.Err == nil {
		it.event, it.err = event.Decode(line.Text)
		if errors.Is(it.err, event.ErrBlank) {
			return nil
		}
		s.record(line.Text, it.event)
	}
	return box.put(ctx, it)
}

// record appends a line as it came. The set-up given by hand goes in once, after
// the run line, so that the record replays on its own.
func (s *session) record(text []byte, e event.Event) {
	if s.recorder == nil {
		return
	}
	_, isRun := e.Body.(event.Run)
	if isRun {
		s.recorder.Append(text)
	}
	if !s.recorded {
		s.recorded = true
		if s.setup != nil && s.setup.Raw != "" {
			if line, err := event.Append(nil, event.Setup{TOML: s.setup.Raw}); err == nil {
				s.recorder.Append(line)
			}
		}
		for _, p := range s.prelude {
			s.recorder.Append(p.Raw)
		}
	}
	if !isRun {
		s.recorder.Append(text)
	}
}

// work is the engine's side.
func (s *session) work(ctx context.Context, box *mailbox, acknowledge <-chan struct{}) error {
	if err := s.prepare(); err != nil {
		return err
	}
	var tick <-chan time.Time
	if s.clock > 0 {
		ticker := time.NewTicker(250 * time.Millisecond)
		defer ticker.Stop()
		tick = ticker.C
	}
	var lost error
	for {
		select {
		case <-ctx.Done():
			if lost != nil {
				return lost
			}
			return ctx.Err()
		case text := <-s.notices:
			s.sink.notice(text)
		case <-acknowledge:
			if s.engine != nil {
				s.engine.Acknowledge()
			}
		case now := <-tick:
			if err := s.pass(now); err != nil {
				return err
			}
		case <-box.arrived:
			items, skipped, ended, readErr := box.take()
			var err error
			for i := 0; i < len(items) && err == nil; i++ {
				err = s.handle(items[i])
			}
			s.counts.skipped = skipped
			if len(items) > 0 {
				s.sink.heard(s.counts, items[len(items)-1].at)
			}
			var c *crash
			switch {
			case err != nil:
				return err
			case ended && (readErr == nil || s.lost == nil || errors.As(readErr, &c)):
				return readErr
			case ended:
				// The pad may still be on the die: time goes on, and the advice with it.
				lost = readErr
				s.lost(readErr)
			}
		}
	}
}

// prepare makes the calibrator ready for streams that carry no run, dark or
// reference lines of their own.
func (s *session) prepare() error {
	base := setup.Default()
	if s.setup != nil {
		base = *s.setup
	}
	return s.calibrate(base)
}

func (s *session) calibrate(base setup.Setup) error {
	c, err := calibrate.New(base.Optics.Ambient, base.Optics.TemperatureC)
	if err != nil {
		return usage(err)
	}
	if err := c.SetChannels(base.Channels); err != nil {
		return usage(fmt.Errorf("%s: %w", base.Name, err))
	}
	for name, instrument := range base.Instrument {
		c.SetStray(name, instrument.Stray)
	}
	if err := c.SetChannels(s.opening.Channels); err != nil {
		return err
	}
	for _, e := range s.prelude {
		if err := c.Take(e.Body); err != nil {
			return usage(fmt.Errorf("calibration record: %w", err))
		}
	}
	s.calibrator = c
	return nil
}

// pass lets run time go on while no line comes.
func (s *session) pass(now time.Time) error {
	if s.engine == nil || s.lastAt.IsZero() {
		return nil
	}
	return s.tell(s.engine.Advance(s.lastS + s.clock*(now.Sub(s.lastAt)-lateness).Seconds()))
}

func (s *session) tell(steps []guide.Step) error {
	for _, step := range steps {
		if err := s.sink.stepped(step); err != nil {
			return err
		}
	}
	return nil
}

// handle takes one line. A line that cannot be used is counted and told, never
// the end of the session.
func (s *session) handle(it item) error {
	if it.err != nil {
		if errors.Is(it.err, event.ErrCRC) {
			s.counts.badCRC++
		} else {
			s.counts.badLines++
		}
		s.sink.fault(it.err)
		return nil
	}
	if timeS, ok := it.event.Time(); ok {
		s.lastS, s.lastAt = timeS, it.at
	}
	switch body := it.event.Body.(type) {
	case nil:
		s.counts.unknown++
	case event.Run:
		s.opening = body
		return s.takeCalibration(body)
	case event.Setup:
		return s.takeSetup(body)
	case event.Dark, event.Reference:
		return s.takeCalibration(body)
	case event.Process:
		if err := s.start(); err != nil {
			return err
		}
		return s.tell(s.engine.Process(guide.ProcessChange(body)))
	case event.Spectrum:
		return s.takeSpectrum(body)
	case event.End:
		if s.engine != nil {
			if err := s.tell(s.engine.Advance(body.TimeS)); err != nil {
				return err
			}
		}
		return errEnd
	}
	return nil
}

func (s *session) takeCalibration(body event.Body) error {
	if err := s.calibrator.Take(body); err != nil {
		s.counts.refused++
		s.sink.fault(err)
	}
	return nil
}

// takeSetup uses the set-up that a record carries, unless one was given by hand
// or the engine runs already.
func (s *session) takeSetup(body event.Setup) error {
	if s.setup != nil || s.engine != nil {
		return nil
	}
	parsed, err := setup.Parse("set-up in the record", []byte(body.TOML))
	if err != nil {
		return usage(err)
	}
	// A record never opens files: a calibration record it names stays closed.
	parsed.Calibration = setup.Calibration{}
	s.setup = &parsed
	return s.calibrate(parsed)
}

func (s *session) takeSpectrum(body event.Spectrum) error {
	s.counts.spectra++
	if err := s.start(); err != nil {
		return err
	}
	reflectance, err := s.calibrator.Reflectance(nil, body)
	var steps []guide.Step
	if err == nil {
		missing := s.calibrator.Missing()
		steps, err = s.engine.Spectrum(guide.Spectrum{TimeS: body.TimeS, Channel: body.Channel, Site: body.SiteName(), Reflectance: reflectance,
			Saturated: missing.Saturated, Dim: missing.Dim})
	}
	if err != nil {
		s.counts.refused++
		s.sink.fault(fmt.Errorf("spectrum at %g s: %w", body.TimeS, err))
		steps = s.engine.Advance(body.TimeS)
	}
	return s.tell(steps)
}

// start builds the engine when the first event needs it: by then run and set-up
// have come.
func (s *session) start() error {
	if s.engine != nil {
		return nil
	}
	chosen := setup.Default()
	if s.setup != nil {
		chosen = *s.setup
	}
	engine, err := newEngine(chosen, s.calibrator, s.cold)
	if err != nil {
		return usage(fmt.Errorf("%s: %w", chosen.Name, err))
	}
	s.engine = engine
	s.sink.opened(s.opening, chosen)
	return nil
}
