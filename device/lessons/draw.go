package lessons

import (
	"math"
	"math/rand/v2"
	"time"

	"bluefringe/device/simulate"
	"bluefringe/removal"
)

// Truth is one die of a lesson.
type Truth struct {
	Config simulate.Config // of the machine; nobody lifts in it

	placeUM float64 // thinnest place of the die less its middle
	sitesUM float64 // thinnest site less the middle
}

// streamDraw is apart from the simulator's own streams of the same seed.
const streamDraw = 1000

// Draw makes the die of a seed, and the blind spells of that assistance.
func (l Lesson) Draw(seed uint64, assistance string) Truth {
	rng := rand.New(rand.NewPCG(seed, streamDraw))
	from := func(r Range) float64 { return r[0] + (r[1]-r[0])*rng.Float64() }

	o := l.Parsed.Optics
	die := simulate.Die{
		ThicknessUM: from(l.Die.StartUM), BowUMPerMM2: l.Die.BowUMPerMM2,
		Ambient: o.Ambient, TemperatureC: o.TemperatureC, RoughnessNM: l.Die.RoughnessNM, Silicon: "vuye",
		Carriers: o.Doping.Carriers(),
	}
	for _, layer := range o.Under {
		die.Under = append(die.Under, simulate.Layer{Material: layer.Material, ThicknessNM: layer.ThicknessNM})
	}
	die.Under[0].ThicknessNM = math.Max(0, die.Under[0].ThicknessNM+from(l.Die.UnderNM))
	tilt, corner := from(l.Die.TiltUMPerMM), rng.IntN(4)
	// The slope runs down to a corner, not quite along the diagonal.
	angle := math.Pi/4 + math.Pi/2*float64(corner) + 0.4*(rng.Float64()-0.5)
	die.TiltXUMPerMM, die.TiltYUMPerMM = -tilt*math.Cos(angle), -tilt*math.Sin(angle)
	if o.Reflector != nil {
		die.Reflector = o.Reflector.Material
	}

	cfg := simulate.Config{
		Job: "invented lesson: " + l.Title, Started: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), Seed: seed,
		Channel: "vis", SetupTOML: l.Setup, Die: die,
		Removal: simulate.Removal{
			RateUMMin: l.NominalUMMin(), PadMM: l.Parsed.Process.PadMM, SpeedMS: l.Parsed.Process.SpeedMS,
			PrestonFactor: from(l.Rate.PrestonFactor), ContactS: l.ContactS,
			BreakIn: l.Rate.BreakIn, BreakInS: l.Rate.BreakInS, GlazingS: from(l.Rate.GlazingS),
			WanderSD: l.Rate.WanderSD, WanderS: 40,
		},
		Instrument: l.Vis.instrument(),
		Stop:       simulate.Stop{DurationS: l.LongestS},
	}
	cfg.Removal.ForceN, _ = l.Parsed.Process.Force()
	if l.NIR.Pixels > 0 {
		cfg.More = []simulate.Spectrometer{{Channel: "nir", Instrument: l.NIR.instrument()}}
	}
	for _, s := range l.Site {
		site := simulate.Site{Name: s.Name, XMM: s.XMM, YMM: s.YMM, SpreadNM: l.Die.SpreadNM}
		if die.Reflector != "" {
			site.Coverage = from(l.Die.Coverage)
		}
		cfg.Sites = append(cfg.Sites, site)
	}
	cfg.Faults.Slurry = simulate.Slurry{Attenuation: 0.45, Haze: 0.95, OnsetS: 0.8, DecayS: 1.5}
	for _, v := range l.Slurry {
		cfg.Faults.Slurry.Below = append(cfg.Faults.Slurry.Below, simulate.Onset{ThicknessUM: from(v.AtUM), DurationS: v.DurationS})
	}
	for _, v := range l.Lost {
		cfg.Faults.Dropout.Below = append(cfg.Faults.Dropout.Below, simulate.Onset{ThicknessUM: from(v.AtUM), DurationS: v.DurationS})
	}
	if assistance == Blind {
		cfg.Faults.Dropout.PerMin, cfg.Faults.Dropout.MeanS = 2, 6
	}

	t := Truth{Config: cfg, sitesUM: math.Inf(1)}
	t.placeUM = lowest(die.TiltXUMPerMM, die.BowUMPerMM2, l.Parsed.Die.WidthMM/2) + lowest(die.TiltYUMPerMM, die.BowUMPerMM2, l.Parsed.Die.HeightMM/2)
	for _, s := range l.Site {
		t.sitesUM = math.Min(t.sitesUM, die.TiltXUMPerMM*s.XMM+die.TiltYUMPerMM*s.YMM+die.BowUMPerMM2*(s.XMM*s.XMM+s.YMM*s.YMM))
	}
	return t
}

// ThinnestUM is the thinnest place of the die, on a site or not, for the thickness of its
// thinnest site: the pad takes the same everywhere.
func (t Truth) ThinnestUM(thinnestSiteUM float64) float64 {
	return thinnestSiteUM + math.Min(0, t.placeUM-t.sitesUM)
}

// lowest is the smallest value of slope·x + bow·x² for |x| up to half.
func lowest(slope, bow, half float64) float64 {
	low := bow*half*half - math.Abs(slope)*half
	if x := -slope / (2 * bow); bow > 0 && math.Abs(x) < half {
		low = slope*x + bow*x*x
	}
	return low
}

// NominalUMMin is the removal rate that the set-up lets expect.
func (l Lesson) NominalUMMin() float64 {
	p := l.Parsed.Process
	forceN, _ := p.Force()
	return removal.Process{PrestonPerPa: p.PrestonPerPa, ForceN: forceN, PadMM: p.PadMM, SpeedMS: p.SpeedMS}.RateUMMin()
}

// instrument is an ordinary spectrometer of the invented lab.
func (e Eye) instrument() simulate.Instrument {
	return simulate.Instrument{
		Pixels: e.Pixels, FromNM: e.FromNM, ToNM: e.ToNM, ResolutionNM: e.ResolutionNM, SpectraPerS: e.PerS,
		LampK: 3200, LampCounts: e.LampCounts, DarkCounts: 1100, ReadCounts: 12, ElectronsPer: 2, Frames: 32,
		ScaleDriftSD: 0.01, SlopeDriftSD: 0.005, DriftS: 120,
		AgedLampK: e.AgedLampK, FilmDepth: e.FilmDepth, FilmOpticalNM: e.FilmNM, AgeFromS: e.AgeFromS, AgeOverS: e.AgeOverS,
	}
}
