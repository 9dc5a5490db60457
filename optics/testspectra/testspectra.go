// Package testspectra makes spectra of thinned dies to try an estimator on. It shares
// neither the forward model nor the silicon table with package estimate: reflectances
// come from the stack recursion averaged over thickness, and the silicon is of one of two
// other measurements.
package testspectra

import (
	_ "embed"
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"

	"bluefringe/optics"
	"bluefringe/optics/material"

	"gonum.org/v1/gonum/interp"
)

//go:embed si_vuye1993_20C.csv
var vuye string

// Silicon is the measurement of silicon that spectra are made with.
type Silicon int

const (
	// Vuye has n from G. Vuye et al., Thin Solid Films 233 (1993) 166 (20 °C), up to
	// 640 nm and k up to 470 nm. Beyond, that ellipsometry loses its accuracy: its k falls
	// to a noise floor and its n drifts off by 0.6 % at 830 nm, where Green 2008 and
	// Schinke 2015 agree within 0.2 %. There Green's k is used, and Green's n joined
	// without a step.
	Vuye Silicon = iota
	// Schinke is C. Schinke et al., AIP Advances 5 (2015) 067168, as published differences
	// to Green 2008 every 50 nm from 400 to 950 nm. Beyond, the difference stays: from 950
	// to 1000 nm n of that table falls by a third of what Green's does, in a range where
	// the slope of silicon changes slowly.
	Schinke
)

// Generator makes spectra at fixed wavelengths.
type Generator struct {
	wavelengthNM                 []float64
	silicon, oxide, metal, liner []complex128
	warmer                       []complex128 // silicon 12 K warmer
}

// Specimen is one measuring spot with its faults.
type Specimen struct {
	ThicknessNM, SpreadNM float64
	Tilted                bool // thickness spread uniformly and not as a Gaussian
	OxideNM, Coverage     float64
	LinerNM               float64 // silicon nitride between silicon and oxide
	Warmer                bool    // by 12 K than the set-up says

	Scale, Slope, Curvature float64 // lamp drift on the axis -1 to 1
	Noise                   float64 // standard deviation, of reflectance
	Saturated, Dead         int     // pixels in a row without a value; pixels stuck at 0
}

const temperatureC = 26.85 // of Green's table

// New compiles a generator for wavelengths in nm between 400 and 1400.
func New(wavelengthNM []float64, silicon Silicon) (*Generator, error) {
	const warmerByK = 12
	of, err := silicon.index()
	if err != nil {
		return nil, err
	}
	g := &Generator{wavelengthNM: wavelengthNM}
	for _, nm := range wavelengthNM {
		var found [5]complex128
		for i, name := range []string{"Si", "SiO2", "Al", "Si3N4", "Si"} {
			t := temperatureC
			if i == 4 {
				t += warmerByK
			}
			if found[i], err = look(name, nm, t); err != nil {
				return nil, err
			}
		}
		index := of(nm, found[0])
		g.silicon = append(g.silicon, index)
		g.warmer = append(g.warmer, index+found[4]-found[0])
		g.oxide = append(g.oxide, found[1])
		g.metal = append(g.metal, found[2])
		g.liner = append(g.liner, found[3])
	}
	return g, nil
}

func look(name string, nm, temperatureC float64) (complex128, error) {
	m, err := material.Lookup(name)
	if err != nil {
		return 0, err
	}
	return m.Index(nm, temperatureC)
}

// index returns the index at a wavelength, where green is that of Green 2008.
func (s Silicon) index() (func(nm float64, green complex128) complex128, error) {
	if s == Schinke {
		var (
			nm = []float64{400, 450, 500, 550, 600, 650, 700, 750, 800, 850, 900, 950, 1400}
			// Green against Schinke, in per cent of n and of the absorption depth
			overN     = []float64{-0.18, 0.39, 0.12, 0.10, 0.23, 0.24, 0.19, 0.13, 0.16, 0.14, 0.11, 0.20, 0.20}
			overDepth = []float64{10, 10.5, 9.9, 0.3, -7.1, 0.1, 0.9, -2.6, -2.7, -4.2, -2.8, -3.4, -3.4}
		)
		var n, depth interp.AkimaSpline
		if err := errors.Join(n.Fit(nm, overN), depth.Fit(nm, overDepth)); err != nil {
			return nil, err
		}
		return func(nm float64, green complex128) complex128 {
			return complex(real(green)/(1+n.Predict(nm)/100), imag(green)*(1+depth.Predict(nm)/100))
		}, nil
	}
	const lastN, lastK = 640, 470 // nm
	var ns, ks interp.AkimaSpline
	if err := readVuye(&ns, &ks); err != nil {
		return nil, err
	}
	atJoin, err := look("Si", lastN, temperatureC)
	if err != nil {
		return nil, err
	}
	step := ns.Predict(lastN) - real(atJoin)
	return func(nm float64, green complex128) complex128 {
		n, k := real(green)+step, imag(green)
		if nm < lastN {
			n = ns.Predict(nm)
		}
		if nm < lastK {
			k = math.Exp(ks.Predict(nm))
		}
		return complex(n, k)
	}, nil
}

