package main

import (
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/tune"
)

// knob is a number of a set-up that can be varied. Its set must leave alone what other
// copies of the set-up share.
type knob struct {
	get func(setup.Setup) float64
	set func(*setup.Setup, float64)
	// example is a set-up with nothing but that number, in place of %s: the set-up's own
	// bounds are those of the knob.
	example string
	// fromZero tells that 0 means 0; elsewhere it means that the default counts.
	fromZero bool
}

// knobs are those of a set-up, by key.
func knobs(s setup.Setup) map[string]knob {
	list := map[string]knob{
		"stop.reaction_s":        plainKnob("stop", "reaction_s", func(s *setup.Setup) *float64 { return &s.Stop.ReactionS }),
		"stop.risk_floor":        plainKnob("stop", "risk_floor", func(s *setup.Setup) *float64 { return &s.Stop.RiskFloor }),
		"stop.risk_stretch":      plainKnob("stop", "risk_stretch", func(s *setup.Setup) *float64 { return &s.Stop.RiskStretch }),
		"stop.prepare_s":         plainKnob("stop", "prepare_s", func(s *setup.Setup) *float64 { return &s.Stop.PrepareS }),
		"target.window_um":       plainKnob("target", "window_um", func(s *setup.Setup) *float64 { return &s.Target.WindowUM }),
		"process.preston_rel_sd": plainKnob("process", "preston_rel_sd", func(s *setup.Setup) *float64 { return &s.Process.PrestonRelSD }),
	}
	for i, r := range s.Rule {
		list["rule."+r.Name+".for_s"] = holdKnob(i)
		for n := range numbersIn(r.When) {
			list[fmt.Sprintf("rule.%s.number_%d", r.Name, n+1)] = numberKnob(i, n)
		}
	}
	return list
}

func plainKnob(table, name string, at func(*setup.Setup) *float64) knob {
	return knob{
		get:     func(s setup.Setup) float64 { return *at(&s) },
		set:     func(s *setup.Setup, v float64) { *at(s) = v },
		example: fmt.Sprintf("[%s]\n%s = %%s\n", table, name),
	}
}

// holdKnob is how long a rule must hold.
func holdKnob(i int) knob {
	return knob{
		get: func(s setup.Setup) float64 { return s.Rule[i].ForS },
		set: func(s *setup.Setup, v float64) {
			s.Rule = slices.Clone(s.Rule)
			s.Rule[i].ForS = v
		},
		example:  "[[rule]]\nname = \"x\"\nwhen = \"contact\"\nadvice = \"stop\"\nfor_s = %s\n",
		fromZero: true,
	}
}

// numberKnob is the n-th number, from 0, in the condition of a rule.
func numberKnob(i, n int) knob {
	return knob{
		get: func(s setup.Setup) float64 {
			at := numbersIn(s.Rule[i].When)[n]
			v, _ := strconv.ParseFloat(s.Rule[i].When[at[0]:at[1]], 64)
			return v
		},
		set: func(s *setup.Setup, v float64) {
			s.Rule = slices.Clone(s.Rule)
			when := &s.Rule[i].When
			at := numbersIn(*when)[n]
			*when = (*when)[:at[0]] + number64(v) + (*when)[at[1]:]
		},
		fromZero: true,
	}
}

// numbersIn finds the decimal numbers of a condition, not those inside names such as
// visibility_470.
func numbersIn(when string) [][]int {
	var found [][]int
	words := regexp.MustCompile(`[A-Za-z_][A-Za-z0-9_]*|(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?`)
	for _, at := range words.FindAllStringIndex(when, -1) {
		if c := when[at[0]]; c == '.' || (c >= '0' && c <= '9') {
			found = append(found, at)
		}
	}
	return found
}

func number64(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// knobsFor finds the knobs of axes in a set-up.
func knobsFor(axes []tune.Axis, s setup.Setup) ([]knob, error) {
	list := knobs(s)
	known := slices.Sorted(maps.Keys(list))
	found := make([]knob, len(axes))
	for j, axis := range axes {
		k, ok := list[axis.Key]
		if !ok {
			return nil, fmt.Errorf("--vary: found %q, which %s does not have: the nearest key is %s; allowed are %s",
				event.Clean(axis.Key), event.Clean(s.Name), tune.Nearest(axis.Key, known), strings.Join(known, ", "))
		}
		for _, v := range axis.Values {
			if err := k.check(v); err != nil {
				return nil, fmt.Errorf("--vary %s: %w", axis.Key, err)
			}
		}
		found[j] = k
	}
	return found, nil
}

func (k knob) check(v float64) error {
	if v == 0 && !k.fromZero {
		return errors.New("found 0, which in a set-up means the default: above 0 is allowed")
	}
	if k.example == "" {
		return nil
	}
	_, err := setup.Parse("", fmt.Appendf(nil, k.example, number64(v)))
	var problems setup.Problems
	if errors.As(err, &problems) {
		return errors.New(problems[0].Text)
	}
	return err
}

// settingOf is what a set-up itself has for the axes.
func settingOf(s setup.Setup, knobs []knob) tune.Setting {
	own := make(tune.Setting, len(knobs))
	for j, k := range knobs {
		own[j] = k.get(s)
	}
	return own
}

// withSetting is a set-up with other values; nil changes nothing.
func withSetting(s setup.Setup, knobs []knob, values tune.Setting) setup.Setup {
	for j := range values {
		knobs[j].set(&s, values[j])
	}
	return s
}
