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
	"bluefringe/device/ratebook"
	"bluefringe/device/record"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"
)

// item is one line on its way from the reader to the engine.
type item struct {
	event  event.Event
	err    error  // instead of the event
	notice string // instead of the event
	at     time.Time
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

// input is what an engine is told. The inputs of a run, told again in their order to
// another engine of the same set-up, give the same steps. A sink with a method fed gets
// them, each before its steps.
type input struct {
	timeS   float64
	process *event.Process
	reading *guide.Reading // of a spectrum; neither: that time passed
	end     bool           // of the run
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

	early   []string         // notices from before the session
	past    []event.Event    // of a run that goes on; they are in its record
	prior   *priorFinder     // nil: no prior is looked up
	digest  *ratebook.Digest // of what is received; nil with learner
	learner *rateLearner     // nil: the run goes into no rate book

	decoder    event.Decoder
	calibrator *calibrate.Calibrator
	engine     *guide.Engine
	opening    event.Run
	counts     counts
	newestS    map[[2]string]float64 // run time of the newest spectrum, by channel and site
	lastS      float64               // run time of the newest event
	lastAt     time.Time             // and when it came
	recorded   bool                  // the record has its set-up
	unplaced   []event.Event         // of prelude, whose channel is not known yet
	lacks      map[string]lack       // by channel
	rate       event.Prior           // where the set-up gives no Preston coefficient; zero: none
	chosen     *setup.Setup          // of the engine
	firstAt    time.Time             // when the first line came
	crashed    bool
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
			for _, e := range s.past {
				if err := box.put(ctx, item{event: e, at: time.Now()}); err != nil {
					return err
				}
			}
			return s.source.Run(ctx, func(line device.Line) error { return s.receive(ctx, box, line) })
		}))
	}()
	err := guarded(func() error { return s.work(ctx, box, acknowledge) })
	cancel()
	<-stopped
	if errors.Is(err, errEnd) {
		return nil
	}
	var c *crash
	s.crashed = errors.As(err, &c)
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
		it.event, it.err = s.decoder.Decode(line.Text)
		if errors.Is(it.err, event.ErrBlank) {
			return nil
		}
		if it.err == nil {
			if err := s.hear(ctx, box, it); err != nil {
				return err
			}
		}
		s.record(line.Text, it)
		if _, ok := it.event.Body.(event.Prior); ok && s.prior != nil && s.prior.overrides {
			return nil
		}
	}
	return box.put(ctx, it)
}

// hear gives an event to the rate book's side, and hands on the prior that goes before
// it. The record gets that as well, so that it replays the same without the rate book.
func (s *session) hear(ctx context.Context, box *mailbox, it item) error {
	if s.digest != nil {
		s.digest.Add(it.event)
	}
	if s.prior == nil {
		return nil
	}
	prior, notice := s.prior.before(it.event)
	if notice != "" {
		return box.put(ctx, item{notice: notice, at: it.at})
	}
	if prior == nil {
		return nil
	}
	line, err := event.Append(nil, *prior)
	if err != nil {
		return err
	}
	if s.recorder != nil {
		s.preface()
		s.recorder.Append(line)
	}
	return box.put(ctx, item{event: event.Event{Raw: line, Body: *prior}, at: it.at})
}

// record appends a line as it came, with the time of its receipt. The set-up given by
// hand goes in once, after the run line, so that the record replays on its own.
func (s *session) record(text []byte, it item) {
	if s.recorder == nil {
		return
	}
	if _, isRun := it.event.Body.(event.Run); isRun {
		s.recorder.Receive(text, it.at)
		s.preface()
		return
	}
	s.preface()
	s.recorder.Receive(text, it.at)
}

