package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"bluefringe/device/ratebook"
	"bluefringe/removal"

	"github.com/spf13/cobra"
)

func newRatesPrior(st streams, bookPath *string) *cobra.Command {
	var q ratebook.Query
	var forceN, pressureKPa float64
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "prior",
		Short: "What past runs say about the next run's Preston coefficient",
		Long: `Show the Preston coefficient that the rate book expects of the next run, how sure that
is, and which runs it stands on: those of the same material, pad and slurry at
about the same pressure and speed. Where fewer than five match, it lets pad size,
pressure and speed, slurry and pad differ, in this order, as far as that makes the
answer surer, says so, and widens.

A value that is not given matches only runs that do not have it either; a pad size,
pressure or speed that is not given matches none.`,
		Example: `  bluefringe rates prior --material silicon --pad felt --slurry "colloid A" --pad-mm 3 --force-n 1.4 --speed-m-s 0.25
  bluefringe rates prior --material silicon --pad felt --pressure-kpa 200 --speed-m-s 0.25 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			for name, v := range map[string]float64{"pad-mm": q.PadMM, "force-n": forceN, "pressure-kpa": pressureKPa, "speed-m-s": q.SpeedMS} {
				if cmd.Flags().Changed(name) && (!(v > 0) || math.IsInf(v, 0)) {
					return usage(fmt.Errorf("--%s: found %g: above 0 is allowed", name, v))
				}
			}
			switch {
			case !(q.Factor >= 1) || math.IsInf(q.Factor, 0):
				return usage(fmt.Errorf("--factor: found %g: 1 or more is allowed", q.Factor))
			case forceN > 0 && q.PadMM == 0:
				return usage(errors.New("--force-n: --pad-mm is needed with it, for the pressure"))
			case forceN > 0:
				q.PressurePa = removal.Process{ForceN: forceN, PadMM: q.PadMM}.PressurePa()
			default:
				q.PressurePa = 1000 * pressureKPa
			}
			book, err := openRates(cmd.Context(), *bookPath)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, book.Close()) }()
			p, err := book.Prior(cmd.Context(), q)
			switch {
			case err != nil:
				return err
			case asJSON:
				return json.NewEncoder(st.out).Encode(newPriorLine(p))
			case len(p.Runs) == 0:
				fmt.Fprintf(st.err, "bluefringe: no run in the rate book %s is on this material\n", book.Path())
				return nil
			}
			_, err = io.WriteString(st.out, priorReport(q, p))
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.Material, "material", "", "material to be polished")
	f.StringVar(&q.Pad, "pad", "", "kind of pad")
	f.StringVar(&q.Slurry, "slurry", "", "slurry")
	f.Float64Var(&q.PadMM, "pad-mm", 0, "diameter of the pad, mm")
	f.Float64Var(&forceN, "force-n", 0, "force on the pad, N")
	f.Float64Var(&pressureKPa, "pressure-kpa", 0, "pressure under the pad, kPa, in place of the force")
	f.Float64Var(&q.SpeedMS, "speed-m-s", 0, "speed between pad and die, m/s")
	f.Float64Var(&q.Factor, "factor", 2, "by how much pressure and speed of a past run may differ")
	f.BoolVar(&asJSON, "json", false, "write one JSON line")
	cmd.MarkFlagsMutuallyExclusive("force-n", "pressure-kpa")
	return cmd
}

// priorLine is a prior as a line; without a run all numbers are left out.
type priorLine struct {
	Type         string        `json:"type"`
	PrestonPerPa *float64      `json:"preston_per_pa,omitempty"` // median
	PrestonRelSD *float64      `json:"preston_rel_sd,omitempty"`
	P05PerPa     *float64      `json:"preston_p05_per_pa,omitempty"`
	P95PerPa     *float64      `json:"preston_p95_per_pa,omitempty"`
	BetweenLnSD  *float64      `json:"between_ln_sd,omitempty"`
	MeanLnSD     *float64      `json:"mean_ln_sd,omitempty"`
	FewRuns      *float64      `json:"few_runs,omitempty"`
	Relaxed      []relaxedLine `json:"relaxed"`
	Runs         []int64       `json:"runs"`
}

type relaxedLine struct {
	What string  `json:"what"`
	LnSD float64 `json:"ln_sd"`
	Runs int     `json:"runs"`
}

func newPriorLine(p ratebook.Prior) priorLine {
	const decimals = 4
	line := priorLine{Type: "prior", Relaxed: []relaxedLine{}, Runs: []int64{}}
	if len(p.Runs) == 0 {
		return line
	}
	low, high := p.Interval()
	line.PrestonPerPa, line.P05PerPa, line.P95PerPa = &p.PrestonPerPa, &low, &high
	line.PrestonRelSD, line.FewRuns = number(p.RelSD, decimals), number(p.FewRuns, decimals)
	line.BetweenLnSD, line.MeanLnSD = number(p.BetweenLnSD, decimals), number(p.MeanLnSD, decimals)
	for _, r := range p.Relaxed {
		line.Relaxed = append(line.Relaxed, relaxedLine(r))
	}
	for _, r := range p.Runs {
		line.Runs = append(line.Runs, r.ID)
	}
	return line
}

// priorReport says in words what the next run may expect, and why.
func priorReport(q ratebook.Query, p ratebook.Prior) string {
	var out strings.Builder
	low, high := p.Interval()
	fact := func(what, format string, args ...any) {
		fmt.Fprintf(&out, "%-38s%s\n", what, fmt.Sprintf(format, args...))
	}
	fact("Preston coefficient of the next run", "%.3g 1/Pa, relative standard deviation %.0f %%", p.PrestonPerPa, 100*p.RelSD)
	fact("nine of ten such runs", "%.3g to %.3g 1/Pa", low, high)
	if q.PressurePa > 0 && q.SpeedMS > 0 {
		rate := func(perPa float64) float64 { return removal.PrestonRateUMMin(perPa, q.PressurePa, q.SpeedMS) }
		fact(fmt.Sprintf("removal rate at %.3g kPa, %.3g m/s", q.PressurePa/1000, q.SpeedMS), "%.3g um/min, nine of ten %.3g to %.3g",
			rate(p.PrestonPerPa), rate(low), rate(high))
	}
	fmt.Fprintf(&out, "\nstands on %s: standard deviation of ln Kp %.2f between runs, %.2f of their mean\n", runCount(len(p.Runs)), p.BetweenLnSD, p.MeanLnSD)
	if p.FewRuns >= 1.05 {
		fmt.Fprintf(&out, "few runs tell how much runs differ: both widened by %.2f\n", p.FewRuns)
	}
	for _, r := range p.Relaxed {
		fmt.Fprintf(&out, "%s differs or is not known in %d of them: adds %.2f\n", r.What, r.Runs, r.LnSD)
	}
	fmt.Fprintf(&out, "\n%s\n# for the set-up file\n[process]\npreston_per_pa = %.3g\npreston_rel_sd = %.2f\n", rateTable(p.Runs), p.PrestonPerPa, p.RelSD)
	return out.String()
}
