package simulate

import (
	"errors"
	"fmt"
	"math"
	"time"

	"bluefringe/optics/material"
)

// Config is everything that a simulated run is made from.
type Config struct {
	Job       string    // what the record says it is; mark it as invented
	Started   time.Time // written into the record, and used nowhere else
	Seed      uint64
	Channel   string // name of the spectrometer in the record
	More      []Spectrometer
	SetupTOML string // set-up that the record carries; empty for none

	Sites      []Site // visited in turn, at least one
	Die        Die
	Removal    Removal
	Instrument Instrument
	Faults     Faults
	Stop       Stop
}

// Spectrometer is one more beside the first: it takes its spectra at the same moments and
// places, so that its SpectraPerS does not count.
type Spectrometer struct {
	Channel    string
	Instrument Instrument
}

// Site is one place on the die that the spot visits.
type Site struct {
	Name     string
	XMM, YMM float64 // from the middle of the die
	Dwell    float64 // removal here relative to Removal's rate; 0 means 1
	SpreadNM float64 // standard deviation of thickness inside the spot
	Coverage float64 // part of the spot that is metal, 0 to 1
}

// Die is what lies under the light. Its values are the truth, not the set-up.
type Die struct {
	ThicknessUM                float64 // silicon left in the middle of the die at the start
	TiltXUMPerMM, TiltYUMPerMM float64 // slope of the thickness
	BowUMPerMM2                float64 // thickness rises by this times the squared distance from the middle

	Under        []Layer // below the silicon, nearest first; the last has no end where there is no metal
	Reflector    string  // metal below the layers; empty for none
	Ambient      string  // what touches the silicon: a material, "air" or "water"
	TemperatureC float64
	RoughnessNM  float64 // root mean square height of the polished face

	Carriers material.Carriers // dope the silicon; zero for none
	// Silicon is the table of its index: "green" (M. A. Green 2008, the
	// estimator's) or "vuye" (G. Vuye et al. 1993 where that ellipsometry is
	// sound, joined to Green).
	Silicon string
}

// Layer is one film below the silicon.
type Layer struct {
	Material    string
	ThicknessNM float64
}

// Removal is the process: nominal rate, and how the true one departs from it.
type Removal struct {
	RateUMMin     float64 // nominal, at the force, pad and speed below
	ForceN        float64
	PadMM         float64 // pad diameter
	SpeedMS       float64
	PrestonFactor float64 // true Preston coefficient over the nominal one; 0 means 1
	ContactS      float64 // when the pad first touches the die; 1 or later
	BreakIn       float64 // part of the rate that is missing at first contact, 0 to 1
	BreakInS      float64 // time constant of its return, in time of contact
	GlazingS      float64 // time constant of exponential decay, in time of contact; 0 for none
	WanderSD      float64 // standard deviation of the log of the rate (Ornstein-Uhlenbeck)
	WanderS       float64 // its correlation time
	Changes       []Change
}

// Change is something that the operator or the machine alters during the run.
// Nil fields stay as they are. The rate follows Preston: pressure times speed.
type Change struct {
	TimeS   float64 // not before first contact, nor before the change in front of it
	Contact *bool
	ForceN  *float64
	PadMM   *float64
	SpeedMS *float64
	Note    string // emitted with it; empty for none
	Wipe    bool   // slurry that is on the view goes away
	Refer   bool   // dark and reference are taken anew
}

