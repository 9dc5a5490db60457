package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"slices"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/record"
	"bluefringe/device/record/pack"

	"github.com/spf13/cobra"
)

// recordFlags say where a watch records what it receives.
type recordFlags struct {
	path           string
	goOn, compress bool
}

func (r *recordFlags) add(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&r.path, "record", "", "append every line received to this new `file`")
	f.BoolVar(&r.goOn, "append", false, "go on with the record of a watch that broke off in mid-run")
	f.BoolVar(&r.compress, "compress", false, "compress the record (zstd) when the watch ends")
}

// check refuses flags that do not go together.
func (r *recordFlags) check(w *from, s *session) error {
	switch {
	case r.path == "" && (r.goOn || r.compress):
		return usage(errors.New("--append and --compress: --record is needed with them"))
	case r.goOn && !w.stdin && w.serial == "":
		return usage(errors.New("--append: only with --serial or --stdin: a file or folder is read again from its start"))
	case r.goOn && w.serial != "" && s.setup != nil && s.setup.Serial.Codec != "events":
		return usage(fmt.Errorf("--append: found serial.codec %q: only event lines say at which time of the run they were taken", s.setup.Serial.Codec))
	case r.compress:
		if _, err := os.Lstat(r.path + pack.Suffix); !errors.Is(err, fs.ErrNotExist) {
			return usage(fmt.Errorf("--compress: %s exists already and is not overwritten: choose another name", r.path+pack.Suffix))
		}
	}
	return nil
}

// open gives a session its recorder. finish ends the record and says what is in it.
func (r *recordFlags) open(ctx context.Context, w *from, s *session, talk io.Writer) (finish func() error, err error) {
	if err := r.check(w, s); err != nil {
		return nil, err
	}
	switch {
	case r.path == "":
		return func() error { return nil }, nil
	case r.goOn:
		err = r.goOnWith(ctx, s)
	default:
		s.recorder, err = record.Create(r.path)
	}
	if err != nil {
		return nil, usage(err)
	}
	return func() error { return r.close(ctx, s.recorder, talk) }, nil
}

// close ends the record, and compresses it where nothing is wrong with it.
func (r *recordFlags) close(ctx context.Context, recorder *record.Recorder, talk io.Writer) error {
	err := recorder.Close()
	for untold := true; untold; { // by the session, which has ended
		select {
		case text := <-recorder.News():
			fmt.Fprintf(talk, "bluefringe: %s\n", event.Clean(text))
		default:
			untold = false
		}
	}
	stats := recorder.Stats()
	fmt.Fprintf(talk, "bluefringe: %d lines recorded in %s\n", stats.Written, r.path)
	if lost := stats.Lines - stats.Written + stats.Dropped; lost > 0 {
		fmt.Fprintf(talk, "bluefringe: NOT RECORDED: %d lines\n", lost)
	}
	if err != nil || !r.compress {
		return err
	}
	to, err := pack.Compress(context.WithoutCancel(ctx), r.path)
	if err == nil {
		fmt.Fprintf(talk, "bluefringe: compressed to %s\n", to)
	}
	return err
}

// goOnWith opens the record of a run that is not over and gives the session what it has
// to know of the time before: run line, set-up, prior, dark, reference and process. The
// track begins anew with the next spectrum.
func (r *recordFlags) goOnWith(ctx context.Context, s *session) error {
	recorder, torn, err := record.Continue(r.path)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("--append: no record %s to go on with", r.path)
	} else if err != nil {
		return err
	}
	past, err := readPast(ctx, r.path, s)
	if err == nil && past.ended {
		err = fmt.Errorf("--append: the run in %s is over", r.path)
	}
	if err != nil {
		return errors.Join(err, recorder.Close())
	}
	s.recorder, s.recorded, s.past, s.firstAt = recorder, past.lines > 0, past.events(), past.firstAt
	text := fmt.Sprintf("going on with %s: %d whole lines in it", r.path, past.lines)
	if torn > 0 {
		text += fmt.Sprintf(", and %d bytes of a torn one", torn)
	}
	if past.bad > 0 {
		text += fmt.Sprintf("; %d lines are not valid", past.bad)
	}
	s.early = append(s.early, text)
	return nil
}

// past is what a record says of the run so far.
type past struct {
	lines, bad int
	ended      bool
	firstAt    time.Time
	opening    []event.Event          // run, set-up, prior
	lights     map[string]event.Event // the newest dark and reference of each channel
	process    event.Process
	lastS      float64
}

// readPast reads a record, and lets the rate book's side of the session hear it.
func readPast(ctx context.Context, path string, s *session) (past, error) {
	p := past{lights: map[string]event.Event{}}
	err := device.File(path).Run(ctx, func(line device.Line) error {
		e, err := event.Decode(line.Text)
		switch {
		case line.Err != nil || err != nil && !errors.Is(err, event.ErrBlank):
			p.bad++
			return nil
		case err != nil:
			return nil
		}
		p.lines++
		p.take(e)
		if s.digest != nil {
			s.digest.Add(e)
		}
		if s.prior != nil {
			s.prior.before(e) // what it would say was said, and stands in the record
		}
		return nil
	})
	return p, err
}

func (p *past) take(e event.Event) {
	if timeS, ok := e.Time(); ok {
		p.lastS = timeS
	}
	switch body := e.Body.(type) {
	case event.Received:
		if p.firstAt.IsZero() {
			p.firstAt = body.At
		}
	case event.Run, event.Setup, event.Prior:
		p.opening = append(p.opening, e)
	case event.Dark:
		p.lights["dark "+body.Channel] = e
	case event.Reference:
		p.lights["reference "+body.Channel] = e
	case event.Process:
		set := func(to **float64, from *float64) {
			if from != nil {
				*to = from
			}
		}
		set(&p.process.ForceN, body.ForceN)
		set(&p.process.PadMM, body.PadMM)
		set(&p.process.SpeedMS, body.SpeedMS)
		if body.Contact != nil {
			p.process.Contact = body.Contact
		}
	case event.End:
		p.ended = true
	}
}

// events are what a session that goes on takes first.
func (p *past) events() []event.Event {
	list := p.opening
	for _, name := range slices.Sorted(maps.Keys(p.lights)) {
		list = append(list, p.lights[name])
	}
	if p.process != (event.Process{}) {
		p.process.TimeS = p.lastS
		list = append(list, event.Event{Body: p.process})
	}
	return list
}