// preface records, once, what the session knows beside the stream.
func (s *session) preface() {
	if s.recorded {
		return
	}
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

// work is the engine's side.
func (s *session) work(ctx context.Context, box *mailbox, acknowledge <-chan struct{}) error {
	if err := s.prepare(); err != nil {
		return err
	}
	for _, text := range s.early {
		s.sink.notice(text)
	}
	var tick <-chan time.Time
	if s.clock > 0 {
		ticker := time.NewTicker(250 * time.Millisecond)
		defer ticker.Stop()
		tick = ticker.C
	}
	var news <-chan string
	if s.recorder != nil {
		news = s.recorder.News()
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
		case text := <-news:
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
	tellLimits(c, base)
	if err := c.Take(s.opening); err != nil {
		return err
	}
	s.calibrator = c
	return s.takePrelude(s.prelude)
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
		if s.learner != nil {
			s.learner.step(step)
		}
		if err := s.sink.stepped(step); err != nil {
			return err
		}
	}
	return nil
}

// handle takes one line. A line that cannot be used is counted and told, never
// the end of the session.
func (s *session) handle(it item) error {
	if it.notice != "" {
		s.sink.notice(it.notice)
		return nil
	}
	if s.firstAt.IsZero() {
		s.firstAt = it.at // not when a run goes on
	}
	if it.err != nil {
		if errors.Is(it.err, event.ErrCRC) {
			s.counts.badCRC++
		} else {
			s.counts.badLines++
		}
		s.sink.fault(it.err)
		return nil
	}
	if timeS, ok := it.event.Time(); ok && (timeS >= s.lastS || s.lastAt.IsZero()) {
		s.lastS, s.lastAt = timeS, it.at
	}
	switch body := it.event.Body.(type) {
	case nil:
		s.counts.unknown++
	case event.Run:
		s.opening = body
		if err := s.takeCalibration(body); err != nil {
			return err
		}
		return s.takePrelude(s.unplaced)
	case event.Setup:
		return s.takeSetup(body)
	case event.Dark, event.Reference:
		return s.takeCalibration(body)
	case event.Process:
		if err := s.start(); err != nil {
			return err
		}
		s.feed(input{timeS: body.TimeS, process: &body})
		if err := s.tell(s.engine.Process(guide.ProcessChange(body))); err != nil {
			return err
		}
		if s.learner != nil {
			s.learner.change(body)
		}
		return nil
	case event.Prior:
		s.rate = body
	case event.Spectrum:
		return s.takeSpectrum(body)
	case event.Note:
		if n, ok := s.sink.(interface{ noted(event.Note) }); ok {
			n.noted(body)
		}
	case event.Truth: // never told to the engine
		if n, ok := s.sink.(interface{ truth(event.Truth) }); ok {
			n.truth(body)
		}
	case event.End:
		if s.engine != nil {
			s.feed(input{timeS: body.TimeS, end: true})
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
	s.changed(body)
	s.news()
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
	parsed.Calibration.Record = ""
	s.setup = &parsed
	return s.calibrate(parsed)
}

func (s *session) takeSpectrum(body event.Spectrum) error {
	s.counts.spectra++
	if err := s.start(); err != nil {
		return err
	}
	// A clock that was set back must not hold the run's time still: the advice would
	// stay what it was while silicon goes. Refused, such spectra leave the run blind.
	of := [2]string{body.Channel, body.SiteName()}
	if newestS, ok := s.newestS[of]; ok && body.TimeS <= newestS {
		s.counts.refused++
		s.sink.fault(fmt.Errorf("spectrum at %g s: the one before it was of %g s: the same again, or a clock that was set back; it is not used", body.TimeS, newestS))
		return nil
	}
	reflectance, err := s.calibrator.Reflectance(nil, body)
	s.news()
	if err == nil {
		if s.newestS == nil {
			s.newestS = map[[2]string]float64{}
		}
		s.newestS[of] = body.TimeS
	}
	var steps []guide.Step
	if err == nil {
		missing := s.calibrator.Missing()
		steps, err = s.engine.Spectrum(guide.Spectrum{TimeS: body.TimeS, Channel: body.Channel, Site: body.SiteName(), Reflectance: reflectance,
			Saturated: missing.Saturated, Dim: missing.Dim})
	}
	if err != nil {
		s.refuse(body, err)
		s.feed(input{timeS: body.TimeS})
		steps = s.engine.Advance(body.TimeS)
	} else {
		s.accepted(body.Channel)
		reading := steps[len(steps)-1].Reading
		s.feed(input{timeS: body.TimeS, reading: &reading})
	}
	return s.tell(steps)
}

// feed hands what the engine is told to a sink that wants it.
func (s *session) feed(in input) {
	if f, ok := s.sink.(interface{ fed(input) }); ok {
		f.fed(in)
	}
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
	fromBook := s.rate.PrestonPerPa > 0 && chosen.Process.PrestonPerPa == 0
	if fromBook {
		chosen.Process.PrestonPerPa, chosen.Process.PrestonRelSD = s.rate.PrestonPerPa, s.rate.PrestonRelSD
	}
	engine, err := newEngine(chosen, s.calibrator, s.opening.Sites, s.cold)
	if err != nil {
		return usage(fmt.Errorf("%s: %w", chosen.Name, err))
	}
	s.engine, s.chosen = engine, &chosen
	s.sink.opened(s.opening, chosen)
	if fromBook {
		s.sink.notice(priorNotice(s.rate))
	}
	if s.learner != nil {
		s.learner.open(chosen)
	}
	return nil
}
