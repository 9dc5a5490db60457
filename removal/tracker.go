package removal

import "math"

// TrackerConfig tunes a Tracker. A zero field takes its default.
type TrackerConfig struct {
	// RateRelSD is the relative standard uncertainty of the Preston rate before
	// anything was measured: preston_rel_sd of the set-up, or what the rate book
	// says. Default 0.3 (common practice, no source).
	RateRelSD float64

	// WanderPerSqrtS is how fast the rate wanders, as a fraction of itself per
	// square root of a second. Default 0.007, that is 5 % in a minute and 12 % in
	// five: pads break in and glaze over some minutes. It carries a steady trend of
	// up to about 5 % a minute; 0.015 carries 10 % a minute one minute ahead, at the
	// price of intervals twice as wide. (Common practice, no source.)
	WanderPerSqrtS float64

	// ChangeRelSD is the relative uncertainty added to the rate when the process
	// changes it by a factor e, and in proportion to |ln factor|: rates follow
	// pressure and speed only roughly as Preston says. Default 0.1 (common
	// practice, no source).
	ChangeRelSD float64

	// GateSigma is how many standard deviations a measurement may lie from the
	// prediction. Default 4.5.
	GateSigma float64

	// ModelFloorUM is a standard uncertainty that the gate always grants, for
	// what the optical model leaves out. It widens the gate only. Default 0.002.
	ModelFloorUM float64

	// RelockCount and RelockS are how many rejected measurements in a row, over
	// how many seconds at least, must agree with each other before the track
	// moves to them. Defaults 4 and 2. Both are doubled for a move upward while
	// the pad removes, since silicon does not grow.
	RelockCount int
	RelockS     float64
}

// What is assumed about the rate when no Preston rate is known: a median of
// 0.5 µm/min and a standard deviation of 1.5 in its logarithm, so that 90 % lie
// between 0.04 and 6 µm/min: final polish to fine grind (common practice, no
// source).
const (
	unknownRateUMMin = 0.5
	unknownRateLnSD  = 1.5
)

// rivalRate is the uncertainty of a rival's rate in units of the prior's mean: up to
// some times as fast as Preston says.
const rivalRate = 3

// readingDriftUM is the wander of the reading itself, µm/√s (film of slurry,
// temperature). It keeps the filter awake on a thickness that does not change.
const readingDriftUM = 1e-4

func (c TrackerConfig) withDefaults() TrackerConfig {
	orDefault := func(x *float64, value float64) {
		if !(*x > 0) {
			*x = value
		}
	}
	orDefault(&c.RateRelSD, 0.3)
	orDefault(&c.WanderPerSqrtS, 0.007)
	orDefault(&c.ChangeRelSD, 0.1)
	orDefault(&c.GateSigma, 4.5)
	orDefault(&c.ModelFloorUM, 0.002)
	orDefault(&c.RelockS, 2)
	if c.RelockCount <= 0 {
		c.RelockCount = 4
	}
	return c
}

// Outcome says what became of a measurement.
type Outcome int

// The outcomes of Update.
const (
	Started  Outcome = iota // the first measurement: the track begins
	Accepted                // used
	Rejected                // too far from the prediction, or no number: not used
	Relocked                // rejected ones agreed for long enough: the track moved to them
	Stale                   // older than the track: not used
)

// String returns the outcome as a lower-case word.
func (o Outcome) String() string {
	switch o {
	case Started:
		return "started"
	case Accepted:
		return "accepted"
	case Rejected:
		return "rejected"
	case Relocked:
		return "relocked"
	case Stale:
		return "stale"
	}
	return "unknown"
}

// Counts of what Update returned; Accepted includes the first measurement.
type Counts struct {
	Accepted, Rejected, Relocked, Stale int
}

// Tracker follows thickness and removal rate of one site: a Kalman filter over
// the thickness z and the factor ρ between the removal rate and the Preston rate,
//
//	dz/dt = -ρ·R0/60 while the pad touches the die, 0 otherwise,
//
// with R0 in µm/min, so that a change of force, pad or speed changes the
// predicted rate at once. ρ and not its logarithm is the state because the
// filter is then exactly linear: no error of linearisation while the rate is
// still unknown. That ρ is positive enters where rates are read (State, Forecast).
//
// The filter holds the state after the last event it used; At looks ahead from
// there and changes nothing. NewTracker makes one; the zero value is not usable.
// No method allocates.
type Tracker struct {
	config TrackerConfig

	started bool
	timeS   float64 // of state
	state   gauss2
	contact bool
	baseUM  float64 // R0, µm/min
	model   rateModel

	rival      gauss2 // the track that the rejected measurements make
	rivalCount int
	rivalAtS   float64 // time of rival
	rivalFromS float64 // time of its first measurement

	counts Counts
}

