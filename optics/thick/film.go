package thick

import (
	"errors"
	"fmt"
	"math"

	"bluefringe/optics"
	"bluefringe/optics/die"
	"bluefringe/optics/material"
)

// film is a set-up compiled for the pixels of a channel: the same fringe series as
// package die, in real arithmetic where silicon hardly absorbs, with the phase of
// the fringes open to change.
type film struct {
	setup die.Setup

	// By pixel, wavelengths rising.
	wavelengthNM []float64
	phase        []float64 // 4πn/λ, fringe phase per nm
	absorb       []float64 // 4πk/λ: what fringes lose per nm, as exp(-absorb·d)
	rate         []float64 // |d(phase)/dλ|, per nm of silicon and nm of wavelength
	spacingNM    []float64 // to the neighbouring pixels
	smear        []float64 // variance of the fringe phase from line and pixel, per nm²
	inner        []float64 // reflection coefficient of the face from inside

	front frontSide
}

// newFilm compiles a set-up for wavelengths in nm, rising.
func newFilm(setup die.Setup, wavelengthNM []float64) (*film, error) {
	const step = 2.5 // nm, for the group index
	f := &film{setup: setup, wavelengthNM: wavelengthNM}
	at := func(name string, shift float64) ([]complex128, error) {
		m, err := material.Lookup(name)
		if err != nil {
			return nil, err
		}
		low, high := m.RangeNM()
		w := make([]float64, len(wavelengthNM))
		for i, nm := range wavelengthNM {
			w[i] = nm
			if shift != 0 {
				w[i] = min(max(nm+shift, low), high)
			}
		}
		return m.Indices(w, setup.TemperatureC)
	}
	silicon, errSi := at("Si", 0)
	below, errBelow := at("Si", -step)
	above, errAbove := at("Si", step)
	ambient, errAmbient := at(setup.Ambient, 0)
	if err := errors.Join(errSi, errBelow, errAbove, errAmbient); err != nil {
		return nil, err
	}
	last := len(wavelengthNM) - 1
	for i, w := range wavelengthNM {
		n, k, outside := real(silicon[i]), imag(silicon[i]), real(ambient[i])
		group := n - w*(real(above[i])-real(below[i]))/(2*step)
		spacing := (wavelengthNM[min(i+1, last)] - wavelengthNM[max(i-1, 0)]) / float64(min(i+1, last)-max(i-1, 0))
		rate := 4 * math.Pi * group / (w * w)
		// Variance of a rectangle as wide as a pixel and of a Gaussian of the given FWHM.
		lineVar := spacing*spacing/12 + setup.ResolutionNM*setup.ResolutionNM/(8*math.Ln2)
		f.phase = append(f.phase, 4*math.Pi*n/w)
		f.absorb = append(f.absorb, 4*math.Pi*k/w)
		f.rate = append(f.rate, rate)
		f.spacingNM = append(f.spacingNM, spacing)
		f.smear = append(f.smear, rate*rate*lineVar)
		f.inner = append(f.inner, (n-outside)/(n+outside))
	}
	var err error
	if f.front, err = newFrontSide(setup, wavelengthNM); err != nil {
		return nil, err
	}
	s := &f.front
	for k, nm := range s.nodeNM {
		n, outside := real(s.silicon[k]), real(s.ambient[k])
		s.phase = append(s.phase, 4*math.Pi*n/nm)
		s.absorb = append(s.absorb, 4*math.Pi*imag(s.silicon[k])/nm)
		s.inner = append(s.inner, (n-outside)/(n+outside))
	}
	return f, nil
}

// contrast is what absorption, line width and spacing of the pixels leave of the
// fringes of a thickness at pixel i.
func (f *film) contrast(i int, nm float64) float64 {
	return math.Exp(-f.absorb[i]*nm - f.smear[i]*nm*nm/2)
}

// pixelsPerFringe of a thickness at pixel i.
func (f *film) pixelsPerFringe(i int, nm float64) float64 {
	return 2 * math.Pi / (f.rate[i] * nm * f.spacingNM[i])
}

// frontSide gives the reflection coefficient of what lies under the silicon. It
// changes slowly with wavelength, so it is computed at nodes and interpolated.
type frontSide struct {
	nodeNM           []float64
	silicon, ambient []complex128   // at the nodes
	end, metal       []complex128   // metal nil: none
	under            [][]complex128 // [layer][node]

	phase, absorb, inner []float64 // of the film, at the nodes

	node []int        // by pixel: the first of four nodes around it
	part [][4]float64 // and their weights: cubic interpolation after Lagrange

	layers []optics.Layer
}

// beyond is what lies under silicon when no layer is named, as in package die.
const beyond = "SiO2"

// nodesFor returns how many nodes the layers need over a band: interpolation between
// nodes that the phase in the layers puts 0.1 rad apart errs by some 1e-4.
func nodesFor(setup die.Setup, firstNM, lastNM float64) int {
	const (
		least, most = 64, 1024
		index       = 1.7 // of common layers, or more
		apart       = 0.1
	)
	nm := 0.0
	for _, layer := range setup.Under {
		nm += layer.ThicknessNM + layer.ToleranceNM
	}
	turn := 4 * math.Pi * index * nm * (1/firstNM - 1/lastNM)
	return int(min(max(turn/apart, least), most))
}