// Instrument is lamp, spectrometer and detector.
type Instrument struct {
	Pixels       int
	FromNM, ToNM float64 // wavelength of the first and the last pixel; those between are evenly spaced
	ResolutionNM float64 // full width at half maximum of the Gaussian line, pixel width included
	SpectraPerS  float64 // all sites together
	LampK        float64 // colour temperature: the lamp is a black body seen by a silicon detector
	LampCounts   float64 // counts above dark of the brightest pixel at a reflectance of 1
	DarkCounts   float64 // level without light; pixels differ by about 2 %
	ReadCounts   float64 // standard deviation of the read noise
	ElectronsPer float64 // electrons per count, for the shot noise; 0 for no shot noise
	Frames       int     // frames averaged in dark and reference; 0 means 1
	ScaleDriftSD float64 // standard deviation of the log of lamp and coupling since the reference
	SlopeDriftSD float64 // same for the slope, from the middle to an end of the spectrum
	DriftS       float64 // correlation time of both
	SpikesPerMin float64 // single-pixel spikes
	SpikeCounts  float64 // the highest of them

	// What becomes of the light after the first reference, evenly from AgeFromS on during
	// AgeOverS; both 0: at once.
	AgedLampK          float64 // colour temperature; 0: as before
	FilmDepth          float64 // a film on the window passes from 1 down to 1-FilmDepth of the light, in fringes
	FilmOpticalNM      float64 // its optical thickness
	AgeFromS, AgeOverS float64
}

// Faults hide the die for a while.
type Faults struct {
	Slurry  Slurry
	Dropout Fault // no spectra at all
}

// Fault comes at given times, at given thicknesses, at random, or all of these.
type Fault struct {
	At     []Episode
	Below  []Onset
	PerMin float64 // random ones: mean number a minute
	MeanS  float64 // and mean duration (exponential)
}

// Episode is one fault from its start to the beginning of its decay.
type Episode struct{ StartS, DurationS float64 }

// Onset is one fault that begins when the thinnest site is down to a thickness.
type Onset struct{ ThicknessUM, DurationS float64 }

// Slurry on the view takes light away and scatters the rest, which fades the
// fringes. It comes and goes smoothly.
type Slurry struct {
	Fault
	Attenuation    float64 // part of the light lost at its worst
	Haze           float64 // part of what is left that is scattered without fringes
	OnsetS, DecayS float64
}

// Stop says when the record ends.
type Stop struct {
	DurationS   float64 // at the latest
	ThicknessUM float64 // when the thinnest site is down to this, the operator begins to react; 0 for never
	LiftAfterS  float64 // from then to the pad off the die
	AfterLiftS  float64 // from then to the end of the record
}

// Default returns an ordinary run of an invented die: three sites, 5 µm down to
// 2 µm, a rate that drifts, and now and then slurry on the view or a dropout.
func Default() Config {
	return Config{
		Job:     "invented: practice die",
		Started: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
		Seed:    1,
		Channel: "vis",
		Sites: []Site{
			{Name: "c", SpreadNM: 8, Coverage: 0.6},
			{Name: "ne", XMM: 2.5, YMM: 2.5, SpreadNM: 12, Coverage: 0.45},
			{Name: "sw", XMM: -2.5, YMM: -2.5, SpreadNM: 10, Coverage: 0.7},
		},
		Die: Die{
			ThicknessUM: 5, TiltXUMPerMM: 0.012, TiltYUMPerMM: -0.004, BowUMPerMM2: 0.003,
			Under:     []Layer{{Material: "SiO2", ThicknessNM: 815}},
			Reflector: "Al", Ambient: "air", TemperatureC: 25, RoughnessNM: 1.5, Silicon: "vuye",
		},
		Removal: Removal{
			RateUMMin: 0.713, ForceN: 1.4, PadMM: 3, SpeedMS: 0.25, PrestonFactor: 1.1, ContactS: 4,
			BreakIn: 0.25, BreakInS: 8, GlazingS: 1500, WanderSD: 0.05, WanderS: 40,
		},
		Instrument: Instrument{
			Pixels: 512, FromNM: 400, ToNM: 1000, ResolutionNM: 1.5, SpectraPerS: 2,
			LampK: 3200, LampCounts: 72000, DarkCounts: 1100, ReadCounts: 12, ElectronsPer: 2, Frames: 32,
			ScaleDriftSD: 0.015, SlopeDriftSD: 0.008, DriftS: 120,
			SpikesPerMin: 1, SpikeCounts: 8000,
		},
		Faults: Faults{
			Slurry: Slurry{
				Fault:       Fault{PerMin: 0.6, MeanS: 4},
				Attenuation: 0.4, Haze: 0.8, OnsetS: 0.8, DecayS: 2,
			},
			Dropout: Fault{PerMin: 0.3, MeanS: 3},
		},
		Stop: Stop{DurationS: 600, ThicknessUM: 2, LiftAfterS: 2, AfterLiftS: 4},
	}
}

