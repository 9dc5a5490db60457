package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"os/signal"
	"syscall"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/guide"

	"github.com/spf13/cobra"
)

func newMeasure(st streams) *cobra.Command {
	var v view
	var fromS, toS float64
	var all bool
	cmd := &cobra.Command{
		Use:   "measure RUN",
		Short: "Read every spectrum of a record on its own: intake and sign-off maps",
		Long: `Read every spectrum of a record on its own: cold, without tracking or history.

Prints a line for each spectrum, the mean of the good readings of each site and,
where the run line gives places to the sites, the map of the die: thinnest site,
tilt, bow, and the thinnest place of the fitted surface in the rectangle of the
sites. Means and maps are for a die at rest; --from and --to pick such a time
from the record of a run.

Every sd is a standard uncertainty (JCGM 100:2008): double it for an interval
that holds the truth in about 95 of 100 cases. Noise falls with the number of
readings as far as their scatter shows it. What is not known of the front side
is another error at each site, the same in all its readings. Silicon table,
temperature and wavelength scale are one error of the whole die, in proportion
to thickness: it is in each thickness and in the mean in full, in range, tilt
and bow only in proportion to these. Where readings do not say what they share,
the sd of range, tilt and bow are upper bounds, and the output says so.

The floor counts as kept where twice the sd lies between.`,
		Example: `  bluefringe measure intake.jsonl --setup die.toml
  bluefringe measure run.jsonl --from 412
  bluefringe measure run.jsonl --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("from") {
				fromS = math.Inf(-1)
			}
			if !cmd.Flags().Changed("to") {
				toS = math.Inf(1)
			}
			if !(fromS <= toS) {
				return usage(fmt.Errorf("--from %g --to %g: --from before --to is allowed", fromS, toS))
			}
			return measure(cmd.Context(), st, args[0], v, measureSink{fromS: fromS, toS: toS}, all)
		},
	}
	f := cmd.Flags()
	f.StringVar(&v.setupFile, "setup", "", "set-up `file` (TOML); overrides the one in the record")
	f.BoolVar(&v.json, "json", false, "write estimate lines, as replay --json does")
	f.Float64Var(&fromS, "from", 0, "first run `time` that counts, s (default: the start)")
	f.Float64Var(&toS, "to", 0, "last run `time` that counts, s (default: the end)")
	f.BoolVar(&all, "all", false, fmt.Sprintf("print the lines of more than %d spectra as well", tableRows))
	cmd.MarkFlagsMutuallyExclusive("json", "all")
	return cmd
}

// measure runs the record through the one engine and keeps what each spectrum says
// by itself: the engine tracks as well, but its estimates do not depend on that.
func measure(ctx context.Context, st streams, path string, v view, sink measureSink, all bool) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return usage(fmt.Errorf("no record %s", path))
	} else if err != nil {
		return err
	}
	counted := &countedSource{Source: device.File(path), size: info.Size()}
	s := &session{lossless: true, cold: true, source: counted, sink: &sink}
	if s.setup, s.prelude, err = v.load(); err != nil {
		return err
	}
	sink.faultLog.w = st.err
	sink.progress = progress{w: st.err, source: counted, began: time.Now(),
		shown: isTerminal(st.err) && !(isTerminal(st.out) && (v.json || all))}
	r := report{out: bufio.NewWriter(st.out), all: all}
	if v.json {
		lines := newJSONSink(st, true)
		sink.take = func(e guide.Estimate) error { return lines.stepped(guide.Step{Estimate: &e}) }
	} else {
		sink.take = r.add
		sink.open = r.open
	}

	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	err = s.run(ctx, nil)
	sink.progress.clear()
	sink.heard(s.counts, time.Now())
	sink.faultLog.close()
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("interrupted after %d spectra", sink.found)
	case err != nil:
		return err
	}
	if err := sink.verdict(path, s.counts); err != nil || v.json {
		return err
	}
	return r.finish(s.counts.spectra - sink.found)
}

// measureSink hands on the estimates of a time, and nothing else.
type measureSink struct {
	faultLog
	fromS, toS float64
	open       func(event.Run, setup.Setup) // nil: nobody asks
	take       func(guide.Estimate) error
	progress   progress

	found, taken int    // estimates, and those of the time asked for
	first, last  string // faults
}

func (m *measureSink) opened(run event.Run, s setup.Setup) {
	if m.open != nil {
		m.open(run, s)
	}
}

func (m *measureSink) stepped(step guide.Step) error {
	if step.Estimate == nil {
		return nil
	}
	m.found++
	m.progress.step()
	if t := step.Estimate.TimeS; !(t >= m.fromS && t <= m.toS) {
		return nil
	}
	m.taken++
	return m.take(*step.Estimate)
}

func (m *measureSink) fault(err error) {
	m.last = event.Clean(err.Error())
	if m.first == "" {
		m.first = m.last
	}
	m.progress.clear()
	m.faultLog.fault(err)
	m.progress.step()
}

// verdict is an error when there was nothing to measure, and says why.
func (m *measureSink) verdict(path string, c counts) error {
	why := ""
	switch {
	case m.first != m.last:
		why = fmt.Sprintf("; first fault: %s; last fault: %s", m.first, m.last)
	case m.first != "":
		why = ": " + m.first
	}
	switch {
	case m.taken > 0:
		return nil
	case m.found > 0:
		return fmt.Errorf("%s: none of its %d spectra lies between %g and %g s", path, m.found, m.fromS, m.toS)
	case c.spectra == 0:
		return fmt.Errorf("%s holds no spectra%s", path, why)
	}
	return fmt.Errorf("%s: none of its %d spectra can be read%s", path, c.spectra, why)
}
