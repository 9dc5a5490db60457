package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"

	"bluefringe/device"
	"bluefringe/tui"

	"github.com/spf13/cobra"
)

func newReplay(st streams) *cobra.Command {
	var v view
	var rates rateFlag
	var speed string
	cmd := &cobra.Command{
		Use:   "replay RUN",
		Short: "Play a recorded run through the same engine and screen",
		Long: `Play a recorded run through the same engine and screen as a live one. With --json
and --plain it runs as fast as possible and says what the operator was told.

On the screen: space plays and pauses, ↑ and ↓ change the speed, o goes on by one
spectrum, d to the next change of advice, m to the next note, and O, D, M back again;
g goes to a time, r to the start. Where the record holds the true thickness, as that
of a simulated run does, t shows it; the engine never sees it. ? lists all keys.

A record holds the prior that its watch took from the rate book, so that it replays
the same anywhere. --rates looks the prior up again in a rate book, as that was before
the run began. A replay adds nothing to a rate book.`,
		Example: `  bluefringe replay run.jsonl
  bluefringe replay run.jsonl --speed 10
  bluefringe replay run.jsonl --json --setup other.toml`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			factor, err := parseSpeed(speed)
			if err != nil {
				return usage(err)
			}
			if _, err := os.Stat(args[0]); errors.Is(err, fs.ErrNotExist) {
				return usage(fmt.Errorf("no record %s", args[0]))
			}
			s := &session{lossless: true, source: device.File(args[0])}
			if s.setup, s.prelude, err = v.load(); err != nil {
				return err
			}
			if err := rates.replayRates(cmd.Context(), s); err != nil {
				return err
			}
			if v.json || v.plain || !isTerminal(st.out) {
				if err := v.show(cmd.Context(), s, st, screenOptions{}); err != nil || s.counts.spectra > 0 {
					return err
				}
				return fmt.Errorf("%s holds no spectra", args[0])
			}
			options := screenOptions{light: v.light, dark: v.dark, ascii: v.ascii, contrast: v.contrast, quiet: v.quiet}
			return replayScreen(cmd.Context(), s, factor, options, st.err)
		},
	}
	cmd.Flags().StringVar(&speed, "speed", "1", "speed on the screen: 1 is real time, 10 ten times that, or max")
	rates.add(cmd, "look the prior up in this rate book (`file`)")
	v.flags(cmd)
	return cmd
}

// replayScreen plays what a session reads on the full screen, until the operator leaves.
func replayScreen(ctx context.Context, s *session, speed float64, options screenOptions, talk io.Writer) error {
	board, reel := new(tui.Board), newReel(s)
	s.sink = reel
	p := newPlayer(reel, board, speed)
	o := operator{out: os.Stdout}
	keys := tui.Options{Acknowledge: func() { p.order(p.acknowledge) }, Copy: o.copy, Bell: o.bell, Controls: p.controls()}
	return runUnder(ctx, board, keys, options, talk, p.run)
}

// parseSpeed returns 0 for as fast as possible.
func parseSpeed(text string) (float64, error) {
	if text == "max" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v > 0 && v <= 1e6) {
		return 0, fmt.Errorf("--speed: found %q: allowed is a number above 0, or max", text)
	}
	return v, nil
}
