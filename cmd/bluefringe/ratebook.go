package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/ratebook"
	"bluefringe/device/setup"
	"bluefringe/removal"

	"github.com/spf13/cobra"
)

// noBook is the name for --rates that leaves the rate book alone.
const noBook = "none"

// bookWait is how long a watch waits for a rate book that others hold, before it
// starts; at its end it waits as long as the book itself does.
const bookWait = time.Second

// rateFlag says which rate book a session uses.
type rateFlag struct{ path string }

func (r *rateFlag) add(cmd *cobra.Command, help string) {
	cmd.Flags().StringVar(&r.path, "rates", "", help)
}

// file is the name of the book, empty for none.
func (r *rateFlag) file() (string, error) {
	switch r.path {
	case noBook:
		return "", nil
	case "":
		return ratebook.DefaultPath()
	}
	return r.path, nil
}

// readBook returns the runs of a book, nil when there is no such file: to ask makes
// none.
func readBook(ctx context.Context, path string) (runs []ratebook.Run, err error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	ctx, cancel := context.WithTimeout(ctx, bookWait)
	defer cancel()
	book, err := ratebook.Open(ctx, path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, book.Close()) }()
	return book.List(ctx, ratebook.Filter{})
}

// useRates gives a live session the rate book: its prior before the run and the run to
// it afterwards, by the function that comes back. Nothing about the book stops a watch.
func (r *rateFlag) useRates(ctx context.Context, s *session, talk io.Writer) (finish func()) {
	path, err := r.file()
	switch {
	case err != nil:
		s.early = append(s.early, "no rate book: "+err.Error())
		return func() {}
	case path == "":
		return func() {}
	}
	s.digest = ratebook.NewDigest()
	s.learner = newRateLearner()
	if s.setup == nil || s.setup.Process.PrestonPerPa == 0 {
		runs, err := readBook(ctx, path)
		if err != nil {
			s.early = append(s.early, "no prior for the rate: "+err.Error())
		}
		s.prior = newPriorFinder(runs, s.setup)
		s.prior.overrides = r.path != ""
	}
	return func() {
		if words := addRun(context.WithoutCancel(ctx), path, s); words != "" {
			fmt.Fprintf(talk, "bluefringe: %s\n", event.Clean(words))
		}
	}
}

// replayRates gives a replay the prior that the book had when its run began, if asked.
func (r *rateFlag) replayRates(ctx context.Context, s *session) error {
	if r.path == "" || r.path == noBook {
		return nil
	}
	book, err := openRates(ctx, r.path)
	if err != nil {
		return err
	}
	runs, err := book.List(ctx, ratebook.Filter{})
	if err := errors.Join(err, book.Close()); err != nil {
		return err
	}
	s.prior = newPriorFinder(runs, s.setup)
	s.prior.overrides, s.prior.strict = true, true
	return nil
}

// addRun adds what a finished session learnt, and says so or why not; nothing where there
// was no run at all.
func addRun(ctx context.Context, path string, s *session) string {
	run, err := s.learnt()
	if errors.Is(err, errNoRun) {
		return ""
	} else if err != nil {
		return "not added to the rate book: " + err.Error()
	}
	book, err := ratebook.Open(ctx, path)
	if err != nil {
		return "not added: " + err.Error()
	}
	id, replaced, err := book.Add(ctx, run)
	if err := errors.Join(err, book.Close()); err != nil {
		return "not added: " + err.Error()
	}
	verb := "added to"
	if replaced {
		verb = "brought up to date in"
	}
	return fmt.Sprintf("run %d %s the rate book: %.3g 1/Pa within %.2g %% from %.3g um in %.3g s", id, verb,
		run.PrestonPerPa, 100*run.PrestonRelSD, run.RemovedUM, run.PolishedS)
}

var errNoRun = errors.New("no spectrum came")

