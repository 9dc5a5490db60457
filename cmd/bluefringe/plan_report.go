package main

import (
	"fmt"
	"math"
	"strings"

	"bluefringe/device/event"
	"bluefringe/removal"
	"bluefringe/removal/plan"
)

const planCaution = `Cautions: a plan is advice. Begin each step gently, stop early, measure, go on.
Wet all the time: colloidal silica is alkaline, silicon fines are an inhalation
and, dry, a fire hazard; collect them wet, keep them from alkali in closed
vessels. Eye protection (a thin die can shatter) and gloves; no loose sleeves
near a spindle; stop it before touching, measuring or loading. Never look into
an infrared fibre.
Mechanical steps only: no hydrofluoric acid, no other etch is meant or needed.
The makers' safety data sheets, local rules and trained practice decide.
`

// report is the plan for people, plain ASCII.
func (d diePlan) report() string {
	var b strings.Builder
	fmt.Fprintf(&b, "set-up   %s\n", event.Clean(d.setup.Name))
	fmt.Fprintf(&b, "from     %g um to %g um, floor %s\n", d.job.StartUM, d.job.TargetUM, orNone(d.job.FloorUM, "%g um"))
	time := d.TimeS
	fmt.Fprintf(&b, "time     %s of grinding and polishing, %s to %s\n", minutes(time.P50S), minutes(time.P05S), minutes(time.P95S))
	note := func(format string, args ...any) {
		fmt.Fprintln(&b, hanging(strings.Repeat(" ", 9)+fmt.Sprintf(format, args...), 9))
	}
	if d.ladder {
		note("the set-up gives no steps: these are the default ones (common practice, no source)")
	}
	for _, step := range d.dropped {
		note("left out: %s with %g um, the die is too thin for it as it comes", step.Name, step.AbrasiveUM)
	}
	if d.assumed {
		note("the set-up names no channels: the usual range of the two kinds is taken")
	}
	fmt.Fprint(&b, `
   step          abrasive     from   stop at   remove   damage     rate    time
                       um       um        um       um       um   um/min     min
`)
	for i, s := range d.Stages {
		fmt.Fprintf(&b, "%2d %s %8s %8s %9s %8s %8s %8s %7s\n", i+1, cell(s.Name, 13), short4(s.AbrasiveUM),
			short4(s.FromUM), short4(s.ToUM), short4(s.RemoveUM()), short4(s.Damage.MostUM), short3(s.Rate.UMMin), short3(s.TimeS.P50S/60))
	}
	for i, s := range d.Stages {
		b.WriteString("\n")
		writeStage(&b, i, s, d.next(i))
	}
	b.WriteString("\n" + planCaution)
	return b.String()
}

// next is the step after stage i, nil after the last.
func (d diePlan) next(i int) *plan.Stage {
	if i+1 < len(d.Stages) {
		return &d.Stages[i+1]
	}
	return nil
}

func writeStage(b *strings.Builder, i int, s plan.Stage, next *plan.Stage) {
	line := func(what, format string, args ...any) {
		fmt.Fprintln(b, hanging(fmt.Sprintf("   %-9s %s", what, fmt.Sprintf(format, args...)), 13))
	}
	fmt.Fprintf(b, "%d  %s\n", i+1, event.Clean(s.Name))
	if next != nil {
		line("stop at", "%s um; %s then removes the damage, with %s um to spare", short4(s.ToUM), event.Clean(next.Name), short3(s.SpareUM))
	} else {
		line("stop at", "%s um, the target", short4(s.ToUM))
	}
	line("damage", "about %s um deep, %s um at most (%s)", short3(s.Damage.DepthUM), short3(s.Damage.MostUM), s.Damage.Source)
	if p := s.PressurePa(); p > 0 {
		line("force", "%s N on a pad of %g mm: %s kPa; speed %s", short3(s.ForceN), s.PadMM, short3(p/1000), orNone(s.SpeedMS, "%g m/s"))
	} else {
		line("force", "not known: pad and force are needed")
	}
	line("rate", "%s um/min, nine of ten %s to %s (%s)", short3(s.Rate.UMMin), short3(s.Rate.P05()), short3(s.Rate.P95()), s.Rate.Source)
	line("time", "%s, nine of ten %s to %s", minutes(s.TimeS.P50S), minutes(s.TimeS.P05S), minutes(s.TimeS.P95S))
	line("measure", "%s", measureWith(s))
	line("look", "%s", lookWhen(s.Look))
	for _, text := range s.Problems {
		line("CANNOT", "%s", text)
	}
	for _, text := range s.Warnings {
		line("warning", "%s", text)
	}
}

// measureWith names the channels of a stage in the order in which they see it.
func measureWith(s plan.Stage) string {
	var parts []string
	for _, sight := range s.Look.Sights {
		parts = append(parts, fmt.Sprintf("%s from %s to %s um", event.Clean(sight.Channel), short4(sight.FromUM), short4(sight.ToUM)))
	}
	if len(parts) == 0 {
		return "no channel sees this thickness"
	}
	text := strings.Join(parts, "; ")
	if s.Look.Stop != "" {
		text += fmt.Sprintf("; stop by %s, sd %s um", event.Clean(s.Look.Stop), short3(s.Look.SDUM))
	}
	return text
}

func lookWhen(l plan.Look) string {
	text := fmt.Sprintf("first after %s, then each time after half of what is left", minutes(l.FirstS))
	if !math.IsNaN(l.EveryS) {
		text += fmt.Sprintf("; near the stop at least every %s", minutes(l.EveryS))
	}
	return text
}

