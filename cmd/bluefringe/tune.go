package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"os/signal"
	"runtime"
	"slices"
	"sync"
	"syscall"

	"bluefringe/device/calibrate"
	"bluefringe/removal/trial"
	"bluefringe/removal/tune"

	"github.com/spf13/cobra"
)

func newTune(st streams) *cobra.Command {
	var t tuning
	var vary []string
	var cost string
	cmd := &cobra.Command{
		Use:   "tune [RUN…] --vary KEY=VALUES…",
		Short: "Which stop-rule settings would have done best on recorded runs",
		Long: `Play recorded runs again with other settings of the stop rules and tell which would have
landed best, with honest error bars.

In a recorded run the silicon went as it went. A setting only changes when stop is said;
the run would have landed where the silicon was when the operator had reacted to that.
How long he takes is taken from each record (from the stop that he was told to the pad
off the die), else from the other runs, else from the set-up; --reaction says it instead.
A stop that would have come after the end of the record, or a landing there, counts as
not reached unless --extrapolate lets polishing go on at its last rate.

How thick the silicon really was is told by truth lines of the record (thinnest site,
interpolated in time), or by a note in it with the thickness measured afterwards:
  {"type":"note","time_s":900,"text":"final thickness 2.01 um"}
which may stand after its end; what was removed before is then told by the track. Runs
without either show only when settings would have stopped, and where by the track.

Keys: stop.reaction_s, stop.risk_floor, stop.risk_stretch, stop.prepare_s,
target.window_um, process.preston_rel_sd, rule.NAME.for_s, and rule.NAME.number_1, _2 …
for the numbers in the rule's condition, counted from the left. VALUES is low:high:n or
a,b,c. All combinations are tried, at most 20000. risk_stretch and window_um tell how
long a stretch without sight may be; in a record, stretches stay as they were.

The cost of a run is the sum of: above and below (each nm that the thinnest place ends
above or below the target), floor (crossing it), false (a stop that lands more than 50 nm
and 5 % above), minute (each minute lost with looks that the advice asked for, 10 s each),
unreached (the record does not show the end) and unwarned (less than 5 s of prepare before
stop). --cost changes their weights; they are common practice, no source.

Reading the spectra takes longest and is done once: readings are kept in a cache, which
checks itself and stays below 1 GB. Ctrl+c keeps the runs that are read, or prints the
settings that are done. The same seed gives the same answer on any number of cores.

Settings that did well on past runs are no promise: watch the first runs with new ones
closely.

` + caution,
		Example: `  bluefringe tune runs/*.jsonl --vary stop.reaction_s=1:6:11
  bluefringe tune runs/*.jsonl --vary stop.reaction_s=1:4:7 --vary "rule.edge witness.for_s=0:5:6" --hold-back 0.5
  bluefringe tune --simulate 20 --setup die.toml --reaction 3 --vary stop.reaction_s=1:5:9 --plot cost.svg
  bluefringe tune runs/*.jsonl --vary stop.risk_floor=1e-4,1e-3,1e-2 --cost below=2,floor=20000 --csv all.csv`,
		RunE: func(cmd *cobra.Command, args []string) error {
			var err error
			if t.weights, err = tune.ParseWeights(cost); err != nil {
				return usage(fmt.Errorf("--cost: %w", err))
			}
			if err := t.check(cmd, args, vary); err != nil {
				return usage(err)
			}
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
			defer stop()
			return t.run(ctx, st, args)
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&vary, "vary", nil, "`KEY=VALUES` to try; may be given several times")
	f.StringVar(&t.view.setupFile, "setup", "", "set-up `file` (TOML); overrides those in the records")
	f.IntVar(&t.invented.count, "simulate", 0, "add so many invented runs of the set-up")
	f.Uint64Var(&t.invented.seed, "seed", 1, "seed of invented runs, of resampling and of what is held back")
	f.Float64Var(&t.invented.startUM, "start", 1.5, "where invented runs start, µm above the target")
	f.Float64Var(&t.reactionS, "reaction", 0, "what operators take from stop to pad off the die, s (default: as recorded); invented ones scatter by 20 %")
	f.Float64Var(&t.extrapolateS, "extrapolate", 0, "how far beyond the end of a record a run may land, s")
	f.StringVar(&cost, "cost", "", "`weights` that differ from "+tune.DefaultWeights().String())
	f.Float64Var(&t.holdBack, "hold-back", 0, "`part` of the runs that is not tuned on but tells what the best setting costs")
	f.IntVar(&t.resamples, "resamples", 2000, "resamplings for the error bars")
	f.IntVar(&t.top, "top", 10, "settings in the table")
	f.StringVar(&t.csvFile, "csv", "", "write all settings to this `file`")
	f.StringVar(&t.plotFile, "plot", "", "write a figure of the trade-off to this `file` (SVG)")
	f.BoolVar(&t.force, "force", false, "replace the files of --csv and --plot")
	f.BoolVar(&t.json, "json", false, "write a JSON line for each setting and one for the result")
	f.StringVar(&t.cacheDir, "cache", "", "`folder` of the cache of readings (default: in the user's cache folder)")
	f.BoolVar(&t.noCache, "no-cache", false, "read everything anew and keep nothing")
	cmd.MarkFlagsMutuallyExclusive("cache", "no-cache")
	return cmd
}

// tuning is what was asked for.
type tuning struct {
	view         view
	axes         []tune.Axis
	settings     []tune.Setting
	weights      tune.Weights
	invented     invented
	reactionS    float64 // 0: as recorded
	extrapolateS float64
	holdBack     float64
	resamples    int
	top          int
	csvFile      string
	plotFile     string
	force, json  bool
	cacheDir     string
	noCache      bool
}

// check refuses what makes no sense, before the work begins.
func (t *tuning) check(cmd *cobra.Command, paths, vary []string) error {
	if len(vary) == 0 {
		return errors.New("nothing to vary: --vary KEY=VALUES is needed, such as --vary stop.reaction_s=1:4:7")
	}
	for _, text := range vary {
		axis, err := tune.ParseAxis(text)
		if err != nil {
			return fmt.Errorf("--vary: %w", err)
		}
		t.axes = append(t.axes, axis)
	}
	var err error
	if t.settings, err = tune.Grid(t.axes); err != nil {
		return fmt.Errorf("--vary: %w", err)
	}
	const mostRuns, mostPlays = 10_000, 2_000_000
	changed := cmd.Flags().Changed
	within := func(name string, v, low, high float64) {
		if err == nil && !(v >= low && v <= high) {
			err = fmt.Errorf("--%s: found %g: %g to %g is allowed", name, v, low, high)
		}
	}
	within("simulate", float64(t.invented.count), 0, mostRuns)
	within("start", t.invented.startUM, 0.2, 20)
	within("extrapolate", t.extrapolateS, 0, 600)
	within("resamples", float64(t.resamples), 100, 100000)
	within("top", float64(t.top), 1, tune.Contenders)
	if changed("reaction") {
		within("reaction", t.reactionS, 0.1, 600)
	}
	if changed("hold-back") {
		within("hold-back", t.holdBack, 0.05, 0.95)
	}
	switch runs := len(paths) + t.invented.count; {
	case err != nil:
		return err
	case runs == 0:
		return errors.New("no runs: give records, or --simulate N with --setup")
	case runs > mostRuns:
		return fmt.Errorf("%d runs: up to %d are allowed", runs, mostRuns)
	case runs*len(t.settings) > mostPlays:
		return fmt.Errorf("%d settings on %d runs: the product may be up to %d", len(t.settings), runs, mostPlays)
	case t.holdBack > 0 && runs < 2:
		return errors.New("--hold-back: found one run: two or more are needed")
	case t.invented.count > 0 && t.view.setupFile == "":
		return errors.New("--simulate needs --setup: the set-up that the runs are invented for")
	}
	if err := checkNewFile("--csv", t.csvFile, t.force, paths); err != nil {
		return err
	}
	return checkNewFile("--plot", t.plotFile, t.force, paths)
}

// run reads the runs, tries the settings and tells.
func (t *tuning) run(ctx context.Context, st streams, paths []string) error {
	recordings, err := t.fetchAll(ctx, st, paths)
	if err != nil {
		return err
	}
	result, err := t.tune(ctx, st, recordings)
	if result == nil {
		return err
	}
	return errors.Join(t.write(st, result), err)
}

// fetched is a run with what its source says of its operator.
type fetched struct {
	tuneSource
	*recording
}

// fetchAll reads all runs on all cores, in the order in which they are given.
func (t *tuning) fetchAll(ctx context.Context, st streams, paths []string) ([]fetched, error) {
	given, _, err := t.view.load()
	if err != nil {
		return nil, err
	}
	read := newMeter(st, "reading runs", float64(len(paths)+t.invented.count))
	var sources []tuneSource
	for _, path := range paths {
		s, err := fileSource(ctx, path, read)
		if err != nil {
			return nil, err
		}
		sources = append(sources, s)
	}
	if t.invented.count > 0 {
		t.invented.reactionS = given.Stop.ReactionS
		if t.reactionS > 0 {
			t.invented.reactionS = t.reactionS
		}
		more, err := t.invented.sources(*given, read)
		if err != nil {
			return nil, err
		}
		sources = append(sources, more...)
	}
	f := t.newFetcher(st)
	runs := make([]fetched, len(sources))
	err = forEach(ctx, len(sources), func(ctx context.Context, i int) error {
		r, err := f.fetch(ctx, sources[i], read)
		if err != nil {
			return fmt.Errorf("%s: %w", sources[i].name, err)
		}
		runs[i] = fetched{sources[i], r}
		return nil
	})
	read.clear()
	if failed := f.unkept.Load(); failed != nil {
		fmt.Fprintf(st.err, "bluefringe: readings are not kept: %v\n", *failed)
	}
	if ctx.Err() != nil {
		where := ""
		if f.keep != nil {
			where = ", kept for the next time"
		}
		return nil, fmt.Errorf("interrupted: %d of %d runs are read%s", f.read.Load()+f.again.Load(), len(sources), where)
	}
	if err != nil {
		return nil, err
	}
	if n := f.again.Load(); n > 0 {
		fmt.Fprintf(st.err, "bluefringe: %d of %d runs were read before\n", n, len(sources))
	}
	for _, r := range runs {
		if c := r.Counts; c.badLines+c.badCRC+c.refused > 0 {
			fmt.Fprintf(st.err, "bluefringe: %s: %d lines not valid, %d with a wrong checksum, %d refused\n", r.name, c.badLines, c.badCRC, c.refused)
		}
	}
	return runs, nil
}

// newFetcher opens the cache. Without one everything works, only slower.
func (t *tuning) newFetcher(st streams) *fetcher {
	f := &fetcher{view: t.view}
	if t.noCache {
		return f
	}
	c, err := openReadingCache(t.cacheDir)
	if err == nil {
		f.program, err = programID()
	}
	var sum []byte
	if err == nil {
		sum, err = opticsSum(t.view)
	}
	if err != nil {
		fmt.Fprintf(st.err, "bluefringe: readings are not kept: %v\n", err)
		return f
	}
	f.optics, f.keep, f.kept = string(fmt.Appendf(nil, "%x", sum)), c.Put, c.Get
	return f
}

// forEach calls work for 0 to n-1 on all cores until one fails or the context ends, and
// returns the error of the first that failed.
func forEach(ctx context.Context, n int, work func(ctx context.Context, i int) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	errs := make([]error, n)
	next := make(chan int)
	var workers sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		workers.Go(func() {
			for i := range next {
				if errs[i] = work(ctx, i); errs[i] != nil {
					cancel()
				}
			}
		})
	}
	for i := 0; i < n && ctx.Err() == nil; i++ {
		select {
		case next <- i:
		case <-ctx.Done():
		}
	}
	close(next)
	workers.Wait()
	// The others only stopped because of the first.
	for _, err := range errs {
		if err != nil && !errors.Is(err, context.Canceled) {
			return err
		}
	}
	return ctx.Err()
}

