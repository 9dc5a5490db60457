package simulate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"bluefringe/device/event"
)

// Machine is a run under way, driven step by step: Opening first, then Next until there
// is no more. In between, Do puts what an operator does on its agenda. What is done at
// the same times gives the same events, number for number.
type Machine struct {
	cfg       Config
	eyes      []*eye
	polishing *polishing
	slurry    []Episode
	dropouts  []Episode
	onsets    []onset  // still to come
	agenda    []Change // still to come, in the order of their times
	looks     int      // spectra that were due so far
	doneS     float64  // newest time that was worked through
	endS      float64
	lifting   bool
	ended     bool
}

// New makes the run of a configuration up to its beginning. It returns what is wrong
// with the configuration.
func New(cfg Config) (*Machine, error) {
	m, err := newMachine(cfg)
	if err != nil {
		return nil, fmt.Errorf("simulate: %w", err)
	}
	return m, nil
}

func newMachine(cfg Config) (*Machine, error) {
	if err := cfg.check(); err != nil {
		return nil, err
	}
	stream := func(n uint64) *rand.Rand { return rand.New(rand.NewPCG(cfg.Seed, n)) }
	m := &Machine{
		cfg:       cfg,
		polishing: newPolishing(cfg, stream(streamRate)),
		slurry:    cfg.Faults.Slurry.schedule(stream(streamSlurry), cfg.Stop.DurationS),
		dropouts:  cfg.Faults.Dropout.schedule(stream(streamDropout), cfg.Stop.DurationS),
		endS:      milliseconds(cfg.Stop.DurationS),
	}
	for _, o := range cfg.Faults.Slurry.Below {
		m.onsets = append(m.onsets, onset{o, &m.slurry})
	}
	for _, o := range cfg.Faults.Dropout.Below {
		m.onsets = append(m.onsets, onset{o, &m.dropouts})
	}
	thickest := 0.0
	for i, site := range cfg.Sites {
		thickest = math.Max(thickest, 1000*m.polishing.um[i]+ruleReach*site.SpreadNM)
	}
	var err error
	if m.eyes, err = newEyes(cfg, thickest, stream); err != nil {
		return nil, err
	}

	m.agenda = slices.Clone(cfg.Removal.Changes)
	m.schedule(Change{TimeS: cfg.Removal.ContactS, Contact: new(true)})
	for _, e := range m.slurry {
		m.schedule(Change{TimeS: math.Max(e.StartS, calibrationEndS), Note: "slurry added"})
	}
	return m, nil
}

// Opening is what a record begins with. It is called once, before Next.
func (m *Machine) Opening() []event.Body {
	cfg := m.cfg
	sites := map[string][2]float64{}
	for _, site := range cfg.Sites {
		sites[site.Name] = [2]float64{site.XMM, site.YMM}
	}
	run := event.Run{Format: event.Format, Job: cfg.Job, Started: cfg.Started, Sites: sites, Channels: map[string]event.Channel{}}
	for _, e := range m.eyes {
		run.Channels[e.channel] = event.Channel{WavelengthNM: slices.Clone(e.detector.wavelengthNM)}
	}
	list := []event.Body{run}
	if cfg.SetupTOML != "" {
		list = append(list, event.Setup{TOML: cfg.SetupTOML})
	}
	for _, e := range m.eyes {
		list = append(list, e.calibration(0, 0.5)...)
		e.detector.age()
	}
	r := cfg.Removal
	return append(list, event.Process{TimeS: 0.5, Contact: new(false), ForceN: &r.ForceN, PadMM: &r.PadMM, SpeedMS: &r.SpeedMS})
}

// NextS is the time up to which Next will go.
func (m *Machine) NextS() float64 { return math.Min(m.dueS(), m.endS) }

// dueS is when the next spectrum is due.
func (m *Machine) dueS() float64 {
	return milliseconds(calibrationEndS + float64(m.looks)/m.cfg.Instrument.SpectraPerS)
}

// Next goes on to the next time at which a spectrum is due, or to the end, and hands
// what happened to emit. more is false after the end, and with an error.
func (m *Machine) Next(emit func(event.Body) error) (more bool, err error) {
	timeS := m.dueS()
	switch {
	case m.ended:
		return false, nil
	case timeS > m.endS:
		m.ended = true
		if err := m.work(m.endS, emit); err != nil {
			return false, err
		}
		return false, emit(event.End{TimeS: m.endS})
	}
	if err := m.work(timeS, emit); err != nil {
		return false, err
	}
	m.begin(timeS)
	if err := m.look(m.looks, timeS, emit); err != nil {
		return false, err
	}
	m.looks++
	m.watch(timeS)
	return true, nil
}

// ErrPast marks a change that comes too late: the run is already beyond its time.
var ErrPast = errors.New("the run is beyond that time")

// Do puts what an operator does on the agenda, behind what is there for the same time.
// The time must lie after the last spectrum that was due.
func (m *Machine) Do(c Change) error {
	if !(c.TimeS > m.doneS) {
		return fmt.Errorf("simulate: change at %g s: %w (%g s)", c.TimeS, ErrPast, m.doneS)
	}
	if err := errors.Join(c.check("")...); err != nil {
		return fmt.Errorf("simulate: change at %g s: %w", c.TimeS, err)
	}
	m.schedule(c)
	return nil
}

