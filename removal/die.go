package removal

import "math"

// DieConfig tunes a Die. A zero field takes its default.
type DieConfig struct {
	// RateRelSD is the relative standard uncertainty of the Preston rate before
	// anything was measured: preston_rel_sd of the set-up, or what the rate book
	// says. Default 0.3 (common practice, no source).
	RateRelSD float64

	// SiteRelSD is how much the rates of places on one die differ, as a standard
	// deviation of the ratio. Default 0.05 (common practice, no source).
	SiteRelSD float64

	// WanderRelSD is how much the rate wanders about its course, as a standard deviation
	// of the ratio; it keeps a course for WanderS seconds. Defaults 0.1 and 270: common
	// practice, no source, and chosen such that 90 % intervals hold on simulated pads that
	// follow another law (TestIntervalsHoldOnRealisticPads).
	WanderRelSD, WanderS float64

	// Ageing is what is known about the pad.
	Ageing Ageing

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

func (c DieConfig) withDefaults() DieConfig {
	orDefault := func(x *float64, value float64) {
		if !(*x > 0) {
			*x = value
		}
	}
	orDefault(&c.RateRelSD, 0.3)
	orDefault(&c.SiteRelSD, 0.05)
	orDefault(&c.WanderRelSD, 0.1)
	orDefault(&c.WanderS, 270)
	orDefault(&c.ChangeRelSD, 0.1)
	orDefault(&c.GateSigma, 4.5)
	orDefault(&c.ModelFloorUM, 0.002)
	orDefault(&c.RelockS, 2)
	if c.RelockCount <= 0 {
		c.RelockCount = 4
	}
	return c
}

// Die follows the thickness of all places of a die and the removal rate: one Kalman
// filter over the thickness z of each place and the parts of the rate factor (see the
// constants in rate.go),
//
//	dz/dt = -R0·(level + glazing + breakIn + wander + own) while the pad touches,
//
// with R0 the Preston rate, so that a change of force, pad or speed changes the predicted
// rate at once, and a place that was not seen for a while learns from the others. The
// factor and not its logarithm is the state because the filter is then exactly linear:
// no error of linearisation while the rate is still unknown. That it is positive enters
// where rates are read (State, Forecast).
//
// The filter holds the state after the last event it used; At looks ahead from
// there and changes nothing. NewDie makes one; the zero value is not usable. Only Site
// allocates.
type Die struct {
	config   DieConfig
	kinetics kinetics
	contact  bool
	known    bool    // the Preston rate is
	widest   float64 // largest scale for which the parts of the rate had room so far

	timeS    float64 // of joint
	contactS float64 // contact so far
	joint    joint
	sites    []site
	refused  int // measurements rejected in a row, wherever
}

// site is what a Die knows of one place besides the joint numbers.
type site struct {
	name    string
	tracked bool
	counts  Counts

	// The newest measurement that was used: the thickness after it, the time, the contact
	// until then, and how many were used since the track (re)started.
	seenUM, seenUM2, seenS, seenContactS float64
	used                                 int

	rival rival
	bank  bank
}

// NewDie returns a die without places. The pad counts as touching and the rate as
// unknown until Process says otherwise.
func NewDie(config DieConfig) *Die {
	d := &Die{config: config.withDefaults(), contact: true, timeS: math.Inf(-1), joint: newJoint()}
	c := &d.config
	d.kinetics = kinetics{
		wander: comeAndGo{c.WanderRelSD, c.WanderS}, own: comeAndGo{c.SiteRelSD, ownMemoryS},
	}
	d.kinetics.breakInS, d.kinetics.glazingS = c.Ageing.timesS()
	d.kinetics.umPerS = unknownRateUMMin / secondsPerMinute
	d.resetRate()
	return d
}

// Site returns the number of the place of that name, which is added when it is new.
func (d *Die) Site(name string) int {
	for i := range d.sites {
		if d.sites[i].name == name {
			return i
		}
	}
	d.sites = append(d.sites, site{name: name})
	d.joint.add()
	i := len(d.sites) - 1
	d.joint.replace(ownOf(i), 0, d.ownVariance())
	return i
}

// Process says that from timeS on the pad touches the die or not, and what
// Preston's law gives for its settings (Process.RateUMMin; NaN: not known, a
// broad prior serves). A time before the last event counts as the time of that
// event. When a rate becomes known or unknown, what was learnt about the rate is
// dropped, since the two are not comparable; the thickness stays.
func (d *Die) Process(timeS float64, contact bool, rateUMMin float64) {
	d.advance(timeS)
	d.contact = contact
	before := d.kinetics.umPerS
	known := rateUMMin >= 0 && !math.IsInf(rateUMMin, 0)
	if !known {
		rateUMMin = unknownRateUMMin
	}
	after := rateUMMin / secondsPerMinute
	d.kinetics.umPerS = after
	switch {
	case known != d.known:
		d.known = known
		d.resetRate()
	case before > 0 && after > 0 && before != after:
		factor, _ := positive(d.factor())
		sd := math.Min(d.config.ChangeRelSD*math.Abs(math.Log(after/before)), d.config.RateRelSD) * factor
		d.joint.addVariance(level, sd*sd)
		for i := range d.sites {
			d.sites[i].doubtRate(sd * sd)
		}
	}
}

// advance brings the joint state to timeS unless that lies behind.
func (d *Die) advance(timeS float64) {
	if !(timeS > d.timeS) || math.IsInf(timeS, 0) {
		return
	}
	if t := timeS - d.timeS; !math.IsInf(t, 0) {
		s := d.kinetics.over(t, d.contact)
		s.advance(d.joint.mean, d.joint.cov)
		if d.contact {
			d.contactS += t
		}
		for i := range d.sites {
			d.sites[i].letPass(timeS, d)
		}
	}
	d.timeS = timeS
}

// ahead is a place at a time, without changing the track.
func (d *Die) ahead(i int, timeS float64) place {
	p := d.joint.place(i)
	d.letPass(&p, timeS)
	return p
}

// letPass brings a place from the time of the track to a later one.
func (d *Die) letPass(p *place, timeS float64) {
	if t := timeS - d.timeS; t > 0 && !math.IsInf(t, 0) {
		s := d.kinetics.over(t, d.contact)
		s.advance(p.mean[:], p.cov[:])
	}
}

// Update takes a measurement of the thickness of a place with its standard uncertainty
// (without what is common to all measurements). Numbers that are not finite, a
// negative thickness and an uncertainty that is not positive are rejected.
func (d *Die) Update(site int, timeS, thicknessUM, sdUM float64) Outcome {
	s := &d.sites[site]
	outcome := d.update(site, timeS, Candidate{thicknessUM, sdUM, 1})
	s.counts.add(outcome)
	return outcome
}

func (d *Die) update(i int, timeS float64, c Candidate) Outcome {
	s := &d.sites[i]
	switch {
	case !c.usable(timeS):
		return Rejected
	case d.stale(s, timeS):
		return Stale
	case s.bank.count > 0:
		one := [maxRivals]Candidate{c}
		return d.weigh(i, timeS, one[:1])
	case !s.tracked:
		d.start(i, timeS, gauss2{a: c.ThicknessUM, aa: c.SDUM * c.SDUM})
		return Started
	}
	p := d.ahead(i, timeS)
	if d.fits(s, p.thicknessUM(), p.variance(), c) {
		d.take(i, timeS, c)
		return Accepted
	}
	return d.contend(i, timeS, c, p.pair())
}

func (d *Die) stale(s *site, timeS float64) bool {
	return timeS < d.timeS || (s.rival.count > 0 && timeS < s.rival.atS) || (s.bank.count > 0 && timeS < s.bank.atS)
}

// take lets the joint track use a measurement.
func (d *Die) take(i int, timeS float64, c Candidate) {
	d.advance(timeS)
	d.joint.measured(thicknessOf(i), c.ThicknessUM, c.SDUM*c.SDUM)
	d.saw(i, timeS)
}

// saw keeps what the place showed and follows the scale of the rate.
func (d *Die) saw(i int, timeS float64) {
	s := &d.sites[i]
	s.seenUM, s.seenUM2 = d.joint.mean[thicknessOf(i)], d.joint.variance(thicknessOf(i))
	s.seenS, s.seenContactS = timeS, d.contactS
	s.used++
	s.rival.count, d.refused = 0, 0
	d.rescale()
}

// start begins the track of a place; its rate is that of the die and what places may
// differ.
func (d *Die) start(i int, timeS float64, x gauss2) {
	d.advance(timeS)
	d.sites[i].tracked, d.sites[i].used = true, 0
	d.joint.replace(thicknessOf(i), x.a, x.aa)
	d.saw(i, timeS)
}

func (d *Die) gateUM(variance, sdUM float64) float64 {
	floor := d.config.ModelFloorUM
	return d.config.GateSigma * math.Sqrt(variance+sdUM*sdUM+floor*floor)
}

// fits tells whether a measurement is credible for a predicted thickness. Above what was
// there when the place was last seen it is not, since polishing cannot add: that bites
// while the rate is so uncertain that the gate alone would let a wrong fringe order in
// from above.
func (d *Die) fits(s *site, um, um2 float64, c Candidate) bool {
	if s.tracked && d.contact && c.ThicknessUM-s.seenUM > d.gateUM(s.seenUM2, c.SDUM) {
		return false
	}
	return math.Abs(c.ThicknessUM-um) <= d.gateUM(um2, c.SDUM)
}

// Sigmas is how far a thickness lies from the prediction for a place, in standard
// deviations of the difference and with its sign. NaN before its track started.
func (d *Die) Sigmas(site int, timeS, thicknessUM, sdUM float64) float64 {
	if !d.sites[site].tracked {
		return math.NaN()
	}
	p := d.ahead(site, timeS)
	return d.config.GateSigma * (thicknessUM - p.thicknessUM()) / d.gateUM(p.variance(), sdUM)
}

// Counts returns how many measurements of a place met which fate so far.
func (d *Die) Counts(site int) Counts { return d.sites[site].counts }

// Started tells whether something is known about a place.
func (d *Die) Started(site int) bool { return d.sites[site].tracked || d.sites[site].bank.count > 0 }

// At returns the state predicted for a place at timeS without changing the track. A time
// before the last event gives the state at that event.
func (d *Die) At(site int, timeS float64) State {
	s := &d.sites[site]
	if !d.Started(site) {
		return noState(timeS, d.contact)
	}
	timeS = math.Max(timeS, d.timeS)
	p := d.ahead(site, timeS)
	if s.bank.count == 0 {
		return newState(timeS, d.contact, &p, &d.kinetics)
	}
	b := s.bank
	b.letPass(timeS, d)
	x := b.whole()
	p.setThickness(x.a, x.aa)
	state := newState(timeS, d.contact, &p, &d.kinetics)
	state.Undecided, state.Rivals = true, b.rivals()
	return state
}
