package thick

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

	"gonum.org/v1/gonum/mat"
)

// generator makes test spectra that do not share the forward model: the stack
// recursion averaged over a Gaussian line and the width of a pixel. Its index of silicon is that of package
// material or an independent one, see independentIndex.
type generator struct {
	wavelengthNM []float64
	line         []lineNode
	rows         [][]media // [pixel][node of the line]
}

type lineNode struct{ offsetNM, weight float64 }

type media struct {
	nm                           float64
	silicon, oxide, metal, liner complex128
}

// specimen is one spot with its faults.
type specimen struct {
	um, spreadNM, oxideNM, coverage float64
	linerNM                         float64 // silicon nitride under the silicon, that no set-up declares
	scale, slope, curvature, noise  float64
}

// spreadNodes are places in the spot, in standard deviations of thickness.
func (s specimen) spreadNodes() []float64 {
	if s.spreadNM == 0 {
		return []float64{0}
	}
	var v []float64
	for k := -7; k <= 7; k++ {
		v = append(v, 3.5*float64(k)/7)
	}
	return v
}

// line is a Gaussian of the given full width at half maximum spread over a pixel.
func line(fwhmNM, pixelNM float64) []lineNode {
	const nodes = 31
	sd := fwhmNM / math.Sqrt(8*math.Ln2)
	reach := 3*sd + pixelNM/2
	var list []lineNode
	for k := range nodes {
		u := reach * (2*float64(k)/(nodes-1) - 1)
		weight := math.Erf((u+pixelNM/2)/(sd*math.Sqrt2)) - math.Erf((u-pixelNM/2)/(sd*math.Sqrt2))
		list = append(list, lineNode{u, weight})
	}
	return list
}

