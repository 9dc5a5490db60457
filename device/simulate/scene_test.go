package simulate

import (
	"fmt"
	"math"
	"testing"

	"bluefringe/optics"
	"bluefringe/optics/material"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

func evenly(from, to float64, n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return w
}

func plainDie() Die {
	return Die{
		ThicknessUM: 2, Under: []Layer{{"Si3N4", 35}, {"SiO2", 800}}, Reflector: "Al",
		Ambient: "water", TemperatureC: 25, Silicon: "green",
	}
}

// direct is the reflectance of one thickness by package optics alone.
func direct(t *testing.T, die Die, nm, thicknessNM, coverage float64) float64 {
	t.Helper()
	at := func(name string) complex128 {
		m, err := material.Lookup(name)
		if err != nil {
			t.Fatal(err)
		}
		v, err := m.Index(nm, die.TemperatureC)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	return directAt(at, nm, thicknessNM, coverage)
}

func directAt(at func(string) complex128, nm, thicknessNM, coverage float64) float64 {
	silicon := optics.Layer{Index: at("Si"), ThicknessNM: thicknessNM}
	nitride := optics.Layer{Index: at("Si3N4"), ThicknessNM: 35}
	oxide := optics.Layer{Index: at("SiO2"), ThicknessNM: 800}
	metal := optics.Reflectance(nm, at("water"), []optics.Layer{silicon, nitride, oxide}, at("Al"), 0, optics.S)
	bare := optics.Reflectance(nm, at("water"), []optics.Layer{silicon, nitride}, oxide.Index, 0, optics.S)
	return coverage*metal + (1-coverage)*bare
}

// indexCache looks every material up once at one wavelength.
func indexCache(t *testing.T, nm, temperatureC float64) func(string) complex128 {
	t.Helper()
	known := map[string]complex128{}
	return func(name string) complex128 {
		v, ok := known[name]
		if !ok {
			m, err := material.Lookup(name)
			if err != nil {
				t.Fatal(err)
			}
			if v, err = m.Index(nm, temperatureC); err != nil {
				t.Fatal(err)
			}
			known[name] = v
		}
		return v
	}
}

func TestReflectanceIsStackReflectance(t *testing.T) {
	die, w := plainDie(), evenly(410, 980, 23)
	sc, err := newScene(die, w, 0, 10000)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]float64, len(w))
	for _, um := range []float64{0, 0.1, 0.5, 2, 8} {
		sc.reflectance(got, 1000*um, 0, 0.6)
		for i, nm := range w {
			near(t, fmt.Sprintf("%g µm at %g nm", um, nm), got[i], direct(t, die, nm, 1000*um, 0.6), 1e-12)
		}
	}
}

// The chosen rules against the plain mean over 1201 thicknesses.
func TestSpreadIsMeanOverThickness(t *testing.T) {
	die, w := plainDie(), []float64{420, 450, 480, 550, 640, 780, 950}
	sc, err := newScene(die, w, 0, 10000)
	if err != nil {
		t.Fatal(err)
	}
	got := make([]float64, len(w))
	for _, spread := range []float64{0.5, 4, 15, 40} {
		for _, thickness := range []float64{60, 250, 700, 3000} {
			sc.reflectance(got, thickness, spread, 0.7)
			for i, nm := range w {
				at := indexCache(t, nm, die.TemperatureC)
				sum, weights := 0.0, 0.0
				for k := -600; k <= 600; k++ {
					u := float64(k) * 0.01
					weight := math.Exp(-u * u / 2)
					sum += weight * directAt(at, nm, math.Max(0, thickness+u*spread), 0.7)
					weights += weight
				}
				// Where the tail reaches the end of the silicon the integrand has
				// a kink, at which no rule of a few nodes is exact.
				tolerance := 1e-5
				if thickness < 5*spread {
					tolerance = 2e-3
				}
				near(t, fmt.Sprintf("spread %g nm of %g nm at %g nm", spread, thickness, nm), got[i], sum/weights, tolerance)
			}
		}
	}
}

// The nodes of the line against a plain mean over the line.
func TestResolutionIsMeanOverLine(t *testing.T) {
	die, w := plainDie(), []float64{460, 560, 700, 900}
	const fwhm = 3.0
	sigma := fwhm / math.Sqrt(8*math.Ln2)
	const half = 150
	var lines []float64
	for _, nm := range w {
		for k := -half; k <= half; k++ {
			lines = append(lines, nm+float64(k)*5.5/half*sigma)
		}
	}
	fine, err := newScene(die, lines, 0, 10000)
	if err != nil {
		t.Fatal(err)
	}
	coarse, err := newScene(die, w, fwhm, 10000)
	if err != nil {
		t.Fatal(err)
	}
	got, each := make([]float64, len(w)), make([]float64, len(lines))
	for _, thickness := range []float64{500, 3000, 10000} {
		coarse.reflectance(got, thickness, 0, 0.7)
		fine.reflectance(each, thickness, 0, 0.7)
		for i := range w {
			sum, weights := 0.0, 0.0
			for k := range 2*half + 1 {
				u := float64(k-half) * 5.5 / half
				weight := math.Exp(-u * u / 2)
				sum += weight * each[i*(2*half+1)+k]
				weights += weight
			}
			near(t, fmt.Sprintf("line of %g nm at %g nm, %g nm of silicon", fwhm, w[i], thickness), got[i], sum/weights, 1e-5)
		}
	}
	if _, err := newScene(die, []float64{900}, 30, 300000); err == nil {
		t.Error("a line of 30 nm on 300 µm of silicon is no error")
	}
}

