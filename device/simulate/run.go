package simulate

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"bluefringe/device/event"
	"bluefringe/optics/material"
)

// One stream of random numbers a purpose.
const (
	streamPattern = iota + 1
	streamNoise
	streamDrift
	streamRate
	streamSlurry
	streamDropout
)

// Run makes the record of one run and hands its events to emit, in the order of
// their times: run, set-up if any, dark, reference, then process, spectra, notes
// and truth, and end. At every time at which a spectrum is due there is one truth
// event a site, also when the spectrum drops out. What is emitted is the
// receiver's to keep. Run does not wait between events.
//
// It returns what is wrong with the configuration, emit's error, or ctx.Err().
func Run(ctx context.Context, cfg Config, emit func(event.Body) error) error {
	s, err := newSimulation(cfg)
	if err != nil {
		return fmt.Errorf("simulate: %w", err)
	}
	return s.run(ctx, emit)
}

// simulation is one run under way.
type simulation struct {
	cfg       Config
	scene     *scene
	detector  *detector
	polishing *polishing
	reference []float64 // reflectance of bare silicon in air
	slurry    []Episode
	dropouts  []Episode
	agenda    []Change // still to come, in the order of their times
	endS      float64
	lifting   bool
}

func newSimulation(cfg Config) (*simulation, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	stream := func(n uint64) *rand.Rand { return rand.New(rand.NewPCG(cfg.Seed, n)) }
	s := &simulation{
		cfg:       cfg,
		detector:  newDetector(cfg.Instrument, stream(streamPattern), stream(streamNoise), stream(streamDrift)),
		polishing: newPolishing(cfg, stream(streamRate)),
		slurry:    cfg.Faults.Slurry.schedule(stream(streamSlurry), cfg.Stop.DurationS),
		dropouts:  cfg.Faults.Dropout.schedule(stream(streamDropout), cfg.Stop.DurationS),
		endS:      milliseconds(cfg.Stop.DurationS),
	}
	thickest := 0.0
	for i, site := range cfg.Sites {
		thickest = math.Max(thickest, 1000*s.polishing.um[i]+ruleReach*site.SpreadNM)
	}
	var err error
	if s.scene, err = newScene(cfg.Die, s.detector.wavelengthNM, cfg.Instrument.ResolutionNM, thickest); err != nil {
		return nil, err
	}
	if s.reference, err = bareSilicon(s.detector.wavelengthNM, cfg.Die.TemperatureC); err != nil {
		return nil, err
	}

	s.agenda = slices.Clone(cfg.Removal.Changes)
	s.schedule(Change{TimeS: cfg.Removal.ContactS, Contact: new(true)})
	for _, e := range s.slurry {
		s.schedule(Change{TimeS: math.Max(e.StartS, calibrationEndS), Note: "slurry added"})
	}
	return s, nil
}

// bareSilicon is the reflectance of the reference: R = |(n0-N)/(n0+N)|², silicon
// by package material, which is how the readers of a record know it.
func bareSilicon(wavelengthNM []float64, temperatureC float64) ([]float64, error) {
	var index [2][]complex128
	for i, name := range []string{"Si", "air"} {
		m, err := material.Lookup(name)
		if err != nil {
			return nil, err
		}
		if index[i], err = m.Indices(wavelengthNM, temperatureC); err != nil {
			return nil, err
		}
	}
	r := make([]float64, len(wavelengthNM))
	for i := range r {
		r[i] = norm((index[1][i] - index[0][i]) / (index[1][i] + index[0][i]))
	}
	return r, nil
}

// schedule puts a change into the agenda, behind those of the same time.
func (s *simulation) schedule(c Change) {
	i := 0
	for i < len(s.agenda) && s.agenda[i].TimeS <= c.TimeS {
		i++
	}
	s.agenda = slices.Insert(s.agenda, i, c)
}

func (s *simulation) run(ctx context.Context, emit func(event.Body) error) error {
	for _, body := range s.opening() {
		if err := emit(body); err != nil {
			return err
		}
	}
	for i := 0; ; i++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		timeS := milliseconds(calibrationEndS + float64(i)/s.cfg.Instrument.SpectraPerS)
		if timeS > s.endS {
			break
		}
		if err := s.work(timeS, emit); err != nil {
			return err
		}
		if err := s.look(i, timeS, emit); err != nil {
			return err
		}
		s.watch(timeS)
	}
	if err := s.work(s.endS, emit); err != nil {
		return err
	}
	return emit(event.End{TimeS: s.endS})
}

