package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
	"bluefringe/removal/trial"
)

// runsSeed is the seed of the runs in removal/RUNS.md.
const runsSeed = 1

func newRuns() *cobra.Command {
	var n, only int
	var seed uint64
	var out, way string
	cmd := &cobra.Command{
		Use:   "runs",
		Short: "Try the stop advice on invented runs",
		Long: `Try the stop advice on invented runs with hidden truth, and write a table of where they
landed and how often the interval of the time left held. The same seed gives the same
table on any number of cores. Ctrl+c prints the table of the runs that are done and
leaves the file as it was.`,
		Example: `  go run ./cmd/study runs -n 1000
  go run ./cmd/study runs -n 200 --out -
  go run ./cmd/study runs --only 412             what was said and what was true in that run`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if only >= 0 {
				return tellRun(cmd.OutOrStdout(), trial.Draw(seed, only), way)
			}
			if n < 1 {
				return fmt.Errorf("--count is %d: at least 1 is allowed", n)
			}
			results, err := playAll(cmd.Context(), cmd.ErrOrStderr(), runtime.GOMAXPROCS(0), seed, n)
			if err != nil && !errors.Is(err, context.Canceled) {
				return err
			}
			if len(results[0]) == 0 {
				return err
			}
			var table bytes.Buffer
			writeRuns(&table, results, n, seed)
			if err != nil || out == "-" {
				if _, failed := cmd.OutOrStdout().Write(table.Bytes()); failed != nil {
					return failed
				}
				if err != nil {
					return fmt.Errorf("interrupted: the table above is of %d of %d runs, %s is as it was", len(results[0]), n, out)
				}
				return nil
			}
			return os.WriteFile(out, table.Bytes(), 0o644)
		},
	}
	f := cmd.Flags()
	f.IntVarP(&n, "count", "n", 1000, "number of runs")
	f.Uint64Var(&seed, "seed", runsSeed, "seed of the runs")
	f.StringVar(&out, "out", "removal/RUNS.md", "write the table to this `file`; - is standard output")
	f.IntVar(&only, "only", -1, "tell the run of this `number` step by step instead")
	f.StringVar(&way, "way", ways()[0].Name, "way of working for --only")
	return cmd
}

// ways are what is compared, the engine as a set-up has it first.
func ways() []trial.Way {
	return []trial.Way{
		trial.Engine("engine", nil),
		trial.Engine("engine ±30 %", func(c *guide.Config) { c.PrestonRelSD = 0.3 }),
		trial.Clock(),
		trial.FirstReading(),
		trial.Perfect(),
	}
}

// Places in ways.
const (
	engineWay = iota
	otherPriorWay
)

// playAll plays n runs each way on that many cores and returns the results by way in the
// order of the runs: those that were done when the context ended.
func playAll(ctx context.Context, talk io.Writer, cores int, seed uint64, n int) ([][]trial.Result, error) {
	ways := ways()
	all := make([][]trial.Result, n) // by run, then by way; nil: not done
	errs := make([]error, n)
	next, done := make(chan int), make(chan struct{}, n)
	var workers sync.WaitGroup
	for range cores {
		workers.Go(func() {
			for i := range next {
				c := trial.Draw(seed, i)
				results := make([]trial.Result, len(ways))
				for j, way := range ways {
					if results[j], errs[i] = trial.Score(c, way); errs[i] != nil {
						break
					}
				}
				all[i] = results
				done <- struct{}{}
			}
		})
	}
	workers.Go(func() {
		defer close(next)
		for i := range n {
			select {
			case next <- i:
			case <-ctx.Done():
				return
			}
		}
	})
	finished := make(chan struct{})
	go func() { workers.Wait(); close(finished) }()
	report(talk, n, done, finished)

	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	byWay := make([][]trial.Result, len(ways))
	for _, results := range all {
		for j, r := range results {
			byWay[j] = append(byWay[j], r)
		}
	}
	return byWay, ctx.Err()
}

// report tells how far the runs are until all are finished.
func report(talk io.Writer, n int, done, finished <-chan struct{}) {
	began, count := time.Now(), 0
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-done:
			count++
		case <-tick.C:
			if count > 0 {
				left := time.Since(began) * time.Duration(n-count) / time.Duration(count)
				fmt.Fprintf(talk, "study: %d of %d runs, about %s left\n", count, n, left.Round(time.Second))
			}
		case <-finished:
			return
		}
	}
}

