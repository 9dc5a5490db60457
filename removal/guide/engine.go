package guide

import (
	"fmt"
	"math"
	"slices"

	"bluefringe/optics/die"
	"bluefringe/optics/estimate"
	"bluefringe/optics/fringe"
	"bluefringe/optics/surface"
	"bluefringe/removal"
	"bluefringe/removal/advice"
)

// Config is what an engine is made from.
type Config struct {
	Die die.Setup
	// WavelengthNM gives the wavelengths of a channel, one per pixel; nil for a
	// channel that is not known. May be nil when only readings are taken (Take).
	WavelengthNM func(channel string) []float64

	// Instruments tells what is known of a channel's spectrometer.
	Instruments map[string]Instrument

	Process      removal.Process // NaN: not set
	PrestonRelSD float64
	Ageing       removal.Ageing
	Advice       advice.Config

	// PositionMM gives the place of a site on the die; nil when no places are known.
	// Outline is the die itself, zero when it is not known: then its sites are its corners.
	PositionMM func(site string) (xMM, yMM float64, ok bool)
	Outline    surface.Outline

	EdgeThreshold float64 // visibility at the contrast edge; 0 takes fringe.Threshold
	// Cold reads every spectrum by itself, over the whole range of thickness. Otherwise
	// most spectra of a track that is sure of itself are read from its forecast.
	Cold bool
}

// Instrument is what blurs fringes besides the die.
type Instrument struct {
	ResolutionNM float64 // full width at half maximum of the line
	NA           float64 // numerical aperture of the light
}

const (
	// blindStepS is how often the engine speaks while no spectrum comes.
	blindStepS = 1.0
	// maxBlindSteps bounds what a leap in time costs; beyond, steps get longer.
	maxBlindSteps = 20000
	// weakFactor widens the uncertainty of a weak estimate: its fit is poor, so
	// the uncertainty that the fit states is poor as well.
	weakFactor = 2
	// So many spectra of a site in a row must be contradicted by a witness before it
	// is told: one alone, however long nothing follows it, says nothing.
	witnessRow = 2
)

// Engine follows one run. It is not safe for concurrent use.
type Engine struct {
	config  Config
	advisor *advice.Advisor
	readers map[string]*reader
	die     *removal.Die
	sites   []*site // in the order in which they were first seen, as in die

	process  removal.Process
	contact  bool
	nowS     float64 // newest time, NaN before the first
	spokenS  float64 // time of the newest step
	interval interval
	ahead    []advice.SiteForecast
}

// site is one place on the die.
type site struct {
	name         string
	index        int // in the die
	latest       *Estimate
	leads        map[string]*lead // by channel
	systematicUM float64          // uncertainty that all its readings share
	goodS        float64          // time of the newest reading that the track took
	visits       interval
	sightings    map[string]sighting // by channel
	contradicted int                 // newest spectra in a row that a witness contradicts
	contradicts  string              // who contradicts whom
	forecast     removal.Forecast    // filled by look
	state        removal.State
}

// New checks a configuration and returns an engine before its first event.
func New(config Config) (*Engine, error) {
	if config.EdgeThreshold == 0 {
		config.EdgeThreshold = fringe.Threshold
	}
	advisor, err := advice.New(config.Advice)
	if err != nil {
		return nil, err
	}
	nan := math.NaN()
	e := &Engine{
		config: config, advisor: advisor, readers: map[string]*reader{},
		die:     removal.NewDie(removal.DieConfig{RateRelSD: config.PrestonRelSD, Ageing: config.Ageing}),
		process: config.Process, contact: true, nowS: nan, spokenS: nan,
	}
	e.die.Process(nan, e.contact, e.process.RateUMMin())
	return e, nil
}

// Spectrum takes a spectrum. The last of the steps is its own; those before are
// the blind stretch that led to it. The error is about the channel, not about what
// the spectrum shows.
func (e *Engine) Spectrum(s Spectrum) ([]Step, error) {
	r, err := e.reader(s.Channel)
	if err != nil {
		return nil, err
	}
	at := e.site(s.Site)
	var from *lead
	if !e.config.Cold {
		from = at.leads[s.Channel]
	}
	found, err := r.read(s, from, e.die.At(at.index, s.TimeS).ThicknessUM)
	if err != nil {
		return nil, err
	}
	delete(at.leads, s.Channel)
	steps, outcome := e.take(Reading{Estimate: found.estimate, FitSDUM: found.sdUM, SystematicUM: found.systematicUM})
	switch outcome {
	case removal.Started, removal.Accepted, removal.Relocked:
		at.leads[s.Channel] = found.lead
	}
	return steps, nil
}

// Take takes what was read from a spectrum before, by Spectrum of this or another
// engine, and does what Spectrum does after the optics. Its Estimate must not be nil.
func (e *Engine) Take(r Reading) []Step {
	steps, _ := e.take(r)
	return steps
}

