package trial

import (
	"math"

	"bluefringe/removal/guide"
)

// tickS is how often time passes for the adviser while nothing else happens, as in a
// live session.
const tickS = 0.25

// Landing is how a run ended.
type Landing struct {
	Ended bool // false: it was given up or took longer than three hours

	ThinnestUM     float64 // thinnest place of the die
	ThinnestSiteUM float64
	TargetUM       float64
	FloorUM        float64

	Rule      string  // that gave the last stop
	AdvisedUM float64 // thinnest site when it was given
	Touching  bool    // whether the pad was on the die then
	RateUMS   float64 // true rate then
	NominalS  float64 // reaction time of the set-up; 0 when not touching
	TakenS    float64 // from there to the pad off the die
	TimeS     float64 // of the end
	ContactS  float64 // spent polishing
	Lifts     int     // after which polishing went on
	LiftedS   float64 // with the pad off the die in these
}

// MissUM is the thinnest place of the die less the target.
func (l *Landing) MissUM() float64 { return l.ThinnestUM - l.TargetUM }

// HandUM is the part of the miss that the operator's hand made: the reaction took
// another time than the set-up says.
func (l *Landing) HandUM() float64 { return l.RateUMS * (l.NominalS - l.TakenS) }

// PlaceUM is the part of the miss that no site could see.
func (l *Landing) PlaceUM() float64 { return l.ThinnestUM - l.ThinnestSiteUM }

// AdviceUM is the part of the miss that the advice made.
func (l *Landing) AdviceUM() float64 { return l.MissUM() - l.HandUM() - l.PlaceUM() }

// ToleranceUM is how far from the target the thinnest place may end: 20 nm or 2 %.
func (l *Landing) ToleranceUM() float64 { return math.Max(0.020, 0.02*l.TargetUM) }

// Within tells whether the run ended well.
func (l *Landing) Within() bool { return l.Ended && math.Abs(l.MissUM()) <= l.ToleranceUM() }

// SiteWithin tells the same of the thinnest site.
func (l *Landing) SiteWithin() bool {
	return l.Ended && math.Abs(l.MissUM()-l.PlaceUM()) <= l.ToleranceUM()
}

// Crossed tells whether some place is thinner than the floor.
func (l *Landing) Crossed() bool { return l.ThinnestUM < l.FloorUM }

// FalseStop tells whether the last stop was given when the thinnest site would have
// ended, after the reaction time of the set-up, more than 50 nm and 5 % above the target.
func (l *Landing) FalseStop() bool {
	return l.Ended && l.AdvisedUM-l.RateUMS*l.NominalS-l.TargetUM > math.Max(0.050, 0.05*l.TargetUM)
}

// Moment is what an adviser said and what was true then.
type Moment struct {
	Step     guide.Step
	Touching bool
	Touched  bool // the pad has touched the die before

	ThinnestUM float64 // thinnest place of the die
	RateUMMin  float64 // in the middle of the die, with the pad on it
	SiteUM     float64 // the site of the forecast; NaN without one
	ToTargetS  float64 // true polishing time that it has left, with the force as it is; NaN without a site
}

// Play lets the operator work on the die of a case with an adviser until the run ends.
// watch, if not nil, is shown every word of the adviser.
func Play(c *Case, way Way, watch func(Moment)) (Landing, error) {
	die := newDie(c)
	adviser, err := way.New(c, die)
	if err != nil {
		return Landing{}, err
	}
	r := &run{c: c, die: die, adviser: adviser, operator: newOperator(c, way.Blindfold), watch: watch,
		instrument: instrument{c: c, rng: c.stream(streamReadings)},
		landing:    Landing{TargetUM: c.TargetUM, FloorUM: c.FloorUM}}
	r.play()
	return r.landing, nil
}

// run is a run under way.
type run struct {
	c          *Case
	die        *Die
	adviser    Adviser
	operator   *operator
	instrument instrument
	watch      func(Moment)
	landing    Landing
	advisedS   float64 // when the last stop was given
	rule       string  // of the newest advice
	changed    int     // force changes so far
}