// writeRuns writes the tables of removal/RUNS.md.
func writeRuns(w io.Writer, results [][]trial.Result, n int, seed uint64) {
	done := len(results[engineWay])
	fmt.Fprintf(w, "# When to stop, tried on invented runs\n\nMade by `go run ./cmd/study runs -n %d --seed %d`", n, seed)
	if done < n {
		fmt.Fprintf(w, ", interrupted after %d runs", done)
	}
	fmt.Fprint(w, `; the runs are those of
`+"`removal/trial`"+`: 2.5 to 6 µm of silicon thinned to 0.3 to 2.5 µm, floor 10 to 25 % below,
true rate half to twice the expected with break-in, glazing and wander, readings with
the uncertainty and the faults that the study of the estimator found, slurry, dropouts,
one to nine sites, a quarter of the runs polished blind with lifts to look.

`)
	goals(w, results[engineWay])

	fmt.Fprint(w, `
## Ways of working, on the same runs

Miss is the thinnest place of the die, on a site or not, less the target; within is 20 nm
or 2 % of the target. A stop is false when the thinnest site would have ended more than
50 nm and 5 % above. Time lost is with the pad off the die before polishing went on.
The clock is watched without lifting to look. Perfect sight knows place and rate and says
stop the set-up's reaction time ahead: what it misses is the operator's hand, which takes
that time ±20 %.

| way | runs | miss in nm: 5 % | median | 95 % | rms | within | floor crossed | false stops | not ended | lifts | time lost, mean (95 %) |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
`)
	for j, way := range ways() {
		wayRow(w, way.Name, trial.Summarise(results[j]))
	}

	for _, j := range []int{engineWay, otherPriorWay} {
		fmt.Fprintf(w, "\n## Time to target: %s\n\n", ways()[j].Name)
		if j == engineWay {
			fmt.Fprint(w, `How often the 5 to 95 % interval held the truth, by the time that its median said was
left; each run has the same weight. Early: the truth came before the interval. The last
columns tell how far the truth was from the median, in parts of it, and which standard
deviation the intervals state.

`)
		}
		coverage(w, trial.Summarise(results[j]))
	}

	fmt.Fprint(w, `
## The engine by kind of run

The rms miss is split into what the advice, the hand and places that no site sees made of
it. Held is the share of intervals that held, by the time left. Worst are the runs that
the advice missed by most, with its part of the miss in nm;
`+"`go run ./cmd/study runs --only N`"+` tells one step by step.

| kind | runs | miss in nm: 5 % | median | 95 % | rms: advice | hand | place | within | perfect sight | floor crossed | false stops | lifts | time lost | held, > 60 s | held, 10–60 s | worst |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
`)
	perfect := results[len(results)-1]
	everything := trial.Class{Name: "all", Has: func(*trial.Case) bool { return true }}
	for _, class := range append([]trial.Class{everything}, trial.Classes()...) {
		classRow(w, class.Name, class.Of(results[engineWay]), trial.Summarise(class.Of(perfect)))
	}
}

// goals compares with what the design asks for.
func goals(w io.Writer, results []trial.Result) {
	s := trial.Summarise(results)
	verdict := func(met bool) string {
		if met {
			return "met"
		}
		return "missed"
	}
	within := float64(s.Within) / float64(s.Runs)
	fmt.Fprintf(w, "| goal | found | |\n| --- | --- | --- |\n")
	fmt.Fprintf(w, "| thinnest place within 20 nm or 2 %% of the target in 95 %% of runs | %s | %s |\n", percent(s.Within, s.Runs), verdict(within >= 0.95))
	fmt.Fprintf(w, "| the same of the thinnest site | %s | %s |\n", percent(s.SiteWithin, s.Runs), verdict(float64(s.SiteWithin) >= 0.95*float64(s.Runs)))
	fmt.Fprintf(w, "| floor crossed in no run | %d of %d | %s |\n", s.Crossed, s.Runs, verdict(s.Crossed == 0))
	for b, band := range s.Band {
		if band.Runs > 0 {
			fmt.Fprintf(w, "| 90 %% interval of the time to target holds 87–93 %%, %s left | %.1f %% | %s |\n",
				trial.BandName(b), 100*band.Held, verdict(band.Held >= 0.87 && band.Held <= 0.93))
		}
	}
}

