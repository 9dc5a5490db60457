package plan

import (
	"fmt"
	"math"
)

// judge says what is wrong with a stage.
func (p *Plan) judge(job Job, i int) {
	s := &p.Stages[i]
	cannot := func(format string, args ...any) { s.Problems = append(s.Problems, fmt.Sprintf(format, args...)) }
	warn := func(format string, args ...any) { s.Warnings = append(s.Warnings, fmt.Sprintf(format, args...)) }
	last := i == len(p.Stages)-1

	switch remove := s.RemoveUM(); {
	case remove <= 0:
		cannot("it begins at %s um and would stop at %s um: leave it out, or begin thicker", um(s.FromUM), um(s.ToUM))
	case remove < s.NeedUM:
		cannot("it removes %s um, but finds damage that may be %s um deep: stop the step before %s um higher", um(remove), um(s.NeedUM), um(s.NeedUM-remove))
	case remove < job.Margin*s.NeedUM*(1-1e-9):
		warn("it removes %s um for damage of up to %s um: less than the margin of %g", um(remove), um(s.NeedUM), job.Margin)
	}
	switch most := s.Damage.MostUM; {
	case last && s.ToUM != job.TargetUM:
		cannot("it stops at %s um, the target is %s um", um(s.ToUM), um(job.TargetUM))
	case last && most >= s.ToUM:
		cannot("damage of up to %s um goes through the %s um that are left: end with a finer abrasive", um(most), um(s.ToUM))
	case last && most > thinDamage*s.ToUM:
		warn("damage of up to %s um stays in the %s um that are left", um(most), um(s.ToUM))
	}
	if i > 0 && s.AbrasiveUM >= p.Stages[i-1].AbrasiveUM {
		warn("its abrasive, %s um, is no finer than that of the step before, %s um", um(s.AbrasiveUM), um(p.Stages[i-1].AbrasiveUM))
	}
	switch {
	case job.ForceMinN > 0 && s.ForceN < job.ForceMinN:
		cannot("a force of %.3g N is less than the machine holds, %g N: a larger pad, or more pressure", s.ForceN, job.ForceMinN)
	case job.ForceMaxN > 0 && s.ForceN > job.ForceMaxN:
		cannot("a force of %.3g N is more than the machine holds, %g N: a smaller pad, or less pressure", s.ForceN, job.ForceMaxN)
	}
	if padMM2 := math.Pi / 4 * s.PadMM * s.PadMM; padMM2 < job.DieMM2 {
		warn("the pad covers %.0f %% of the die: rate and time hold for a place under it, the whole die takes %.3g times as long", 100*padMM2/job.DieMM2, job.DieMM2/padMM2)
	}
	p.look(job, i, cannot, warn)
}

// um prints a thickness with the digits that matter.
func um(v float64) string { return fmt.Sprintf("%.4g", v) }
