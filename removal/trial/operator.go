package trial

import (
	"math"
	"math/rand/v2"
	"slices"

	"bluefringe/optics/estimate"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// How the operator works (common practice, no source).
const (
	reactionRelSD = 0.2 // of the reaction time, from one advice to the next
	plannedSD     = 0.2 // s, of a lift at a time that was planned
	touchS        = 1.5 // from the decision to polish on to the pad on the die
	lookS         = 4.0 // a look lasts that long from a good reading of every site
	blindS        = 4.0 // without a good reading, and two more of them due: blind
	longestLookS  = 600 // then the run is given up

	// Between two looks he polishes as long as the adviser says he may; where it says
	// nothing of that, for this part of the time that is said to be left.
	stretchPart   = 1.0 / 3
	shortestS     = 1.0
	firstStretchS = 10.0 // when nothing is said of the time left
)

// operator is the one at the machine. He looks at every site before the pad first
// touches the die. While it does he lifts when told to, a reaction time later: after
// stop for good, but after blind, or stop without sight, only to look. In a run where
// the pad hides the die he lifts to look after each stretch. At the end of a look he
// does what he is told then: stop ends the run, blind makes him look on.
type operator struct {
	c   *Case
	rng *rand.Rand

	blindfold bool // never lifts to look
	touching  bool
	lookFromS float64
	clearS    float64   // since when, in this look, every site has been seen
	good      []float64 // time of the last good reading, by site
	seenS     float64   // the newest of them

	level     advice.Level // of the newest advice
	toTargetS float64      // median time left, as last said of the thinnest site; NaN: not said
	mayS      float64      // longest stretch, as last said in this look; NaN: not said

	liftS, touchS float64 // when the hand will move; +Inf: not decided
	reacting      bool    // the lift follows an advice and was not planned
	final         bool    // the lift ends the run
	over          bool    // the run has ended, or was given up
	gaveUp        bool
}

func newOperator(c *Case, blindfold bool) *operator {
	never := math.Inf(1)
	o := &operator{c: c, rng: c.stream(streamHand), blindfold: blindfold, clearS: never, toTargetS: math.NaN(), mayS: math.NaN(),
		good: make([]float64, len(c.Shape.Sites)), seenS: -never, liftS: never, touchS: never}
	for i := range o.good {
		o.good[i] = math.Inf(-1)
	}
	return o
}

// sees takes in what is on the screen of a reading.
func (o *operator) sees(site int, e *guide.Estimate) {
	if e.Quality == estimate.Good {
		o.good[site], o.seenS = e.TimeS, e.TimeS
		if !o.touching && math.IsInf(o.clearS, 1) && slices.Min(o.good) >= o.lookFromS {
			o.clearS = e.TimeS
		}
	}
}

// hears takes an advice that is given at timeS. It tells whether that decided the end
// of the run.
func (o *operator) hears(timeS float64, s guide.Step) (ends bool) {
	o.level = s.Advice.Level
	if s.Forecast.Site == s.Advice.Site {
		o.toTargetS = s.Forecast.ToTargetS.P50S
	}
	if !o.touching {
		o.mayS = s.Advice.NextStretchS
	}
	if !o.touching || o.level < advice.Blind || o.final {
		return false
	}
	if !o.reacting {
		o.reacting = true
		o.liftS = math.Min(o.liftS, timeS+o.reacts())
	}
	o.final = o.level == advice.Stop && (o.blindfold || !o.blind(timeS))
	return o.final
}

func (o *operator) reacts() float64 {
	return math.Max(0.3, o.c.ReactionS*(1+reactionRelSD*o.rng.NormFloat64()))
}

func (o *operator) blind(timeS float64) bool {
	return o.c.Intermittent() || timeS-o.seenS > blindS+2*o.c.Sight.EveryS
}

// moves is called when the hand has moved.
func (o *operator) moves(timeS float64) {
	o.liftS, o.touchS = math.Inf(1), math.Inf(1)
	o.touching, o.reacting = !o.touching, false
	switch {
	case !o.touching:
		o.lookFromS, o.clearS = timeS, math.Inf(1)
		o.over = o.final
	case o.c.Intermittent() && !o.blindfold:
		stretchS := firstStretchS
		switch {
		case !math.IsNaN(o.mayS):
			stretchS = math.Max(shortestS, o.mayS)
		case !math.IsNaN(o.toTargetS):
			stretchS = math.Max(shortestS, stretchPart*o.toTargetS)
		}
		o.liftS = timeS + math.Max(0.3, math.Min(stretchS, o.c.StretchS)+plannedSD*o.rng.NormFloat64())
	}
}

// looks decides, with the pad off the die, whether the look is over and what then. It
// tells whether that decided the end of the run.
func (o *operator) looks(timeS float64) (ends bool) {
	if o.touching || o.over || !math.IsInf(o.touchS, 1) {
		return false
	}
	if timeS-o.lookFromS > longestLookS {
		o.over, o.gaveUp = true, true
		return false
	}
	if timeS-o.clearS < lookS { // also while clearS is +Inf
		return false
	}
	switch o.level {
	case advice.Stop:
		o.over = true
		return true
	case advice.Blind:
		return false
	}
	o.touchS = timeS + touchS
	return false
}