// tuneRun makes a run that settings can be tried on.
func (t *tuning) tuneRun(f fetched) (*tune.Run, []knob, error) {
	chosen := f.Chosen
	if t.view.setupFile == "" {
		chosen.Name = "the set-up of " + f.name
	}
	knobs, err := knobsFor(t.axes, chosen)
	if err != nil {
		return nil, nil, usage(err)
	}
	run, err := tune.NewRun(tune.Record{
		Name: f.name, TargetUM: chosen.Target.ThicknessUM, FloorUM: chosen.Target.FloorUM, Events: f.Events, Truth: tune.NewTruth(f.Truth),
		Adviser: func(s tune.Setting) (trial.Adviser, error) {
			return newEngine(withSetting(chosen, knobs, s), new(calibrate.Calibrator), f.Sites, false)
		},
	})
	if err != nil {
		return nil, nil, usage(err)
	}
	if !run.Truth.Known() {
		if um := t.finalUM(f); !math.IsNaN(um) {
			if err := run.Anchor(um); err != nil {
				return nil, nil, err
			}
		}
	}
	run.ReactionS = f.reactionS
	if math.IsNaN(f.reactionS) {
		if run.ReactionS, err = run.Reaction(); err != nil {
			return nil, nil, usage(fmt.Errorf("%s: %w", f.name, err))
		}
	}
	return run, knobs, nil
}