func (e *Engine) take(r Reading) ([]Step, removal.Outcome) {
	found := r.Estimate
	steps := e.Advance(found.TimeS)
	at := e.site(found.Site)
	at.latest = found
	trackUM := e.trackUM(at, found)
	other := at.compare(found, trackUM)
	at.remember(found, trackUM)
	at.heed(found, other)
	at.visits.add(found.TimeS)
	e.interval.add(found.TimeS)
	outcome := e.track(at, r, other != nil)
	switch outcome {
	case removal.Started, removal.Accepted, removal.Relocked:
		at.goodS = e.nowS
		at.systematicUM = r.SystematicUM
	}
	step := e.step(e.nowS, at, found)
	step.Reading, step.Disagreement = r, other
	return append(steps, step), outcome
}

// trackUM is where the track of a site is; before it began, where its reading is.
func (e *Engine) trackUM(at *site, found *Estimate) float64 {
	if !e.die.Started(at.index) {
		return found.ThicknessUM
	}
	return e.die.At(at.index, found.TimeS).ThicknessUM
}

// track offers a reading to the track of its site.
func (e *Engine) track(at *site, r Reading, contradicted bool) removal.Outcome {
	found, sd := r.Estimate, r.FitSDUM
	if found.Quality != estimate.Good || contradicted {
		sd *= weakFactor
	}
	switch found.Quality {
	case estimate.Good, estimate.Weak:
		return e.die.Update(at.index, found.TimeS, found.ThicknessUM, sd)
	case estimate.Ambiguous:
		among := make([]removal.Candidate, len(found.Candidates))
		for i, c := range found.Candidates {
			among[i] = removal.Candidate{ThicknessUM: c.ThicknessUM, SDUM: sd, Weight: c.Weight}
		}
		return e.die.UpdateAmong(at.index, found.TimeS, among)
	}
	return removal.Rejected
}

// heed counts how often in a row a witness contradicts the readings of a site.
func (s *site) heed(found *Estimate, other *Disagreement) {
	switch {
	case found.witnessDisagrees():
		s.contradicted++
		s.contradicts = "phase and absorption"
	case other != nil:
		s.contradicted++
		s.contradicts = fmt.Sprintf("channels %s and %s", min(found.Channel, other.Channel), max(found.Channel, other.Channel))
	default:
		s.contradicted = 0
	}
}

// Process takes a change of the process. Where the pad comes down or goes up, the
// engine says what that means.
func (e *Engine) Process(p ProcessChange) []Step {
	steps := e.Advance(p.TimeS)
	set := func(to *float64, from *float64) {
		if from != nil {
			*to = *from
		}
	}
	set(&e.process.ForceN, p.ForceN)
	set(&e.process.PadMM, p.PadMM)
	set(&e.process.SpeedMS, p.SpeedMS)
	changed := p.Contact != nil && *p.Contact != e.contact
	if changed {
		e.contact = *p.Contact
	}
	e.die.Process(e.nowS, e.contact, e.process.RateUMMin())
	if changed {
		steps = append(steps, e.step(e.nowS, nil, nil))
	}
	return steps
}

// Advance lets time pass. While the pad touches the die it speaks every second
// that no spectrum came; a call never changes what later spectra give.
func (e *Engine) Advance(timeS float64) []Step {
	if math.IsNaN(e.nowS) {
		e.nowS, e.spokenS = timeS, timeS
		return nil
	}
	var steps []Step
	if e.contact {
		every := math.Max(blindStepS, (timeS-e.spokenS)/maxBlindSteps)
		for e.spokenS+every < timeS {
			steps = append(steps, e.step(e.spokenS+every, nil, nil))
		}
	}
	e.nowS = math.Max(e.nowS, timeS)
	return steps
}

// Acknowledge releases a stop that was given.
func (e *Engine) Acknowledge() { e.advisor.Acknowledge() }

func (e *Engine) reader(channel string) (*reader, error) {
	if r := e.readers[channel]; r != nil {
		return r, nil
	}
	var wavelengthNM []float64
	if e.config.WavelengthNM != nil {
		wavelengthNM = e.config.WavelengthNM(channel)
	}
	if wavelengthNM == nil {
		return nil, fmt.Errorf("channel %q has no wavelengths", channel)
	}
	setup := e.config.Die
	if i, ok := e.config.Instruments[channel]; ok {
		setup.ResolutionNM, setup.NA = i.ResolutionNM, i.NA
	}
	r, err := newReader(channel, wavelengthNM, setup, e.config.EdgeThreshold)
	if err != nil {
		return nil, err
	}
	e.readers[channel] = r
	return r, nil
}

func (e *Engine) site(name string) *site {
	i := slices.IndexFunc(e.sites, func(s *site) bool { return s.name == name })
	if i >= 0 {
		return e.sites[i]
	}
	s := &site{name: name, index: e.die.Site(name), leads: map[string]*lead{}, sightings: map[string]sighting{}, goodS: math.NaN()}
	e.sites = append(e.sites, s)
	return s
}