func newFrontSide(setup die.Setup, wavelengthNM []float64) (frontSide, error) {
	s := frontSide{layers: make([]optics.Layer, 0, len(setup.Under))}
	first, last := wavelengthNM[0], wavelengthNM[len(wavelengthNM)-1]
	nodes := nodesFor(setup, first, last)
	for k := range nodes {
		s.nodeNM = append(s.nodeNM, first+(last-first)*float64(k)/float64(nodes-1))
	}
	s.nodeNM[nodes-1] = last
	for _, w := range wavelengthNM {
		x := (w - first) / (last - first) * float64(nodes-1)
		k := min(max(int(x)-1, 0), nodes-4)
		u := x - float64(k)
		s.node = append(s.node, k)
		s.part = append(s.part, [4]float64{
			-(u - 1) * (u - 2) * (u - 3) / 6, u * (u - 2) * (u - 3) / 2,
			-u * (u - 1) * (u - 3) / 2, u * (u - 1) * (u - 2) / 6,
		})
	}
	var problem error
	look := func(what, name string) []complex128 {
		m, err := material.Lookup(name)
		var index []complex128
		if err == nil {
			index, err = m.Indices(s.nodeNM, setup.TemperatureC)
		}
		if err != nil {
			problem = errors.Join(problem, fmt.Errorf("%s: %w", what, err))
		}
		return index
	}
	s.silicon = look("silicon", "Si")
	s.ambient = look("ambient", setup.Ambient)
	for i, layer := range setup.Under {
		s.under = append(s.under, look(fmt.Sprintf("layer %d under the silicon", i+1), layer.Material))
	}
	if setup.Reflector != "" {
		s.metal = look("reflector", setup.Reflector)
	}
	if n := len(s.under); n > 0 {
		s.end = s.under[n-1]
	} else {
		s.end = look("front side", beyond)
	}
	return s, problem
}

// reflect fills dst with the coefficient at the nodes, seen from inside the
// silicon. Without metal the last layer has no end.
func (s *frontSide) reflect(dst []complex128, underNM []float64, metal bool) {
	count, end := len(underNM), s.metal
	if !metal {
		count, end = max(0, count-1), s.end
	}
	for k, w := range s.nodeNM {
		s.layers = s.layers[:0]
		for j := range count {
			s.layers = append(s.layers, optics.Layer{Index: s.under[j][k], ThicknessNM: underNM[j]})
		}
		dst[k] = optics.Amplitude(w, s.silicon[k], s.layers, end[k], 0, optics.S)
	}
}

// at interpolates node values to pixel i.
func (s *frontSide) at(values []complex128, i int) complex128 {
	v, p := values[s.node[i]:s.node[i]+4], &s.part[i]
	return complex(p[0]*real(v[0])+p[1]*real(v[1])+p[2]*real(v[2])+p[3]*real(v[3]),
		p[0]*imag(v[0])+p[1]*imag(v[1])+p[2]*imag(v[2])+p[3]*imag(v[3]))
}

// nearest returns the node that counts most at pixel i.
func (s *frontSide) nearest(i int) int {
	p := &s.part[i]
	best := 0
	for k := range p {
		if p[k] > p[best] {
			best = k
		}
	}
	return s.node[i] + best
}

// area is one kind of front side in the spot, with metal or without.
type area struct {
	rho   []complex128   // at the nodes
	slope [][]complex128 // [layer]: (dρ/dt)/ρ, 1/nm
}

func newArea(layers, nodes int) area {
	a := area{rho: make([]complex128, nodes), slope: make([][]complex128, layers)}
	for j := range a.slope {
		a.slope[j] = make([]complex128, nodes)
	}
	return a
}

// set computes an area for layer thicknesses, with the slopes of those layers that
// are free. underNM is changed and put back.
func (a *area) set(s *frontSide, underNM []float64, free []bool, metal bool) {
	const step = 0.01 // nm
	s.reflect(a.rho, underNM, metal)
	for j := range underNM {
		if !free[j] {
			continue
		}
		underNM[j] += step
		s.reflect(a.slope[j], underNM, metal)
		underNM[j] -= step
		for k, moved := range a.slope[j] {
			a.slope[j][k] = (moved - a.rho[k]) / (a.rho[k] * step)
		}
	}
}

// fringe is the reflectance of one area at one pixel.
type fringe struct {
	value, mean float64
	first       complex128 // first harmonic

	phase    float64 // dR/d(fringe phase)
	blur     float64 // dR/d(half the variance of the phase)
	contrast float64 // dR/d(ln contrast): the part that swings

	k       float64
	swing   complex128
	inPower float64
}

// along returns the derivative in a parameter of which (dρ/dx)/ρ is given.
func (f *fringe) along(slope complex128) float64 {
	return f.inPower*real(slope) + 2*f.k*real(f.swing*slope)
}

// fringe sums the series of package die for a round-trip factor q. decay is exp of
// minus half the variance of the fringe phase, contrast multiplies every harmonic.
func (f *film) fringe(i int, q complex128, decay, contrast float64) fringe {
	const (
		tolerance = 1e-5
		most      = 12
	)
	r := f.inner[i]
	through := 1 - r*r
	gain := through * through / (r * r)
	power := real(q)*real(q) + imag(q)*imag(q)
	s := gain * power / (1 - power)
	k := s - through

	var sum, sum1, sum2, first complex128
	term := complex(contrast, 0)
	step := decay * decay
	for m := 1.0; m <= most; m++ {
		term *= q * complex(decay, 0)
		decay *= step
		if m == 1 {
			first = term
		}
		sum += term
		sum1 += complex(m, 0) * term
		sum2 += complex(m*m, 0) * term
		if math.Abs(real(term))+math.Abs(imag(term)) < tolerance {
			break
		}
	}
	mean := r*r + s
	return fringe{
		value: mean + 2*k*real(sum), mean: mean, first: complex(2*k, 0) * first,
		phase: -2 * k * imag(sum1), blur: -2 * k * real(sum2), contrast: 2 * k * real(sum),
		k: k, swing: sum1, inPower: 2 * gain * power / ((1 - power) * (1 - power)) * (1 + 2*real(sum)),
	}
}
