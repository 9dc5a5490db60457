package plan

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: got %g, want %g", what, got, want)
	}
}

// Ra and depth as Wang, Gao and Yang print their relation, Materials 17 (2024) 553; the
// paper states 5 % against its data.
func TestDamageFromRoughness(t *testing.T) {
	for ra, depth := range map[float64]float64{0.2: 2.477, 0.3: 4.253, 0.5: 8.405} {
		d := FromRoughness(ra)
		near(t, "depth", d.DepthUM, depth, 2e-4)
		near(t, "most", d.MostUM, 1.05*depth, 2e-4)
	}
}

// Bands of damage under wafers ground with #320, #600 and #2000 wheels: Pei, Billingsley
// and Miura 1999 and later work, from memory. The depth lies within a factor of two of
// each, the most covers it.
func TestDamageFromAbrasive(t *testing.T) {
	for _, band := range []struct{ sizeUM, low, high float64 }{{40, 15, 20}, {20, 4, 10}, {5, 0.5, 2}} {
		d := FromAbrasive(band.sizeUM)
		if d.DepthUM > 2*band.high || 2*d.DepthUM < band.low || d.MostUM < band.high {
			t.Errorf("%g um abrasive: %+v, published %g to %g um", band.sizeUM, d, band.low, band.high)
		}
	}
}

func TestRates(t *testing.T) {
	r := Between(10, 60, "")
	near(t, "P05", r.P05(), 10, 1e-12)
	near(t, "P95", r.P95(), 60, 1e-12)
	near(t, "median", r.UMMin, math.Sqrt(600), 1e-12)
	time := r.TimeS(100)
	near(t, "fast", time.P05S, 100, 1e-12)
	near(t, "slow", time.P95S, 600, 1e-12)
	// Mean and standard deviation of a log-normal variable: exp(s²/2) and
	// mean·sqrt(exp(s²)-1) of its median (N. L. Johnson, S. Kotz, N. Balakrishnan, Continuous
	// Univariate Distributions 1, chapter 14; from memory).
	r = NewRate(2, 0.3, "")
	near(t, "relative sd", math.Sqrt(math.Expm1(r.LnSD*r.LnSD)), 0.3, 1e-12)
	last := math.Inf(1)
	for _, size := range []float64{100, 30, 9, 1, 0.05} {
		if r := DefaultRate(size); !(r.P05() < r.UMMin && r.P95() > r.UMMin && r.P95() <= last) || r.Source == "" {
			t.Errorf("%g um: %+v", size, r)
		} else {
			last = r.P95()
		}
	}
}

// job is a full wafer to 2 um with a floor at 1.5 um.
func job() Job {
	return Job{StartUM: 775, TargetUM: 2, FloorUM: 1.5, Margin: 1.5, ReactionS: 2,
		Channels: []Channel{{"nir", 3, 800, 0.003}, {"vis", 0.15, 8, 0.001}}}
}

// By hand: the last step ends at 2 um. 1 um of abrasive may leave 1 um of damage, and 1.5
// times that stays for the last step: it begins at 2 + 1.5 = 3.5 um. Likewise
// 3.5 + 1.5·9 = 17 um and 17 + 1.5·30 = 62 um.
//
// At up to 60 um/min, 1 um/s, the coarse grind does half of its 713 um in 356.5 s. Below
// 62 um it may go to 17 + 30 = 47 um: 15 um, less twice 0.3 % of 62 um, 14.628 um, last
// 14.628 s; less 2 s of reaction, twice: every 6.314 s. The last polish at up to
// 1.5 um/min, 0.025 um/s, may go 0.5 um down to the floor: less twice 0.002 um 19.84 s,
// so every 8.92 s.
func TestByHand(t *testing.T) {
	p, err := Make(job(), Ladder())
	if err != nil {
		t.Fatal(err)
	}
	from, to := []float64{775, 62, 17, 3.5}, []float64{62, 17, 3.5, 2}
	spare := []float64{15, 4.5, 0.5, 0.5}
	for i, s := range p.Stages {
		near(t, s.Name+": from", s.FromUM, from[i], 1e-12)
		near(t, s.Name+": stop", s.ToUM, to[i], 1e-12)
		near(t, s.Name+": spare", s.SpareUM, spare[i], 1e-9)
	}
	coarse, final := p.Stages[0], p.Stages[3]
	near(t, "first look", coarse.Look.FirstS, 356.5, 1e-9)
	near(t, "coarse look", coarse.Look.EveryS, 6.314, 1e-9)
	near(t, "final look", final.Look.EveryS, 8.92, 1e-9)
	if coarse.Look.Stop != "nir" || final.Look.Stop != "vis" {
		t.Errorf("stop by %s, %s", coarse.Look.Stop, final.Look.Stop)
	}
	want := []Sight{{"nir", 17, 3.5}, {"vis", 8, 3.5}}
	if got := p.Stages[2].Look.Sights; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	near(t, "whole time", p.TimeS.P05S, 713+45*60/20.+13.5*60/3+1.5*60/1.5, 1e-9)
	if !p.Feasible() {
		t.Errorf("%+v", p)
	}
}

// A pressure of 3 psi, 20.6843 kPa, on a pad of 5 mm needs 0.40614 N.
func TestPressure(t *testing.T) {
	near(t, "pressure", Step{PadMM: 5, ForceN: 0.40614}.PressurePa(), 20684.3, 2e-5)
	for _, s := range []Step{{PadMM: math.NaN(), ForceN: 1}, {PadMM: 3, ForceN: math.NaN()}, {ForceN: 1}} {
		if p := s.PressurePa(); !math.IsNaN(p) {
			t.Errorf("%+v: %g", s, p)
		}
	}
}