// H. E. Bennett, J. O. Porteus, J. Opt. Soc. Am. 51 (1961) 123: exp(-(4πs/λ)²),
// values computed from the formula.
func TestRoughness(t *testing.T) {
	for _, c := range []struct{ nm, rmsNM, want float64 }{
		{633, 10, 0.961356}, {633, 5, 0.990196}, {1300, 20, 0.963314}, {1300, 50, 0.791678},
	} {
		die := plainDie()
		die.Ambient, die.Under = "air", nil
		r := [2]float64{}
		for i, rms := range []float64{0, c.rmsNM} {
			die.RoughnessNM = rms
			sc, err := newScene(die, []float64{c.nm}, 0, 10000)
			if err != nil {
				t.Fatal(err)
			}
			sc.reflectance(r[i:i+1], 2000, 0, 0.5)
		}
		// The formula's values are for vacuum; air is 3e-4 denser.
		near(t, fmt.Sprintf("%g nm rms at %g nm", c.rmsNM, c.nm), r[1]/r[0], c.want, 2e-4)
	}
}

func TestSiliconTables(t *testing.T) {
	vuye, err := siliconIndex("vuye", vuyeC)
	if err != nil {
		t.Fatal(err)
	}
	green, err := siliconIndex("green", vuyeC)
	if err != nil {
		t.Fatal(err)
	}
	at := func(index indexFunc, nm float64) complex128 {
		t.Helper()
		v, err := index(nm)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	// Rows of G. Vuye et al., Thin Solid Films 233 (1993) 166, 20 °C.
	for _, row := range []struct{ nm, n, k float64 }{
		{403.2, 5.543, 0.297}, {435, 4.872, 0.121}, {500.9, 4.281, 0}, {551, 4.068, 0},
	} {
		v := at(vuye, row.nm)
		near(t, fmt.Sprintf("n at %g nm", row.nm), real(v), row.n, 1e-9)
		if row.k > 0 {
			near(t, fmt.Sprintf("k at %g nm", row.nm), imag(v), row.k, 1e-9)
		}
	}
	differs := false
	var ratioN, ratioK float64
	for nm := 430.0; nm <= 1000; nm += 0.5 {
		a, b := at(vuye, nm), at(green, nm)
		near(t, fmt.Sprintf("n at %g nm against Green", nm), real(a), real(b), 0.002*real(b))
		if nm > joinKToNM {
			near(t, fmt.Sprintf("k at %g nm against Green", nm), imag(a), imag(b), 1e-12)
		}
		differs = differs || math.Abs(real(a)-real(b)) > 0.001*real(b)
		// Neither join makes a step.
		if nm > 520 {
			near(t, fmt.Sprintf("n over Green's at %g nm, from the point before", nm), real(a)/real(b), ratioN, 1e-4)
		}
		if nm > 430 {
			near(t, fmt.Sprintf("k over Green's at %g nm, from the point before", nm), imag(a)/imag(b), ratioK, 0.01)
		}
		ratioN, ratioK = real(a)/real(b), imag(a)/imag(b)
	}
	if !differs {
		t.Error("the tables do not differ")
	}
	if a, b := at(vuye, 900), at(green, 900); a != b {
		t.Errorf("beyond the joins the tables are %g and %g", a, b)
	}
	// Silicon gets denser as it warms: 3.9e-4 per K at 633 nm (M. A. Green 2008).
	warm, err := siliconIndex("vuye", vuyeC+10)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "dn/dT at 632.8 nm", real(at(warm, 632.8)-at(vuye, 632.8))/10, 3.9e-4, 0.2e-4)

	if _, err := siliconIndex("", 20); err == nil || err.Error() != `unknown silicon table "": known are green, vuye` {
		t.Errorf("no table: %v", err)
	}
	if _, err := vuye(255); err == nil || err.Error() != "silicon table vuye has no index at 255 nm: it begins at 263.8 nm" {
		t.Errorf("too short: %v", err)
	}
}

func BenchmarkReflectance(b *testing.B) {
	for _, c := range []struct {
		name                                   string
		thicknessNM, spreadNM, fwhm, maxThickn float64
	}{
		{"spread 0", 2000, 0, 1.5, 3200},
		{"spread 10", 2000, 10, 1.5, 3200},
		{"spread 40", 2000, 40, 1.5, 3200},
		{"spread 40 of 450 nm", 450, 40, 1.5, 3200},
		{"spread 40 of 8 um", 8000, 40, 1.5, 8200},
	} {
		b.Run(c.name, func(b *testing.B) {
			sc, err := newScene(plainDie(), evenly(400, 1000, 512), c.fwhm, c.maxThickn)
			if err != nil {
				b.Fatal(err)
			}
			dst := make([]float64, 512)
			b.ReportAllocs()
			for b.Loop() {
				sc.reflectance(dst, c.thicknessNM, c.spreadNM, 0.6)
			}
		})
	}
}
