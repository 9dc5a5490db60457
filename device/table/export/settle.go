package export

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// ErrNone says that a file holds no spectrum.
var ErrNone = errors.New("no spectrum found")

// Settle gives spectra their units. prose are the lines of the file that hold no numbers.
func Settle(series []Raw, prose []string, o Options) (File, error) {
	var f File
	series, err := f.pick(series, o.Only)
	if err != nil {
		return f, err
	}
	axes, err := f.axes(series, prose, o.Axis)
	if err != nil {
		return f, err
	}
	roles := rolesOf(series)
	kind, err := f.kind(series, roles, prose, o.Kind)
	if err != nil {
		return f, err
	}
	counted := kind == Counts
	for i, r := range series {
		if roles[i] != Sample && !counted {
			f.Notes = append(f.Notes, fmt.Sprintf("%q was left out: a reflectance needs neither dark nor reference", short(r.Name)))
			continue
		}
		s := Spectrum{Name: short(r.Name), Site: r.Site, Role: roles[i], WavelengthNM: axes[i], Counted: counted,
			Values: make([]float64, len(r.Y)), TimeS: r.TimeS, Timed: r.Timed, When: r.When}
		for j, y := range r.Y {
			s.Values[j] = kind.convert(y)
		}
		f.Spectra = append(f.Spectra, s)
	}
	return f, nil
}

// pick returns the spectra that were asked for, without uncertainties.
func (f *File) pick(series []Raw, only []string) ([]Raw, error) {
	var out []Raw
	used := make([]bool, len(only))
	for k, name := range only {
		used[k] = slices.ContainsFunc(series, func(r Raw) bool { return sameName(name, r.Name) })
	}
	byName := slices.Clone(used) // a name that is a number is a name first
	for i, r := range series {
		taken := len(only) == 0
		for k, name := range only {
			if byName[k] && sameName(name, r.Name) || !byName[k] && name == strconv.Itoa(i+1) {
				taken, used[k] = true, true
			}
		}
		if !taken {
			continue
		}
		if len(only) == 0 && kindHint(r.YHead) == saysSpread {
			f.Notes = append(f.Notes, fmt.Sprintf("line %d: %q was left out: an uncertainty, not a spectrum", r.Line, short(r.YHead)))
			continue
		}
		out = append(out, r)
	}
	for k, name := range only {
		if !used[k] {
			var names []string
			for _, r := range series {
				names = append(names, strconv.Quote(short(r.Name)))
			}
			const most = 20
			if names = uniq(names); len(names) > most {
				names = append(names[:most], "…")
			}
			return nil, fmt.Errorf("--only: found no spectrum %q: the file has %s, or numbers 1 to %d", name, strings.Join(names, ", "), len(series))
		}
	}
	if len(out) == 0 {
		return nil, ErrNone
	}
	return out, nil
}

func sameName(a, b string) bool {
	return strings.EqualFold(strings.TrimSpace(a), strings.TrimSpace(b))
}

// axes returns the wavelengths of every spectrum; equal axes share a slice. Spectra with
// the same head are in the same unit.
func (f *File) axes(series []Raw, prose []string, forced Axis) ([][]float64, error) {
	lo, hi := map[string]float64{}, map[string]float64{}
	for _, r := range series {
		if err := r.check(); err != nil {
			return nil, err
		}
		first, last := r.X[0], r.X[len(r.X)-1]
		if _, seen := lo[r.XHead]; !seen {
			lo[r.XHead], hi[r.XHead] = math.Inf(1), math.Inf(-1)
		}
		lo[r.XHead], hi[r.XHead] = min(lo[r.XHead], first, last), max(hi[r.XHead], first, last)
	}
	units := map[string]Axis{}
	var out, known [][]float64
	var knownX [][]float64
	var knownUnit []Axis
	for _, r := range series {
		unit, seen := units[r.XHead]
		if !seen {
			var note string
			var err error
			if unit, note, err = settleAxis(lo[r.XHead], hi[r.XHead], r.XHead, prose, forced); err != nil {
				return nil, err
			}
			units[r.XHead] = unit
			if note != "" {
				f.Notes = append(f.Notes, note)
			}
		}
		nm := []float64(nil)
		// Neighbours share axes: looking at the latest few finds them.
		const look = 4
		for k := len(known) - 1; k >= 0 && k >= len(known)-look; k-- {
			if knownUnit[k] == unit && (&knownX[k][0] == &r.X[0] || slices.Equal(knownX[k], r.X)) {
				nm = known[k]
				break
			}
		}
		if nm == nil {
			nm = make([]float64, len(r.X))
			for i, x := range r.X {
				nm[i] = unit.nm(x)
				if i > 0 && nm[i] == nm[i-1] {
					return nil, fmt.Errorf("line %d: the abscissae %g and %g are too close", r.Line, r.X[i-1], x)
				}
			}
			known, knownX, knownUnit = append(known, nm), append(knownX, r.X), append(knownUnit, unit)
		}
		out = append(out, nm)
	}
	return out, nil
}

// check refuses what is no spectrum.
func (r *Raw) check() error {
	if len(r.X) != len(r.Y) || len(r.X) < MinPoints {
		return fmt.Errorf("line %d: found a spectrum of %d points: at least %d are needed", r.Line, len(r.X), MinPoints)
	}
	if len(r.X) > MaxPoints {
		return fmt.Errorf("line %d: found a spectrum of %d points: at most %d are allowed", r.Line, len(r.X), MaxPoints)
	}
	for i, x := range r.X {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return fmt.Errorf("line %d: the abscissa of point %d is no number", r.Line, i+1)
		}
		if i > 0 && (x == r.X[i-1] || (x > r.X[i-1]) != (r.X[1] > r.X[0])) {
			return fmt.Errorf("line %d: the abscissa %g stands behind %g: only rising or only falling ones are allowed", r.Line, x, r.X[i-1])
		}
	}
	for _, y := range r.Y {
		if !math.IsNaN(y) {
			return nil
		}
	}
	return fmt.Errorf("line %d: the spectrum %q holds no values", r.Line, short(r.Name))
}

// rolesOf finds dark and reference by name. A file of nothing else holds samples.
func rolesOf(series []Raw) []Role {
	out := make([]Role, len(series))
	samples := 0
	for i, r := range series {
		if out[i] = RoleOf(r.Name); out[i] == Sample {
			samples++
		}
	}
	if samples == 0 {
		clear(out)
	}
	return out
}

// kind settles the one quantity of all samples.
func (f *File) kind(series []Raw, roles []Role, prose []string, forced Kind) (Kind, error) {
	said := map[word][]Raw{}
	var order []word
	for i, r := range series {
		if roles[i] != Sample {
			continue
		}
		w := kindHint(r.YHead)
		if forced != "" {
			w = unsaid
		}
		if len(said[w]) == 0 {
			order = append(order, w)
		}
		said[w] = append(said[w], r)
	}
	if len(order) > 1 {
		var names []string
		for _, w := range order {
			as := string(w)
			if w == unsaid {
				as = "not said"
			}
			names = append(names, fmt.Sprintf("%q (%s)", short(said[w][0].Name), as))
		}
		return "", fmt.Errorf("the spectra are different things: %s: --only picks those to take, --kind says that they are all one", strings.Join(names, ", "))
	}
	samples := said[order[0]]
	kind, note, err := settleKind(spreadOf(samples), samples[0].YHead, prose, forced)
	if note != "" {
		f.Notes = append(f.Notes, note)
	}
	return kind, err
}
