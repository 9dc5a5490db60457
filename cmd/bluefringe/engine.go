package main

import (
	"math"

	"bluefringe/device/calibrate"
	"bluefringe/device/setup"
	"bluefringe/optics/die"
	"bluefringe/optics/surface"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// dieSetup is the optical part of a set-up.
func dieSetup(s setup.Setup) die.Setup {
	d := die.Setup{
		Ambient: s.Optics.Ambient, TemperatureC: s.Optics.TemperatureC, Library: s.Optics.Library,
		Carriers: s.Optics.Doping.Carriers(),
	}
	for _, layer := range s.Optics.Under {
		d.Under = append(d.Under, die.Layer(layer))
	}
	if r := s.Optics.Reflector; r != nil {
		d.Reflector, d.CoverageMin, d.CoverageMax = r.Material, r.Coverage[0], r.Coverage[1]
	}
	return d
}

// process is the removal part of a set-up; a value that is not set is NaN.
func process(s setup.Setup) removal.Process {
	known := func(v float64) float64 {
		if v > 0 {
			return v
		}
		return math.NaN()
	}
	forceN, _ := s.Process.Force()
	return removal.Process{PrestonPerPa: known(s.Process.PrestonPerPa), ForceN: known(forceN),
		PadMM: known(s.Process.PadMM), SpeedMS: known(s.Process.SpeedMS)}
}

// ageing is what a set-up knows of its pad.
func ageing(s setup.Setup) removal.Ageing {
	return removal.Ageing{BreakInS: s.Process.BreakInS, GlazingS: s.Process.GlazingS}
}

// newEngine builds the engine for a set-up, the channels known so far and the places of
// sites in mm.
func newEngine(s setup.Setup, c *calibrate.Calibrator, sites map[string][2]float64, cold bool) (*guide.Engine, error) {
	config := guide.Config{
		Die:          dieSetup(s),
		Cold:         cold,
		WavelengthNM: c.WavelengthsNM,
		Instruments:  map[string]guide.Instrument{},
		Process:      process(s),
		PrestonRelSD: s.Process.PrestonRelSD,
		Ageing:       ageing(s),
		PositionMM: func(site string) (xMM, yMM float64, ok bool) {
			at, ok := sites[site]
			return at[0], at[1], ok
		},
		Outline: surface.Outline{MinXMM: -s.Die.WidthMM / 2, MaxXMM: s.Die.WidthMM / 2, MinYMM: -s.Die.HeightMM / 2, MaxYMM: s.Die.HeightMM / 2},
		Advice: advice.Config{
			TargetUM: s.Target.ThicknessUM, FloorUM: s.Target.FloorUM,
			ReactionS: s.Stop.ReactionS, RiskFloor: s.Stop.RiskFloor, PrepareS: s.Stop.PrepareS,
			WindowUM: s.Target.WindowUM, RiskStretch: s.Stop.RiskStretch,
		},
	}
	for name, i := range s.Instrument {
		config.Instruments[name] = guide.Instrument{ResolutionNM: i.ResolutionNM, NA: i.NA}
	}
	for _, r := range s.Rule {
		level, err := advice.ParseLevel(r.Advice)
		if err != nil {
			return nil, err
		}
		config.Advice.Rules = append(config.Advice.Rules, advice.Rule{Name: r.Name, When: r.When, ForS: r.ForS, Advice: level})
	}
	return guide.New(config)
}
