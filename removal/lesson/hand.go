package lesson

import (
	"fmt"
	"math"
)

// Hand turns actions into what happens at the machine, and refuses what is not possible.
// Each movement takes its time; what is asked for meanwhile begins when it is done.
type Hand struct {
	Limits
	down   bool    // pad on the die, or on its way there
	freeS  float64 // when the last movement is done
	ended  bool
	forceN float64
}

// Limits is how long movements take and how far the force may go.
type Limits struct {
	LiftS                float64 // from the decision to the pad off the die
	TouchS               float64 // and to the pad on it
	WipeS                float64 // to wipe die and window
	ReferenceS           float64 // to take dark and reference anew
	ForceMinN, ForceMaxN float64
	AfterS               float64 // from the last lift to the end of the record
}

// Change is what happens at the machine at a time; nil fields stay as they are.
type Change struct {
	TimeS   float64
	Contact *bool
	ForceN  *float64
	Wipe    bool // slurry on the view goes away
	Refer   bool // dark and reference are taken anew
	End     bool // the record ends
}

// RefusedError is an action that is not possible.
type RefusedError struct {
	Action Action
	Reason string
}

func (e *RefusedError) Error() string {
	return fmt.Sprintf("%s at %g s: %s", e.Action.Kind, e.Action.TimeS, e.Reason)
}

// NewHand returns the hand of a run whose pad comes down by itself at contactS.
func NewHand(limits Limits, contactS, forceN float64) *Hand {
	return &Hand{Limits: limits, down: true, freeS: contactS, forceN: forceN}
}

// Down tells whether the pad is on the die or on its way there, ForceN is the newest
// force, and Ended whether the last lift was asked for.
func (h *Hand) Down() bool      { return h.down }
func (h *Hand) ForceN() float64 { return h.forceN }
func (h *Hand) Ended() bool     { return h.ended }

// Do takes an action and returns what comes of it, in the order of time.
func (h *Hand) Do(a Action) ([]Change, error) {
	refuse := func(format string, args ...any) ([]Change, error) {
		return nil, &RefusedError{a, fmt.Sprintf(format, args...)}
	}
	from := math.Max(a.TimeS, h.freeS)
	done := func(takesS float64, c Change) ([]Change, error) {
		c.TimeS = milliseconds(from + takesS)
		h.freeS = c.TimeS
		return []Change{c}, nil
	}
	switch {
	case h.ended:
		return refuse("the run has been stopped")
	case a.Kind == Lift && !h.down:
		return refuse("the pad is off the die already")
	case a.Kind == Polish && h.down:
		return refuse("the pad is on the die already")
	case (a.Kind == Wipe || a.Kind == Reference) && h.down:
		return refuse("the pad is on the die: lift first")
	case a.Kind == Force && !(a.ForceN >= h.ForceMinN && a.ForceN <= h.ForceMaxN):
		return refuse("found %g N: %g to %g N is allowed", a.ForceN, h.ForceMinN, h.ForceMaxN)
	}
	switch a.Kind {
	case Lift:
		h.down = false
		return done(h.LiftS, Change{Contact: new(false)})
	case Polish:
		h.down = true
		return done(h.TouchS, Change{Contact: new(true)})
	case Wipe:
		return done(h.WipeS, Change{Wipe: true})
	case Reference:
		return done(h.ReferenceS, Change{Refer: true})
	case Force:
		h.forceN = a.ForceN
		return []Change{{TimeS: a.TimeS, ForceN: &a.ForceN}}, nil
	}
	h.ended = true
	var list []Change
	if h.down {
		h.down = false
		list, _ = done(h.LiftS, Change{Contact: new(false)})
		from = h.freeS
	}
	end, _ := done(h.AfterS, Change{End: true})
	return append(list, end...), nil
}

func milliseconds(timeS float64) float64 { return math.Round(timeS*1000) / 1000 }