func readVuye(n, lnK *interp.AkimaSpline) error {
	r := csv.NewReader(strings.NewReader(vuye))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		return err
	}
	var ws, ns, ks []float64
	for _, row := range rows[1:] {
		var v [3]float64
		for j := range v {
			if v[j], err = strconv.ParseFloat(row[j], 64); err != nil {
				return err
			}
		}
		ws, ns, ks = append(ws, v[0]), append(ns, v[1]), append(ks, math.Log(math.Max(v[2], 1e-4)))
	}
	if err := n.Fit(ws, ns); err != nil {
		return err
	}
	return lnK.Fit(ws, ks)
}

// Spectrum returns the reflectance of a specimen, NaN at saturated pixels.
func (g *Generator) Spectrum(s Specimen, rng *rand.Rand) []float64 {
	offsets, weights := s.thicknesses()
	silicon := g.silicon
	if s.Warmer {
		silicon = g.warmer
	}
	out := make([]float64, len(g.wavelengthNM))
	var stack [3]optics.Layer
	for i, nm := range g.wavelengthNM {
		sum := 0.0
		for k, offset := range offsets {
			layers := append(stack[:0], optics.Layer{Index: silicon[i], ThicknessNM: s.ThicknessNM + offset})
			if s.LinerNM > 0 {
				layers = append(layers, optics.Layer{Index: g.liner[i], ThicknessNM: s.LinerNM})
			}
			bare := optics.Reflectance(nm, 1, layers, g.oxide[i], 0, optics.S)
			layers = append(layers, optics.Layer{Index: g.oxide[i], ThicknessNM: s.OxideNM})
			metal := optics.Reflectance(nm, 1, layers, g.metal[i], 0, optics.S)
			sum += weights[k] * (s.Coverage*metal + (1-s.Coverage)*bare)
		}
		x := 2*float64(i)/float64(len(out)-1) - 1
		out[i] = sum*(s.Scale+s.Slope*x+s.Curvature*x*x) + s.Noise*rng.NormFloat64()
	}
	if s.Saturated > 0 {
		first := rng.IntN(len(out) - s.Saturated)
		for i := range s.Saturated {
			out[first+i] = math.NaN()
		}
	}
	for range s.Dead {
		out[rng.IntN(len(out))] = 0
	}
	return out
}

// thicknesses is the distribution of thickness in the spot as nodes and weights.
func (s Specimen) thicknesses() (offsets, weights []float64) {
	if s.SpreadNM == 0 {
		return []float64{0}, []float64{1}
	}
	if s.Tilted {
		const nodes = 48
		half := s.SpreadNM * math.Sqrt(3)
		for k := range nodes {
			offsets = append(offsets, half*(2*(float64(k)+0.5)/nodes-1))
			weights = append(weights, 1./nodes)
		}
		return offsets, weights
	}
	sum := 0.0
	for k := -16; k <= 16; k++ {
		u := 0.25 * float64(k)
		offsets = append(offsets, u*s.SpreadNM)
		weights = append(weights, math.Exp(-u*u/2))
		sum += weights[len(weights)-1]
	}
	for k := range weights {
		weights[k] /= sum
	}
	return offsets, weights
}

// Ordinary draws a specimen of a die that is as its set-up says (oxide 800 nm within
// 10 %, metal over 0.2 to 0.9 of the spot): thickness evenly in its logarithm, spread
// to 40 nm, lamp drift to 5 %, 0.5 % noise, some saturated and dead pixels.
func Ordinary(rng *rand.Rand, minNM, maxNM float64) Specimen {
	within := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	s := Specimen{
		ThicknessNM: minNM * math.Pow(maxNM/minNM, rng.Float64()),
		SpreadNM:    40 * rng.Float64(),
		OxideNM:     800 + within(80),
		Coverage:    0.2 + 0.7*rng.Float64(),
		Scale:       1 + within(0.05), Slope: within(0.03), Curvature: within(0.02),
		Noise: 0.005,
	}
	if rng.IntN(2) == 0 {
		s.Saturated = rng.IntN(30)
		s.Dead = rng.IntN(6)
	}
	s.SpreadNM = math.Min(s.SpreadNM, s.ThicknessNM/5)
	return s
}

// Undeclared draws a specimen of a die that does what nobody declared: each of a
// nitride liner of 10 to 60 nm, a tilted face, a spread to 45 nm, a fifth of the light
// and 12 K more is there in half of them.
func Undeclared(rng *rand.Rand, minNM, maxNM float64) Specimen {
	s := Ordinary(rng, minNM, maxNM)
	if rng.IntN(2) == 0 {
		s.LinerNM = 10 + 50*rng.Float64()
	}
	s.Tilted = rng.IntN(2) == 0
	if rng.IntN(2) == 0 {
		s.SpreadNM = math.Min(20+25*rng.Float64(), s.ThicknessNM/5)
	}
	if rng.IntN(2) == 0 {
		s.Noise *= math.Sqrt(5) // shot noise
	}
	s.Warmer = rng.IntN(2) == 0
	return s
}
