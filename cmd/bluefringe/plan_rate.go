package main

import (
	"fmt"
	"slices"

	"bluefringe/device/ratebook"
	"bluefringe/device/setup"
	"bluefringe/removal"
	"bluefringe/removal/plan"
)

// planRate finds the removal rate of a step. The process of the set-up is that of the
// run that is watched, so its pad, slurry and Preston coefficient are those of the last
// step.
func planRate(s setup.Setup, step setup.PlanStep, p plan.Step, last bool, runs []ratebook.Run) (plan.Rate, error) {
	if step.RateUMMin > 0 {
		return plan.NewRate(step.RateUMMin, step.RateRelSD, "set-up, rate_um_min"), nil
	}
	pressurePa := p.PressurePa()
	if last {
		if step.Pad == "" && step.Slurry == "" {
			step.Pad, step.Slurry = s.Process.Pad, s.Process.Slurry
		}
		if step.PrestonPerPa == 0 {
			step.PrestonPerPa, step.RateRelSD = s.Process.PrestonPerPa, s.Process.PrestonRelSD
		}
	}
	// A run without pad and slurry could be one of any step.
	if last || step.Pad != "" || step.Slurry != "" {
		q := ratebook.Query{Material: s.Process.Material, Pad: step.Pad, Slurry: step.Slurry,
			PadMM: p.PadMM, PressurePa: pressurePa, SpeedMS: p.SpeedMS}
		prior, err := ratebook.Pool(q, runs)
		if err != nil {
			return plan.Rate{}, err
		}
		umMin := removal.PrestonRateUMMin(prior.PrestonPerPa, pressurePa, p.SpeedMS)
		// Pad and slurry make the step: with others the book does not know it.
		if umMin > 0 && !slices.ContainsFunc(prior.Relaxed, func(r ratebook.Relaxed) bool { return r.What == "slurry" || r.What == "pad" }) {
			return plan.Rate{UMMin: umMin, LnSD: prior.LnSD,
				Source: fmt.Sprintf("rate book, %s, %.3g 1/Pa", runCount(len(prior.Runs)), prior.PrestonPerPa)}, nil
		}
	}
	if umMin := removal.PrestonRateUMMin(step.PrestonPerPa, pressurePa, p.SpeedMS); umMin > 0 {
		return plan.NewRate(umMin, step.RateRelSD, fmt.Sprintf("set-up, %.3g 1/Pa", step.PrestonPerPa)), nil
	}
	return plan.DefaultRate(step.AbrasiveUM), nil
}