func wayRow(w io.Writer, name string, s trial.Summary) {
	fmt.Fprintf(w, "| %s | %d | %+.1f | %+.1f | %+.1f | %.1f | %s | %d | %d | %d | %.1f | %.0f s (%.0f s) |\n",
		name, s.Runs, 1000*s.P05, 1000*s.P50, 1000*s.P95, 1000*s.RMS, percent(s.Within, s.Runs),
		s.Crossed, s.FalseStops, s.Runs-s.Ended, s.Lifts, s.LiftedS, s.LiftedP95S)
}

func coverage(w io.Writer, s trial.Summary) {
	fmt.Fprint(w, "| time left | runs | held | early | late | truth later by, mean | rms | stated |\n| --- | --- | --- | --- | --- | --- | --- | --- |\n")
	for b, band := range s.Band {
		fmt.Fprintf(w, "| %s | %d | %.1f %% | %.1f %% | %.1f %% | %+.1f %% | %.1f %% | %.1f %% |\n", trial.BandName(b), band.Runs,
			100*band.Held, 100*band.Early, 100*band.Late, 100*band.Later, 100*band.RMS, 100*band.StatedSD)
	}
}

func classRow(w io.Writer, name string, results []trial.Result, perfect trial.Summary) {
	s := trial.Summarise(results)
	if s.Runs == 0 {
		fmt.Fprintf(w, "| %s | 0 | | | | | | | | | | | | | | | |\n", name)
		return
	}
	worst := ""
	for i, r := range trial.Worst(results, 3) {
		if i > 0 {
			worst += ", "
		}
		worst += fmt.Sprintf("%d (%+.0f)", r.Case.Number, 1000*r.Landing.AdviceUM())
	}
	fmt.Fprintf(w, "| %s | %d | %+.1f | %+.1f | %+.1f | %.1f | %.1f | %.1f | %s | %s | %d | %d | %.1f | %.0f s | %s | %s | %s |\n",
		name, s.Runs, 1000*s.P05, 1000*s.P50, 1000*s.P95, 1000*s.AdviceRMS, 1000*s.HandRMS, 1000*s.PlaceRMS,
		percent(s.Within, s.Runs), percent(perfect.Within, perfect.Runs), s.Crossed, s.FalseStops, s.Lifts, s.LiftedS, share(s.HeldIn(0, 1)), share(s.HeldIn(2, 3)), worst)
}

func percent(k, of int) string { return share(float64(k) / float64(of)) }

func share(x float64) string {
	if math.IsNaN(x) {
		return "–"
	}
	return fmt.Sprintf("%.1f %%", 100*x)
}

// tellRun prints what was said in one run beside what was true.
func tellRun(w io.Writer, c *trial.Case, name string) error {
	for _, way := range ways() {
		if way.Name != name {
			continue
		}
		fmt.Fprintf(w, "%+v\n", *c)
		fmt.Fprintln(w, "   time pad    thinnest  rate | site  reading    track ±sd       truth  rate ±sd     | to target 5/50/95 %   truth  | advice")
		l, err := trial.Play(c, way, func(m trial.Moment) { tellMoment(w, m) })
		if err != nil {
			return err
		}
		fmt.Fprintf(w, "%+v\n", l)
		fmt.Fprintf(w, "miss %+.1f nm: advice %+.1f, hand %+.1f, place %+.1f\n", 1000*l.MissUM(), 1000*l.AdviceUM(), 1000*l.HandUM(), 1000*l.PlaceUM())
		return nil
	}
	return fmt.Errorf("--way is %q, which is none of those compared", name)
}

func tellMoment(w io.Writer, m trial.Moment) {
	pad, reading := "up", ""
	if m.Touching {
		pad = "down"
	}
	if e := m.Step.Estimate; e != nil {
		reading = e.Quality.String()
		if !math.IsNaN(e.ThicknessUM) {
			reading = fmt.Sprintf("%.4f %.4s", e.ThicknessUM, reading)
		}
	}
	f, a := m.Step.Forecast, m.Step.Advice
	words := a.Level.String()
	if a.Level > advice.Continue {
		words += ": " + a.Rule + ": " + a.Reason
	}
	fmt.Fprintf(w, "%7.2f %-4s %10.4f %5.3f | %-4s %-11s %7.4f ±%.4f %8.4f  %.3f ±%.3f | %6.1f %6.1f %6.1f %7.1f | %s\n",
		m.Step.TimeS, pad, m.ThinnestUM, m.RateUMMin, f.Site, reading, f.ThicknessUM, f.SDUM, m.SiteUM, f.RateUMMin, f.RateSDUMMin,
		f.ToTargetS.P05S, f.ToTargetS.P50S, f.ToTargetS.P95S, m.ToTargetS, words)
}
