package removal

import (
	"math"
	"testing"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %.9g within %g", what, got, want, tolerance)
	}
}

// Preston 1927: unit checks worked out from rate = Kp·P·v with 1 psi =
// 6894.757293 Pa (NIST SP 811, appendix B).
func TestPrestonUnits(t *testing.T) {
	const psi = 6894.757293168
	within(t, "1e-13 1/Pa, 3 psi, 1 m/s in nm/min", 1000*PrestonRateUMMin(1e-13, 3*psi, 1), 124.106, 5e-4)
	within(t, "1e-13 1/Pa, 5 psi, 0.5 m/s in nm/min", 1000*PrestonRateUMMin(1e-13, 5*psi, 0.5), 103.421, 5e-4)
	within(t, "10 N on 10 mm x 10 mm in psi", 10/(0.01*0.01)/psi, 14.504, 5e-4)
	// The same 100 kPa through a round pad of 1 cm² area.
	p := Process{PrestonPerPa: 1e-13, ForceN: 10, PadMM: 20 / math.Sqrt(math.Pi), SpeedMS: 0.5}
	within(t, "pressure of 10 N on 1 cm²", p.PressurePa(), 1e5, 1e-6)
	within(t, "its rate", p.RateUMMin(), 1e-13*1e5*0.5*6e7, 1e-12)
}

func TestSamePressureNeedsForceWithPadArea(t *testing.T) {
	small := Process{PrestonPerPa: 2.4e-13, ForceN: 1, PadMM: 2, SpeedMS: 0.25}
	large := small
	large.PadMM, large.ForceN = 5, 6.25
	within(t, "pressure ratio", large.PressurePa()/small.PressurePa(), 1, 1e-12)
	within(t, "rate ratio", large.RateUMMin()/small.RateUMMin(), 1, 1e-12)
	within(t, "spring 0.7 N/mm by 2 mm", SpringForceN(0.7, 2), 1.4, 1e-12)
}

func TestPrestonUnknown(t *testing.T) {
	good := Process{PrestonPerPa: 2.4e-13, ForceN: 1.4, PadMM: 3, SpeedMS: 0.25}
	for name, spoil := range map[string]func(*Process){
		"no pad":         func(p *Process) { p.PadMM = 0 },
		"negative pad":   func(p *Process) { p.PadMM = -3 },
		"NaN force":      func(p *Process) { p.ForceN = math.NaN() },
		"negative force": func(p *Process) { p.ForceN = -1 },
		"infinite speed": func(p *Process) { p.SpeedMS = math.Inf(1) },
	} {
		p := good
		spoil(&p)
		if rate := p.RateUMMin(); !math.IsNaN(rate) {
			t.Errorf("%s: rate %g, want NaN", name, rate)
		}
	}
	good.SpeedMS = 0
	within(t, "rate at rest", good.RateUMMin(), 0, 0)
}
