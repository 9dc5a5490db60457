package lesson

import (
	"math"

	"bluefringe/optics/estimate"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// lookS is how long a follower looks on from the time when every site is seen again, and
// patienceS how long he reads doubtful numbers instead: some doubts only polishing settles
// (common practice, no source).
const (
	lookS     = 4.0
	patienceS = 12.0
)

// Follower is an operator who does what the advice says: a personal reaction after blind
// he lifts, wipes and looks; after stop he stops, unless nothing is seen, which is a
// reason to look too. After a look he polishes on, for no longer than the advice allows
// where the view has failed before.
type Follower struct {
	PersonS   float64 // from the advice to the hand
	Sites     int
	Reference bool // the first look takes a new reference too

	hand   *Hand
	dueS   float64 // when the action that was decided is done; +Inf: none
	due    Kind
	good   map[string]float64 // time of the last good reading, by site
	seenS  float64            // the newest of them
	readS  float64            // time of the last reading with a number, good or not
	lookS  float64            // since when he looks
	clearS float64            // since when, in this look, every site is seen
}

// NewFollower returns the operator at a hand.
func NewFollower(hand *Hand, personS float64, sites int, reference bool) *Follower {
	return &Follower{PersonS: personS, Sites: sites, Reference: reference, hand: hand,
		dueS: math.Inf(1), good: map[string]float64{}, seenS: math.Inf(-1), clearS: math.Inf(1)}
}

// Hears takes what the engine says.
func (f *Follower) Hears(s guide.Step) {
	if e := s.Estimate; e != nil && e.Quality != estimate.Lost {
		f.readS = e.TimeS
		if e.Quality == estimate.Good {
			f.good[e.Site], f.seenS = e.TimeS, e.TimeS
		}
	}
	if f.hand.Ended() || !math.IsInf(f.dueS, 1) {
		return
	}
	if f.hand.Down() {
		f.polishing(s)
	} else {
		f.looking(s)
	}
}

func (f *Follower) polishing(s guide.Step) {
	if !s.Forecast.Contact {
		return // the pad is still on its way down
	}
	switch s.Advice.Level {
	case advice.Stop:
		f.dueS, f.due = s.TimeS+f.PersonS, Stop
		if s.TimeS-f.seenS > unseenS {
			f.due = Lift
		}
	case advice.Blind:
		f.dueS, f.due = s.TimeS+f.PersonS, Lift
	}
}

func (f *Follower) looking(s guide.Step) {
	if s.TimeS < f.hand.freeS {
		return
	}
	if math.IsInf(f.clearS, 1) {
		if f.seen(f.lookS) || f.readS-f.lookS >= patienceS {
			f.clearS = s.TimeS
		}
		return
	}
	if s.TimeS-f.clearS < lookS {
		return
	}
	switch s.Advice.Level {
	case advice.Stop:
		f.dueS, f.due = s.TimeS, Stop
	case advice.Blind: // look on
	default:
		f.dueS, f.due = s.TimeS, Polish
	}
}

// seen tells whether every site has been read well since a time.
func (f *Follower) seen(sinceS float64) bool {
	n := 0
	for _, s := range f.good {
		if s >= sinceS {
			n++
		}
	}
	return n >= f.Sites
}

// Acts returns what is due up to a time, not before the run is at fromS.
func (f *Follower) Acts(fromS, toS float64) []Action {
	if f.dueS > toS {
		return nil
	}
	at := milliseconds(math.Max(f.dueS, fromS))
	list := []Action{{TimeS: at, Kind: f.due}}
	f.dueS = math.Inf(1)
	if f.due != Lift {
		return list
	}
	list = append(list, Action{TimeS: at, Kind: Wipe})
	f.lookS, f.clearS = at+f.hand.LiftS+f.hand.WipeS, math.Inf(1)
	if f.Reference {
		list = append(list, Action{TimeS: at, Kind: Reference})
		f.lookS += f.hand.ReferenceS
		f.Reference = false
	}
	return list
}