// maxPixels bounds the size of a spectrum, maxHours the length of a run.
const (
	maxPixels = 16384
	maxHours  = 24
)

// tiny and large are the ends of a range that has none of its own; tiny shuts
// out 0.
const (
	tiny  = math.SmallestNonzeroFloat64
	large = 1e9
)

// calibrationEndS is when dark and reference are done: the first spectrum and
// the first contact come then or later.
const calibrationEndS = 1.0

// check returns what is wrong with the configuration, all of it.
func (c Config) check() error {
	var faults faultList
	within := faults.within

	if c.Channel == "" {
		faults = append(faults, errors.New("the channel has no name"))
	}
	if len(c.Sites) == 0 {
		faults = append(faults, errors.New("there are no sites: one or more is allowed"))
	}
	names := map[string]bool{}
	for _, s := range c.Sites {
		if s.Name == "" || names[s.Name] {
			faults = append(faults, fmt.Errorf("site name %q is empty or there twice", s.Name))
		}
		names[s.Name] = true
		within("dwell of site "+s.Name, s.Dwell, 0, 100)
		within("spread of site "+s.Name+" in nm", s.SpreadNM, 0, 1000)
		within("coverage of site "+s.Name, s.Coverage, 0, 1)
		if s.Coverage > 0 && c.Die.Reflector == "" {
			faults = append(faults, fmt.Errorf("site %s has metal in %g of the spot, but the die names no reflector", s.Name, s.Coverage))
		}
		within("start thickness of site "+s.Name+" in µm", c.Die.startUM(s), tiny, 2000)
	}
	within("temperature in °C", c.Die.TemperatureC, -50, 150)
	within("roughness in nm", c.Die.RoughnessNM, 0, 1000)
	for i, l := range c.Die.Under {
		within(fmt.Sprintf("thickness of layer %d in nm", i+1), l.ThicknessNM, 0, 1e6)
	}

	r := c.Removal
	within("rate in µm/min", r.RateUMMin, 0, 1e4)
	within("force in N", r.ForceN, tiny, 1e5)
	within("pad in mm", r.PadMM, tiny, 1e4)
	within("speed in m/s", r.SpeedMS, tiny, 1e3)
	within("Preston factor", r.PrestonFactor, 0, 100)
	within("first contact in s", r.ContactS, calibrationEndS, large)
	within("break-in", r.BreakIn, 0, 1)
	within("break-in time in s", r.BreakInS, 0, large)
	within("glazing time in s", r.GlazingS, 0, large)
	within("wander of the rate", r.WanderSD, 0, 2)
	if r.WanderSD > 0 {
		within("correlation time of the rate in s", r.WanderS, tiny, large)
	}
	last := r.ContactS
	for i, change := range r.Changes {
		what := fmt.Sprintf("change %d: ", i+1)
		within(what+"time in s", change.TimeS, last, large)
		last = change.TimeS
		faults = append(faults, change.check(what)...)
	}

	names = map[string]bool{c.Channel: true}
	for _, more := range c.More {
		if more.Channel == "" || names[more.Channel] {
			faults = append(faults, fmt.Errorf("channel name %q is empty or there twice", more.Channel))
		}
		names[more.Channel] = true
		in := more.Instrument
		in.SpectraPerS = c.Instrument.SpectraPerS
		faults = append(faults, in.check("channel "+more.Channel+": ")...)
	}
	faults = append(faults, c.Instrument.check("")...)

	s := c.Faults.Slurry
	within("attenuation by slurry", s.Attenuation, 0, 1)
	within("haze of slurry", s.Haze, 0, 1)
	within("onset of slurry in s", s.OnsetS, 0, large)
	within("decay of slurry in s", s.DecayS, 0, large)
	for _, f := range []struct {
		name string
		Fault
	}{{"slurry", s.Fault}, {"dropouts", c.Faults.Dropout}} {
		within(f.name+" per minute", f.PerMin, 0, 1000)
		within("duration of "+f.name+" in s", f.MeanS, 0, large)
		for _, e := range f.At {
			within("start of "+f.name+" in s", e.StartS, 0, large)
			within("duration of "+f.name+" in s", e.DurationS, 0, large)
		}
		for _, o := range f.Below {
			within("thickness at the start of "+f.name+" in µm", o.ThicknessUM, tiny, 2000)
			within("duration of "+f.name+" in s", o.DurationS, 0, large)
		}
	}

	within("duration in s", c.Stop.DurationS, calibrationEndS, maxHours*3600)
	within("thickness to stop at in µm", c.Stop.ThicknessUM, 0, 2000)
	within("time to lift in s", c.Stop.LiftAfterS, 0, large)
	within("time after the lift in s", c.Stop.AfterLiftS, 0, large)
	return errors.Join(faults...)
}