func newGenerator(t testing.TB, wavelengthNM []float64, fwhmNM float64, index func(nm float64) float64) *generator {
	t.Helper()
	look := func(name string, nm float64) complex128 {
		m, err := material.Lookup(name)
		if err != nil {
			t.Fatal(err)
		}
		_, high := m.RangeNM()
		v, err := m.Index(min(nm, high), 26.85)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	// Tables at 2 nm, for speed; what is fast in them is the wavelength itself.
	const step = 2.0
	from, to := wavelengthNM[0]-10*fwhmNM-step, wavelengthNM[len(wavelengthNM)-1]+10*fwhmNM+3*step
	var grid []media
	for nm := from; nm <= to; nm += step {
		m := media{nm, look("Si", nm), look("SiO2", nm), look("Al", nm), nitride(nm)}
		if index != nil {
			m.silicon = complex(index(nm), imag(m.silicon))
		}
		grid = append(grid, m)
	}
	at := func(nm float64) media {
		x := (nm - from) / step
		k := max(1, int(x))
		// Third-order Lagrange between four neighbours.
		u := x - float64(k)
		c := [4]float64{-u * (u - 1) * (u - 2) / 6, (u + 1) * (u - 1) * (u - 2) / 2, -(u + 1) * u * (u - 2) / 2, (u + 1) * u * (u - 1) / 6}
		out := media{nm: nm}
		for j, w := range c {
			g := grid[k-1+j]
			out.silicon += complex(w, 0) * g.silicon
			out.oxide += complex(w, 0) * g.oxide
			out.metal += complex(w, 0) * g.metal
			out.liner += complex(w, 0) * g.liner
		}
		return out
	}
	g := &generator{wavelengthNM: wavelengthNM, line: line(fwhmNM, math.Abs(wavelengthNM[1]-wavelengthNM[0]))}
	for _, nm := range wavelengthNM {
		var row []media
		for _, node := range g.line {
			row = append(row, at(nm+node.offsetNM))
		}
		g.rows = append(g.rows, row)
	}
	return g
}

func (g *generator) spectrum(s specimen, rng *rand.Rand) []float64 {
	out := make([]float64, len(g.wavelengthNM))
	for i := range out {
		sum, weights := 0.0, 0.0
		for k, m := range g.rows[i] {
			weight := g.line[k].weight
			if s.spreadNM > 0 && k%3 > 0 {
				continue // a coarser line, where the spread is averaged as well
			}
			for _, v := range s.spreadNodes() {
				weight := weight * math.Exp(-v*v/2)
				stack := [3]optics.Layer{{Index: m.silicon, ThicknessNM: s.um*1000 + v*s.spreadNM},
					{Index: m.liner, ThicknessNM: s.linerNM}, {Index: m.oxide, ThicknessNM: s.oxideNM}}
				r := 0.0
				if s.coverage > 0 {
					r += s.coverage * optics.Reflectance(m.nm, 1, stack[:], m.metal, 0, optics.S)
				}
				if s.coverage < 1 {
					r += (1 - s.coverage) * optics.Reflectance(m.nm, 1, stack[:2], m.oxide, 0, optics.S)
				}
				sum += weight * r
				weights += weight
			}
		}
		x := 2*float64(i)/float64(len(out)-1) - 1
		out[i] = sum/weights*(s.scale+s.slope*x+s.curvature*x*x) + s.noise*rng.NormFloat64()
	}
	return out
}

// nitride is the Sellmeier formula of T. Baak, Appl. Opt. 21 (1982) 1069, for the data of
// H. R. Philipp, J. Electrochem. Soc. 120 (1973) 295, used beyond its 1240 nm: it is
// smooth there.
func nitride(nm float64) complex128 {
	square := nm * nm / 1e6
	return complex(math.Sqrt(1+2.8939*square/(square-0.13967*0.13967)), 0)
}

func randomSpecimen(rng *rand.Rand, minUM, maxUM float64) specimen {
	sym := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	return specimen{
		um:      minUM * math.Pow(maxUM/minUM, rng.Float64()),
		oxideNM: 800 + sym(80), coverage: 0.2 + 0.7*rng.Float64(),
		scale: 1 + sym(0.05), slope: sym(0.03), curvature: sym(0.02), noise: 0.005,
	}
}

// independentIndex is n of silicon without the near-infrared table of package
// material (Li 1980): Salzberg and Villa 1957 as fitted by Tatian 1984 from 1360 nm
// (testdata/si_salzberg1957.csv), Green 2008 up to 1350 nm shifted to join it, both
// smoothed together, because Green prints three decimals: n² = Σ c·λ^p, p = 2, 0,
// -2, -4, -6.
func independentIndex(t testing.TB) func(nm float64) float64 {
	t.Helper()
	salzberg := readTable(t, "testdata/si_salzberg1957.csv")
	green := readTable(t, "../material/tables/si_green2008.csv")
	at := func(rows [][2]float64, nm float64) float64 {
		for _, r := range rows {
			if r[0] == nm {
				return r[1]
			}
		}
		t.Fatalf("no row at %g nm", nm)
		return 0
	}
	shift := 0.0
	for nm := 1360.; nm <= 1450; nm += 10 {
		shift += (at(salzberg, nm) - at(green, nm)) / 10
	}
	t.Logf("Green shifted by %+.4f", shift)
	var rows [][2]float64
	for _, r := range green {
		if r[0] >= 850 && r[0] <= 1350 {
			rows = append(rows, [2]float64{r[0], r[1] + shift})
		}
	}
	rows = append(rows, salzberg...)
	basis := func(nm float64, j int) float64 { return math.Pow(nm/1000, float64(2-2*j)) }
	const terms = 5
	a, b := mat.NewDense(len(rows), terms, nil), mat.NewVecDense(len(rows), nil)
	for i, r := range rows {
		for j := range terms {
			a.Set(i, j, basis(r[0], j))
		}
		b.SetVec(i, r[1]*r[1])
	}
	var c mat.VecDense
	if err := c.SolveVec(a, b); err != nil {
		t.Fatal(err)
	}
	return func(nm float64) float64 {
		sum := 0.0
		for j := range terms {
			sum += c.AtVec(j) * basis(nm, j)
		}
		return math.Sqrt(sum)
	}
}

func readTable(t testing.TB, path string) (rows [][2]float64) {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	cells, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range cells[1:] {
		nm, err1 := strconv.ParseFloat(row[0], 64)
		n, err2 := strconv.ParseFloat(row[1], 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("%s: %v", path, row)
		}
		rows = append(rows, [2]float64{nm, n})
	}
	return rows
}

func pixels(from, to float64, n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return w
}

func commonDie(fwhmNM float64) die.Setup {
	return die.Setup{Ambient: "air", TemperatureC: 26.85, ResolutionNM: fwhmNM,
		Under:     []die.Layer{{Material: "SiO2", ThicknessNM: 800, ToleranceNM: 80}},
		Reflector: "Al", CoverageMin: 0.2, CoverageMax: 0.9}
}