// NewTracker returns a tracker without a track. The pad counts as touching and
// the rate as unknown until Process says otherwise.
func NewTracker(config TrackerConfig) *Tracker {
	t := &Tracker{config: config.withDefaults(), contact: true, timeS: math.Inf(-1)}
	t.setBase(math.NaN())
	return t
}

// setBase takes a new Preston rate (NaN: unknown) and the model that goes with it.
func (t *Tracker) setBase(rateUMMin float64) {
	if rateUMMin >= 0 && !math.IsInf(rateUMMin, 0) {
		t.baseUM = rateUMMin
		t.model = rateModel{mean: 1, relSD: t.config.RateRelSD, wander: t.config.WanderPerSqrtS}
		return
	}
	// Mean and relative deviation of a log-normal factor whose median is 1.
	t.baseUM = unknownRateUMMin
	t.model = rateModel{
		mean:   math.Exp(unknownRateLnSD * unknownRateLnSD / 2),
		relSD:  math.Sqrt(math.Expm1(unknownRateLnSD * unknownRateLnSD)),
		wander: t.config.WanderPerSqrtS,
	}
}

// Process says that from timeS on the pad touches the die or not, and what
// Preston's law gives for its settings (Process.RateUMMin; NaN: not known, a
// broad prior serves). A time before the last event counts as the time of that
// event. When a rate becomes known or unknown, what was learnt about the rate is
// dropped, since the two are not comparable; the thickness stays.
func (t *Tracker) Process(timeS float64, contact bool, rateUMMin float64) {
	t.advance(timeS)
	before, modelBefore := t.baseUM, t.model
	t.setBase(rateUMMin)
	t.contact = contact
	switch {
	case t.model != modelBefore:
		t.state = t.withPriorRate(t.state)
		t.rival = t.withPriorRate(t.rival)
	case before > 0 && t.baseUM > 0 && before != t.baseUM:
		sd := math.Min(t.config.ChangeRelSD*math.Abs(math.Log(t.baseUM/before)), t.model.relSD)
		t.state.bb += sd * sd * t.state.b * t.state.b
		t.rival.bb += sd * sd * t.rival.b * t.rival.b
	}
}

// advance brings the state to timeS unless that lies behind.
func (t *Tracker) advance(timeS float64) {
	if !(timeS > t.timeS) || math.IsInf(timeS, 0) {
		return
	}
	if t.started {
		t.state = t.ahead(t.state, timeS-t.timeS)
		if t.rivalCount > 0 {
			t.rival, t.rivalAtS = t.ahead(t.rival, timeS-t.rivalAtS), timeS
		}
	}
	t.timeS = timeS
}

// ahead predicts a state dt >= 0 seconds on.
func (t *Tracker) ahead(x gauss2, dt float64) gauss2 {
	if dt <= 0 {
		return x
	}
	umPerS := 0.0
	if t.contact {
		umPerS = t.baseUM / secondsPerMinute
	}
	m := t.model.step(dt, umPerS, x.b*x.b+x.bb)
	m.qaa += readingDriftUM * readingDriftUM * dt
	return x.moved(m)
}

// withPriorRate forgets what is known about the rate.
func (t *Tracker) withPriorRate(x gauss2) gauss2 {
	sd := t.model.mean * t.model.relSD
	x.b, x.ab, x.bb = t.model.mean, 0, sd*sd
	return x
}

// Update takes a measurement of the thickness with its standard uncertainty
// (without what is common to all measurements). Numbers that are not finite, a
// negative thickness and an uncertainty that is not positive are rejected.
func (t *Tracker) Update(timeS, thicknessUM, sdUM float64) Outcome {
	if !usable(timeS, thicknessUM, sdUM) {
		t.counts.Rejected++
		return Rejected
	}
	if timeS < t.timeS || (t.rivalCount > 0 && timeS < t.rivalAtS) {
		t.counts.Stale++
		return Stale
	}
	variance := sdUM * sdUM
	if !t.started {
		t.started = true
		t.timeS, t.state = timeS, t.withPriorRate(gauss2{a: thicknessUM, aa: variance})
		t.counts.Accepted++
		return Started
	}

	ahead := t.ahead(t.state, timeS-t.timeS)
	if t.inGate(ahead, thicknessUM, variance) && !t.rises(thicknessUM, variance) {
		t.timeS, t.state = timeS, ahead.measured(thicknessUM, variance)
		t.rivalCount = 0
		t.counts.Accepted++
		return Accepted
	}
	t.challenge(timeS, thicknessUM, variance, ahead)
	if t.rivalWins(timeS, ahead) {
		// The rival's own spread does not know that one of the two tracks was
		// wrong: grant it the model's error once more.
		t.timeS, t.state = timeS, t.rival
		t.state.aa += t.config.ModelFloorUM * t.config.ModelFloorUM
		t.rivalCount = 0
		t.counts.Relocked++
		return Relocked
	}
	t.counts.Rejected++
	return Rejected
}

