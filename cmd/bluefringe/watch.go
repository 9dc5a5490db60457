package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"bluefringe/device"
	"bluefringe/device/demo"
	"bluefringe/device/event"
	"bluefringe/device/record"
	"bluefringe/device/setup"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// view is how a session is shown: flags that watch and replay share.
type view struct {
	json, plain  bool
	light, ascii bool
	setupFile    string
}

func (v *view) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&v.setupFile, "setup", "", "set-up file (TOML); overrides the one in a record")
	f.BoolVar(&v.json, "json", false, "write estimate, forecast and advice as JSON lines")
	f.BoolVar(&v.plain, "plain", false, "write lines of words instead of the full screen")
	f.BoolVar(&v.light, "light", false, "colours for a light background")
	f.BoolVar(&v.ascii, "ascii", false, "draw with ASCII characters only")
	cmd.MarkFlagsMutuallyExclusive("json", "plain")
}

// load reads the set-up file, nil when none is named, and the dark and reference
// of the calibration record that it names.
func (v *view) load() (*setup.Setup, []event.Event, error) {
	if v.setupFile == "" {
		return nil, nil, nil
	}
	s, err := setup.Load(v.setupFile)
	if err != nil {
		return nil, nil, usage(err)
	}
	if s.Calibration.Record == "" {
		return &s, nil, nil
	}
	prelude, err := readCalibration(s.Calibration.Record)
	if err != nil {
		return nil, nil, usage(fmt.Errorf("%s: calibration record: %w", v.setupFile, err))
	}
	return &s, prelude, nil
}

// readCalibration returns the dark and reference events of a record.
func readCalibration(path string) ([]event.Event, error) {
	var kept []event.Event
	err := device.File(path).Run(context.Background(), func(line device.Line) error {
		if line.Err != nil {
			return nil
		}
		e, err := event.Decode(line.Text)
		if err != nil {
			return nil
		}
		switch e.Body.(type) {
		case event.Dark, event.Reference:
			kept = append(kept, e)
		}
		return nil
	})
	if err == nil && len(kept) == 0 {
		err = fmt.Errorf("%s holds no dark and no reference", path)
	}
	return kept, err
}

// show runs the session in the way asked for. Interrupting a watch is the usual
// way to end it and no failure.
func (v *view) show(ctx context.Context, s *session, st streams, options screenOptions) error {
	if !v.json && !v.plain && isTerminal(st.out) {
		return runScreen(ctx, s, options, st.err)
	}
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	var err error
	if v.json {
		sink := newJSONSink(st, false)
		s.sink = sink
		err = s.run(ctx, nil)
		sink.close()
	} else {
		sink := &plainSink{faultLog: faultLog{w: st.err}, out: st.out}
		s.sink = sink
		err = s.run(ctx, nil)
		sink.close()
	}
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

func isTerminal(stream any) bool {
	f, ok := stream.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

func newWatch(st streams) *cobra.Command {
	var v view
	var serialPort, file, recordPath string
	var baud int
	var stdin, demoRun bool
	var speed string
	cmd := &cobra.Command{
		Use:   "watch (--serial PORT | --file F | --stdin | --demo)",
		Short: "Watch a run live: thickness, rate, time left and advice",
		Long: `Watch a run live, full screen on a terminal, as lines elsewhere.

Spectra and process changes come as event lines (one JSON object a line, see the
README). Without --setup the set-up in the stream is used, or else silicon over
800 nm of oxide and aluminium, with no target.

` + caution,
		Example: `  bluefringe watch --demo
  bluefringe watch --serial /dev/ttyUSB0 --baud 921600 --setup die.toml --record run.jsonl
  bluefringe watch --file growing.jsonl --setup die.toml
  instrument | bluefringe watch --stdin --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			s := &session{}
			options := screenOptions{light: v.light, ascii: v.ascii, realTime: true}
			switch {
			case serialPort != "":
				s.source, s.clock = device.Serial(serialPort, baud), 1
			case file != "":
				s.notices = make(chan string, 1) // Follow gives one
				s.source, s.clock, s.lossless = device.Follow(file, func(text string) { s.notices <- text }), 1, true
			case stdin:
				s.source, s.clock, s.lossless = device.Reader("standard input", st.in), 1, true
				options.keysFromTTY = true
			default:
				factor, err := parseSpeed(speed)
				if err != nil {
					return usage(err)
				}
				run, err := demo.Record()
				if err != nil {
					return err
				}
				s.lossless = true
				s.source, s.clock = pace(device.Reader("demo (invented)", bytes.NewReader(run)), factor, v.json)
			}
			if s.setup, s.prelude, err = v.load(); err != nil {
				return err
			}
			if recordPath != "" {
				if s.recorder, err = record.Create(recordPath); err != nil {
					return usage(err)
				}
				defer func() { err = errors.Join(err, closeRecord(s.recorder, st.err)) }()
			}
			return v.show(cmd.Context(), s, st, options)
		},
	}
	f := cmd.Flags()
	f.StringVar(&serialPort, "serial", "", "serial `port` that event lines come from")
	f.IntVar(&baud, "baud", 115200, "speed of the serial port")
	f.StringVar(&file, "file", "", "event `file` to follow as it grows, from its start")
	f.BoolVar(&stdin, "stdin", false, "read event lines from standard input")
	f.BoolVar(&demoRun, "demo", false, "play an invented recorded run")
	f.StringVar(&speed, "speed", "1", "speed of the demo: 1 is real time, 10 ten times that, or max")
	f.StringVar(&recordPath, "record", "", "append every line received to this new `file`")
	v.flags(cmd)
	cmd.MarkFlagsMutuallyExclusive("serial", "file", "stdin", "demo")
	cmd.MarkFlagsOneRequired("serial", "file", "stdin", "demo")
	return cmd
}

// pace plays a finished run at a speed; with --json it is read as fast as
// possible.
func pace(src device.Source, speed float64, asFastAsPossible bool) (device.Source, float64) {
	if asFastAsPossible || speed <= 0 {
		return src, 0
	}
	return device.Paced(src, speed), speed
}

func closeRecord(r *record.Recorder, talk io.Writer) error {
	err := r.Close()
	stats := r.Stats()
	fmt.Fprintf(talk, "bluefringe: %d lines recorded in %s\n", stats.Lines-stats.Dropped, r.Path())
	return err
}