// minutes is a time for people.
func minutes(s float64) string {
	switch {
	case math.IsNaN(s) || math.IsInf(s, 0):
		return "-"
	case s < 100:
		return short3(s) + " s"
	case s < 100*60:
		return short3(s/60) + " min"
	}
	return short3(s/3600) + " h"
}

func short3(v float64) string { return digits(v, 3) }
func short4(v float64) string { return digits(v, 4) }

// digits prints so many digits without an exponent, a dash for what does not exist.
func digits(v float64, n int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	decimals := n - 1
	if v != 0 {
		decimals -= int(math.Floor(math.Log10(math.Abs(v))))
	}
	text := fmt.Sprintf("%.*f", min(max(0, decimals), 6), v)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

func orNone(v float64, format string) string {
	if !(v > 0) {
		return "not set"
	}
	return fmt.Sprintf(format, v)
}

// planLine is a plan as a JSON line. A number that does not exist is left out.
type planLine struct {
	Type     string         `json:"type"`
	Feasible bool           `json:"feasible"`
	StartUM  float64        `json:"start_um"`
	TargetUM float64        `json:"target_um"`
	FloorUM  *float64       `json:"floor_um,omitempty"`
	Margin   float64        `json:"margin"`
	Ladder   bool           `json:"default_steps"`
	TimeS    event.Interval `json:"time_s"`
	Steps    []planStepLine `json:"steps"`
	Cautions string         `json:"cautions"`
}

type planStepLine struct {
	Name         string         `json:"name"`
	AbrasiveUM   float64        `json:"abrasive_um"`
	FromUM       *float64       `json:"from_um"`
	StopUM       *float64       `json:"stop_um"`
	RemoveUM     *float64       `json:"remove_um"`
	DamageUM     *float64       `json:"damage_um"`
	DamageMostUM *float64       `json:"damage_most_um"`
	DamageSource string         `json:"damage_source"`
	SpareUM      *float64       `json:"spare_um,omitempty"`
	PadMM        *float64       `json:"pad_mm,omitempty"`
	ForceN       *float64       `json:"force_n,omitempty"`
	PressureKPa  *float64       `json:"pressure_kpa,omitempty"`
	SpeedMS      *float64       `json:"speed_m_s,omitempty"`
	RateUMMin    *float64       `json:"rate_um_min"`
	RateP05      *float64       `json:"rate_p05_um_min"`
	RateP95      *float64       `json:"rate_p95_um_min"`
	RateSource   string         `json:"rate_source"`
	TimeS        event.Interval `json:"time_s"`
	Sights       []sightLine    `json:"measure"`
	StopBy       string         `json:"stop_by,omitempty"`
	SDUM         *float64       `json:"sd_um,omitempty"`
	FirstLookS   *float64       `json:"first_look_s"`
	LookEveryS   *float64       `json:"look_every_s,omitempty"`
	Problems     []string       `json:"problems,omitempty"`
	Warnings     []string       `json:"warnings,omitempty"`
}

type sightLine struct {
	Channel string   `json:"channel"`
	FromUM  *float64 `json:"from_um"`
	ToUM    *float64 `json:"to_um"`
}

func (d diePlan) line() planLine {
	l := planLine{Type: "plan", Feasible: d.Feasible(), StartUM: d.job.StartUM, TargetUM: d.job.TargetUM, Margin: d.job.Margin,
		Ladder: d.ladder, TimeS: spanLine(d.TimeS), Steps: []planStepLine{}, Cautions: strings.Join(strings.Fields(planCaution), " ")}
	if d.job.FloorUM > 0 {
		l.FloorUM = &d.job.FloorUM
	}
	um := func(v float64) *float64 { return number(v, decimalsUM) }
	const decimals = 3 // of forces, pressures and speeds
	for _, s := range d.Stages {
		step := planStepLine{
			Name: event.Clean(s.Name), AbrasiveUM: s.AbrasiveUM,
			FromUM: um(s.FromUM), StopUM: um(s.ToUM), RemoveUM: um(s.RemoveUM()),
			DamageUM: um(s.Damage.DepthUM), DamageMostUM: um(s.Damage.MostUM), DamageSource: s.Damage.Source, SpareUM: um(s.SpareUM),
			PadMM: number(s.PadMM, decimals), ForceN: number(s.ForceN, decimals), PressureKPa: number(s.PressurePa()/1000, decimals), SpeedMS: number(s.SpeedMS, decimals),
			RateUMMin: number(s.Rate.UMMin, decimalsRate), RateP05: number(s.Rate.P05(), decimalsRate), RateP95: number(s.Rate.P95(), decimalsRate), RateSource: s.Rate.Source,
			TimeS: spanLine(s.TimeS), Sights: []sightLine{}, StopBy: event.Clean(s.Look.Stop), SDUM: um(s.Look.SDUM),
			FirstLookS: number(s.Look.FirstS, decimalsS), LookEveryS: number(s.Look.EveryS, decimalsS),
			Problems: s.Problems, Warnings: s.Warnings,
		}
		for _, sight := range s.Look.Sights {
			step.Sights = append(step.Sights, sightLine{event.Clean(sight.Channel), um(sight.FromUM), um(sight.ToUM)})
		}
		l.Steps = append(l.Steps, step)
	}
	return l
}

func spanLine(i removal.Interval) event.Interval {
	return event.Interval{P05: number(i.P05S, decimalsS), P50: number(i.P50S, decimalsS), P95: number(i.P95S, decimalsS)}
}