// What cannot be done is said, and what is doubtful.
func TestJudge(t *testing.T) {
	tests := []struct {
		name             string
		change           func(*Job, []Step) []Step
		problem, warning string
	}{
		{"target thinner than the damage", func(j *Job, s []Step) []Step {
			j.TargetUM, j.FloorUM = 0.9, 0.5
			return s[:3]
		}, "damage of up to 1 um goes through the 0.9 um", ""},
		{"too little for the damage", func(j *Job, s []Step) []Step {
			s[1].StopUM = 10
			return s
		}, "removes 6.5 um, but finds damage that may be 9 um deep", ""},
		{"less than the margin", func(j *Job, s []Step) []Step {
			s[1].StopUM = 14
			return s
		}, "", "removes 10.5 um for damage of up to 9 um: less than the margin of 1.5"},
		{"damage as it comes", func(j *Job, s []Step) []Step {
			j.StartUM, j.StartDamageUM = 70, 20
			return s
		}, "removes 8 um, but finds damage that may be 20 um deep", ""},
		{"too thin to begin with", func(j *Job, s []Step) []Step {
			j.StartUM = 40
			return s
		}, "begins at 40 um and would stop at 62 um", ""},
		{"ends elsewhere", func(j *Job, s []Step) []Step {
			s[3].StopUM = 2.2
			return s
		}, "stops at 2.2 um, the target is 2 um", ""},
		{"nothing sees the end", func(j *Job, s []Step) []Step {
			j.Channels = j.Channels[:1]
			return s
		}, "no channel sees 2 um", ""},
		{"nothing sees the beginning", func(j *Job, s []Step) []Step {
			j.Channels[0].MaxUM = 100
			return s
		}, "", "no channel sees from 775 to 100 um"},
		{"a hole between the channels", func(j *Job, s []Step) []Step {
			j.Channels[0].MinUM = 12
			return s
		}, "", "no channel sees from 12 to 8 um"},
		{"nothing sees where a grind stops", func(j *Job, s []Step) []Step {
			j.Channels = j.Channels[1:]
			return s
		}, "", "no channel sees 62 um, where it stops"},
		{"too weak", func(j *Job, s []Step) []Step {
			j.ForceMinN, s[3].ForceN = 0.5, 0.2
			return s
		}, "0.2 N is less than the machine holds, 0.5 N", ""},
		{"too strong", func(j *Job, s []Step) []Step {
			j.ForceMaxN, s[0].ForceN = 20, 40
			return s
		}, "40 N is more than the machine holds, 20 N", ""},
		{"too fast to be watched", func(j *Job, s []Step) []Step {
			s[3].Rate = NewRate(30, 0.1, "")
			return s
		}, "less force or speed", ""},
		{"no floor", func(j *Job, s []Step) []Step {
			j.FloorUM = 0
			return s
		}, "", "no floor is set"},
		{"no finer", func(j *Job, s []Step) []Step {
			s[1].AbrasiveUM = 30
			return s
		}, "", "no finer than that of the step before"},
		{"small pad", func(j *Job, s []Step) []Step {
			j.DieMM2, s[3].PadMM = 28.274, 3
			return s
		}, "", "covers 25 % of the die: rate and time hold for a place under it, the whole die takes 4 times"},
		{"coarse to the end", func(j *Job, s []Step) []Step {
			j.TargetUM = 5
			return s[:3]
		}, "", "damage of up to 1 um stays in the 5 um"},
	}
	for _, tt := range tests {
		j := job()
		steps := tt.change(&j, Ladder())
		p, err := Make(j, steps)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		var problems, warnings []string
		for _, s := range p.Stages {
			problems, warnings = append(problems, s.Problems...), append(warnings, s.Warnings...)
		}
		if tt.problem == "" && len(problems) > 0 || !strings.Contains(strings.Join(problems, "\n"), tt.problem) {
			t.Errorf("%s: problems %q", tt.name, problems)
		}
		if !strings.Contains(strings.Join(warnings, "\n"), tt.warning) {
			t.Errorf("%s: warnings %q", tt.name, warnings)
		}
		if p.Feasible() != (tt.problem == "") {
			t.Errorf("%s: feasible %v", tt.name, p.Feasible())
		}
	}
}

// Steps for which the die is too thin as it comes are left out, the last never.
func TestFitting(t *testing.T) {
	for start, names := range map[float64]string{775: "", 62: "coarse grind", 50: "coarse grind", 17.1: "coarse grind", 5: "coarse grind fine grind", 2.1: "coarse grind fine grind fine polish", 1: "coarse grind fine grind fine polish"} {
		j := job()
		j.StartUM = start
		kept, dropped := j.Fitting(Ladder())
		var left []string
		for _, s := range dropped {
			left = append(left, s.Name)
		}
		if got := strings.Join(left, " "); got != names || len(kept)+len(dropped) != 4 {
			t.Errorf("%g um: left out %q, want %q", start, got, names)
		}
	}
}

func TestMakeRefuses(t *testing.T) {
	for name, change := range map[string]func(*Job){
		"start below target": func(j *Job) { j.StartUM = 1 },
		"no target":          func(j *Job) { j.TargetUM = 0 },
		"no start":           func(j *Job) { j.StartUM = math.NaN() },
		"margin below one":   func(j *Job) { j.Margin = 0.5 },
	} {
		j := job()
		change(&j)
		if _, err := Make(j, Ladder()); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, err := Make(job(), nil); err == nil {
		t.Error("no steps: accepted")
	}
}
