package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"

	"bluefringe/device/event"
	"bluefringe/device/ratebook"
	"bluefringe/device/setup"
	"bluefringe/removal/plan"

	"github.com/spf13/cobra"
)

func newPlan(st streams) *cobra.Command {
	var rates rateFlag
	var startUM float64
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "plan S.toml",
		Short: "Steps from start to target: stop thickness, damage, force, time, how often to look",
		Long: `Lay out the grind and polish steps from start to target. Each step stops so early that
the next removes the damage it left, with a margin; for each the plan says how deep
that damage is and by what source, where to stop, pressure and force for the pad, the
time with its interval, what to measure with and how often at least.

The set-up gives [start] and [target], and the steps; without steps the plan takes
30, 9, 1 and 0.05 um of abrasive, as far as they fit:

  [start]
  thickness_um = 775          # a full 300 mm wafer
  damage_um = 0               # under its face, at most
  [plan]
  margin = 1.5                # times the deepest damage is left for the next step
  force_min_n = 0.2           # that the machine holds
  force_max_n = 20
  [[plan.step]]               # any number, in order
  name = "fine grind"
  abrasive_um = 9             # mean size, needed
  pad_mm = 5                  # pad, force, speed: of [process] unless set here
  force_n = 4                 # or pressure_kpa
  speed_m_s = 0.5
  pad = "resin"               # kinds, for the rate book
  slurry = "diamond 9"
  preston_per_pa = 1e-11      # or rate_um_min
  rate_rel_sd = 0.3           # of either
  damage_um = 4               # or ra_um; without, half the abrasive size
  stop_um = 20                # without, it follows from the steps after

A step's rate is its rate_um_min; or else what the rate book says of its pad and
slurry; or else its preston_per_pa, for the last step that of [process]; or else a
default range, which the plan names. The force on another pad than that of [process]
gives the same pressure. Exit status 1 when a step cannot be done.`,
		Example: `  bluefringe plan die.toml
  bluefringe plan die.toml --start 120 --rates none
  bluefringe plan die.toml --json | jq '.steps[] | {name, stop_um, force_n}'`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := setup.Load(args[0])
			if err != nil {
				return usage(err)
			}
			if cmd.Flags().Changed("start") {
				s.Start.ThicknessUM = startUM
			}
			if err := plannable(s); err != nil {
				return err
			}
			runs, err := planRates(cmd.Context(), rates, st.err)
			if err != nil {
				return err
			}
			p, err := newDiePlan(s, runs)
			if err != nil {
				return usage(fmt.Errorf("%s: %w", args[0], err))
			}
			if asJSON {
				err = json.NewEncoder(st.out).Encode(p.line())
			} else {
				_, err = io.WriteString(st.out, p.report())
			}
			if err == nil && !p.Feasible() {
				err = errors.New("the plan cannot be done as it stands")
			}
			return err
		},
	}
	f := cmd.Flags()
	f.Float64Var(&startUM, "start", 0, "start thickness, um, in place of that of the set-up")
	f.BoolVar(&asJSON, "json", false, "write one JSON line")
	rates.add(cmd, "`file` of the rate book, or none (default: in the user's data folder)")
	return cmd
}

// plannable tells whether a set-up says where the plan begins and ends.
func plannable(s setup.Setup) error {
	start, target := s.Start.ThicknessUM, s.Target.ThicknessUM
	switch {
	case target == 0:
		return usage(fmt.Errorf("%s: found no target.thickness_um: it is needed", s.Name))
	case start == 0:
		return usage(fmt.Errorf("%s: found no start.thickness_um: it or --start is needed; a full 300 mm wafer is 775 um", s.Name))
	case !(start > target && start <= 1000):
		return usage(fmt.Errorf("start thickness: found %g um: above the target, %g um, and up to 1000 um is allowed", start, target))
	}
	return nil
}

