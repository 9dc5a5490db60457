package removal

import "math"

// Outcome says what became of a measurement.
type Outcome int

// The outcomes of a measurement.
const (
	Started   Outcome = iota // the first measurement: the track of the place begins
	Accepted                 // used
	Rejected                 // too far from the prediction, or no number: not used
	Relocked                 // rejected ones agreed for long enough: the track moved to them
	Stale                    // older than the track: not used
	Undecided                // kept among the explanations of the place; none has won yet
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
	case Undecided:
		return "undecided"
	}
	return "unknown"
}

// Counts of what became of the measurements of a place; Accepted includes the first.
type Counts struct {
	Accepted, Rejected, Relocked, Stale, Undecided int
}

func (c *Counts) add(o Outcome) {
	switch o {
	case Started, Accepted:
		c.Accepted++
	case Rejected:
		c.Rejected++
	case Relocked:
		c.Relocked++
	case Stale:
		c.Stale++
	case Undecided:
		c.Undecided++
	}
}

// maxRivals is how many explanations of one place are kept.
const maxRivals = 4

// Rival is one explanation of a place that is not decided.
type Rival struct {
	ThicknessUM, SDUM float64
	Weight            float64 // probability; those of a place sum to 1
}

// State is what is believed about one place at one moment. Numbers are NaN before it
// was first measured.
type State struct {
	TimeS       float64
	ThicknessUM float64
	SDUM        float64 // standard uncertainty, without what is common to all measurements
	RateUMMin   float64 // removal rate while the pad touches the die, positive
	RateSDUMMin float64
	Contact     bool

	// Undecided tells that several fringe orders still explain the place. Rivals holds
	// them, heaviest first, unused ones zero; ThicknessUM and SDUM are mean and standard
	// deviation of them together.
	Undecided bool
	Rivals    [maxRivals]Rival

	place    place
	kinetics kinetics
}

// noState is the State of a place without a track.
func noState(timeS float64, contact bool) State {
	nan := math.NaN()
	return State{TimeS: timeS, ThicknessUM: nan, SDUM: nan, RateUMMin: nan, RateSDUMMin: nan, Contact: contact}
}

// newState reads a place.
func newState(timeS float64, contact bool, p *place, k *kinetics) State {
	x := p.pair()
	mean, sd := positive(x.b, math.Sqrt(math.Max(0, x.bb)))
	umMin := k.umPerS * secondsPerMinute
	return State{
		TimeS:       timeS,
		ThicknessUM: x.a,
		SDUM:        math.Sqrt(math.Max(0, x.aa)),
		RateUMMin:   mean * umMin,
		RateSDUMMin: sd * umMin,
		Contact:     contact,
		place:       *p,
		kinetics:    *k,
	}
}
