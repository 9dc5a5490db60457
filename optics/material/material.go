// Package material gives the complex refractive index of the materials a
// thinned die is made of, from published tables and formulas, and the operator's
// own tables.
//
// The tables are comma-separated files under tables/, each with its paper in
// its head, in nanometres, n and k (n + ik). Between the rows n is a natural
// cubic spline, and so is ln k where the table absorbs everywhere: fringes are
// sensitive to the slope of n, which must not jump at a row. Tungsten, read off a
// figure, is an Akima spline, which does not swing between rows that lie close.
// Where a paper gives a formula, the formula is used: it is exact between rows.
// Outside the range of a table or formula there is no value, only an error.
//
// Silicon is joined from two papers at 300 K: Green 2008 up to 900 nm, and from
// 1000 nm up a smooth dispersion formula fitted once to Green (850-1190 nm) and
// Li 1980 (1200-1800 nm), because three decimals at 10 nm leave the group index
// uncertain by 3 % there. The papers differ by 0.0018 where they meet; the
// formula runs between them, within 0.0016 of every row of both (0.05 %), which is
// its uncertainty; Salzberg and Villa 1957 lie 0.06 % above it at 1360 nm and
// 0.02 % at 1550 nm. Its group index is good to 0.3 %. k is band-to-band
// absorption (Green) up to 1450 nm, where it is below 2e-13, and 0 beyond.
// dn/dT is Green's, from 550 nm up a smooth fit to Green and Li, good to 5 %.
// Doped silicon: see Carriers.
//
// Water takes n from Hale and Querry and k from Segelstein, whose rows are close
// enough for the bands near 1200 and 1450 nm.
package material

import (
	"embed"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/interp"
)

//go:embed tables/*.csv
var tables embed.FS

// entry is a material with the loader that knows its source.
type entry struct {
	name, alias string
	load        func() (*Material, error)
}

func catalogue() []entry {
	return []entry{
		{"Si", "silicon", loadSilicon},
		{"SiO2", "oxide", fromFormula(fusedSilica())},
		{"Si3N4", "nitride", fromFormula(nitride())},
		{"water", "H2O", loadWater},
		{"air", "", fromFormula(standardAir())},
		{"Al", "aluminium", fromTable("al_rakic1995.csv")},
		{"Cu", "copper", fromTable("cu_johnson1972.csv")},
		{"W", "tungsten", loadTungsten},
		{"TiN", "", fromTable("tin_pfluger1984.csv")},
		{"resist", "polymer", fromFormula(epoxyResist())},
	}
}

// Material is the index of one material by wavelength and temperature.
// It is safe for use by several goroutines.
type Material struct {
	name         string
	source       string
	minNM, maxNM float64
	n            predictor
	k            predictor // of ln k when logK, else of k
	logK         bool
	kMaxNM       float64  // k is 0 beyond
	thermal      *thermal // nil: no temperature coefficient is known
}

// Name returns the name under which the material is listed.
func (m *Material) Name() string { return m.name }

// Source names the papers with temperature and range; of a table, its head.
func (m *Material) Source() string { return m.source }

// RangeNM returns the shortest and the longest wavelength that have an index.
func (m *Material) RangeNM() (minNM, maxNM float64) { return m.minNM, m.maxNM }

// Index returns n + ik at a vacuum wavelength and a temperature. The
// temperature matters for silicon only (reference 300 K). A wavelength outside the
// range is an error.
func (m *Material) Index(wavelengthNM, temperatureC float64) (complex128, error) {
	if !(wavelengthNM >= m.minNM && wavelengthNM <= m.maxNM) {
		return 0, fmt.Errorf("%s has no index at %g nm: it is known from %g to %g nm", m.name, wavelengthNM, m.minNM, m.maxNM)
	}
	n, k := m.n.Predict(wavelengthNM), 0.0
	if wavelengthNM <= m.kMaxNM {
		k = m.k.Predict(wavelengthNM)
		if m.logK {
			k = math.Exp(k)
		}
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

// fromTable loads a table as it stands.
func fromTable(file string) func() (*Material, error) {
	return func() (*Material, error) {
		t, err := readTable(file)
		if err != nil {
			return nil, err
		}
		return t.material()
	}
}

// loadTungsten reads rows that were taken off a figure, some 2 nm apart: a cubic
// spline swings by up to 0.015 between those.
func loadTungsten() (*Material, error) {
	t, err := readTable("w_weaver1975.csv")
	if err != nil {
		return nil, err
	}
	m, err := t.material()
	if err != nil {
		return nil, err
	}
	n, k := new(interp.AkimaSpline), new(interp.AkimaSpline)
	m.n, m.k, m.logK = n, k, false
	return m, errors.Join(n.Fit(t.columns[0], t.columns[1]), k.Fit(t.columns[0], t.columns[2]))
}

// loadWater takes n from Hale and Querry, to three decimals but nearer the truth
// in the infrared, and k from Segelstein.
func loadWater() (*Material, error) {
	hale, err := readTable("h2o_hale1973.csv")
	if err != nil {
		return nil, err
	}
	segelstein, err := readTable("h2o_segelstein1981.csv")
	if err != nil {
		return nil, err
	}
	n, errN := hale.material()
	k, errK := segelstein.material()
	if err := errors.Join(errN, errK); err != nil {
		return nil, err
	}
	k.source = hale.head + segelstein.head
	k.n = n.n
	return k, nil
}

// material interpolates the columns wavelength in nm, n and k, of at least three
// rows.
func (t table) material() (*Material, error) {
	nm, n, k := t.columns[0], new(interp.NaturalCubic), new(interp.NaturalCubic)
	m := &Material{source: t.head, minNM: nm[0], maxNM: nm[len(nm)-1], n: n, k: k}
	m.kMaxNM = m.maxNM
	values := t.columns[2]
	m.logK = slices.Min(values) > 0
	if m.logK {
		values = logs(values)
	}
	return m, errors.Join(n.Fit(nm, t.columns[1]), k.Fit(nm, values))
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
	t := table{head: head(data)}
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

// head returns the comment lines of a table.
func head(data []byte) string {
	var out strings.Builder
	for line := range strings.Lines(string(data)) {
		if text, ok := strings.CutPrefix(line, "#"); ok {
			out.WriteString(strings.TrimSpace(text) + "\n")
		}
	}
	return out.String()
}
