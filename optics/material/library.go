package material

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// Library is the built-in materials and the operator's own. A nil or zero
// Library holds the built-in ones.
type Library struct {
	own []*Material
}

// Names lists the built-in materials.
func Names() []string { return (*Library)(nil).Names() }

// Lookup returns the built-in material of that name; case does not matter. The
// error lists the names that exist.
func Lookup(name string) (*Material, error) { return (*Library)(nil).Lookup(name) }

// Add puts a material of the operator's own under a name that no other has.
func (l *Library) Add(name string, m *Material) error {
	const most = 40 // bytes
	if name = strings.TrimSpace(name); name == "" || len(name) > most {
		return fmt.Errorf("found a material name of %d bytes: 1 to %d are allowed", len(name), most)
	}
	if strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fmt.Errorf("found the material name %q: printable characters are allowed", name)
	}
	if l.has(name) {
		return fmt.Errorf("found a second material called %q: another name is needed", name)
	}
	own := *m
	own.name = name
	l.own = append(l.own, &own)
	return nil
}

func (l *Library) has(name string) bool {
	return slices.ContainsFunc(catalogue(), func(e entry) bool { return e.is(name) }) || l.find(name) != nil
}

// Names lists the built-in materials, then the operator's own.
func (l *Library) Names() []string {
	var names []string
	for _, e := range catalogue() {
		names = append(names, e.name)
	}
	if l != nil {
		for _, m := range l.own {
			names = append(names, m.name)
		}
	}
	return names
}

// Lookup returns the material of that name; case does not matter. The error
// lists the names that exist.
func (l *Library) Lookup(name string) (*Material, error) {
	if m := l.find(name); m != nil {
		return m, nil
	}
	for _, e := range catalogue() {
		if !e.is(name) {
			continue
		}
		m, err := e.load()
		if err != nil {
			return nil, fmt.Errorf("material %s: %w", e.name, err)
		}
		m.name = e.name
		return m, nil
	}
	return nil, fmt.Errorf("unknown material %q: known are %s", name, strings.Join(l.Names(), ", "))
}

// find returns the operator's own material of that name, or nil.
func (l *Library) find(name string) *Material {
	if l != nil {
		for _, m := range l.own {
			if strings.EqualFold(name, m.name) {
				return m
			}
		}
	}
	return nil
}

func (e entry) is(name string) bool {
	return strings.EqualFold(name, e.name) || e.alias != "" && strings.EqualFold(name, e.alias)
}
