package estimate

import "fmt"

// Quality says how far an estimate may be trusted.
type Quality int

// The four qualities, best first.
const (
	Good      Quality = iota
	Weak              // the thickness stands, with a wide uncertainty
	Ambiguous         // two fringe orders explain the spectrum
	Lost              // no thickness
)

// String returns the word used in event lines and on the screen.
func (q Quality) String() string {
	switch q {
	case Good:
		return "good"
	case Weak:
		return "weak"
	case Ambiguous:
		return "ambiguous"
	case Lost:
		return "lost"
	}
	return fmt.Sprintf("Quality(%d)", int(q))
}
