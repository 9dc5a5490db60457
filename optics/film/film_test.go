package film

import (
	"encoding/csv"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"bluefringe/optics"
	"bluefringe/optics/estimate"
	"bluefringe/optics/material"

	"gonum.org/v1/gonum/interp"
)

// generator makes spectra of films that share neither the forward model nor the
// silicon table with this package: the stack recursion averaged over a Gaussian line,
// and G. Vuye et al., Thin Solid Films 233 (1993) 166 (20 °C), for silicon: n up to 640
// nm and k up to 470 nm, beyond which that ellipsometry drifts off, joined there to
// Green 2008 as in optics/testspectra.
type generator struct {
	nm    []float64
	n, k  interp.AkimaSpline
	step  float64
	green *material.Material
}

const (
	lastN, lastK = 640, 470 // nm
	greenC       = 26.85
)

func newGenerator(tb testing.TB, pixels int, fromNM, toNM float64) *generator {
	tb.Helper()
	file, err := os.Open("../testspectra/si_vuye1993_20C.csv")
	if err != nil {
		tb.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		tb.Fatal(err)
	}
	var columns [3][]float64
	for _, row := range rows[1:] {
		for j := range columns {
			v, err := strconv.ParseFloat(row[j], 64)
			if err != nil {
				tb.Fatal(err)
			}
			if j == 2 {
				v = math.Log(math.Max(v, 1e-4))
			}
			columns[j] = append(columns[j], v)
		}
	}
	g := &generator{}
	if err := g.n.Fit(columns[0], columns[1]); err != nil {
		tb.Fatal(err)
	}
	if err := g.k.Fit(columns[0], columns[2]); err != nil {
		tb.Fatal(err)
	}
	if g.green, err = material.Lookup("Si"); err != nil {
		tb.Fatal(err)
	}
	join, err := g.green.Index(lastN, greenC)
	if err != nil {
		tb.Fatal(err)
	}
	g.step = g.n.Predict(lastN) - real(join)
	for i := range pixels {
		g.nm = append(g.nm, fromNM+(toNM-fromNM)*float64(i)/float64(pixels-1))
	}
	return g
}

func (g *generator) silicon(nm float64) complex128 {
	green, err := g.green.Index(nm, greenC)
	if err != nil {
		panic(err)
	}
	n, k := real(green)+g.step, imag(green)
	if nm < lastN {
		n = g.n.Predict(nm)
	}
	if nm < lastK {
		k = math.Exp(g.k.Predict(nm))
	}
	return complex(n, k)
}

// malitson is fused silica, I. H. Malitson, J. Opt. Soc. Am. 55 (1965) 1205.
func malitson(nm float64) float64 {
	l := nm * nm / 1e6
	return math.Sqrt(1 + 0.6961663*l/(l-0.0684043*0.0684043) + 0.4079426*l/(l-0.1162414*0.1162414) + 0.8974794*l/(l-9.896161*9.896161))
}

// specimen is a film and an instrument.
type specimen struct {
	thicknessNM        float64
	index              func(nm float64) float64
	fwhmNM, stray      float64
	scale, slope, bend float64
	noise, blueNoise   float64 // standard deviation, of reflectance; at the blue end on top
	dead, saturated    int
	denser             float64 // added to the index
}

// exact is the reflectance at one wavelength.
func (g *generator) exact(nm float64, s specimen) float64 {
	layer := []optics.Layer{{Index: complex(s.index(nm)+s.denser, 0), ThicknessNM: s.thicknessNM}}
	return optics.Reflectance(nm, 1, layer, g.silicon(nm), 0, optics.S)
}

func (g *generator) spectrum(s specimen, rng *rand.Rand) []float64 {
	const nodes, reach = 33, 4.5
	out := make([]float64, len(g.nm))
	mean := 0.0
	for i, nm := range g.nm {
		if s.fwhmNM == 0 {
			out[i] = g.exact(nm, s)
		} else {
			sum, weights := 0.0, 0.0
			for k := range nodes {
				u := reach * (2*float64(k)/(nodes-1) - 1)
				w := math.Exp(-u * u / 2)
				sum += w * g.exact(nm+u*s.fwhmNM/math.Sqrt(8*math.Ln2), s)
				weights += w
			}
			out[i] = sum / weights
		}
		mean += out[i] / float64(len(g.nm))
	}
	for i := range out {
		x := 2*float64(i)/float64(len(out)-1) - 1
		noise := s.noise + s.blueNoise*math.Exp(-6*(x+1))
		out[i] = (out[i]+s.stray*mean)/(1+s.stray)*(s.scale+s.slope*x+s.bend*x*x) + noise*rng.NormFloat64()
	}
	if s.saturated > 0 {
		first := rng.IntN(len(out) - s.saturated)
		for i := range s.saturated {
			out[first+i] = math.NaN()
		}
	}
	for range s.dead {
		out[rng.IntN(len(out))] = 0
	}
	return out
}

