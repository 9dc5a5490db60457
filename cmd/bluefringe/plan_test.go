package main

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"bluefringe/device/ratebook"
	"bluefringe/removal"
)

// A set-up of three steps; the values are invented.
const planSetup = `[start]
thickness_um = 120
[target]
thickness_um = 2.0
floor_um = 1.5
[process]
pad = "felt"
slurry = "colloid A"
pad_mm = 3
force_n = 1.4
speed_m_s = 0.25
preston_per_pa = 2.4e-13
[plan]
force_max_n = 20
[[plan.step]]
name = "grind"
abrasive_um = 9
pad_mm = 6
rate_um_min = 20
rate_rel_sd = 0.2
[[plan.step]]
name = "lap"
abrasive_um = 1
ra_um = 0.2
pressure_kpa = 20.6843
speed_m_s = 1.0
preston_per_pa = 1e-11
[[plan.step]]
name = "polish"
abrasive_um = 0.05
damage_um = 0
`

// planOf is the JSON line of a set-up.
func planOf(t *testing.T, text string, args ...string) (planLine, outcome) {
	t.Helper()
	file := writeFile(t, "die.toml", text)
	got := command(t, "", append([]string{"plan", file, "--json"}, args...)...)
	var line planLine
	if err := json.Unmarshal([]byte(got.out), &line); err != nil {
		t.Fatalf("%v: %q, %s", err, got.out, got.err)
	}
	return line, got
}

