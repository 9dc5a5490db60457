package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"

	"github.com/spf13/cobra"
	"golang.org/x/term"
)

// view is how a session is shown: flags that watch and replay share.
type view struct {
	json, plain bool
	light, dark bool // neither: the terminal is asked
	ascii       bool
	contrast    bool
	quiet       bool
	setupFile   string
}

func (v *view) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&v.setupFile, "setup", "", "set-up file (TOML); overrides the one in a record")
	f.BoolVar(&v.json, "json", false, "write estimate, forecast and advice as JSON lines")
	f.BoolVar(&v.plain, "plain", false, "write lines of words instead of the full screen")
	f.BoolVar(&v.light, "light", false, "colours for a light background (default: the terminal is asked)")
	f.BoolVar(&v.dark, "dark", false, "colours for a dark background")
	f.BoolVar(&v.contrast, "contrast", false, "black and white with the urgent inverse; c on the screen")
	f.BoolVar(&v.ascii, "ascii", false, "draw with ASCII characters only")
	f.BoolVar(&v.quiet, "quiet", false, "no bell at a stop; b on the screen")
	cmd.MarkFlagsMutuallyExclusive("json", "plain")
	cmd.MarkFlagsMutuallyExclusive("light", "dark")
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

// readCalibration returns the dark and reference events of a record, of an earlier run.
func readCalibration(path string) ([]event.Event, error) {
	var kept []event.Event
	var started time.Time
	err := device.File(path).Run(context.Background(), func(line device.Line) error {
		if line.Err != nil {
			return nil
		}
		e, err := event.Decode(line.Text)
		if err != nil {
			return nil
		}
		switch b := e.Body.(type) {
		case event.Run:
			started = b.Started
		case event.Dark, event.Reference:
			e, err = fromEarlierRun(e, started)
			kept = append(kept, e)
		}
		return err
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
		options.dark, options.contrast, options.quiet = v.dark, v.contrast, v.quiet
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
	var rates rateFlag
	var source from
	var recording recordFlags
	cmd := &cobra.Command{
		Use:   "watch (--serial PORT | --file F | --folder D | --stdin | --demo)",
		Short: "Watch a run live: thickness, rate, time left and advice",
		Long: `Watch a run live, full screen on a terminal, as lines elsewhere.

Spectra and process changes come as event lines (one JSON object a line, see the
README). A serial port may also send lines of plain numbers or binary blocks, a file
be a table that grows by a row a spectrum, and a folder fill with a file a spectrum:
[serial] and [files] of the set-up say so. A serial port that goes away is tried
again. Without --setup the set-up in the stream is used, or else silicon over
800 nm of oxide and aluminium, with no target.

Where the set-up gives no preston_per_pa, the rate before the run comes from the
rate book: what runs of the same material, pad and slurry taught. When the run ends,
what it taught goes into the book. --rates none leaves the book alone, and so does
--demo.

--record keeps every line received, unchanged, with the set-up and the times of
receipt; it never overwrites a file, and survives a crash at any byte. After one,
--append goes on with the record: run line, dark, reference and process are taken from
it, and the track begins anew with the next spectrum.

` + caution,
		Example: `  bluefringe watch --demo
  bluefringe watch --serial /dev/ttyUSB0 --baud 921600 --setup die.toml --record run.jsonl
  bluefringe watch --file growing.jsonl --setup die.toml
  bluefringe watch --folder spectra --setup die.toml
  instrument | bluefringe watch --stdin --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			s := &session{}
			options := screenOptions{light: v.light, ascii: v.ascii, realTime: true, keysFromTTY: source.stdin}
			if s.setup, s.prelude, err = v.load(); err != nil {
				return err
			}
			if err = source.open(cmd, s, st, v.json); err != nil {
				return err
			}
			finish := func() {}
			if !source.demo {
				finish = rates.useRates(cmd.Context(), s, st.err)
			}
			closeRecord, err := recording.open(cmd.Context(), &source, s, st.err)
			if err != nil {
				return err
			}
			defer func() {
				finish()
				err = errors.Join(err, closeRecord())
			}()
			return v.show(cmd.Context(), s, st, options)
		},
	}
	rates.add(cmd, "`file` of the rate book, made when it is not there, or none (default: in the user's data folder)")
	recording.add(cmd)
	v.flags(cmd)
	source.flags(cmd)
	cmd.MarkFlagsMutuallyExclusive("rates", "demo")
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