func draw(rng *rand.Rand) specimen {
	within := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	s := specimen{
		thicknessNM: 500 * math.Pow(10, rng.Float64()), index: malitson,
		fwhmNM: 0.5 + 6*rng.Float64(), stray: 0.08 * rng.Float64(),
		scale: 1 + within(0.05), slope: within(0.03), bend: within(0.02),
		noise: 0.002, blueNoise: 0.01 * rng.Float64(),
	}
	if rng.IntN(2) == 0 {
		s.dead, s.saturated = rng.IntN(6), rng.IntN(30)
	}
	return s
}

func newEstimator(tb testing.TB, kind Kind, g *generator) *Estimator {
	tb.Helper()
	e, err := New(Setup{Film: kind, TemperatureC: 25}, g.nm)
	if err != nil {
		tb.Fatal(err)
	}
	return e
}

// The fit's model is the Airy sum with a damped series for the line; the recursion and
// brute force must give the same.
func TestModelAgainstRecursion(t *testing.T) {
	g := newGenerator(t, 400, 420, 980)
	e := newEstimator(t, Oxide, g)
	f := e.finisher.model
	reflectance, mean := make([]float64, len(g.nm)), make([]float64, len(g.nm))
	for _, thicknessNM := range []float64{50, 300, 1234, 5678} {
		for _, fwhmNM := range []float64{0, 2, 7} {
			f.evaluate(reflectance, mean, filmState{thicknessNM: thicknessNM, lineVariance: math.Pow(fwhmNM/fwhmPerSigma, 2)})
			worst := 0.0
			for i, nm := range g.nm {
				sum, weights := 0.0, 0.0
				for k := -60; k <= 60; k++ {
					u := float64(k) / 12
					w := math.Exp(-u * u / 2)
					at := nm + u*fwhmNM/fwhmPerSigma
					silicon, err := g.green.Index(at, 25)
					if err != nil {
						t.Fatal(err)
					}
					layer := []optics.Layer{{Index: complex(malitson(at), 0), ThicknessNM: thicknessNM}}
					sum += w * optics.Reflectance(at, complex(f.ambient[i], 0), layer, silicon, 0, optics.S)
					weights += w
				}
				worst = math.Max(worst, math.Abs(reflectance[i]-sum/weights))
			}
			// Without a line only the harmonics left out and the spline of the table count.
			tolerance := 1e-5
			if fwhmNM > 0 {
				tolerance = 4e-4 // a line's second-order terms, at its widest
			}
			t.Logf("%g nm, line %g nm: within %.1e", thicknessNM, fwhmNM, worst)
			if worst > tolerance {
				t.Errorf("%g nm, line %g nm: model and recursion differ by %g", thicknessNM, fwhmNM, worst)
			}
		}
	}
}

// W. A. Pliskin, E. E. Conrad, IBM J. Res. Dev. 8 (1964) 43: oxides that look red-violet
// by daylight send back no green (complementary colour; 520 to 560 nm).
func TestColourChart(t *testing.T) {
	g := newGenerator(t, 531, 420, 950)
	e := newEstimator(t, Oxide, g)
	rng := rand.New(rand.NewPCG(1, 5))
	for _, thicknessNM := range []float64{270, 460, 630, 850} {
		spectrum := make([]float64, len(g.nm))
		if thicknessNM < minThicknessNM {
			e.finisher.model.evaluate(spectrum, make([]float64, len(g.nm)), filmState{thicknessNM: thicknessNM})
		} else {
			r, err := e.Measure(g.spectrum(specimen{thicknessNM: thicknessNM, index: malitson, fwhmNM: 2, scale: 1, noise: 0.002}, rng))
			if err != nil || r.Quality != estimate.Good {
				t.Fatalf("%g nm: %s, %s, %v", thicknessNM, r.Quality, r.Reason, err)
			}
			spectrum = r.Ideal
		}
		found := false
		for i := 1; i+1 < len(spectrum); i++ {
			if spectrum[i] < spectrum[i-1] && spectrum[i] < spectrum[i+1] {
				t.Logf("%g nm: minimum at %.0f nm", thicknessNM, g.nm[i])
				found = found || g.nm[i] >= 520 && g.nm[i] <= 560
			}
		}
		if !found {
			t.Errorf("%g nm, red-violet by the chart: no minimum in the green", thicknessNM)
		}
	}
}

// -trials 200 gives the figures of the README.
var trials = flag.Int("trials", 6, "random films of each kind")

// score counts how often 95 % intervals hold the truth.
type score struct{ in, of int }

func (s *score) add(got, want, sd float64) {
	s.of++
	if math.Abs(got-want) <= 1.96*sd {
		s.in++
	}
}

func (s score) String() string { return fmt.Sprintf("%d of %d", s.in, s.of) }

