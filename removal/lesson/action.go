package lesson

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Kind is what a trainee does.
type Kind int

// The kinds of actions.
const (
	Lift      Kind = iota // pad off the die
	Wipe                  // with the pad off: die and window are wiped clean, to look
	Reference             // with the pad off: dark and reference are taken anew
	Polish                // pad on the die
	Force                 // another force
	Stop                  // pad off the die for good: the run ends
)

func kinds() []string { return []string{"lift", "look", "reference", "polish", "force", "stop"} }

// String returns the word of a script.
func (k Kind) String() string {
	if n := kinds(); k >= 0 && int(k) < len(n) {
		return n[k]
	}
	return fmt.Sprintf("Kind(%d)", int(k))
}

// Action is one deed at a time.
type Action struct {
	TimeS  float64
	Kind   Kind
	ForceN float64 // of Force
}

// String returns the line of a script.
func (a Action) String() string {
	line := strconv.FormatFloat(a.TimeS, 'f', -1, 64) + " " + a.Kind.String()
	if a.Kind == Force {
		line += " " + strconv.FormatFloat(a.ForceN, 'f', -1, 64)
	}
	return line
}

// MaxActions bounds a script.
const MaxActions = 10000

// ParseScript reads actions, one a line: a time in seconds that does not fall, a word,
// and after force the newtons; nothing after a stop. Empty lines and what follows a # do
// not count. The error says the line, what was found and what is allowed.
func ParseScript(text string) ([]Action, error) {
	var list []Action
	lastS := 0.0
	for i, line := range strings.Split(text, "\n") {
		line, _, _ = strings.Cut(line, "#")
		fields := strings.Fields(line)
		if len(fields) == 0 {
			continue
		}
		a, err := parseAction(fields)
		switch {
		case err != nil:
			return nil, fmt.Errorf("line %d: %w", i+1, err)
		case len(list) > 0 && list[len(list)-1].Kind == Stop:
			return nil, fmt.Errorf("line %d: found %s after stop: nothing is allowed there", i+1, a.Kind)
		case a.TimeS < lastS:
			return nil, fmt.Errorf("line %d: found %g s after %g s: a time that does not fall is allowed", i+1, a.TimeS, lastS)
		case len(list) == MaxActions:
			return nil, fmt.Errorf("line %d: more than %d actions: fewer are allowed", i+1, MaxActions)
		}
		lastS = a.TimeS
		list = append(list, a)
	}
	return list, nil
}

func parseAction(fields []string) (a Action, err error) {
	const lastS = 86400
	if a.TimeS, err = strconv.ParseFloat(fields[0], 64); err != nil || !(a.TimeS > 0 && a.TimeS <= lastS) {
		return a, fmt.Errorf("found %.40q: a time above 0 and up to %d s is allowed", fields[0], lastS)
	}
	a.TimeS = math.Round(a.TimeS*1000) / 1000
	if len(fields) == 1 {
		return a, fmt.Errorf("found a time alone: one of %s must follow", strings.Join(kinds(), ", "))
	}
	for k, name := range kinds() {
		if fields[1] == name {
			a.Kind = Kind(k)
			return a, a.parseRest(fields[2:])
		}
	}
	return a, fmt.Errorf("found %.40q: one of %s is allowed", fields[1], strings.Join(kinds(), ", "))
}

func (a *Action) parseRest(rest []string) (err error) {
	switch {
	case a.Kind != Force && len(rest) > 0:
		return fmt.Errorf("found %.40q after %s: nothing is allowed there", rest[0], a.Kind)
	case a.Kind != Force:
		return nil
	case len(rest) != 1:
		return fmt.Errorf("found %d words after force: one number, in N, is allowed", len(rest))
	}
	if a.ForceN, err = strconv.ParseFloat(rest[0], 64); err != nil || !(a.ForceN > 0 && a.ForceN < 1e4) {
		return fmt.Errorf("found a force of %.40q: a number above 0, in N, is allowed", rest[0])
	}
	return nil
}
