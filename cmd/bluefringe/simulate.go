package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/signal"
	"syscall"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"

	"github.com/spf13/cobra"
)

func newSimulate(st streams) *cobra.Command {
	var setupFile, out string
	var seed uint64
	var startUM, endUM, perS, durationS, factor, liftS float64
	var pixels int
	var channel string
	var fromNM, toNM, resolutionNM float64
	var demoRun bool
	cmd := &cobra.Command{
		Use:   "simulate",
		Short: "Make the record of an invented run, with its hidden truth",
		Long: `Make the record of an invented run: real optics by another silicon table than the
estimator's, a removal rate that drifts, slurry on the view, dropouts, and truth
lines that say how thick the silicon really was. The same seed gives the same
bytes. With --setup the layers, the process and the target come from there; the
true layers and the true Preston coefficient are drawn within what the set-up
says of them.`,
		Example: `  bluefringe simulate --seed 7 --out run.jsonl
  bluefringe simulate --channel nir --from 1000 --to 1700 --start 60 --end 55 --out thick.jsonl
  bluefringe simulate --setup die.toml --start 6 | bluefringe watch --stdin --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg := simulate.Default()
			if demoRun {
				cfg = simulate.Demo()
			}
			if setupFile != "" {
				s, err := setup.Load(setupFile)
				if err != nil {
					return usage(err)
				}
				applySetup(&cfg, s, seed)
			}
			flags := cmd.Flags()
			set := func(name string, apply func()) {
				if flags.Changed(name) {
					apply()
				}
			}
			set("seed", func() { cfg.Seed = seed })
			set("start", func() { cfg.Die.ThicknessUM = startUM })
			set("end", func() { cfg.Stop.ThicknessUM = endUM })
			set("per-second", func() { cfg.Instrument.SpectraPerS = perS })
			set("pixels", func() { cfg.Instrument.Pixels = pixels })
			set("channel", func() { cfg.Channel = channel })
			set("from", func() { cfg.Instrument.FromNM = fromNM })
			set("to", func() { cfg.Instrument.ToNM = toNM })
			set("resolution", func() { cfg.Instrument.ResolutionNM = resolutionNM })
			set("duration", func() { cfg.Stop.DurationS = durationS })
			set("preston-factor", func() { cfg.Removal.PrestonFactor = factor })
			set("lift-after", func() { cfg.Stop.LiftAfterS = liftS })

			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			return writeRun(st, out, func(w *bufio.Writer) error {
				var line []byte
				return simulate.Run(ctx, cfg, func(body event.Body) error {
					var err error
					if line, err = event.Append(line[:0], body); err != nil {
						return err
					}
					w.Write(line) // an error stays in w until the line end
					return w.WriteByte('\n')
				})
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&setupFile, "setup", "", "set-up `file` that the run is made for; it goes into the record")
	f.StringVarP(&out, "out", "o", "", "write to this new `file` instead of standard output (-)")
	f.Uint64Var(&seed, "seed", 1, "seed of all that is random")
	f.Float64Var(&startUM, "start", 5, "thickness of the middle at the start, µm")
	f.Float64Var(&endUM, "end", 2, "thickness at which the operator begins to lift, µm")
	f.Float64Var(&liftS, "lift-after", 2, "time from there to the pad off the die, s")
	f.Float64Var(&perS, "per-second", 2, "spectra a second")
	f.IntVar(&pixels, "pixels", 512, "pixels of a spectrum")
	f.StringVar(&channel, "channel", "vis", "name of the spectrometer's channel")
	f.Float64Var(&fromNM, "from", 400, "wavelength of the first pixel, nm")
	f.Float64Var(&toNM, "to", 1000, "wavelength of the last pixel, nm")
	f.Float64Var(&resolutionNM, "resolution", 1.5, "full width at half maximum of the spectrometer's line, nm")
	f.Float64Var(&durationS, "duration", 600, "longest run, s")
	f.Float64Var(&factor, "preston-factor", 1, "true Preston coefficient over the nominal one")
	f.BoolVar(&demoRun, "demo", false, "make the demonstration run")
	return cmd
}

// applySetup makes the run one for a set-up: the truth is drawn within it.
func applySetup(cfg *simulate.Config, s setup.Setup, seed uint64) {
	const stream = 100
	rng := rand.New(rand.NewPCG(seed, stream))
	cfg.SetupTOML = s.Raw
	cfg.Die.Ambient, cfg.Die.TemperatureC = s.Optics.Ambient, s.Optics.TemperatureC
	cfg.Die.Carriers = s.Optics.Doping.Carriers()
	cfg.Die.Under = nil
	for _, l := range s.Optics.Under {
		cfg.Die.Under = append(cfg.Die.Under, simulate.Layer{
			Material:    l.Material,
			ThicknessNM: l.ThicknessNM + l.ToleranceNM*(2*rng.Float64()-1),
		})
	}
	cfg.Die.Reflector = ""
	for i := range cfg.Sites {
		cfg.Sites[i].Coverage = 0
	}
	if r := s.Optics.Reflector; r != nil {
		cfg.Die.Reflector = r.Material
		for i := range cfg.Sites {
			cfg.Sites[i].Coverage = r.Coverage[0] + (r.Coverage[1]-r.Coverage[0])*rng.Float64()
		}
	}
	if s.Process.PredictsRate() {
		p := process(s)
		cfg.Removal.RateUMMin = p.RateUMMin()
		cfg.Removal.ForceN, cfg.Removal.PadMM, cfg.Removal.SpeedMS = p.ForceN, p.PadMM, p.SpeedMS
		cfg.Removal.PrestonFactor = math.Exp(s.Process.PrestonRelSD * rng.NormFloat64())
	}
	if s.Target.ThicknessUM > 0 {
		cfg.Stop.ThicknessUM = s.Target.ThicknessUM
	}
}

// writeRun writes to standard output, or to a new file that is removed again when
// the run cannot be made.
func writeRun(st streams, path string, write func(*bufio.Writer) error) error {
	if toStandardOutput(path) {
		w := bufio.NewWriter(st.out)
		return errors.Join(write(w), w.Flush())
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return usage(fmt.Errorf("--out: %w", err))
	}
	w := bufio.NewWriter(file)
	if err := errors.Join(write(w), w.Flush(), file.Close()); err != nil {
		os.Remove(path)
		return err
	}
	reportSize(st.err, path)
	return nil
}

// toStandardOutput tells whether --out names no file.
func toStandardOutput(out string) bool { return out == "" || out == "-" }

func reportSize(talk io.Writer, path string) {
	if info, err := os.Stat(path); err == nil {
		fmt.Fprintf(talk, "bluefringe: %s, %d kB\n", path, info.Size()/1000)
	}
}