func within(t *testing.T, what string, got *float64, want, relative float64) {
	t.Helper()
	if got == nil || !(math.Abs(*got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: got %v, want %g", what, got, want)
	}
}

// By hand. The lapped face of Ra 0.2 um is damaged 2.477 um deep within 5 % (Wang, Gao and
// Yang, Materials 17 (2024) 553), 2.601 um at most: the polish begins 1.5 times that above
// 2 um. The grind's 9 um may go 9 um deep: 13.5 um higher. Twice the pad of 3 mm, at the
// same pressure, needs four times the 1.4 N. 1e-13 1/Pa at 3 psi and 1.0 m/s is
// 124.106 nm/min, so 1e-11 1/Pa 12.4106 um/min.
func TestPlanByHand(t *testing.T) {
	p, got := planOf(t, planSetup, "--rates", "none")
	if got.code != exitDone || got.err != "" || !p.Feasible || len(p.Steps) != 3 {
		t.Fatalf("status %d: %s%s", got.code, got.out, got.err)
	}
	grind, lap, polish := p.Steps[0], p.Steps[1], p.Steps[2]
	within(t, "lap stop", lap.StopUM, 2+1.5*1.05*2.477, 1e-4)
	within(t, "grind stop", grind.StopUM, 2+1.5*1.05*2.477+13.5, 1e-4)
	within(t, "grind force", grind.ForceN, 5.6, 1e-12)
	within(t, "grind pressure", grind.PressureKPa, 198.06, 1e-4)
	within(t, "lap force", lap.ForceN, 20684.3*math.Pi/4*9e-6, 1e-2)
	within(t, "lap rate", lap.RateUMMin, 12.4106, 1e-5)
	within(t, "polish rate", polish.RateUMMin, removal.PrestonRateUMMin(2.4e-13, 198059.5, 0.25), 1e-4)
	within(t, "polish removal", polish.RemoveUM, 1.5*1.05*2.477, 1e-4)
	within(t, "grind time", grind.TimeS.P50, 60*(120-19.4013)/20, 1e-4)
	if polish.DamageMostUM == nil || *polish.DamageMostUM != 0 || polish.DamageSource != "set-up" {
		t.Errorf("polish damage %v, %s", polish.DamageMostUM, polish.DamageSource)
	}
	for i, source := range []string{"set-up, rate_um_min", "set-up, 1e-11 1/Pa", "set-up, 2.4e-13 1/Pa"} {
		if p.Steps[i].RateSource != source {
			t.Errorf("step %d: rate from %q, want %q", i+1, p.Steps[i].RateSource, source)
		}
	}
	if !strings.Contains(p.Cautions, "hydrofluoric") || !strings.Contains(p.Cautions, "Eye protection") {
		t.Errorf("cautions: %s", p.Cautions)
	}
}

// The table says the same, in plain ASCII.
func TestPlanTable(t *testing.T) {
	got := command(t, "", "plan", writeFile(t, "die.toml", planSetup), "--rates", "none")
	if got.code != exitDone || got.err != "" {
		t.Fatalf("status %d: %s", got.code, got.err)
	}
	for line := range strings.Lines(got.out) {
		if strings.HasPrefix(line, "set-up ") {
			continue // the name of the file may be long
		}
		plain(t, line)
	}
	for _, want := range []string{
		" 1 grind                9      120      19.4    100.6        9       20    5.03",
		"force     5.6 N on a pad of 6 mm: 198 kPa; speed 0.25 m/s",
		"stop at   19.4 um; lap then removes the damage, with 4.5 um to spare",
		"stop at   2 um, the target",
		"floor 1.5 um", "local rules and trained practice decide", "the set-up names no channels",
	} {
		if !strings.Contains(got.out, want) {
			t.Errorf("no %q in:\n%s", want, got.out)
		}
	}
}

// Without steps there are default ones, as far as the die is thick enough for them.
func TestPlanLadder(t *testing.T) {
	text := "[target]\nthickness_um = 2\nfloor_um = 1.5\n"
	p, got := planOf(t, text, "--rates", "none", "--start", "40")
	if got.code != exitDone || !p.Ladder || len(p.Steps) != 3 || p.Steps[0].Name != "fine grind" {
		t.Fatalf("status %d: %+v", got.code, p)
	}
	within(t, "stop", p.Steps[0].StopUM, 17, 1e-12)
	if p.Steps[2].ForceN != nil || p.Steps[2].PressureKPa != nil {
		t.Error("a force from nowhere")
	}
	if s := p.Steps[2].RateSource; !strings.HasPrefix(s, "default 0.3 to 1.5 um/min") {
		t.Errorf("rate from %q", s)
	}
	table := command(t, "", "plan", writeFile(t, "die.toml", text), "--rates", "none", "--start", "40")
	for _, want := range []string{"left out: coarse grind with 30 um", "these are the default ones", "force     not known"} {
		if !strings.Contains(table.out, want) {
			t.Errorf("no %q in:\n%s", want, table.out)
		}
	}
}

// The rate book comes before the set-up's coefficient where it knows pad and slurry, and
// not for a step of which it does not.
func TestPlanRateBook(t *testing.T) {
	var runs []ratebook.Run
	for day := range 5 {
		runs = append(runs, ratebook.Run{
			Checksum: fmt.Sprintf("%064x", day+1), When: time.Date(2026, 3, 1+day, 8, 0, 0, 0, time.UTC),
			Material: "silicon", Pad: "felt", Slurry: "colloid A", PadMM: 3, PressurePa: 198e3, SpeedMS: 0.25,
			PrestonPerPa: 3e-13, PrestonRelSD: 0.05,
		})
	}
	path := rateFile(t, runs)
	p, _ := planOf(t, planSetup, "--rates", path)
	if s := p.Steps[2].RateSource; s != "rate book, 5 runs, 3e-13 1/Pa" {
		t.Errorf("polish: rate from %q", s)
	}
	within(t, "polish rate", p.Steps[2].RateUMMin, removal.PrestonRateUMMin(3e-13, 198059.5, 0.25), 1e-4)
	if s := p.Steps[1].RateSource; s != "set-up, 1e-11 1/Pa" {
		t.Errorf("lap: rate from %q", s)
	}
	other, _ := planOf(t, strings.Replace(planSetup, "colloid A", "colloid B", 1), "--rates", path)
	if s := other.Steps[2].RateSource; s != "set-up, 2.4e-13 1/Pa" {
		t.Errorf("another slurry: rate from %q", s)
	}
}

// A plan that cannot be done is told, and is a failure; wrong use is another.
func TestPlanFailures(t *testing.T) {
	p, got := planOf(t, planSetup+"\n[[plan.step]]\nname = \"late\"\nabrasive_um = 5\n", "--rates", "none")
	last := p.Steps[3]
	if got.code != exitFailed || p.Feasible || !strings.Contains(strings.Join(last.Problems, ""), "goes through the 2 um") {
		t.Errorf("status %d: %q, %s", got.code, last.Problems, got.err)
	}
	if !slices.ContainsFunc(last.Warnings, func(w string) bool { return strings.Contains(w, "no finer") }) {
		t.Errorf("warnings %q", last.Warnings)
	}
	table := command(t, "", "plan", writeFile(t, "die.toml", planSetup+"\n[[plan.step]]\nname = \"\\u001b[31mlate\"\nabrasive_um = 5\n"), "--rates", "none")
	if table.code != exitFailed || !strings.Contains(table.out, "   CANNOT    damage of up to 5 um goes through") || strings.Contains(table.out, "\x1b") {
		t.Errorf("status %d:\n%s", table.code, table.out)
	}

	file := writeFile(t, "die.toml", planSetup)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"plan"}, "accepts 1 arg"},
		{[]string{"plan", file + ".none"}, "no such file"},
		{[]string{"plan", writeFile(t, "a.toml", "[start]\nthickness_um = 9\n")}, "found no target.thickness_um"},
		{[]string{"plan", writeFile(t, "b.toml", "[target]\nthickness_um = 2\n")}, "a full 300 mm wafer is 775 um"},
		{[]string{"plan", file, "--start", "1"}, "above the target, 2 um"},
		{[]string{"plan", file, "--start", "nan"}, "above the target, 2 um"},
		{[]string{"plan", file, "--rates", file + ".none"}, "no rate book"},
		{[]string{"plan", writeFile(t, "c.toml", planSetup+"colour = 3\n")}, "found an unknown key"},
	} {
		if got := command(t, "", c.args...); got.code != exitUsage || !strings.Contains(got.err, c.want) || got.out != "" {
			t.Errorf("%v: status %d: %s", c.args, got.code, got.err)
		}
	}
}

// Channels of the set-up say what they can see.
func TestPlanChannels(t *testing.T) {
	text := planSetup + "\n[channels.nir]\nwavelength_poly = [1000, 1.37]\npixels = 512\n"
	p, got := planOf(t, text, "--rates", "none")
	// 1.37 nm a pixel leaves the four pixels to a fringe that a line of unknown width asks
	// for, 1300²/(2·3.67·d) nm wide, up to 42 um at 1300 nm and up to 72 um at 1700 nm
	// (Chebyshev spacing: identity).
	if len(p.Steps[0].Sights) != 1 || *p.Steps[0].Sights[0].FromUM > 72 || *p.Steps[0].Sights[0].FromUM < 42 {
		t.Errorf("%+v", p.Steps[0])
	}
	if got.code != exitFailed || p.Steps[2].StopBy != "" {
		t.Errorf("status %d: infrared alone stops at 2 um: %+v", got.code, p.Steps[2])
	}
}