// step says where things stand at a time. at is the site of the spectrum that
// came, nil for the thinnest.
func (e *Engine) step(timeS float64, at *site, found *Estimate) Step {
	e.spokenS = timeS
	thinnest := e.look(timeS)
	if at == nil {
		at = thinnest
	}
	values := advice.Values{
		Contact: e.contact, Ahead: e.ahead,
		Here: e.values(timeS, at), Thinnest: e.values(timeS, thinnest),
		DecisionIntervalS: math.Min(e.interval.mean(), blindStepS), VisitIntervalS: math.NaN(),
	}
	if thinnest != nil {
		values.VisitIntervalS = thinnest.visits.mean()
	}
	if at != nil && at.contradicted >= witnessRow {
		values.Disagreeing = at.contradicts
	}
	decision := e.advisor.Decide(timeS, &values)
	return Step{
		TimeS:    timeS,
		Estimate: found,
		Forecast: e.forecast(timeS, at),
		Advice: Advice{TimeS: timeS, Level: decision.Level, Rule: decision.Rule, Reason: decision.Reason,
			ThinnestUM: values.Thinnest.ThicknessUM, Site: values.Thinnest.Site, NextStretchS: decision.StretchS},
	}
}

// look predicts every site, and the thinnest place between them, and returns the thinnest
// site, nil before the first track.
func (e *Engine) look(timeS float64) *site {
	var thinnest *site
	e.ahead = e.ahead[:0]
	for _, s := range e.sites {
		if !e.die.Started(s.index) {
			continue
		}
		s.state = e.die.At(s.index, timeS)
		ahead := siteForecast(s.name, s.state, s.systematicUM)
		s.forecast = ahead.Forecast
		e.ahead = append(e.ahead, ahead)
		if thinnest == nil || s.state.ThicknessUM < thinnest.state.ThicknessUM {
			thinnest = s
		}
	}
	if thinnest != nil {
		e.lookBetween(timeS, thinnest)
	}
	return thinnest
}

func siteForecast(name string, s removal.State, systematicUM float64) advice.SiteForecast {
	return advice.SiteForecast{Site: name, Forecast: removal.NewForecast(s, systematicUM), RateRelSD: s.RateSDUMMin / s.RateUMMin}
}

func (e *Engine) values(timeS float64, s *site) advice.SiteValues {
	nan := math.NaN()
	v := advice.SiteValues{ThicknessUM: nan, ThicknessLowUM: nan, SDUM: nan, RateUMMin: nan, ToTargetS: nan, EdgeNM: nan, SinceGoodS: nan}
	if s == nil {
		return v
	}
	v.Site = s.name
	v.SinceGoodS = timeS - s.goodS
	if e.die.Started(s.index) {
		v.ThicknessUM, v.SDUM, v.RateUMMin = s.state.ThicknessUM, s.sdUM(), s.state.RateUMMin
		v.ThicknessLowUM = s.forecast.QuantileAfter(0.05, 0)
		v.ToTargetS = e.timeTo(s, e.config.Advice.TargetUM).P50S
	}
	if s.latest != nil {
		v.EdgeNM = s.latest.EdgeNM
		v.Visibility = s.latest.Picture.visibilityNear
	}
	return v
}

func (s *site) sdUM() float64 { return math.Hypot(s.state.SDUM, s.systematicUM) }

func (e *Engine) timeTo(s *site, levelUM float64) removal.Interval {
	if !(levelUM > 0) {
		nan := math.NaN()
		return removal.Interval{P05S: nan, P50S: nan, P95S: nan}
	}
	return s.forecast.TimeTo(levelUM)
}

func (e *Engine) forecast(timeS float64, s *site) Forecast {
	nan := math.NaN()
	none := removal.Interval{P05S: nan, P50S: nan, P95S: nan}
	f := Forecast{TimeS: timeS, ThicknessUM: nan, SDUM: nan, RateUMMin: nan, RateSDUMMin: nan,
		ToTargetS: none, ToFloorS: none, SinceGoodS: nan, Contact: e.contact}
	if s == nil {
		return f
	}
	f.Site, f.SinceGoodS = s.name, timeS-s.goodS
	if e.die.Started(s.index) {
		f.Undecided = s.state.Undecided
		f.ThicknessUM, f.SDUM = s.state.ThicknessUM, s.sdUM()
		f.RateUMMin, f.RateSDUMMin = s.state.RateUMMin, s.state.RateSDUMMin
		f.ToTargetS = e.timeTo(s, e.config.Advice.TargetUM)
		f.ToFloorS = e.timeTo(s, e.config.Advice.FloorUM)
	}
	return f
}

// interval is the usual time between events: a running mean over about ten.
type interval struct {
	lastS, meanS float64
	seen         int
}

func (i *interval) add(timeS float64) {
	i.seen++
	gap := timeS - i.lastS
	i.lastS = timeS
	switch {
	case i.seen == 2:
		i.meanS = gap
	case i.seen > 2 && gap < 4*i.meanS: // a dropout says nothing about the usual
		i.meanS += (gap - i.meanS) / math.Min(float64(i.seen), 10)
	}
}

func (i *interval) mean() float64 {
	if i.seen < 2 {
		return math.NaN()
	}
	return i.meanS
}
