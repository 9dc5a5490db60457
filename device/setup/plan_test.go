package setup

import (
	"reflect"
	"strings"
	"testing"
)

func TestPlan(t *testing.T) {
	s, err := Parse("die.toml", []byte(`[start]
thickness_um = 775
damage_um = 5
[target]
thickness_um = 2
[plan]
margin = 2
force_min_n = 0.2
force_max_n = 20
[[plan.step]]
name = " fine   grind "
abrasive_um = 9
damage_um = 0
pressure_kpa = 20
[[plan.step]]
abrasive_um = 0.05
rate_um_min = 0.5
rate_rel_sd = 0.2
`))
	if err != nil {
		t.Fatal(err)
	}
	want := Plan{Margin: 2, ForceMinN: 0.2, ForceMaxN: 20, Step: []PlanStep{
		{Name: "fine grind", AbrasiveUM: 9, DamageStated: true, PressureKPa: 20, RateRelSD: 0.3},
		{Name: "step 2", AbrasiveUM: 0.05, RateUMMin: 0.5, RateRelSD: 0.2},
	}}
	if !reflect.DeepEqual(s.Plan, want) || s.Start != (Start{775, 5}) {
		t.Errorf("got %+v, %+v", s.Start, s.Plan)
	}
}

func TestPlanProblems(t *testing.T) {
	for text, want := range map[string]string{
		"[start]\nthickness_um = 2\n[target]\nthickness_um = 2":                   "die.toml:2: start.thickness_um: found 2: more than target.thickness_um, 2, is allowed",
		"[plan]\nforce_min_n = 3\nforce_max_n = 2":                                "die.toml:2: plan.force_min_n: found 3: less than plan.force_max_n, 2, is allowed",
		"[plan]\nmargin = 0.5":                                                    "die.toml:2: plan.margin: found 0.5: 1 to 10 is allowed",
		"[[plan.step]]\nname = \"grind\"":                                         "plan.step[0]: found no abrasive_um: it is needed",
		"[[plan.step]]\nabrasive_um = 9\nforce_n = 1\npressure_kpa = 2":           "die.toml:3: plan.step[0].force_n: found force_n and pressure_kpa: one of them is allowed",
		"[[plan.step]]\nabrasive_um = 9\ndamage_um = 1\nra_um = 2":                "found damage_um and ra_um: one of them is allowed",
		"[[plan.step]]\nabrasive_um = 9\npreston_per_pa = 1e-12\nrate_um_min = 2": "found preston_per_pa and rate_um_min: one of them is allowed",
		"[[plan.step]]\nabrasive_um = 9\nabrasive = 2":                            "the nearest known key is plan.step.abrasive_um",
	} {
		_, err := Parse("die.toml", []byte(text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want %s", text, err, want)
		}
	}
}