func usable(timeS, thicknessUM, sdUM float64) bool {
	finite := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	return finite(timeS) && finite(thicknessUM) && finite(sdUM) && thicknessUM >= 0 && sdUM > 0
}

// inGate tells whether a measurement is credible for a predicted state.
func (t *Tracker) inGate(x gauss2, y, variance float64) bool {
	return math.Abs(y-x.a) <= t.config.GateSigma*t.gateSD(x, variance)
}

func (t *Tracker) gateSD(x gauss2, variance float64) float64 {
	return math.Sqrt(x.aa + variance + t.config.ModelFloorUM*t.config.ModelFloorUM)
}

// rises tells whether a measurement lies above what was there at the last event,
// which polishing cannot do. It bites while the rate is so uncertain that the gate
// alone would let a wrong fringe order in from above.
func (t *Tracker) rises(y, variance float64) bool {
	return t.contact && y-t.state.a > t.config.GateSigma*t.gateSD(t.state, variance)
}

// challenge feeds a rejected measurement to the rival track, or starts a new
// rival with it. ahead is the main track at the same moment.
func (t *Tracker) challenge(timeS, y, variance float64, ahead gauss2) {
	if t.rivalCount > 0 {
		rival := t.ahead(t.rival, timeS-t.rivalAtS)
		if t.inGate(rival, y, variance) {
			t.rival, t.rivalAtS = rival.measured(y, variance), timeS
			t.rivalCount++
			return
		}
	}
	// Where the thickness was wrong the rate may be as well, and sure of it, and so may
	// the prior: two readings of the rival give it a rate, the next must confirm it.
	rate, sd := positive(ahead.b, math.Sqrt(ahead.bb))
	sd = math.Max(sd, rivalRate*t.model.mean)
	floor := t.config.ModelFloorUM
	t.rival = gauss2{a: y, aa: variance + floor*floor, b: rate, bb: sd * sd}
	t.rivalCount, t.rivalFromS, t.rivalAtS = 1, timeS, timeS
}

// rivalWins tells whether the rejected measurements agree for long enough.
func (t *Tracker) rivalWins(timeS float64, ahead gauss2) bool {
	count, span := t.config.RelockCount, t.config.RelockS
	if t.contact && t.rival.a > ahead.a {
		count, span = 2*count, 2*span
	}
	return t.rivalCount >= count && timeS-t.rivalFromS >= span
}

// Sigmas is how far a thickness lies from the prediction, in standard deviations
// of the difference and with its sign: for choosing between fringe orders. NaN
// before the track started.
func (t *Tracker) Sigmas(timeS, thicknessUM, sdUM float64) float64 {
	if !t.started {
		return math.NaN()
	}
	x := t.ahead(t.state, timeS-t.timeS)
	return (thicknessUM - x.a) / t.gateSD(x, sdUM*sdUM)
}

// Counts returns how many measurements met which fate so far.
func (t *Tracker) Counts() Counts { return t.counts }

// Started tells whether there is a track.
func (t *Tracker) Started() bool { return t.started }

// State is what a Tracker believes at one moment. Numbers are NaN before the
// track started.
type State struct {
	TimeS       float64
	ThicknessUM float64
	SDUM        float64 // standard uncertainty, without what is common to all measurements
	RateUMMin   float64 // removal rate while the pad touches the die, positive
	RateSDUMMin float64
	Contact     bool

	joint  gauss2
	baseUM float64
	model  rateModel
}

// At returns the state predicted for timeS without changing the track. A time
// before the last event gives the state at that event.
func (t *Tracker) At(timeS float64) State {
	if !t.started {
		nan := math.NaN()
		return State{TimeS: timeS, ThicknessUM: nan, SDUM: nan, RateUMMin: nan, RateSDUMMin: nan, Contact: t.contact}
	}
	x := t.ahead(t.state, timeS-t.timeS)
	mean, sd := positive(x.b, math.Sqrt(x.bb))
	return State{
		TimeS:       math.Max(timeS, t.timeS),
		ThicknessUM: x.a,
		SDUM:        math.Sqrt(x.aa),
		RateUMMin:   mean * t.baseUM,
		RateSDUMMin: sd * t.baseUM,
		Contact:     t.contact,
		joint:       x,
		baseUM:      t.baseUM,
		model:       t.model,
	}
}