// Finish ends the run at a time, unless it ends before. Changes after it do not happen.
func (m *Machine) Finish(timeS float64) {
	m.endS = math.Min(m.endS, milliseconds(math.Max(timeS, m.doneS)))
}

// ThicknessUM is the true thickness of every site, in the order of the configuration, at
// the newest time.
func (m *Machine) ThicknessUM() []float64 { return slices.Clone(m.polishing.um) }

// RateUMMin is the true removal rate at a dwell of 1 at the newest time, as it is or
// would be with the pad on the die.
func (m *Machine) RateUMMin() float64 { return 60 * m.polishing.fullUMS() }

// schedule puts a change into the agenda, behind those of the same time.
func (m *Machine) schedule(c Change) {
	i := 0
	for i < len(m.agenda) && m.agenda[i].TimeS <= c.TimeS {
		i++
	}
	m.agenda = slices.Insert(m.agenda, i, c)
}

// work polishes up to a time, through everything on the agenda until then.
func (m *Machine) work(timeS float64, emit func(event.Body) error) error {
	for len(m.agenda) > 0 && milliseconds(m.agenda[0].TimeS) <= timeS {
		c := m.agenda[0]
		m.agenda = m.agenda[1:]
		c.TimeS = milliseconds(c.TimeS)
		m.polishing.advance(c.TimeS)
		m.polishing.change(c)
		if c.Wipe {
			wipe(m.slurry, c.TimeS)
		}
		if c.Note != "" {
			if err := emit(event.Note{TimeS: c.TimeS, Text: c.Note}); err != nil {
				return err
			}
		}
		if c.Refer {
			if err := m.refer(c.TimeS, emit); err != nil {
				return err
			}
		}
		if c.Contact != nil || c.ForceN != nil || c.PadMM != nil || c.SpeedMS != nil {
			if err := emit(event.Process{TimeS: c.TimeS, Contact: c.Contact, ForceN: c.ForceN, PadMM: c.PadMM, SpeedMS: c.SpeedMS}); err != nil {
				return err
			}
		}
	}
	m.polishing.advance(timeS)
	m.doneS = timeS
	return nil
}

// refer takes dark and reference anew, with the light as it is.
func (m *Machine) refer(timeS float64, emit func(event.Body) error) error {
	for _, e := range m.eyes {
		e.detector.advance(timeS)
		for _, body := range e.calibration(timeS, timeS) {
			if err := emit(body); err != nil {
				return err
			}
		}
	}
	return nil
}

// begin starts the faults that wait for a thickness.
func (m *Machine) begin(timeS float64) {
	m.onsets = slices.DeleteFunc(m.onsets, func(o onset) bool {
		if m.polishing.thinnestUM() > o.ThicknessUM {
			return false
		}
		*o.list = append(*o.list, Episode{StartS: timeS, DurationS: o.DurationS})
		return true
	})
}

// look takes spectrum i, unless it drops out, and tells the truth.
func (m *Machine) look(i int, timeS float64, emit func(event.Body) error) error {
	at := i % len(m.cfg.Sites)
	site := m.cfg.Sites[at]
	out := level(m.dropouts, timeS, 0, 0) > 0
	veiled := level(m.slurry, timeS, m.cfg.Faults.Slurry.OnsetS, m.cfg.Faults.Slurry.DecayS)
	for _, e := range m.eyes {
		e.detector.advance(timeS)
		if out {
			continue
		}
		reflectance := make([]float64, len(e.detector.wavelengthNM))
		e.scene.reflectance(reflectance, 1000*m.polishing.um[at], site.SpreadNM, site.Coverage)
		m.cfg.Faults.Slurry.veil(reflectance, e.detector.wavelengthNM, veiled)
		counts := e.detector.counts(reflectance, 1)
		e.detector.spike(counts)
		if err := emit(event.Spectrum{TimeS: timeS, Channel: e.channel, Site: site.Name, Counts: counts}); err != nil {
			return err
		}
	}
	for j, site := range m.cfg.Sites {
		um := math.Round(m.polishing.um[j]*1e6) / 1e6
		if err := emit(event.Truth{TimeS: timeS, Site: site.Name, ThicknessUM: um}); err != nil {
			return err
		}
	}
	return nil
}

// watch is the operator of a run that nobody drives, who lifts the pad some time after
// the thinnest site has come down to the thickness to stop at. Nothing is done to the
// die after that.
func (m *Machine) watch(timeS float64) {
	stop := m.cfg.Stop
	if m.lifting || m.polishing.thinnestUM() > stop.ThicknessUM || stop.ThicknessUM == 0 {
		return
	}
	m.lifting = true
	liftS := timeS + stop.LiftAfterS
	m.agenda = slices.DeleteFunc(m.agenda, func(c Change) bool { return c.TimeS > liftS })
	m.schedule(Change{TimeS: liftS, Contact: new(false), Note: "pad lifted"})
	m.endS = math.Min(m.endS, milliseconds(liftS+stop.AfterLiftS))
}

func milliseconds(timeS float64) float64 { return math.Round(timeS*1000) / 1000 }
