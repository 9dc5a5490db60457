package tune

import (
	"math"

	"bluefringe/optics/estimate"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
	"bluefringe/removal/trial"
)

// Outcome is what a setting would have made of a run. A number that does not exist is NaN.
type Outcome struct {
	StopS    float64 // when the stop is given that ends the run; NaN: not reached in the record
	LandS    float64 // when the pad is off the die for good; NaN: the record does not tell
	BeyondS  float64 // how far LandS lies beyond the record; above 0 it was extrapolated
	Rule     string  // that gave the stop
	TrackUM  float64 // thinnest place, as the track had it at StopS
	Looks    int     // times that he was told to lift and look
	WarnedS  float64 // between prepare and stop
	HasTruth bool    // of the run: without, there is nothing to score

	Landing trial.Landing // Ended is false without truth, or when LandS is NaN
}

// Reached tells whether the setting ended the run.
func (o *Outcome) Reached() bool { return !math.IsNaN(o.LandS) }

// lookS is what a look costs: lift, look, put the pad down again (common practice, no
// source).
const lookS = 10

// LostMin is the time lost with looks, in minutes.
func (o *Outcome) LostMin() float64 { return float64(o.Looks) * lookS / 60 }

// Play plays a run with a setting. extrapolateS is how far beyond the end of the
// record it may land: polishing is then taken to go on as it last went.
func (r *Run) Play(s Setting, extrapolateS float64) (Outcome, error) {
	p, err := r.play(s)
	if err != nil {
		return Outcome{}, err
	}
	if p.cut && extrapolateS > 0 {
		p.goOn(extrapolateS)
	}
	o := Outcome{StopS: p.stopS, LandS: p.stopS, Rule: p.rule, TrackUM: p.trackUM, Looks: p.looks, WarnedS: p.warnedS, HasTruth: r.Truth.Known()}
	if p.touching {
		o.LandS += r.ReactionS
		lift := r.nextLift(p.stopS)
		switch {
		case lift < r.endS: // he was lifting already
			o.LandS = math.Min(o.LandS, lift)
		case o.LandS > r.endS+roundingS:
			o.BeyondS = o.LandS - r.endS
		}
	}
	if o.BeyondS > extrapolateS {
		o.LandS, o.BeyondS = math.NaN(), 0
	}
	if o.HasTruth && o.Reached() {
		if o.Landing = r.landing(&o, p.touching); !o.Landing.Ended {
			o.LandS, o.BeyondS = math.NaN(), 0 // the truth does not go so far
		}
	}
	return o, nil
}

// roundingS is what sums of times may be off.
const roundingS = 1e-6

func (r *Run) landing(o *Outcome, touching bool) trial.Landing {
	thicknessUM := r.Truth.ThinnestUM
	if touching {
		thicknessUM = r.polishedUM
	}
	l := trial.Landing{TargetUM: r.TargetUM, FloorUM: r.FloorUM, Rule: o.Rule, Touching: touching, TimeS: o.LandS,
		AdvisedUM: thicknessUM(o.StopS), ThinnestUM: thicknessUM(o.LandS)}
	l.ThinnestSiteUM = l.ThinnestUM
	l.Ended = !math.IsNaN(l.ThinnestUM) && !math.IsNaN(l.AdvisedUM)
	// His own reaction time is the nominal one: the hand has no part in the miss.
	if took := o.LandS - o.StopS; touching && took > 0 {
		l.NominalS, l.TakenS = took, took
		l.RateUMS = (l.AdvisedUM - l.ThinnestUM) / took
	}
	return l
}

// rateS is over how long before the end of the record its last rate is taken.
const rateS = 10

// polishedUM is the truth, beyond the end of polishing as if that went on at its last rate.
func (r *Run) polishedUM(timeS float64) float64 {
	if timeS <= r.endS {
		return r.Truth.ThinnestUM(timeS)
	}
	endUM := r.Truth.ThinnestUM(r.endS)
	return endUM - (r.Truth.ThinnestUM(r.endS-rateS)-endUM)/rateS*(timeS-r.endS)
}

// player is the operator who hears what is said in a run that is over.
type player struct {
	run     *Run
	adviser trial.Adviser

	level    advice.Level
	newest   guide.Advice
	down     bool    // pad on the die at the newest advice
	asked    bool    // told to lift and look, and nothing weaker since
	seenS    float64 // newest good reading
	prepareS float64 // since when at least prepare stands; NaN: it does not
	beyond   bool    // the record has ended, readings are taken to go on
	cut      bool    // the record ended with the pad lifted though this setting would have polished on

	stopS, trackUM, warnedS float64 // NaN: not stopped
	rule                    string
	touching                bool // at the stop
	looks                   int
}

// play goes through the events until the run ends. The adviser is not asked further.
func (r *Run) play(s Setting) (*player, error) {
	adviser, err := r.Adviser(s)
	if err != nil {
		return nil, err
	}
	nan := math.NaN()
	p := &player{run: r, adviser: adviser, down: true, seenS: math.Inf(-1), prepareS: nan, stopS: nan, trackUM: nan, warnedS: nan}
	for i, e := range r.Events {
		if i == r.lastLift && p.polishesOn() {
			p.cut = true
			return p, nil
		}
		if e.Reading != nil && e.Reading.Estimate.Quality == estimate.Good {
			p.seenS = e.TimeS
		}
		if touches := e.Process != nil && e.Process.Contact != nil && *e.Process.Contact; touches && !p.down && p.level == advice.Stop {
			p.stop(e.TimeS)
			return p, nil
		}
		for _, step := range tell(adviser, e) {
			if p.hear(step); !math.IsNaN(p.stopS) {
				return p, nil
			}
		}
	}
	switch {
	case p.down:
		p.cut = true
	case p.level == advice.Stop:
		p.stop(p.newest.TimeS)
	}
	return p, nil
}

// polishesOn tells, where the record has its last lift, whether this setting gave no
// reason to lift. A pad that hides the die goes up to look in any case.
func (p *player) polishesOn() bool { return !p.run.hidden && p.level < advice.Blind }

// hear takes one advice.
func (p *player) hear(step guide.Step) {
	a := step.Advice
	p.level, p.newest, p.down = a.Level, a, step.Forecast.Contact
	switch {
	case a.Level < advice.Prepare:
		p.prepareS = math.NaN()
	case math.IsNaN(p.prepareS):
		p.prepareS = a.TimeS
	}
	if !p.down || a.Level < advice.Blind {
		p.asked = false
		return
	}
	switch {
	case a.Level == advice.Stop && !p.blind(a.TimeS):
		p.stop(a.TimeS)
	case !p.asked && !p.beyond:
		p.looks++
		p.asked = true
	}
}

// blindS is how long without a good reading, and two more of them due, stop only means to
// look: as the operator of package trial has it.
const blindS = 4

func (p *player) blind(timeS float64) bool {
	return !p.beyond && (p.run.hidden || timeS-p.seenS > blindS+2*p.run.everyS)
}

func (p *player) stop(timeS float64) {
	p.stopS, p.trackUM, p.rule, p.touching = timeS, p.newest.ThinnestUM, p.newest.Rule, p.down
	p.warnedS = timeS - p.prepareS
}

// goOn lets the adviser hear that polishing goes on beyond the end of the record.
func (p *player) goOn(s float64) {
	p.beyond = true
	for _, step := range p.adviser.Advance(p.run.endS + s) {
		if p.hear(step); !math.IsNaN(p.stopS) {
			return
		}
	}
}
