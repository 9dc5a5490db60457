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

// I. H. Malitson, J. Opt. Soc. Am. 55 (1965) 1205: his formula.
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
	// Rows of Green 2008; from 900 nm up the index is a fit, near what rounding to
	// three decimals leaves.
	for _, c := range []struct{ nm, n, tolerance float64 }{
		{400, 5.613, 1e-9}, {500, 4.294, 1e-9}, {600, 3.940, 1e-9}, {800, 3.675, 1e-9}, {900, 3.614, 1e-9},
		{1000, 3.572, 5e-4}, {1300, 3.503, 5e-4},
	} {
		near(t, fmt.Sprintf("silicon at %g nm", c.nm), real(indexAt(t, "Si", c.nm, green300C)), c.n, c.tolerance)
	}
	// H. H. Li, J. Phys. Chem. Ref. Data 9 (1980) 561, 293 K.
	const li293C = 293 - 273.15
	near(t, "silicon at 1300 nm, 293 K", real(indexAt(t, "Si", 1300, li293C)), 3.5016, 5e-4)
	near(t, "silicon at 1550 nm, 293 K", real(indexAt(t, "Si", 1550, li293C)), 3.4757, 5e-4)
	// C. D. Salzberg, J. J. Villa, J. Opt. Soc. Am. 47 (1957) 244, 299 K, in the
	// formula of B. Tatian, Appl. Opt. 23 (1984) 4477; the tolerance is what they
	// differ from Li by.
	near(t, "silicon at 1360 nm, 299 K", real(indexAt(t, "Si", 1360, 299-273.15)), 3.49713, 2.2e-3)
	near(t, "silicon at 1550 nm, 299 K", real(indexAt(t, "Si", 1550, 299-273.15)), 3.47772, 9e-4)
}

// Bare silicon in air, R = ((n-1)²+k²)/((n+1)²+k²): Green 2008, with his distance
// from C. Schinke et al., AIP Advances 5 (2015) 067168, as the tolerance; 1550 nm
// from Salzberg and Villa.
func TestSiliconReflectance(t *testing.T) {
	for _, c := range []struct{ nm, green, schinke, tolerance float64 }{
		{400, 0.48762, 0.48848, 0.002}, {500, 0.38719, 0.38676, 0.001}, {600, 0.35420, 0.35332, 0.001},
		{632.8, 0.34770, 0.34671, 0.0015}, {800, 0.32741, 0.32678, 0.001}, {1000, 0.31647, 0.31679, 0.001},
		{1300, 0.30897, 0.30919, 0.0005}, {1550, 0.30619, 0.30619, 0.0003},
	} {
		v := indexAt(t, "Si", c.nm, green300C)
		n, k := real(v), imag(v)
		r := ((n-1)*(n-1) + k*k) / ((n+1)*(n+1) + k*k)
		near(t, fmt.Sprintf("reflectance at %g nm against Green", c.nm), r, c.green, c.tolerance)
		near(t, fmt.Sprintf("reflectance at %g nm against Schinke", c.nm), r, c.schinke, c.tolerance)
	}
}

// The fit stays by both papers that it joins, row by row: half of their distance
// where they meet (0.0019) and the rounding of a row.
func TestSiliconFit(t *testing.T) {
	rows := 0
	for _, c := range []struct {
		file                 string
		fromNM, kelvin, most float64
	}{{"si_green2008.csv", 900, 300, 1.6e-3}, {"si_li1980.csv", 1200, 293, 1e-3}} {
		table, err := readTable(c.file)
		if err != nil {
			t.Fatal(err)
		}
		for i, nm := range table.columns[0] {
			if nm >= c.fromNM {
				near(t, fmt.Sprintf("silicon at %g nm against %s", nm, c.file), real(indexAt(t, "Si", nm, c.kelvin-273.15)), table.columns[1][i], c.most)
				rows++
			}
		}
	}
	if rows != 56+18 {
		t.Errorf("%d rows compared", rows)
	}
}

// From 900 nm up n falls, its slope rises steadily, and neither jumps at a join.
func TestSiliconIsSmooth(t *testing.T) {
	const h = 1.0
	si := mustLookup(t, "Si")
	at := func(nm float64) float64 {
		v, err := si.Index(nm, 40)
		if err != nil {
			t.Fatal(err)
		}
		return real(v)
	}
	slope := func(nm float64) float64 { return (at(nm+h) - at(nm-h)) / (2 * h) }
	previous := slope(1001)
	for nm := 1002.0; nm < 1799; nm += h {
		s := slope(nm)
		if s >= 0 || s < previous || s-previous > 4e-6 {
			t.Errorf("slope of n at %g nm: %g after %g", nm, s, previous)
		}
		previous = s
	}
	// Across the blend: the spline through rounded rows bends by about 4·0.0005/10²
	// per nm², half as much again at worst, and the blend must not add to that.
	previous = slope(880)
	for nm := 881.0; nm <= 1020; nm += h {
		s := slope(nm)
		if math.Abs(s-previous) > 3e-5 {
			t.Errorf("slope of n at %g nm: %g after %g", nm, s, previous)
		}
		previous = s
	}
}

