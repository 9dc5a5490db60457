package material

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// green300C is 300 K, the temperature of Green's silicon table.
const green300C = 300 - 273.15

func mustLookup(t *testing.T, name string) *Material {
	t.Helper()
	m, err := Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func indexAt(t *testing.T, name string, nm, temperatureC float64) complex128 {
	t.Helper()
	v, err := mustLookup(t, name).Index(nm, temperatureC)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// 1/α in micrometres: α as printed by M. A. Green, Sol. Energy Mater. Sol. Cells
// 92 (2008) 1305, at 300 K; for an independent measurement C. Schinke et al., AIP
// Advances 5 (2015) 067168, whose distance from Green is the tolerance.
func TestAbsorptionDepth(t *testing.T) {
	si := mustLookup(t, "silicon")
	for _, c := range []struct{ nm, alphaPerCM, schinkeUM, within float64 }{
		{400, 9.30e4, 0, 0},
		{450, 2.41e4, 0.3755, 0.11},
		{500, 1.11e4, 0.8197, 0.105},
		{550, 6390, 1.561, 0.01},
		{600, 4175, 2.578, 0.08},
		{650, 2790, 3.580, 0.01},
		{700, 1890, 5.244, 0.015},
		{750, 1310, 7.837, 0.03},
		{800, 850, 12.09, 0.03},
		{850, 534, 19.55, 0.045},
		{900, 303, 33.96, 0.03},
		{950, 156, 66.36, 0.04},
		{1000, 64, 162.3, 0.04},
		{1050, 16.3, 0, 0},
		{1100, 3.5, 0, 0},
	} {
		got, err := si.AbsorptionDepthUM(c.nm, green300C)
		if err != nil {
			t.Fatal(err)
		}
		want := 1e4 / c.alphaPerCM
		near(t, fmt.Sprintf("absorption depth at %g nm", c.nm), got, want, 2e-3*want)
		if c.schinkeUM > 0 {
			near(t, fmt.Sprintf("absorption depth at %g nm against Schinke", c.nm), got, c.schinkeUM, c.within*c.schinkeUM)
		}
	}
	depth, err := mustLookup(t, "SiO2").AbsorptionDepthUM(500, 20)
	if err != nil || !math.IsInf(depth, 1) {
		t.Errorf("absorption depth of silica: %g, %v; want +Inf", depth, err)
	}
}

// I. H. Malitson, J. Opt. Soc. Am. 55 (1965) 1205: his formula at lines that are
// not rows of the table, so that the spline is tested too.
func TestFusedSilica(t *testing.T) {
	for _, c := range []struct{ nm, n float64 }{
		{486.13, 1.463126}, {587.56, 1.458464}, {632.8, 1.457018},
		{656.27, 1.456367}, {1064.23, 1.449628}, {1550, 1.444024},
	} {
		near(t, fmt.Sprintf("silica at %g nm", c.nm), real(indexAt(t, "SiO2", c.nm, 20)), c.n, 1e-5)
	}
}

// P. E. Ciddor, Appl. Opt. 35 (1996) 1566, standard air.
func TestAir(t *testing.T) {
	near(t, "air at 589 nm", real(indexAt(t, "air", 589, 15))-1, 2.7715e-4, 1e-8)
	near(t, "air at 633 nm", real(indexAt(t, "air", 633, 15))-1, 2.7653e-4, 1e-8)
}

func TestSiliconIndex(t *testing.T) {
	// Rows of Green 2008.
	for _, c := range []struct{ nm, n float64 }{
		{400, 5.613}, {500, 4.294}, {600, 3.940}, {800, 3.675}, {1000, 3.572}, {1300, 3.503},
	} {
		near(t, fmt.Sprintf("silicon at %g nm", c.nm), real(indexAt(t, "Si", c.nm, green300C)), c.n, 1e-9)
	}
	// H. H. Li, J. Phys. Chem. Ref. Data 9 (1980) 561: 3.5016 at 1300 nm, 293 K,
	// to 5e-4; Green's three decimals add as much.
	near(t, "silicon at 1300 nm, 293 K", real(indexAt(t, "Si", 1300, 20)), 3.5016, 1e-3)
	// C. D. Salzberg, J. J. Villa, J. Opt. Soc. Am. 47 (1957) 244, 299 K; the two
	// papers differ by 0.07 %.
	near(t, "silicon at 1360 nm, 299 K", real(indexAt(t, "Si", 1360, 26)), 3.49713, 1e-3*3.49713)
}

// dn/dT at 300 K: M. A. Green 2008 from his own coefficient; G. Vuye et al., Thin
// Solid Films 233 (1993) 166, between their tables at 20 and 100 °C; H. H. Li, J.
// Phys. Chem. Ref. Data 9 (1980) 561, between 293 and 350 K. Green prints one
// figure of the coefficient in the red: there the papers differ by a quarter.
func TestSiliconTemperature(t *testing.T) {
	for _, c := range []struct {
		source              string
		nm, perK, tolerance float64
	}{
		{"Green", 500, 5.6e-4, 0.1e-4},
		{"Vuye", 500, 5.7e-4, 0.57e-4},
		{"Green", 632.8, 3.9e-4, 0.1e-4},
		{"Vuye", 632.8, 3.0e-4, 0.98e-4},
		{"Green", 1300, 2.1e-4, 0.05e-4},
		{"Li", 1300, 2.0e-4, 0.2e-4},
	} {
		got := real(indexAt(t, "Si", c.nm, green300C+0.5) - indexAt(t, "Si", c.nm, green300C-0.5))
		near(t, fmt.Sprintf("dn/dT at %g nm against %s", c.nm, c.source), got, c.perK, c.tolerance)
	}
	if cold, hot := indexAt(t, "Si", 600, 20), indexAt(t, "Si", 600, 80); imag(hot) <= imag(cold) {
		t.Errorf("silicon absorbs %g at 20 °C and %g at 80 °C: must rise", imag(cold), imag(hot))
	}
	// Only silicon changes.
	if a, b := indexAt(t, "Al", 600, 20), indexAt(t, "Al", 600, 80); a != b {
		t.Errorf("aluminium changes from %g to %g", a, b)
	}
}

// Group index n - λ dn/dλ, what a fringe frequency measures. In the visible from a
// smooth spline through Green's rows, worked out with a general-purpose library; in
// the infrared Li 1980, where three decimals at 10 nm leave 0.13 of noise.
func TestSiliconGroupIndex(t *testing.T) {
	for _, c := range []struct{ nm, group, part float64 }{
		{700, 4.65, 0.02}, {800, 4.27, 0.02}, {900, 4.06, 0.02}, {1000, 3.92, 0.02}, {1300, 3.673, 0.04},
	} {
		const h = 5
		slope := real(indexAt(t, "Si", c.nm+h, green300C)-indexAt(t, "Si", c.nm-h, green300C)) / (2 * h)
		group := real(indexAt(t, "Si", c.nm, green300C)) - c.nm*slope
		near(t, fmt.Sprintf("group index at %g nm", c.nm), group, c.group, c.part*c.group)
	}
}

// G. Vuye et al., Thin Solid Films 233 (1993) 166: an independent ellipsometry at
// 20 °C. Its n agrees with Green's to the differences stated; beyond 640 nm it
// drifts off and says less.
func TestSiliconAgainstVuye(t *testing.T) {
	file, err := os.Open("../testdata/si_vuye1993_20C.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	compared := 0
	for _, row := range rows[1:] {
		nm, err := strconv.ParseFloat(row[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		n, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		var part float64
		switch {
		case nm < 400:
			continue
		case nm < 425:
			part = 0.008
		case nm < 640:
			part = 0.003
		default:
			part = 0.007
		}
		compared++
		near(t, fmt.Sprintf("n of silicon at %g nm", nm), real(indexAt(t, "Si", nm, 20)), n, part*n)
	}
	if compared < 60 {
		t.Errorf("only %d rows compared", compared)
	}
}

// Every row of every table comes back from the spline, and nothing between the
// rows is less than zero or not a number.
func TestTablesComeBack(t *testing.T) {
	for _, e := range catalogue() {
		m := mustLookup(t, e.name)
		table, err := readTable(e.file)
		if err != nil {
			t.Fatal(err)
		}
		for i, nm := range table.columns[0] {
			v, err := m.Index(nm, green300C)
			if err != nil {
				t.Fatal(err)
			}
			near(t, fmt.Sprintf("n of %s at %g nm", e.name, nm), real(v), table.columns[1][i], 1e-9)
			near(t, fmt.Sprintf("k of %s at %g nm", e.name, nm), imag(v), table.columns[2][i], 1e-9)
		}
		if m.Name() != e.name || m.Source() == "" {
			t.Errorf("%s: name %q, source %q", e.name, m.Name(), m.Source())
		}
		from, to := m.RangeNM()
		for nm := from; nm <= to; nm += 1.3 {
			v, err := m.Index(nm, 40)
			if err != nil {
				t.Fatal(err)
			}
			if !(real(v) > 0) || !(imag(v) >= 0) {
				t.Fatalf("%s at %g nm: %g", e.name, nm, v)
			}
		}
	}
}

func TestLookupErrors(t *testing.T) {
	_, err := Lookup("unobtainium")
	want := `unknown material "unobtainium": known are ` + strings.Join(Names(), ", ")
	if err == nil || err.Error() != want {
		t.Errorf("unknown material: got %v, want %s", err, want)
	}
	for name, listed := range map[string]string{"si": "Si", "OXIDE": "SiO2", "h2o": "water", "aluminium": "Al"} {
		if got := mustLookup(t, name).Name(); got != listed {
			t.Errorf("%s is found as %s, want %s", name, got, listed)
		}
	}
	// An entry without an alias is not found under the empty name.
	if _, err := Lookup(""); err == nil {
		t.Error("the empty name is a material")
	}
}

func TestRangeErrors(t *testing.T) {
	si := mustLookup(t, "Si")
	const want = "Si has no index at 1500 nm: its table spans 250 to 1450 nm"
	if _, err := si.Index(1500, 25); err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	for _, nm := range []float64{249.999, 1450.001, math.NaN(), math.Inf(1), -1} {
		if v, err := si.Index(nm, 25); err == nil {
			t.Errorf("silicon at %g nm is %g, want an error", nm, v)
		}
		if v, err := si.AbsorptionDepthUM(nm, 25); err == nil {
			t.Errorf("absorption depth at %g nm is %g, want an error", nm, v)
		}
	}
	if _, err := si.Indices([]float64{500, 2000}, 25); err == nil {
		t.Error("a list with a wavelength outside the table gave no error")
	}
	list, err := si.Indices([]float64{500, 600}, 25)
	if err != nil || len(list) != 2 || list[0] != indexAt(t, "Si", 500, 25) || list[1] != indexAt(t, "Si", 600, 25) {
		t.Errorf("Indices gave %v, %v", list, err)
	}
}

func BenchmarkIndex(b *testing.B) {
	si, err := Lookup("Si")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := si.Index(633.3, 25); err != nil {
			b.Fatal(err)
		}
	}
}
