package thick

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"bluefringe/optics"
	"bluefringe/optics/die"
)

// film is a set-up compiled for the pixels of a channel: the same fringe series as
// package die, in real arithmetic where silicon hardly absorbs, with the phase of
// the fringes open to change.
type film struct {
	setup die.Setup

	// By pixel, wavelengths rising.
	wavelengthNM []float64
	silicon
	rate      []float64 // |d(phase)/dλ|, per nm of silicon and nm of wavelength
	spacingNM []float64 // to the neighbouring pixels
	smear     []float64 // variance of the fringe phase from line, pixel and aperture, per nm²

	errors []phaseError
	front  frontSide
}

// silicon is what a film of it does to light, by wavelength.
type silicon struct {
	index  []complex128
	phase  []float64 // 4πn/λ, fringe phase per nm
	absorb []float64 // 4πk/λ: what fringes lose per nm, as exp(-absorb·d)
	cone   []float64 // part of the phase that the aperture takes off
	inner  []float64 // reflection coefficient of the face from inside
}

// lookup returns the index of a material at wavelengths in nm.
func lookup(setup die.Setup, name string, wavelengthNM []float64) ([]complex128, error) {
	m, err := setup.Library.Lookup(name)
	if err != nil {
		return nil, err
	}
	return m.Indices(wavelengthNM, setup.TemperatureC)
}

func newSilicon(setup die.Setup, wavelengthNM []float64) (silicon, error) {
	var s silicon
	index, err := lookup(setup, "Si", wavelengthNM)
	ambient, errAmbient := lookup(setup, setup.Ambient, wavelengthNM)
	if err := errors.Join(setup.Carriers.Check(), err, errAmbient); err != nil {
		return s, err
	}
	for i, w := range wavelengthNM {
		index[i] = setup.Carriers.Dope(index[i], w)
		n, k, outside := real(index[i]), imag(index[i]), real(ambient[i])
		// The mean of 1 - cos θ inside the silicon over a filled cone, as in package die.
		cone := math.Pow(setup.NA/(2*n), 2)
		s.phase = append(s.phase, 4*math.Pi*n/w*(1-cone))
		s.absorb = append(s.absorb, 4*math.Pi*k/w*(1-cone))
		s.cone = append(s.cone, cone)
		s.inner = append(s.inner, (n-outside)/(n+outside))
	}
	s.index = index
	return s, nil
}

// newFilm compiles a set-up for wavelengths in nm, rising.
func newFilm(setup die.Setup, wavelengthNM []float64) (*film, error) {
	f := &film{setup: setup, wavelengthNM: wavelengthNM}
	var err error
	if f.silicon, err = newSilicon(setup, wavelengthNM); err != nil {
		return nil, err
	}
	group, err := groupIndex(setup, wavelengthNM)
	if err != nil {
		return nil, err
	}
	last := len(wavelengthNM) - 1
	for i, w := range wavelengthNM {
		spacing := (wavelengthNM[min(i+1, last)] - wavelengthNM[max(i-1, 0)]) / float64(min(i+1, last)-max(i-1, 0))
		rate := 4 * math.Pi * group[i] / (w * w)
		// Variance of a rectangle as wide as a pixel, of a Gaussian of the given FWHM and of
		// the cone.
		lineVar := spacing*spacing/12 + setup.ResolutionNM*setup.ResolutionNM/(8*math.Ln2)
		coneVar := math.Pow(f.phase[i]*2*f.cone[i], 2) / 12
		f.rate = append(f.rate, rate)
		f.spacingNM = append(f.spacingNM, spacing)
		f.smear = append(f.smear, rate*rate*lineVar+coneVar)
	}
	if f.errors, err = f.newPhaseErrors(); err != nil {
		return nil, err
	}
	f.front, err = newFrontSide(setup, wavelengthNM)
	return f, err
}

// groupIndex returns n - λ·dn/dλ of silicon.
func groupIndex(setup die.Setup, wavelengthNM []float64) ([]float64, error) {
	const step = 2.5 // nm
	si, err := setup.Library.Lookup("Si")
	if err != nil {
		return nil, err
	}
	low, high := si.RangeNM()
	beside := [2][]float64{slices.Clone(wavelengthNM), slices.Clone(wavelengthNM)}
	for i, w := range wavelengthNM {
		beside[0][i], beside[1][i] = max(w-step, low), min(w+step, high)
	}
	below, errBelow := lookup(setup, "Si", beside[0])
	above, errAbove := lookup(setup, "Si", beside[1])
	if err := errors.Join(errBelow, errAbove); err != nil {
		return nil, err
	}
	group := make([]float64, len(wavelengthNM))
	for i, w := range wavelengthNM {
		n0, n1 := real(below[i]), real(above[i])
		group[i] = (n0+n1)/2 - w*(n1-n0)/(beside[1][i]-beside[0][i])
	}
	return group, nil
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
	nodeNM     []float64
	silicon                   // at the nodes
	end, metal []complex128   // metal nil: none
	under      [][]complex128 // [layer][node]

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
		index, err := lookup(setup, name, s.nodeNM)
		if err != nil {
			problem = errors.Join(problem, fmt.Errorf("%s: %w", what, err))
		}
		return index
	}
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
	var err error
	s.silicon, err = newSilicon(setup, s.nodeNM)
	return s, errors.Join(problem, err)
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
		dst[k] = optics.Amplitude(w, s.index[k], s.layers, end[k], 0, optics.S)
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
		if !metal && j == len(underNM)-1 {
			clear(a.slope[j])
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
	return f.inPower*real(slope) + 2*f.k*(real(f.swing)*real(slope)-imag(f.swing)*imag(slope))
}

// mix puts a share of another area in, all but what along needs.
func (f *fringe) mix(other *fringe, share float64) {
	f.value += share * (other.value - f.value)
	f.mean += share * (other.mean - f.mean)
	f.first += complex(share, 0) * (other.first - f.first)
	f.phase += share * (other.phase - f.phase)
	f.blur += share * (other.blur - f.blur)
	f.contrast += share * (other.contrast - f.contrast)
}

// sum adds up the series of package die for a round-trip factor q under a face that
// reflects r from inside. decay is exp of minus half the variance of the fringe phase,
// contrast multiplies every harmonic.
func (f *fringe) sum(r float64, q complex128, decay, contrast float64) {
	const (
		tolerance = 1e-5
		most      = 12
	)
	through := 1 - r*r
	gain := through * through / (r * r)
	power := real(q)*real(q) + imag(q)*imag(q)
	rest := 1 / (1 - power)
	s := gain * power * rest
	k := s - through

	// Harmonic m is contrast·q^m·decay^(m²). In real numbers: this loop is half of a fit.
	qr, qi, step := real(q)*decay, imag(q)*decay, decay*decay
	re, im := contrast*qr, contrast*qi
	f.first = complex(2*k*re, 2*k*im)
	sum, sum1Re, sum1Im, sum2 := re, re, im, re
	for m := 2.0; m <= most && re*re+im*im > tolerance*tolerance; m++ {
		qr *= step
		qi *= step
		re, im = re*qr-im*qi, re*qi+im*qr
		sum += re
		sum1Re += m * re
		sum1Im += m * im
		sum2 += m * m * re
	}
	f.mean = r*r + s
	f.value = f.mean + 2*k*sum
	f.phase, f.blur, f.contrast = -2*k*sum1Im, -2*k*sum2, 2*k*sum
	f.k, f.swing, f.inPower = k, complex(sum1Re, sum1Im), 2*gain*power*rest*rest*(1+2*sum)
}
