package setup

import (
	"fmt"
	"strings"

	"bluefringe/device/event"
)

// Start is the die before the first step. Zero means not set.
type Start struct {
	ThicknessUM float64 `toml:"thickness_um"`
	DamageUM    float64 `toml:"damage_um"` // under its face, at most
}

// Plan is how to get from start to target.
type Plan struct {
	Margin    float64    `toml:"margin"` // times the deepest damage is left for the next step
	ForceMinN float64    `toml:"force_min_n"`
	ForceMaxN float64    `toml:"force_max_n"` // that the machine holds; 0: no bound
	Step      []PlanStep `toml:"step"`        // empty: a default ladder
}

// PlanStep is one grind or polish. Zero means not set; pad, force and speed are then
// those of Process.
type PlanStep struct {
	Name       string  `toml:"name"`
	AbrasiveUM float64 `toml:"abrasive_um"` // mean size
	DamageUM   float64 `toml:"damage_um"`   // that it leaves, at most
	RaUM       float64 `toml:"ra_um"`       // mean roughness that it leaves
	StopUM     float64 `toml:"stop_um"`

	Pad         string  `toml:"pad"` // kind of pad
	Slurry      string  `toml:"slurry"`
	PadMM       float64 `toml:"pad_mm"`
	ForceN      float64 `toml:"force_n"`
	PressureKPa float64 `toml:"pressure_kpa"`
	SpeedMS     float64 `toml:"speed_m_s"`

	PrestonPerPa float64 `toml:"preston_per_pa"`
	RateUMMin    float64 `toml:"rate_um_min"`
	RateRelSD    float64 `toml:"rate_rel_sd"` // of either; 0.3 unless set

	DamageStated bool `toml:"-"` // DamageUM is set, be it to 0
}

const defaultRateRelSD = 0.3

// planSchema lists the keys of start and plan.
func planSchema() []field {
	return []field{
		{path: "start", kind: table},
		{"start.thickness_um", number, above(0, 1000), "above 0 and up to 1000 um"},
		{"start.damage_um", number, from(0, 1000), "0 to 1000 um"},

		{path: "plan", kind: table},
		{"plan.margin", number, from(1, 10), "1 to 10"},
		{"plan.force_min_n", number, from(0, 1e4), "0 to 10000 N"},
		{"plan.force_max_n", number, above(0, 1e4), "above 0 and up to 10000 N"},
		{path: "plan.step", kind: tables},
		{"plan.step.name", text, shortName, "a name of up to 64 characters"},
		{"plan.step.abrasive_um", number, above(0, 1000), "above 0 and up to 1000 um"},
		{"plan.step.damage_um", number, from(0, 1000), "0 to 1000 um"},
		{"plan.step.ra_um", number, above(0, 10), "above 0 and up to 10 um"},
		{"plan.step.stop_um", number, above(0, 1000), "above 0 and up to 1000 um"},
		{"plan.step.pad", text, shortName, "a name of up to 64 characters"},
		{"plan.step.slurry", text, shortName, "a name of up to 64 characters"},
		{"plan.step.pad_mm", number, above(0, 1000), "above 0 and up to 1000 mm"},
		{"plan.step.force_n", number, above(0, 1e4), "above 0 and up to 10000 N"},
		{"plan.step.pressure_kpa", number, above(0, 1e5), "above 0 and up to 100000 kPa"},
		{"plan.step.speed_m_s", number, above(0, 100), "above 0 and up to 100 m/s"},
		{"plan.step.preston_per_pa", number, above(0, 1e-9), "above 0 and up to 1e-9 per Pa (polishing silicon is near 1e-13)"},
		{"plan.step.rate_um_min", number, above(0, 1e4), "above 0 and up to 10000 um/min"},
		{"plan.step.rate_rel_sd", number, above(0, 10), "above 0 and up to 10, as a fraction"},
	}
}

// plan checks what no key of start and plan can tell alone.
func (c *checker) plan(s Setup) {
	if from, to := s.Start.ThicknessUM, s.Target.ThicknessUM; from > 0 && from <= to {
		c.add("start.thickness_um", "found %g: more than target.thickness_um, %g, is allowed", from, to)
	}
	if low, high := s.Plan.ForceMinN, s.Plan.ForceMaxN; high > 0 && low >= high {
		c.add("plan.force_min_n", "found %g: less than plan.force_max_n, %g, is allowed", low, high)
	}
	for i := range s.Plan.Step {
		c.need(stepKey(i), "abrasive_um")
		c.oneAtMost(i, "damage_um", "ra_um")
		c.oneAtMost(i, "force_n", "pressure_kpa")
		c.oneAtMost(i, "preston_per_pa", "rate_um_min")
	}
}

// oneAtMost reports a step that has both of two keys that say the same.
func (c *checker) oneAtMost(step int, name, other string) {
	at := join(stepKey(step), name)
	if c.lines[at] > 0 && c.lines[join(stepKey(step), other)] > 0 {
		c.add(at, "found %s and %s: one of them is allowed", name, other)
	}
}

// fill sets the defaults of steps.
func (p *Plan) fill(lines map[string]int) {
	for i := range p.Step {
		s := &p.Step[i]
		for _, name := range []*string{&s.Name, &s.Pad, &s.Slurry} {
			*name = cleanName(*name)
		}
		if s.Name == "" {
			s.Name = fmt.Sprintf("step %d", i+1)
		}
		if s.RateRelSD == 0 {
			s.RateRelSD = defaultRateRelSD
		}
		s.DamageStated = lines[join(stepKey(i), "damage_um")] > 0
	}
}

func stepKey(i int) string { return fmt.Sprintf("plan.step[%d]", i) }

// cleanName makes a name one line without needless spaces.
func cleanName(name string) string { return strings.Join(strings.Fields(event.Clean(name)), " ") }
