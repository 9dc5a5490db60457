package estimate

import (
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"bluefringe/optics"
	"bluefringe/optics/die"
	"bluefringe/optics/material"

	"gonum.org/v1/gonum/interp"
)

// A generator of test spectra that shares neither the fringe series nor the
// silicon table with the estimator: stack recursion averaged over thickness, with
// n of silicon from G. Vuye et al., Thin Solid Films 233 (1993) 166 (20 °C), up to
// 640 nm and k up to 470 nm. Beyond, that ellipsometry loses its accuracy: its k
// falls to a noise floor and its n drifts off by 0.6 % at 830 nm, where Green 2008
// and Schinke 2015 agree within 0.2 %. There Green's k is used, and Green's n
// joined without a step.
type generator struct {
	wavelengthNM               []float64
	silicon, oxide, metal, air []complex128
}

// specimen is one spot with its faults.
type specimen struct {
	thicknessNM, spreadNM, oxideNM, coverage float64
	scale, slope, curvature, noise           float64
}

func newGenerator(t testing.TB, wavelengthNM []float64) *generator {
	t.Helper()
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
	var w, n, lnk []float64
	for _, row := range rows[1:] {
		var v [3]float64
		for j := range v {
			if v[j], err = strconv.ParseFloat(row[j], 64); err != nil {
				t.Fatal(err)
			}
		}
		w, n, lnk = append(w, v[0]), append(n, v[1]), append(lnk, math.Log(math.Max(v[2], 1e-4)))
	}
	var ns, ks interp.AkimaSpline
	if err := ns.Fit(w, n); err != nil {
		t.Fatal(err)
	}
	if err := ks.Fit(w, lnk); err != nil {
		t.Fatal(err)
	}
	index := func(name string, nm float64) complex128 {
		m, err := material.Lookup(name)
		if err != nil {
			t.Fatal(err)
		}
		v, err := m.Index(nm, 27)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	const lastN, lastK = 640, 470 // nm
	step := ns.Predict(lastN) - real(index("Si", lastN))
	g := &generator{wavelengthNM: wavelengthNM}
	for _, nm := range wavelengthNM {
		green := index("Si", nm)
		siN, siK := real(green)+step, imag(green)
		if nm < lastN {
			siN = ns.Predict(nm)
		}
		if nm < lastK {
			siK = math.Exp(ks.Predict(nm))
		}
		g.silicon = append(g.silicon, complex(siN, siK))
		g.oxide = append(g.oxide, index("SiO2", nm))
		g.metal = append(g.metal, index("Al", nm))
		g.air = append(g.air, 1)
	}
	return g
}

func (g *generator) spectrum(s specimen, rng *rand.Rand) []float64 {
	out := make([]float64, len(g.wavelengthNM))
	for i, nm := range g.wavelengthNM {
		sum, weights := 0.0, 0.0
		for k := -16; k <= 16; k++ {
			u := float64(k) * 0.25
			if s.spreadNM == 0 && k != 0 {
				continue
			}
			weight := math.Exp(-u * u / 2)
			silicon := optics.Layer{Index: g.silicon[i], ThicknessNM: s.thicknessNM + u*s.spreadNM}
			oxide := optics.Layer{Index: g.oxide[i], ThicknessNM: s.oxideNM}
			metal := optics.Reflectance(nm, g.air[i], []optics.Layer{silicon, oxide}, g.metal[i], 0, optics.S)
			bare := optics.Reflectance(nm, g.air[i], []optics.Layer{silicon}, g.oxide[i], 0, optics.S)
			sum += weight * (s.coverage*metal + (1-s.coverage)*bare)
			weights += weight
		}
		x := 2*float64(i)/float64(len(out)-1) - 1
		out[i] = sum/weights*(s.scale+s.slope*x+s.curvature*x*x) + s.noise*rng.NormFloat64()
	}
	return out
}

func randomSpecimen(rng *rand.Rand, minNM, maxNM float64) specimen {
	sym := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	return specimen{
		thicknessNM: minNM * math.Pow(maxNM/minNM, rng.Float64()),
		spreadNM:    40 * rng.Float64(),
		oxideNM:     800 + sym(80),
		coverage:    0.2 + 0.7*rng.Float64(),
		scale:       1 + sym(0.05), slope: sym(0.03), curvature: sym(0.02),
		noise: 0.005,
	}
}

func pixels(from, to float64, n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return w
}

func commonDie() die.Setup {
	return die.Setup{Ambient: "air", TemperatureC: 25,
		Under:     []die.Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}},
		Reflector: "Al", CoverageMin: 0.2, CoverageMax: 0.9}
}
