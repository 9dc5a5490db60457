// Package material gives the complex refractive index of the materials a
// thinned die is made of, from published tables.
//
// The tables are comma-separated files under tables/, each with its paper in
// its head, in nanometres, n and k (n + ik). Between the rows n is a natural
// cubic spline, and so is ln k where the table absorbs everywhere: fringes are
// sensitive to the slope of n, which must not jump at a row. Outside a table's
// range there is no value, only an error.
package material

import (
	"embed"
	"encoding/csv"
	"fmt"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/interp"
)

//go:embed tables/*.csv
var tables embed.FS

// entry names a material and its table. The paper is in the head of the table.
type entry struct {
	name, alias, file string
}

func catalogue() []entry {
	return []entry{
		{"Si", "silicon", "si_green2008.csv"},
		{"SiO2", "oxide", "sio2_malitson1965.csv"},
		{"Si3N4", "nitride", "si3n4_philipp1973.csv"},
		{"water", "H2O", "h2o_hale1973.csv"},
		{"air", "", "air_ciddor1996.csv"},
		{"Al", "aluminium", "al_rakic1995.csv"},
		{"Cu", "copper", "cu_johnson1972.csv"},
		{"W", "tungsten", "w_weaver1975.csv"},
		{"TiN", "", "tin_pfluger1984.csv"},
		{"resist", "polymer", "resist_epoxy_cauchy.csv"},
	}
}

// Material is the index of one material by wavelength and temperature.
// It is safe for use by several goroutines.
type Material struct {
	name         string
	source       string
	minNM, maxNM float64
	n            interp.NaturalCubic
	k            interp.NaturalCubic // of ln k when logK, else of k
	logK         bool
	thermal      *thermal // nil: no temperature coefficient is known
}

// Names lists the materials that Lookup knows.
func Names() []string {
	var names []string
	for _, e := range catalogue() {
		names = append(names, e.name)
	}
	return names
}

// Lookup returns the material of that name; case does not matter. The error
// lists the names that exist.
func Lookup(name string) (*Material, error) {
	for _, e := range catalogue() {
		if !strings.EqualFold(name, e.name) && (e.alias == "" || !strings.EqualFold(name, e.alias)) {
			continue
		}
		m, err := load(e)
		if err != nil {
			return nil, fmt.Errorf("material %s: %w", e.name, err)
		}
		return m, nil
	}
	return nil, fmt.Errorf("unknown material %q: known are %s", name, strings.Join(Names(), ", "))
}

// Name returns the name under which the material is listed.
func (m *Material) Name() string { return m.name }

// Source returns the head of the table: paper, temperature, range.
func (m *Material) Source() string { return m.source }

// RangeNM returns the shortest and the longest wavelength of the table.
func (m *Material) RangeNM() (minNM, maxNM float64) { return m.minNM, m.maxNM }

// Index returns n + ik at a vacuum wavelength and a temperature. The
// temperature matters for silicon only (Green 2008, reference 300 K). A
// wavelength outside the table is an error.
func (m *Material) Index(wavelengthNM, temperatureC float64) (complex128, error) {
	if !(wavelengthNM >= m.minNM && wavelengthNM <= m.maxNM) {
		return 0, fmt.Errorf("%s has no index at %g nm: its table spans %g to %g nm", m.name, wavelengthNM, m.minNM, m.maxNM)
	}
	n := m.n.Predict(wavelengthNM)
	k := m.k.Predict(wavelengthNM)
	if m.logK {
		k = math.Exp(k)
	}
	if m.thermal != nil {
		fn, fk := m.thermal.factors(wavelengthNM, temperatureC)
		n *= fn
		k *= fk
	}
	return complex(n, math.Max(k, 0)), nil
}

// Indices returns Index for every wavelength, in a slice of the same length.
func (m *Material) Indices(wavelengthNM []float64, temperatureC float64) ([]complex128, error) {
	index := make([]complex128, len(wavelengthNM))
	for i, w := range wavelengthNM {
		v, err := m.Index(w, temperatureC)
		if err != nil {
			return nil, err
		}
		index[i] = v
	}
	return index, nil
}

// AbsorptionDepthUM returns 1/α = λ/(4πk), the depth over which the power of a
// wave falls to 1/e, in micrometres; +Inf where the material does not absorb.
func (m *Material) AbsorptionDepthUM(wavelengthNM, temperatureC float64) (float64, error) {
	index, err := m.Index(wavelengthNM, temperatureC)
	if err != nil {
		return 0, err
	}
	return wavelengthNM / (4 * math.Pi * imag(index)) / 1000, nil
}

func load(e entry) (*Material, error) {
	t, err := readTable(e.file)
	if err != nil {
		return nil, err
	}
	m := &Material{name: e.name, source: t.head, minNM: t.columns[0][0], maxNM: t.columns[0][len(t.columns[0])-1]}
	if err := m.n.Fit(t.columns[0], t.columns[1]); err != nil {
		return nil, fmt.Errorf("%s: %w", e.file, err)
	}
	k := t.columns[2]
	m.logK = true
	for _, v := range k {
		m.logK = m.logK && v > 0
	}
	if m.logK {
		for i, v := range k {
			k[i] = math.Log(v)
		}
	}
	if err := m.k.Fit(t.columns[0], k); err != nil {
		return nil, fmt.Errorf("%s: %w", e.file, err)
	}
	if e.name == "Si" {
		if m.thermal, err = loadThermal(); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// table is a comma-separated file: '#' lines are its head, then a line of
// column names, then numbers. An empty cell is NaN.
type table struct {
	head    string
	columns [][]float64
}

func readTable(file string) (table, error) {
	data, err := tables.ReadFile("tables/" + file)
	if err != nil {
		return table{}, err
	}
	var t table
	for line := range strings.Lines(string(data)) {
		if text, ok := strings.CutPrefix(line, "#"); ok {
			t.head += strings.TrimSpace(text) + "\n"
		}
	}
	r := csv.NewReader(strings.NewReader(string(data)))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		return table{}, fmt.Errorf("%s: %w", file, err)
	}
	t.columns = make([][]float64, len(rows[0]))
	for _, row := range rows[1:] {
		for j, cell := range row {
			v := math.NaN()
			if cell != "" {
				if v, err = strconv.ParseFloat(cell, 64); err != nil {
					return table{}, fmt.Errorf("%s: %w", file, err)
				}
			}
			t.columns[j] = append(t.columns[j], v)
		}
	}
	return t, nil
}