func (r *run) play() {
	o := r.operator
	r.hear(r.adviser.Process(guide.ProcessChange{TimeS: 0, Contact: new(false)}))
	ticks, readings := 0, 0
	for !o.over && r.die.timeS < limitS {
		tickAt, readAt := tickS*float64(ticks+1), r.c.Sight.EveryS*float64(readings+1)
		handAt := math.Min(o.liftS, o.touchS)
		timeS := math.Min(handAt, math.Min(tickAt, readAt))
		r.die.advance(timeS)
		switch timeS {
		case handAt:
			r.move()
		case readAt:
			r.read(readings % len(r.c.Shape.Sites))
			readings++
		default:
			r.changeForce()
			r.hear(r.adviser.Advance(timeS))
			ticks++
		}
		if o.looks(timeS) {
			r.advised()
		}
	}
	l := &r.landing
	l.Ended = o.over && !o.gaveUp
	l.ThinnestUM, l.ThinnestSiteUM = r.die.thinnestUM(r.die.removedUM), r.die.thinnestSiteUM()
	l.TimeS, l.ContactS = r.die.timeS, r.die.contactS
	if l.Touching {
		l.NominalS, l.TakenS = r.c.ReactionS, l.TimeS-r.advisedS
	}
}

// move lifts the pad or puts it down.
func (r *run) move() {
	o := r.operator
	if !o.touching && r.die.contactS > 0 {
		r.landing.Lifts++
		r.landing.LiftedS += r.die.timeS - o.lookFromS
	}
	o.moves(r.die.timeS)
	r.die.touching = o.touching
	r.hear(r.adviser.Process(guide.ProcessChange{TimeS: r.die.timeS, Contact: new(o.touching)}))
}

// read takes the reading that is due of a site, unless the pad hides it.
func (r *run) read(site int) {
	reading, ok := r.instrument.read(r.die.timeS, site, r.die.siteUM(site, r.die.removedUM))
	if !ok || (r.die.touching && r.c.Intermittent()) {
		return
	}
	r.operator.sees(site, reading.Estimate)
	r.hear(r.adviser.Take(reading))
}

// changeForce does what was due by now.
func (r *run) changeForce() {
	for r.changed < len(r.c.Changes) && r.die.contactS >= r.c.Changes[r.changed].ContactS {
		r.die.force = r.c.Changes[r.changed].Factor
		r.changed++
		r.hear(r.adviser.Process(guide.ProcessChange{TimeS: r.die.timeS, ForceN: new(r.c.Process.ForceN * r.die.force)}))
	}
}

// hear passes on what the adviser says.
func (r *run) hear(steps []guide.Step) {
	for _, s := range steps {
		if r.watch != nil {
			r.watch(r.moment(s))
		}
		r.rule = s.Advice.Rule
		if r.operator.hears(r.die.timeS, s) {
			r.advised()
		}
	}
}

// advised notes where things stand when the stop comes that ends the run.
func (r *run) advised() {
	l := &r.landing
	r.advisedS = r.die.timeS
	l.Rule, l.Touching = r.rule, r.die.touching
	l.AdvisedUM, l.RateUMS = r.die.thinnestSiteUM(), r.die.rateUMS()
}

func (r *run) moment(s guide.Step) Moment {
	d := r.die
	backS := math.Min(0, s.TimeS-d.timeS)
	if !d.touching {
		backS = 0
	}
	removedUM := d.after(backS)
	m := Moment{Step: s, Touching: d.touching, Touched: d.contactS > 0, ThinnestUM: d.thinnestUM(removedUM),
		RateUMMin: 60 * d.fullUMS() * d.path.rate(d.contactS+backS), SiteUM: math.NaN(), ToTargetS: math.NaN()}
	for i, site := range r.c.Shape.Sites {
		if site.Name == s.Forecast.Site {
			m.SiteUM = d.siteUM(i, removedUM)
			m.ToTargetS = d.toLevelS(i, r.c.TargetUM, backS)
		}
	}
	return m
}
