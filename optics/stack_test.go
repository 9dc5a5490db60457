package optics_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"bluefringe/optics"
	"bluefringe/optics/material"
)

const exact = 1e-12 // for identities

// green300C is 300 K, the temperature of Green's silicon table.
const green300C = 300 - 273.15

func normal(wavelengthNM float64, n0 complex128, layers []optics.Layer, ns complex128) float64 {
	return optics.Reflectance(wavelengthNM, n0, layers, ns, 0, optics.S)
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// lookup returns the index of a material by wavelength.
func lookup(t *testing.T, name string) func(wavelengthNM float64) complex128 {
	t.Helper()
	m, err := material.Lookup(name)
	if err != nil {
		t.Fatal(err)
	}
	return func(wavelengthNM float64) complex128 {
		v, err := m.Index(wavelengthNM, green300C)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// quarter returns a layer of one quarter wave of optical thickness.
func quarter(wavelengthNM, n float64) optics.Layer {
	return optics.Layer{Index: complex(n, 0), ThicknessNM: wavelengthNM / (4 * n)}
}

// R = ((n-1)²+k²)/((n+1)²+k²) of the published indices: M. A. Green, Sol. Energy
// Mater. Sol. Cells 92 (2008) 1305, and, as an independent measurement, C.
// Schinke et al., AIP Advances 5 (2015) 067168. The tolerance against Green is
// the last printed digit, 2e-4 where the table has no row, and 3e-5 from 1000 nm up,
// where the index is a smooth formula through Green's rows; against Schinke it is
// the distance between the two measurements.
func TestBareSilicon(t *testing.T) {
	silicon := lookup(t, "Si")
	for _, c := range []struct{ nm, air, water, schinke, digits, spread float64 }{
		{400, 0.48762, 0.38167, 0.48848, 1e-5, 0.002},
		{500, 0.38719, 0.27780, 0.38676, 1e-5, 0.001},
		{600, 0.35420, 0.24529, 0.35332, 1e-5, 0.001},
		{632.8, 0.34770, 0.23898, 0.34671, 2e-4, 0.0015},
		{633, 0.34767, 0.23895, 0.34667, 2e-4, 0.0015},
		{800, 0.32741, 0.21952, 0.32678, 1e-5, 0.001},
		{1000, 0.31647, 0.20918, 0.31679, 3e-5, 0.001},
		{1300, 0.30897, 0.20216, 0.30919, 5e-5, 0.0005},
	} {
		si := silicon(c.nm)
		near(t, fmt.Sprintf("silicon in air at %g nm", c.nm), normal(c.nm, 1, nil, si), c.air, c.digits)
		near(t, fmt.Sprintf("silicon in water at %g nm", c.nm), normal(c.nm, 1.33, nil, si), c.water, c.digits)
		near(t, fmt.Sprintf("silicon in air at %g nm against Schinke", c.nm), normal(c.nm, 1, nil, si), c.schinke, c.spread)
	}
	// C. D. Salzberg, J. J. Villa, J. Opt. Soc. Am. 47 (1957) 244, in the formula
	// of B. Tatian, Appl. Opt. 23 (1984) 4477.
	near(t, "silicon at 1550 nm", normal(1550, 1, nil, 3.47772), 0.30619, 1e-5)
}

// Quarter and half waves (H. A. Macleod, Thin-Film Optical Filters; M. Born, E.
// Wolf, Principles of Optics, sec. 1.6).
func TestQuarterAndHalfWaves(t *testing.T) {
	const nm = 550
	for _, c := range []struct{ n1, ns, printed float64 }{
		{1.38, 1.52, 0.012601}, // magnesium fluoride on crown glass
		{1.45, 3.5, 0.062221},
		{2.0, 3.5, 0.004444},
		{math.Sqrt(3.5), 3.5, 0},
		{3.5, 1.45, 0.621450}, // thin silicon on oxide, top of the fringe
		{3.5, 1, 0.720897},    // free-standing silicon
	} {
		got := normal(nm, 1, []optics.Layer{quarter(nm, c.n1)}, complex(c.ns, 0))
		want := math.Pow((c.ns-c.n1*c.n1)/(c.ns+c.n1*c.n1), 2)
		near(t, fmt.Sprintf("quarter wave of %g on %g", c.n1, c.ns), got, want, exact)
		near(t, fmt.Sprintf("quarter wave of %g on %g, printed", c.n1, c.ns), got, c.printed, 1e-6)

		half := quarter(nm, c.n1)
		half.ThicknessNM *= 2
		want = math.Pow((1-c.ns)/(1+c.ns), 2)
		near(t, fmt.Sprintf("half wave of %g on %g", c.n1, c.ns), normal(nm, 1, []optics.Layer{half}, complex(c.ns, 0)), want, exact)
	}
	// n1 outer, n2 inner: R = ((n0 n2² - ns n1²)/(n0 n2² + ns n1²))².
	for _, c := range []struct{ n1, n2, ns float64 }{{1.38, 1.7, 1.52}, {1.45, 2.0, 3.5}} {
		want := math.Pow((c.n2*c.n2-c.ns*c.n1*c.n1)/(c.n2*c.n2+c.ns*c.n1*c.n1), 2)
		got := normal(nm, 1, []optics.Layer{quarter(nm, c.n1), quarter(nm, c.n2)}, complex(c.ns, 0))
		near(t, "two quarter waves", got, want, exact)
	}
	// (2.3, 1.35)^N 2.3 on glass 1.52: R = ((1-Y)/(1+Y))², Y = (2.3/1.35)^(2N) 2.3²/1.52.
	for n, printed := range []float64{0.3065, 0.6722, 0.8724, 0.9541, 0.9839, 0.9944} {
		var layers []optics.Layer
		for range n {
			layers = append(layers, quarter(nm, 2.3), quarter(nm, 1.35))
		}
		layers = append(layers, quarter(nm, 2.3))
		y := math.Pow(2.3/1.35, float64(2*n)) * 2.3 * 2.3 / 1.52
		got := normal(nm, 1, layers, 1.52)
		near(t, fmt.Sprintf("stack of %d layers", len(layers)), got, math.Pow((1-y)/(1+y), 2), exact)
		near(t, fmt.Sprintf("stack of %d layers, printed", len(layers)), got, printed, 5e-5)
	}
}

// Fresnel's formulae at oblique incidence (Born & Wolf, sec. 1.5).
func TestObliqueIncidence(t *testing.T) {
	deg := math.Pi / 180
	r := func(n0, ns, angle float64, pol optics.Polarisation) float64 {
		return optics.Reflectance(600, complex(n0, 0), nil, complex(ns, 0), angle, pol)
	}
	near(t, "s at 45 degrees on glass", r(1, 1.5, 45*deg, optics.S), 0.092013, 1e-6)
	near(t, "p at 45 degrees on glass", r(1, 1.5, 45*deg, optics.P), 0.008466, 1e-6)
	for _, n := range []float64{1.33, 1.5, 2.4, 4} {
		s := r(1, n, 45*deg, optics.S)
		near(t, "Rp = Rs² at 45 degrees", r(1, n, 45*deg, optics.P), s*s, exact)
		near(t, "Brewster's angle", r(1, n, math.Atan(n), optics.P), 0, exact)
		near(t, "s equals p at normal incidence", r(1, n, 0, optics.P), r(1, n, 0, optics.S), exact)
	}
	near(t, "Brewster's angle of glass, degrees", math.Atan(1.5)/deg, 56.3099, 1e-4)
	const critical = 41.8103
	for _, pol := range []optics.Polarisation{optics.S, optics.P} {
		near(t, "total reflection", r(1.5, 1, (critical+1e-4)*deg, pol), 1, exact)
		if below := r(1.5, 1, (critical-1e-4)*deg, pol); below > 0.999 {
			t.Errorf("below the critical angle R = %g", below)
		}
	}
}

// The incoherent sum of a thick plate is the mean over one fringe:
// R = R1 + R2 (1-R1)² e^(-2αd)/(1 - R1 R2 e^(-2αd)); without absorption, for n =
// 3.42 in air, 1 - 2n/(n²+1) (the textbook wafer polished on both faces).
func TestMeanOverFringeIsIncoherentSum(t *testing.T) {
	mean := func(n complex128, nm, depth float64) float64 {
		const points = 64
		sum := 0.0
		for i := range points {
			d := depth + nm/(2*real(n))*(float64(i)/points-0.5)
			sum += normal(nm, 1, []optics.Layer{{Index: n, ThicknessNM: d}}, 1)
		}
		return sum / points
	}
	near(t, "wafer without absorption", mean(3.42, 1300, 50000), 0.46126, 5e-6)
	const nm, k, depth = 1300.0, 1e-3, 50000.0
	r1 := math.Pow(2.42/4.42, 2)
	loss := math.Exp(-2 * 4 * math.Pi * k / nm * depth)
	want := r1 + r1*(1-r1)*(1-r1)*loss/(1-r1*r1*loss)
	// The formula takes T = 1-R at an absorbing face and α constant over the
	// fringe: both good to about k.
	near(t, "wafer with absorption", mean(3.42+1i*k, nm, depth), want, k)
}

// readRows reads a table of numbers; a column of words comes back as NaN and in
// words, row by row.
func readRows(t *testing.T, file string, words string) (rows []map[string]float64, word []string) {
	t.Helper()
	f, err := os.Open("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range all[1:] {
		row := map[string]float64{}
		for j, name := range all[0] {
			if name == words {
				word = append(word, cells[j])
				continue
			}
			if row[name], err = strconv.ParseFloat(cells[j], 64); err != nil {
				t.Fatal(err)
			}
		}
		rows = append(rows, row)
	}
	return rows, word
}

// Direct integration of the wave equation (general-purpose Runge-Kutta, relative
// tolerance 1e-11) through silicon and oxide on aluminium, 0 to 70 degrees. The
// indices stand in the rows, aluminium rounded to eight figures: what that
// rounding does to R (up to 2e-8 in the dip of a fringe) is added to the
// tolerance, row by row.
func TestAgainstWaveEquation(t *testing.T) {
	rows, pol := readRows(t, "ode_si_oxide_al.csv", "pol")
	if len(rows) != 165 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, row := range rows {
		p := optics.S
		if pol[i] == "p" {
			p = optics.P
		}
		on := func(nAl, kAl float64) float64 {
			return optics.Reflectance(row["lambda_nm"], complex(row["n0"], 0), []optics.Layer{
				{Index: complex(row["n_si"], row["k_si"]), ThicknessNM: row["d_si_nm"]},
				{Index: complex(row["n_ox"], 0), ThicknessNM: row["d_ox_nm"]},
			}, complex(nAl, kAl), row["angle_deg"]*math.Pi/180, p)
		}
		nAl, kAl := row["n_al"], row["k_al"]
		got := on(nAl, kAl)
		rounding := math.Abs(on(nAl+halfUnit(nAl), kAl)-got) + math.Abs(on(nAl, kAl+halfUnit(kAl))-got)
		near(t, fmt.Sprintf("row %d", i+1), got, row["R"], 1e-8+rounding)
	}
}

// halfUnit is half a unit in the eighth significant figure.
func halfUnit(x float64) float64 {
	return 0.5 * math.Pow(10, math.Floor(math.Log10(x))-7)
}

// Finite differences in the time domain with a general-purpose solver, at the
// solver's own indices; raw and extrapolated to zero step (tables in testdata).
func TestAgainstTimeDomain(t *testing.T) {
	for _, c := range []struct {
		file   string
		layers func(n1 complex128) []optics.Layer
	}{
		{"csi300ox.csv", func(n1 complex128) []optics.Layer { return []optics.Layer{{Index: n1, ThicknessNM: 300}} }},
		{"csi1000.csv", func(n1 complex128) []optics.Layer { return []optics.Layer{{Index: n1, ThicknessNM: 1000}} }},
		{"si_ox_al.csv", func(n1 complex128) []optics.Layer {
			return []optics.Layer{{Index: n1, ThicknessNM: 500}, {Index: 1.45, ThicknessNM: 800}}
		}},
	} {
		rows, _ := readRows(t, c.file, "")
		if len(rows) != 601 {
			t.Fatalf("%s: %d rows", c.file, len(rows))
		}
		for _, row := range rows {
			got := normal(row["lambda_nm"], 1, c.layers(complex(row["n1"], row["k1"])), complex(row["ns"], row["ks"]))
			what := fmt.Sprintf("%s at %g nm", c.file, row["lambda_nm"])
			near(t, what, got, row["R_richardson"], 5e-5)
			near(t, what+", raw", got, row["R_fdtd"], 2e-4)
		}
	}
}

// matrix is the characteristic-matrix form (F. Abelès 1950; Born & Wolf, sec. 1.6),
// a second algorithm for the same quantity; it fails where an absorbing layer is
// thick. It returns the reflected and the transmitted fraction of the power.
func matrix(nm float64, n0 complex128, layers []optics.Layer, ns complex128, angle float64, pol optics.Polarisation) (r, t float64) {
	sin := n0 * complex(math.Sin(angle), 0)
	cos := func(n complex128) complex128 {
		c := cmplx.Sqrt(1 - sin*sin/(n*n))
		if imag(n*c) < 0 {
			c = -c
		}
		return c
	}
	admittance := func(n complex128) complex128 {
		if pol == optics.P {
			return n / cos(n)
		}
		return n * cos(n)
	}
	e, h := complex(1, 0), admittance(ns)
	for i := len(layers) - 1; i >= 0; i-- {
		n := layers[i].Index
		phase := complex(2*math.Pi*layers[i].ThicknessNM/nm, 0) * n * cos(n)
		eta := admittance(n)
		e, h = cmplx.Cos(phase)*e-1i*cmplx.Sin(phase)/eta*h, -1i*eta*cmplx.Sin(phase)*e+cmplx.Cos(phase)*h
	}
	eta0 := admittance(n0)
	amplitude := (eta0*e - h) / (eta0*e + h)
	r = real(amplitude)*real(amplitude) + imag(amplitude)*imag(amplitude)
	sum := cmplx.Abs(eta0*e + h)
	return r, 4 * real(eta0) * real(admittance(ns)) / (sum * sum)
}

func TestAgainstCharacteristicMatrix(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		layers := make([]optics.Layer, 1+rng.IntN(4))
		for i := range layers {
			layers[i] = optics.Layer{Index: complex(1.2+3.5*rng.Float64(), 0.3*rng.Float64()), ThicknessNM: 300 * rng.Float64()}
		}
		nm := 400 + 600*rng.Float64()
		angle := 1.3 * rng.Float64()
		ns := complex(0.5+4*rng.Float64(), 6*rng.Float64())
		pol := optics.Polarisation(rng.IntN(2))
		want, _ := matrix(nm, 1.33, layers, ns, angle, pol)
		near(t, fmt.Sprintf("%v on %v at %g nm", layers, ns, nm), optics.Reflectance(nm, 1.33, layers, ns, angle, pol), want, exact)
	}
}

// Without absorption all power is reflected or transmitted, from whichever side
// it comes, and a fringe repeats after half a wave.
func TestEnergyReversalPeriod(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 500 {
		layers := make([]optics.Layer, 1+rng.IntN(5))
		reversed := make([]optics.Layer, len(layers))
		for i := range layers {
			layers[i] = optics.Layer{Index: complex(1.2+3*rng.Float64(), 0), ThicknessNM: 2000 * rng.Float64()}
			reversed[len(layers)-1-i] = layers[i]
		}
		nm, ns := 400+600*rng.Float64(), complex(1+3*rng.Float64(), 0)
		r := normal(nm, 1, layers, ns)
		_, transmitted := matrix(nm, 1, layers, ns, 0, optics.S)
		near(t, "R + T", r+transmitted, 1, exact)
		near(t, "from behind", normal(nm, ns, reversed, 1), r, exact)
		layers[0].ThicknessNM += nm / (2 * real(layers[0].Index))
		near(t, "half a wave more", normal(nm, 1, layers, ns), r, 1e-11)
	}
}

// From no silicon at all to a full wafer, in the blue (opaque) and in the red.
func TestThickAbsorbingSilicon(t *testing.T) {
	silicon := lookup(t, "Si")
	for _, nm := range []float64{250, 400, 633, 1000, 1400} {
		si := silicon(nm)
		opaque := normal(nm, 1, nil, si)
		for d := 0.0; d <= 1e6; d = 1.7*d + 1 {
			for _, pol := range []optics.Polarisation{optics.S, optics.P} {
				r := optics.Reflectance(nm, 1, []optics.Layer{{Index: si, ThicknessNM: d}, {Index: 1.46, ThicknessNM: 800}}, 1+7i, 0.1, pol)
				if !(r >= 0 && r <= 1) {
					t.Fatalf("%g nm of silicon at %g nm: R = %g", d, nm, r)
				}
			}
		}
		if nm < 700 {
			r := normal(nm, 1, []optics.Layer{{Index: si, ThicknessNM: 1e6}}, 1+7i)
			near(t, fmt.Sprintf("1 mm of silicon at %g nm", nm), r, opaque, exact)
		}
	}
	r := normal(500, 1, []optics.Layer{{Index: 4, ThicknessNM: 0}}, 1.5)
	near(t, "a layer of no thickness", r, 0.04, exact)
}

// W. A. Pliskin, E. E. Conrad, IBM J. Res. Dev. 8 (1964) 43: the oxides that the
// chart calls red-violet lack green light, so a minimum must lie there; the
// positions of the others follow from the published indices.
func TestOxideColourChart(t *testing.T) {
	silicon, oxide := lookup(t, "Si"), lookup(t, "SiO2")
	extremum := func(oxideNM, from, to, sign float64) float64 {
		best, at := math.Inf(-1), 0.0
		for nm := from; nm <= to; nm += 0.25 {
			r := sign * normal(nm, 1, []optics.Layer{{Index: oxide(nm), ThicknessNM: oxideNM}}, silicon(nm))
			if r > best {
				best, at = r, nm
			}
		}
		if at == from || at == to {
			t.Errorf("%g nm oxide: no extremum inside %g to %g nm", oxideNM, from, to)
		}
		return at
	}
	for _, c := range []struct{ oxideNM, minNM float64 }{{270, 530}, {460, 539}, {630, 527}, {850, 552}} {
		at := extremum(c.oxideNM, 500, 580, -1)
		near(t, fmt.Sprintf("minimum of %g nm oxide", c.oxideNM), at, c.minNM, 1)
		if at < 520 || at > 560 {
			t.Errorf("%g nm oxide: minimum at %g nm is not green", c.oxideNM, at)
		}
	}
	near(t, "minimum of 100 nm oxide", extremum(100, 420, 750, -1), 612, 5)
	near(t, "minimum of 300 nm oxide", extremum(300, 500, 700, -1), 587, 5)
	near(t, "maximum of 300 nm oxide", extremum(300, 400, 480, 1), 427, 5)
}

func BenchmarkReflectance(b *testing.B) {
	layers := []optics.Layer{{Index: 3.9 + 0.02i, ThicknessNM: 2000}, {Index: 1.46, ThicknessNM: 800}}
	for b.Loop() {
		normal(600, 1, layers, 1.2+7i)
	}
}
