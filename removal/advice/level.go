package advice

import "fmt"

// Level is one of the four advices, weakest first.
type Level int

// The advices in rising strength.
const (
	Continue Level = iota
	Prepare        // stop is near
	Blind          // no trustworthy sight for too long: lift, clean, look
	Stop
)

func names() []string { return []string{"continue", "prepare", "blind", "stop"} }

// String returns the word used in event lines and on the screen.
func (l Level) String() string {
	if n := names(); l >= 0 && int(l) < len(n) {
		return n[l]
	}
	return fmt.Sprintf("Level(%d)", int(l))
}

// ParseLevel is the inverse of String.
func ParseLevel(s string) (Level, error) {
	for i, name := range names() {
		if s == name {
			return Level(i), nil
		}
	}
	return Continue, fmt.Errorf("unknown advice %q: allowed are %q", s, names())
}
