package simulate

import "time"

// DemoSetup is the set-up that goes with Demo, as TOML.
func DemoSetup() string {
	return `# Invented demonstration: no such chip, lot or maker exists.

[target]
thickness_um = 2.0
floor_um = 1.5            # no place may ever be thinner

[optics]
ambient = "air"
temperature_c = 25
[[optics.under]]          # layers below the silicon, nearest first
material = "SiO2"
thickness_nm = 800
tolerance_nm = 80
[optics.reflector]        # the first metal below them
material = "Al"
coverage = [0.2, 0.9]     # fraction of the spot that is metal

[process]
pad_mm = 3
force_n = 1.4
speed_m_s = 0.25
preston_per_pa = 2.4e-13
preston_rel_sd = 0.3

[stop]
reaction_s = 2.0
risk_floor = 1e-3
`
}

// Demo returns the demonstration: an invented die thinned from 3.1 µm to a target
// of 2.0 µm at three sites, with a new pad that breaks in and glazes, slurry on
// the view in the middle, a dropout, and an operator who lifts late.
func Demo() Config {
	return Config{
		Job:       "invented demo: die of the tide-clock chip, lot A",
		Started:   time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
		Seed:      20260302,
		Channel:   "vis",
		SetupTOML: DemoSetup(),
		Sites: []Site{
			{Name: "c", SpreadNM: 9, Coverage: 0.55},
			{Name: "ne", XMM: 2.5, YMM: 2.5, SpreadNM: 14, Coverage: 0.4},
			{Name: "sw", XMM: -2.5, YMM: -2, SpreadNM: 11, Coverage: 0.7},
		},
		Die: Die{
			ThicknessUM: 3.1, TiltXUMPerMM: 0.014, TiltYUMPerMM: 0.006, BowUMPerMM2: 0.0015,
			Under:     []Layer{{Material: "SiO2", ThicknessNM: 824}},
			Reflector: "Al", Ambient: "air", TemperatureC: 25, RoughnessNM: 1.5, Silicon: "vuye",
		},
		Removal: Removal{
			// 2.4e-13 1/Pa times 1.4 N on a disc of 3 mm times 0.25 m/s.
			RateUMMin: 0.713, ForceN: 1.4, PadMM: 3, SpeedMS: 0.25,
			PrestonFactor: 1.14, ContactS: 4,
			BreakIn: 0.3, BreakInS: 6, GlazingS: 700, WanderSD: 0.03, WanderS: 30,
		},
		Instrument: Instrument{
			Pixels: 320, FromNM: 420, ToNM: 950, ResolutionNM: 1.8, SpectraPerS: 3,
			LampK: 3200, LampCounts: 72000, DarkCounts: 1100, ReadCounts: 12, ElectronsPer: 2, Frames: 32,
			ScaleDriftSD: 0.015, SlopeDriftSD: 0.008, DriftS: 120,
			SpikesPerMin: 1, SpikeCounts: 8000,
		},
		Faults: Faults{
			Slurry: Slurry{
				Fault:       Fault{At: []Episode{{StartS: 42, DurationS: 4}}},
				Attenuation: 0.45, Haze: 0.95, OnsetS: 0.8, DecayS: 2,
			},
			Dropout: Fault{At: []Episode{{StartS: 62, DurationS: 4}}},
		},
		Stop: Stop{DurationS: 180, ThicknessUM: 2.0, LiftAfterS: 6, AfterLiftS: 5},
	}
}