// finalUM is the thickness at the end of a run where that is all that is known: by a
// note, or by one truth line a site. NaN: nothing is.
func (t *tuning) finalUM(f fetched) float64 {
	um := f.FinalUM
	for _, points := range f.Truth {
		for _, p := range points {
			if math.IsNaN(f.FinalUM) && !(um <= p.ThicknessUM) {
				um = p.ThicknessUM
			}
		}
	}
	return um
}

// tune tries the settings. The result is nil when there is none to tell.
func (t *tuning) tune(ctx context.Context, st streams, recordings []fetched) (*tuned, error) {
	r := &tuned{tuning: t, first: recordings[0].Chosen}
	runs, err := t.prepare(ctx, st, r, recordings)
	if err != nil {
		return nil, err
	}
	all := append([]tune.Setting{nil}, t.settings...)
	playing := newMeter(st, fmt.Sprintf("trying %d settings", len(t.settings)), float64(len(all)*len(runs)))
	outcomes, err := tune.Sweep(ctx, runs, all, tune.Options{ExtrapolateS: t.extrapolateS, Workers: runtime.GOMAXPROCS(0),
		Played: func() { playing.add(1) }})
	playing.clear()
	if err != nil && ctx.Err() == nil {
		return nil, err
	}
	r.runs = runs
	if r.own = outcomes[0]; r.own == nil {
		return nil, errors.New("interrupted before any setting was tried")
	}
	for i, row := range outcomes[1:] {
		if row != nil {
			r.settings, r.outcomes = append(r.settings, t.settings[i]), append(r.outcomes, row)
		}
	}
	if len(r.settings) == 0 {
		return nil, errors.New("interrupted before any setting was tried")
	}
	r.choose()
	if err != nil {
		return r, fmt.Errorf("interrupted: %d of %d settings were tried", len(r.settings), len(t.settings))
	}
	return r, nil
}

// prepare makes runs of recordings and settles how long their operators take.
func (t *tuning) prepare(ctx context.Context, st streams, r *tuned, recordings []fetched) ([]*tune.Run, error) {
	looking := newMeter(st, "looking over runs", float64(len(recordings)))
	runs, allKnobs := make([]*tune.Run, len(recordings)), make([][]knob, len(recordings))
	err := forEach(ctx, len(recordings), func(_ context.Context, i int) error {
		var err error
		runs[i], allKnobs[i], err = t.tuneRun(recordings[i])
		looking.add(1)
		return err
	})
	looking.clear()
	if err != nil {
		if ctx.Err() != nil {
			return nil, errors.New("interrupted before any setting was tried")
		}
		return nil, err
	}
	r.knobs = allKnobs[0]
	r.ownSetting = settingOf(recordings[0].Chosen, r.knobs)
	for i := range runs {
		r.mixed = r.mixed || !slices.Equal(settingOf(recordings[i].Chosen, allKnobs[i]), r.ownSetting)
	}
	r.settle(runs, recordings)
	return runs, nil
}