// Random oxides and instruments, each read cold.
func TestOxide(t *testing.T) {
	g := newGenerator(t, 450, 420, 950)
	e := newEstimator(t, Oxide, g)
	for _, c := range []struct {
		name     string
		denserSD float64
	}{{"index by Malitson", 0}, {"index off by 0.003", oxideSD}} {
		rng := rand.New(rand.NewPCG(4, 1))
		var thickness, line, stray score
		worst, worstLine, worstStray, strayOff := 0.0, 0.0, 0.0, 0
		for range *trials {
			s := draw(rng)
			s.denser = c.denserSD * rng.NormFloat64()
			r, err := e.Measure(g.spectrum(s, rng))
			if err != nil {
				t.Fatal(err)
			}
			said := fmt.Sprintf("%.1f nm, line %.2f nm, stray %.3f: got %.2f ± %.2f nm, %.2f ± %.2f nm (below %.2f), %.3f ± %.3f, %s %s",
				s.thicknessNM, s.fwhmNM, s.stray, r.ThicknessNM, r.SDNM, r.ResolutionNM, r.ResolutionSDNM, r.ResolutionMaxNM, r.Stray, r.StraySD, r.Quality, r.Reason)
			t.Log(said)
			thickness.add(r.ThicknessNM, s.thicknessNM, r.SDNM)
			stray.add(r.Stray, s.stray, r.StraySD)
			limit := math.Max(3, 0.003*s.thicknessNM) * (1 + 2*c.denserSD/oxideSD)
			worst = math.Max(worst, math.Abs(r.ThicknessNM-s.thicknessNM)/s.thicknessNM)
			worstStray = math.Max(worstStray, math.Abs(r.Stray-s.stray))
			if math.Abs(r.Stray-s.stray) > 0.01*(1+c.denserSD/oxideSD) {
				t.Logf("%s: stray light: %s", c.name, said)
				strayOff++
			}
			if r.Quality != estimate.Good || math.Abs(r.ThicknessNM-s.thicknessNM) > limit {
				t.Errorf("%s: %s", c.name, said)
			}
			if !r.ResolutionShown {
				continue
			}
			line.add(r.ResolutionNM, s.fwhmNM, r.ResolutionSDNM)
			off := math.Abs(r.ResolutionNM/s.fwhmNM - 1)
			if r.ResolutionSDNM < 0.07*r.ResolutionNM {
				worstLine = math.Max(worstLine, off)
				if off > 0.15 {
					t.Errorf("%s: line: %s", c.name, said)
				}
			}
		}
		t.Logf("%s: worst thickness %.2f %%, line %.1f %% where it is told within 7 %%, stray %.4f; 95 %% intervals hold thickness %v, line %v, stray %v",
			c.name, 100*worst, 100*worstLine, worstStray, thickness, line, stray)
		if thickness.in < thickness.of*4/5 || line.in < line.of*3/4 || stray.in < stray.of*4/5 {
			t.Errorf("%s: intervals are too narrow", c.name)
		}
		if strayOff > *trials/100 {
			t.Errorf("%s: stray light far off in %d of %d", c.name, strayOff, *trials)
		}
	}
}

// Random resists around the formula of an epoxy resist's data sheet (see
// optics/material).
func TestResist(t *testing.T) {
	g := newGenerator(t, 450, 420, 950)
	e := newEstimator(t, Resist, g)
	rng := rand.New(rand.NewPCG(9, 2))
	var thickness, line, stray, a score
	worst := 0.0
	for range *trials {
		s := draw(rng)
		moreA, moreB, moreC := resistASD*rng.NormFloat64(), resistBSD*rng.NormFloat64(), resistCSD*rng.NormFloat64()
		s.index = func(nm float64) float64 {
			l := nm * nm / 1e6
			return 1.5525 + moreA + (0.00629+moreB)/l + (0.0004+moreC)/(l*l)
		}
		r, err := e.Measure(g.spectrum(s, rng))
		if err != nil {
			t.Fatal(err)
		}
		n, truth := r.Cauchy[0]+r.Cauchy[1]/0.36+r.Cauchy[2]/(0.36*0.36), s.index(600)
		said := fmt.Sprintf("%.1f nm, n %.3f, line %.2f nm, stray %.3f: got %.1f ± %.1f nm, n %.3f ± %.3f, %.2f ± %.2f nm, %.3f ± %.3f, %s %s",
			s.thicknessNM, truth, s.fwhmNM, s.stray, r.ThicknessNM, r.SDNM, n, r.CauchyASD, r.ResolutionNM, r.ResolutionSDNM, r.Stray, r.StraySD, r.Quality, r.Reason)
		t.Log(said)
		thickness.add(r.ThicknessNM, s.thicknessNM, r.SDNM)
		stray.add(r.Stray, s.stray, r.StraySD)
		a.add(n, truth, r.CauchyASD)
		if r.ResolutionShown {
			line.add(r.ResolutionNM, s.fwhmNM, r.ResolutionSDNM)
		}
		worst = math.Max(worst, math.Abs(r.ThicknessNM/s.thicknessNM-1))
		// The optical thickness is what fringes fix.
		if off := math.Abs(r.ThicknessNM*n/(s.thicknessNM*truth) - 1); off > 0.004 {
			t.Errorf("optical thickness off by %.2f %%: %s", 100*off, said)
		}
	}
	t.Logf("worst thickness %.1f %%; 95 %% intervals hold thickness %v, index %v, line %v, stray %v", 100*worst, thickness, a, line, stray)
	if thickness.in < thickness.of*4/5 || a.in < a.of*4/5 || line.in < line.of*3/4 || stray.in < stray.of*4/5 {
		t.Error("intervals are too narrow")
	}
}