// learnt is the finished session as a run for the rate book.
func (s *session) learnt() (ratebook.Run, error) {
	if s.crashed {
		return ratebook.Run{}, errors.New("the session broke down")
	}
	if s.chosen == nil {
		return ratebook.Run{}, errNoRun
	}
	run, err := s.learner.run()
	if err != nil {
		return run, err
	}
	p := s.chosen.Process
	run.Checksum, run.When, run.Job = s.digest.Sum(), s.opening.Started, s.opening.Job
	if run.When.IsZero() {
		run.When = s.firstAt
	}
	run.Material, run.Pad, run.Slurry = p.Material, p.Pad, p.Slurry
	return run, nil
}

// priorFinder looks up the prior of a run from its events, as they are received: the
// first change of the process or spectrum comes with all that is asked. It belongs to
// the goroutine of the reader.
type priorFinder struct {
	runs []ratebook.Run
	// overrides: a prior that the stream itself carries does not count.
	overrides bool
	// strict: the book counts only as it was when the run began, so that time is needed.
	strict bool

	set     *setup.Setup // by hand or from the stream
	started time.Time    // by the run line
	decided bool
}

func newPriorFinder(runs []ratebook.Run, set *setup.Setup) *priorFinder {
	return &priorFinder{runs: runs, set: set}
}

// before tells what goes before an event: a prior, a notice, mostly neither.
func (p *priorFinder) before(e event.Event) (prior *event.Prior, notice string) {
	if p.decided {
		return nil, ""
	}
	var change event.Process
	switch body := e.Body.(type) {
	case event.Run:
		p.started = body.Started
		return nil, ""
	case event.Received:
		if p.strict && p.started.IsZero() {
			p.started = body.At
		}
		return nil, ""
	case event.Setup:
		if p.set == nil {
			// What is wrong with it, the session tells.
			if parsed, err := setup.Parse("", []byte(body.TOML)); err == nil {
				p.set = &parsed
			}
		}
		return nil, ""
	case event.Prior:
		p.decided = !p.overrides
		return nil, ""
	case event.Process:
		change = body
	case event.Spectrum:
	default:
		return nil, ""
	}
	p.decided = true
	chosen := setup.Default()
	if p.set != nil {
		chosen = *p.set
	}
	switch {
	case chosen.Process.PrestonPerPa > 0:
		return nil, ""
	case p.strict && p.started.IsZero():
		return nil, "no prior from the rate book: the record does not say when its run began"
	}
	return p.pool(queryFor(chosen, change))
}

func (p *priorFinder) pool(q ratebook.Query) (*event.Prior, string) {
	q.Before = p.started
	found, err := ratebook.Pool(q, p.runs)
	switch {
	case err != nil:
		return nil, err.Error()
	case len(found.Runs) == 0 && len(p.runs) == 0:
		return nil, ""
	case len(found.Runs) == 0:
		return nil, fmt.Sprintf("no prior from the rate book: no earlier run in it is on %s", event.Clean(q.Material))
	}
	prior := &event.Prior{PrestonPerPa: found.PrestonPerPa, PrestonRelSD: found.RelSD}
	for _, r := range found.Runs {
		prior.Runs = append(prior.Runs, float64(r.ID))
	}
	return prior, ""
}

// queryFor describes a run by its set-up and the first change of its process.
func queryFor(s setup.Setup, change event.Process) ratebook.Query {
	p := process(s)
	applyChange(&p, change)
	q := ratebook.Query{Material: s.Process.Material, Pad: s.Process.Pad, Slurry: s.Process.Slurry, PadMM: p.PadMM, SpeedMS: p.SpeedMS}
	if p.PadMM > 0 {
		q.PressurePa = p.PressurePa()
	}
	return q
}

func applyChange(p *removal.Process, change event.Process) {
	for _, f := range []struct{ to, from *float64 }{{&p.ForceN, change.ForceN}, {&p.PadMM, change.PadMM}, {&p.SpeedMS, change.SpeedMS}} {
		if f.from != nil {
			*f.to = *f.from
		}
	}
}

// priorNotice says in one line where the rate before the run comes from.
func priorNotice(p event.Prior) string {
	return fmt.Sprintf("rate from %s of the rate book: %.3g 1/Pa, relative standard deviation %.0f %%",
		runCount(len(p.Runs)), p.PrestonPerPa, 100*p.PrestonRelSD)
}