// opening is what a record begins with.
func (s *simulation) opening() []event.Body {
	cfg, d := s.cfg, s.detector
	sites := map[string][2]float64{}
	for _, site := range cfg.Sites {
		sites[site.Name] = [2]float64{site.XMM, site.YMM}
	}
	list := []event.Body{event.Run{
		Format: event.Format, Job: cfg.Job, Started: cfg.Started, Sites: sites,
		Channels: map[string]event.Channel{cfg.Channel: {WavelengthNM: slices.Clone(d.wavelengthNM)}},
	}}
	if cfg.SetupTOML != "" {
		list = append(list, event.Setup{TOML: cfg.SetupTOML})
	}
	r := cfg.Removal
	return append(list,
		event.Dark{TimeS: 0, Channel: cfg.Channel, Counts: d.counts(nil, cfg.Instrument.Frames)},
		event.Reference{TimeS: 0.5, Channel: cfg.Channel, Material: "silicon", Counts: d.counts(s.reference, cfg.Instrument.Frames)},
		event.Process{TimeS: 0.5, Contact: new(false), ForceN: &r.ForceN, PadMM: &r.PadMM, SpeedMS: &r.SpeedMS},
	)
}

// work polishes up to a time, through everything on the agenda until then.
func (s *simulation) work(timeS float64, emit func(event.Body) error) error {
	for len(s.agenda) > 0 && milliseconds(s.agenda[0].TimeS) <= timeS {
		c := s.agenda[0]
		s.agenda = s.agenda[1:]
		c.TimeS = milliseconds(c.TimeS)
		s.polishing.advance(c.TimeS)
		s.polishing.change(c)
		if c.Note != "" {
			if err := emit(event.Note{TimeS: c.TimeS, Text: c.Note}); err != nil {
				return err
			}
		}
		if c.Contact != nil || c.ForceN != nil || c.PadMM != nil || c.SpeedMS != nil {
			if err := emit(event.Process{TimeS: c.TimeS, Contact: c.Contact, ForceN: c.ForceN, PadMM: c.PadMM, SpeedMS: c.SpeedMS}); err != nil {
				return err
			}
		}
	}
	s.polishing.advance(timeS)
	return nil
}

// look takes spectrum i, unless it drops out, and tells the truth.
func (s *simulation) look(i int, timeS float64, emit func(event.Body) error) error {
	at := i % len(s.cfg.Sites)
	s.detector.advance(timeS)
	if level(s.dropouts, timeS, 0, 0) == 0 {
		site := s.cfg.Sites[at]
		reflectance := make([]float64, len(s.detector.wavelengthNM))
		s.scene.reflectance(reflectance, 1000*s.polishing.um[at], site.SpreadNM, site.Coverage)
		slurry := s.cfg.Faults.Slurry
		slurry.veil(reflectance, s.detector.wavelengthNM, level(s.slurry, timeS, slurry.OnsetS, slurry.DecayS))
		counts := s.detector.counts(reflectance, 1)
		s.detector.spike(counts)
		if err := emit(event.Spectrum{TimeS: timeS, Channel: s.cfg.Channel, Site: site.Name, Counts: counts}); err != nil {
			return err
		}
	}
	for j, site := range s.cfg.Sites {
		um := math.Round(s.polishing.um[j]*1e6) / 1e6
		if err := emit(event.Truth{TimeS: timeS, Site: site.Name, ThicknessUM: um}); err != nil {
			return err
		}
	}
	return nil
}

// watch is the operator, who lifts the pad some time after the thinnest site has
// come down to the thickness to stop at. Nothing is done to the die after that.
func (s *simulation) watch(timeS float64) {
	stop := s.cfg.Stop
	if s.lifting || s.polishing.thinnestUM() > stop.ThicknessUM || stop.ThicknessUM == 0 {
		return
	}
	s.lifting = true
	liftS := timeS + stop.LiftAfterS
	s.agenda = slices.DeleteFunc(s.agenda, func(c Change) bool { return c.TimeS > liftS })
	s.schedule(Change{TimeS: liftS, Contact: new(false), Note: "pad lifted"})
	s.endS = math.Min(s.endS, milliseconds(liftS+stop.AfterLiftS))
}

func milliseconds(timeS float64) float64 { return math.Round(timeS*1000) / 1000 }
