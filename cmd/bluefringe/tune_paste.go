package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
)

// paste is the best setting as it stands in a set-up file: tables with what was varied,
// rules whole. What made no difference stays out, as the set-up has it. Empty: the set-up's
// own does as well.
func (r *tuned) paste() string {
	best := r.settings[r.choice.Best()]
	if !(r.cost(r.choice.Best()) < r.choice.Own) {
		return ""
	}
	s := r.first
	changed := make([]bool, len(best))
	for j, v := range best {
		if changed[j] = r.matters(j); changed[j] {
			r.knobs[j].set(&s, v)
		}
	}
	var b strings.Builder
	for _, table := range []string{"stop", "target", "process"} {
		begun := false
		for j, a := range r.axes {
			name, ok := strings.CutPrefix(a.Key, table+".")
			if !ok || !changed[j] {
				continue
			}
			if !begun {
				fmt.Fprintf(&b, "[%s]\n", table)
				begun = true
			}
			fmt.Fprintf(&b, "%s = %s\n", name, number64(best[j]))
		}
	}
	for i, rule := range s.Rule {
		if rule != r.first.Rule[i] {
			fmt.Fprintf(&b, "[[rule]]\nname = %s\nwhen = %s\nfor_s = %s\nadvice = %s\n", quoted(rule.Name), quoted(rule.When), number64(rule.ForS), quoted(rule.Advice))
		}
	}
	return b.String()
}

// quoted is a basic string of TOML, which takes the escapes of JSON (TOML 1.0).
func quoted(text string) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(text); err != nil {
		return `""` // cannot happen: text always encodes
	}
	return strings.TrimSuffix(b.String(), "\n")
}