// within reports a value outside its range in a list of faults.
func (l *faultList) within(what string, value, min, max float64) {
	switch {
	case value >= min && value <= max:
	case min == tiny:
		*l = append(*l, fmt.Errorf("%s is %g: more than 0 and up to %g is allowed", what, value, max))
	default:
		*l = append(*l, fmt.Errorf("%s is %g: %g to %g is allowed", what, value, min, max))
	}
}

type faultList []error

// check returns what is wrong with the values of a change.
func (c Change) check(what string) faultList {
	var faults faultList
	for _, part := range []struct {
		name  string
		value *float64
	}{{"force in N", c.ForceN}, {"pad in mm", c.PadMM}, {"speed in m/s", c.SpeedMS}} {
		if part.value != nil {
			faults.within(what+part.name, *part.value, tiny, 1e5)
		}
	}
	return faults
}

// check returns what is wrong with an instrument.
func (in Instrument) check(what string) faultList {
	var faults faultList
	within := func(name string, value, min, max float64) { faults.within(what+name, value, min, max) }
	within("pixels", float64(in.Pixels), 2, maxPixels)
	within("first wavelength in nm", in.FromNM, 100, large)
	// Wavelengths are written to 0.001 nm.
	within("last wavelength in nm", in.ToNM, in.FromNM+0.01*float64(in.Pixels-1), large)
	within("resolution in nm", in.ResolutionNM, 0, 100)
	within("spectra per second", in.SpectraPerS, 1e-3, 1000)
	within("colour temperature in K", in.LampK, 1000, 20000)
	within("lamp counts", in.LampCounts, 1, large)
	within("dark counts", in.DarkCounts, 0, fullScale)
	within("read noise in counts", in.ReadCounts, 0, fullScale)
	within("electrons per count", in.ElectronsPer, 0, large)
	within("frames", float64(in.Frames), 0, large)
	within("drift of the scale", in.ScaleDriftSD, 0, 1)
	within("drift of the slope", in.SlopeDriftSD, 0, 1)
	if in.ScaleDriftSD > 0 || in.SlopeDriftSD > 0 {
		within("correlation time of the drift in s", in.DriftS, tiny, large)
	}
	within("spikes per minute", in.SpikesPerMin, 0, large)
	within("spike counts", in.SpikeCounts, 0, large)
	if in.AgedLampK != 0 {
		within("colour temperature of the aged lamp in K", in.AgedLampK, 1000, 20000)
	}
	within("depth of the film's fringes", in.FilmDepth, 0, 1)
	within("optical thickness of the film in nm", in.FilmOpticalNM, 0, 1e6)
	within("begin of the change of the light in s", in.AgeFromS, 0, large)
	within("duration of the change of the light in s", in.AgeOverS, 0, large)
	return faults
}

// startUM is the thickness of a site at the start.
func (d Die) startUM(s Site) float64 {
	return d.ThicknessUM + d.TiltXUMPerMM*s.XMM + d.TiltYUMPerMM*s.YMM + d.BowUMPerMM2*(s.XMM*s.XMM+s.YMM*s.YMM)
}