// dn/dT at 300 K: M. A. Green 2008 from his own coefficient; G. Vuye et al., Thin
// Solid Films 233 (1993) 166, between their tables at 20 and 100 °C; H. H. Li, J.
// Phys. Chem. Ref. Data 9 (1980) 561, between 293 and 350 K. Green prints one
// decimal of the coefficient: his 2.1e-4 at 1300 nm means 1.9e-4 to 2.3e-4. At
// 632.8 nm the papers differ by a quarter; Li's values carry 5 %.
func TestSiliconTemperature(t *testing.T) {
	for _, c := range []struct {
		source              string
		nm, perK, tolerance float64
	}{
		{"Green", 500, 5.6e-4, 0.1e-4},
		{"Vuye", 500, 5.7e-4, 0.57e-4},
		{"Green", 632.8, 3.9e-4, 0.2e-4},
		{"Vuye", 632.8, 3.0e-4, 0.98e-4},
		{"Green", 1050, 0.6e-4 * 3.556, 0.2e-4},
		{"Green", 1300, 2.1e-4, 0.2e-4},
		{"Li", 1200, 2.05e-4, 0.05 * 2.05e-4},
		{"Li", 1300, 2.00e-4, 0.05 * 2.00e-4},
		{"Li", 1550, 1.90e-4, 0.05 * 1.90e-4},
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
// the infrared from a spline through Li 1980 and from Salzberg and Villa 1957.
func TestSiliconGroupIndex(t *testing.T) {
	for _, c := range []struct{ nm, group, part float64 }{
		{700, 4.65, 0.02}, {800, 4.27, 0.02}, {900, 4.06, 0.02}, {1000, 3.92, 0.02},
		{1300, 3.673, 0.005}, {1310, 3.673, 0.005}, {1550, 3.5993, 0.003}, {1550, 3.6053, 0.003},
	} {
		const h = 2.5
		slope := real(indexAt(t, "Si", c.nm+h, green300C)-indexAt(t, "Si", c.nm-h, green300C)) / (2 * h)
		group := real(indexAt(t, "Si", c.nm, green300C)) - c.nm*slope
		near(t, fmt.Sprintf("group index at %g nm", c.nm), group, c.group, c.part*c.group)
	}
}

// Band-to-band absorption ends with Green's table.
func TestSiliconTransparentBeyondGreen(t *testing.T) {
	if k := imag(indexAt(t, "Si", 1450, green300C)); !(k > 0 && k < 2e-13) {
		t.Errorf("k at 1450 nm is %g", k)
	}
	for _, nm := range []float64{1450.001, 1550, 1800} {
		if k := imag(indexAt(t, "Si", nm, green300C)); k != 0 {
			t.Errorf("k at %g nm is %g", nm, k)
		}
	}
}

// G. Vuye et al., Thin Solid Films 233 (1993) 166: an independent ellipsometry at
// 20 °C. Its n agrees with Green's to the differences stated; beyond 640 nm it
// drifts off and says less.
func TestSiliconAgainstVuye(t *testing.T) {
	file, err := os.Open("../testspectra/si_vuye1993_20C.csv")
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
	const n, k = 1, 2
	for _, c := range []struct {
		name, file string
		columns    []int
	}{
		{"Si", "si_green2008.csv", []int{k}}, // n: see TestSiliconFit
		{"water", "h2o_segelstein1981.csv", []int{k}},
		{"Al", "al_rakic1995.csv", []int{n, k}},
		{"Cu", "cu_johnson1972.csv", []int{n, k}},
		{"W", "w_weaver1975.csv", []int{n, k}},
		{"TiN", "tin_pfluger1984.csv", []int{n, k}},
	} {
		table, err := readTable(c.file)
		if err != nil {
			t.Fatal(err)
		}
		m := mustLookup(t, c.name)
		for i, nm := range table.columns[0] {
			v, err := m.Index(nm, green300C)
			if err != nil {
				t.Fatal(err)
			}
			got := []float64{nm, real(v), imag(v)}
			for _, column := range c.columns {
				near(t, fmt.Sprintf("column %d of %s at %g nm", column, c.name, nm), got[column], table.columns[column][i], 1e-9)
			}
		}
	}
	for _, name := range Names() {
		m := mustLookup(t, name)
		if m.Name() != name || m.Source() == "" {
			t.Errorf("%s: name %q, source %q", name, m.Name(), m.Source())
		}
		from, to := m.RangeNM()
		if from > 400 || to < 1700 {
			t.Errorf("%s spans %g to %g nm", name, from, to)
		}
		for nm := from; nm <= to; nm += 1.3 {
			v, err := m.Index(nm, 40)
			if err != nil {
				t.Fatal(err)
			}
			if !(real(v) > 0) || !(imag(v) >= 0) {
				t.Fatalf("%s at %g nm: %g", name, nm, v)
			}
		}
	}
}

// Rows read off a figure must not make the index of tungsten swing: between two
// rows it leaves their values by no more than a rounded extremum. J. H. Weaver et
// al., Phys. Rev. B 12 (1975) 1293. An independent measurement: M. A. Ordal et al.,
// Appl. Opt. 27 (1988) 1203.
func TestTungsten(t *testing.T) {
	w := mustLookup(t, "W")
	table, err := readTable("w_weaver1975.csv")
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i < len(table.columns[0]); i++ {
		from, to := table.columns[0][i-1], table.columns[0][i]
		for j := 1; j < 10; j++ {
			v, err := w.Index(from+(to-from)*float64(j)/10, 25)
			if err != nil {
				t.Fatal(err)
			}
			for column, got := range map[int]float64{1: real(v), 2: imag(v)} {
				a, b := table.columns[column][i-1], table.columns[column][i]
				if beyond := max(got-max(a, b), min(a, b)-got); beyond > 0.006 {
					t.Errorf("column %d between %g and %g nm: %g, rows %g and %g", column, from, to, got, a, b)
				}
			}
		}
	}
	for _, c := range []struct{ nm, n, k float64 }{{714, 3.93135, 2.79241}, {1000, 3.08269, 3.42084}, {1250, 3.19608, 4.33676}} {
		v := indexAt(t, "W", c.nm, 25)
		near(t, fmt.Sprintf("n of tungsten at %g nm", c.nm), real(v), c.n, 0.12)
		near(t, fmt.Sprintf("k of tungsten at %g nm", c.nm), imag(v), c.k, 0.12)
	}
}

// Water absorbs by its bands in the near infrared: D. J. Segelstein, thesis,
// University of Missouri-Kansas City (1981), near 1450 nm and in the window before
// it; where G. M. Hale and M. R. Querry, Appl. Opt. 12 (1973) 555, have rows, the
// two agree to a few per cent. n is Hale and Querry's.
func TestWater(t *testing.T) {
	near(t, "k of water at 1448.8 nm", imag(indexAt(t, "water", 1448.77, 25)), 3.637e-4, 0.01e-4)
	near(t, "k of water at 1269 nm", imag(indexAt(t, "water", 1269, 25)), 1.089e-5, 0.02e-5)
	for _, c := range []struct{ nm, n, k, part float64 }{
		{650, 1.331, 1.64e-8, 0.05}, {900, 1.328, 4.86e-7, 0.05}, {1000, 1.327, 2.89e-6, 0.05},
		{1400, 1.321, 1.38e-4, 0.15}, {1600, 1.317, 8.55e-5, 0.1},
	} {
		v := indexAt(t, "water", c.nm, 25)
		near(t, fmt.Sprintf("n of water at %g nm", c.nm), real(v), c.n, 1e-9)
		near(t, fmt.Sprintf("k of water at %g nm", c.nm), imag(v), c.k, c.part*c.k)
	}
}

// Silicon nitride: K. Luke et al., Opt. Lett. 40 (2015) 4823, formula as printed,
// worked out apart; H. R. Philipp, J. Electrochem. Soc. 120 (1973) 295 (formula:
// T. Baak, Appl. Opt. 21 (1982) 1069), another deposition, is 1.4 % lower.
func TestNitride(t *testing.T) {
	for _, c := range []struct{ nm, luke, philipp float64 }{{400, 2.100421, 2.072613}, {630, 2.039815, 2.010843}, {1000, 2.013732, 1.987832}, {1240, 2.005254, 1.982697}} {
		got := real(indexAt(t, "Si3N4", c.nm, 20))
		near(t, fmt.Sprintf("nitride at %g nm", c.nm), got, c.luke, 1e-6)
		near(t, fmt.Sprintf("nitride at %g nm against Philipp", c.nm), got, c.philipp, 0.02*c.philipp)
	}
}

// Data sheet of an SU-8 type permanent epoxy resist (2011), Cauchy formula, worked
// out apart.
func TestResist(t *testing.T) {
	near(t, "resist at 400 nm", real(indexAt(t, "resist", 400, 20)), 1.607438, 1e-6)
	near(t, "resist at 630 nm", real(indexAt(t, "resist", 630, 20)), 1.570887, 1e-6)
	near(t, "resist at 1550 nm", real(indexAt(t, "resist", 1550, 20)), 1.555187, 1e-6)
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
	const want = "Si has no index at 1900 nm: it is known from 250 to 1800 nm"
	if _, err := si.Index(1900, 25); err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
	for _, nm := range []float64{249.999, 1800.001, math.NaN(), math.Inf(1), -1} {
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