// planRates is the runs of the rate book. One that is named must be there and sound;
// without the usual one the plan goes on, and says so.
func planRates(ctx context.Context, flag rateFlag, talk io.Writer) ([]ratebook.Run, error) {
	path, err := flag.file()
	if err == nil && path != "" {
		if _, err := os.Stat(path); flag.path != "" && errors.Is(err, fs.ErrNotExist) {
			return nil, usage(fmt.Errorf("--rates: no rate book %s", event.Clean(path)))
		}
		var runs []ratebook.Run
		if runs, err = readBook(ctx, path); err == nil {
			return runs, nil
		}
	}
	if err != nil && flag.path == "" {
		fmt.Fprintf(talk, "bluefringe: no rates from the rate book: %s\n", event.Clean(err.Error()))
		err = nil
	}
	return nil, err
}

// diePlan is a plan with what it was made for.
type diePlan struct {
	plan.Plan
	job     plan.Job
	setup   setup.Setup
	dropped []plan.Step // of the default ladder: the die is too thin for them as it comes
	ladder  bool        // the steps are the default ladder
	assumed bool        // the channels are those usual, the set-up names none
}

// newDiePlan makes the plan of a set-up.
func newDiePlan(s setup.Setup, runs []ratebook.Run) (diePlan, error) {
	d := diePlan{setup: s, job: plan.Job{
		StartUM: s.Start.ThicknessUM, StartDamageUM: s.Start.DamageUM,
		TargetUM: s.Target.ThicknessUM, FloorUM: s.Target.FloorUM,
		Margin: s.Plan.Margin, ReactionS: s.Stop.ReactionS,
		ForceMinN: s.Plan.ForceMinN, ForceMaxN: s.Plan.ForceMaxN, DieMM2: s.Die.WidthMM * s.Die.HeightMM,
	}}
	if d.job.Margin == 0 {
		d.job.Margin = plan.DefaultMargin
	}
	var err error
	if d.job.Channels, d.assumed, err = planChannels(s); err != nil {
		return d, err
	}
	steps := s.Plan.Step
	if d.ladder = len(steps) == 0; d.ladder {
		kept, dropped := d.job.Fitting(plan.Ladder())
		d.dropped = dropped
		for _, step := range kept {
			steps = append(steps, setup.PlanStep{Name: step.Name, AbrasiveUM: step.AbrasiveUM})
		}
	}
	planned := make([]plan.Step, len(steps))
	for i, step := range steps {
		if planned[i], err = planStep(s, step, i == len(steps)-1, runs); err != nil {
			return d, err
		}
	}
	d.Plan, err = plan.Make(d.job, planned)
	return d, err
}

// planStep turns a step of the set-up into one of the plan.
func planStep(s setup.Setup, step setup.PlanStep, last bool, runs []ratebook.Run) (plan.Step, error) {
	nan := math.NaN()
	known := func(values ...float64) float64 {
		for _, v := range values {
			if v > 0 {
				return v
			}
		}
		return nan
	}
	common := process(s)
	p := plan.Step{Name: step.Name, AbrasiveUM: step.AbrasiveUM, StopUM: known(step.StopUM),
		PadMM: known(step.PadMM, s.Process.PadMM), SpeedMS: known(step.SpeedMS, s.Process.SpeedMS)}
	switch {
	case step.DamageStated:
		p.Damage = plan.Stated(step.DamageUM)
	case step.RaUM > 0:
		p.Damage = plan.FromRoughness(step.RaUM)
	default:
		p.Damage = plan.FromAbrasive(step.AbrasiveUM)
	}
	areaM2 := math.Pi / 4 * p.PadMM * p.PadMM * 1e-6
	switch {
	case step.ForceN > 0:
		p.ForceN = step.ForceN
	case step.PressureKPa > 0:
		p.ForceN = step.PressureKPa * 1000 * areaM2
	case p.PadMM == common.PadMM || math.IsNaN(common.PadMM):
		p.ForceN = common.ForceN
	default:
		p.ForceN = common.PressurePa() * areaM2
	}
	var err error
	p.Rate, err = planRate(s, step, p, last, runs)
	return p, err
}
