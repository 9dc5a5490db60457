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

// Worked by hand: P = F/(π/4·d²), so 1 N is 1/(π·1e-6) = 318.310 kPa under 2 mm,
// 4/(π·9e-6) = 141.471 kPa under 3 mm and 4/(π·25e-6) = 50.930 kPa under 5 mm.
func TestPressureByHand(t *testing.T) {
	for padMM, kPa := range map[float64]float64{2: 318.310, 3: 141.471, 5: 50.930} {
		within(t, "kPa of 1 N", Process{ForceN: 1, PadMM: padMM}.PressurePa()/1000, kPa, 5e-4)
	}
	// 100 kPa, a usual pressure, through 3 mm: 0.7069 N (100e3·π/4·9e-6).
	within(t, "100 kPa", Process{ForceN: 0.70686, PadMM: 3}.PressurePa(), 1e5, 5)
}

func TestAreaShare(t *testing.T) {
	within(t, "3 mm on 10 mm x 8 mm", AreaShare(3, 10, 8), 7.0685835/80, 1e-8)
	within(t, "larger than the die", AreaShare(20, 10, 8), 1, 0)
	for _, bad := range [][3]float64{{0, 10, 8}, {3, 0, 8}, {3, 10, -8}, {math.NaN(), 10, 8}, {3, math.NaN(), 8}} {
		if got := AreaShare(bad[0], bad[1], bad[2]); !math.IsNaN(got) {
			t.Errorf("AreaShare%v = %g, want NaN", bad, got)
		}
	}
	// A pad in even motion over a die much larger than itself, by the place in the middle:
	// share of positions at which the pad covers it.
	const side, pad, n = 10.0, 3.0, 400
	hits := 0
	for i := range n {
		for j := range n {
			x, y := side*(float64(i)+0.5)/n-side/2, side*(float64(j)+0.5)/n-side/2
			if x*x+y*y <= pad*pad/4 {
				hits++
			}
		}
	}
	within(t, "by counting", float64(hits)/(n*n), AreaShare(pad, side, side), 3e-4)
}
