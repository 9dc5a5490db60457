package simulate

import (
	"fmt"
	"math"
	"math/cmplx"

	"bluefringe/optics"

	"gonum.org/v1/gonum/integrate/quad"
)

// scene is the die as the instrument sees it, all but thickness, spread and
// coverage. It is read-only once made.
type scene struct {
	pixels []pixel
	rules  []rule
}

// pixel is one pixel's line, cut into samples, and what roughness leaves of it.
type pixel struct {
	samples  []sample
	specular float64
}

// sample is one wavelength of a line.
type sample struct {
	weight float64
	turn   complex128 // 4πN/λ: round-trip phase per nm of silicon
	face   complex128 // amplitude reflection at the polished face, from outside
	metal  complex128 // of the front side with metal, from inside the silicon
	bare   complex128 // of the front side without
}

// opaque is the amplitude of a round trip below which nothing comes back.
const opaque = 1e-6

// newScene looks up every index once. maxThicknessNM is the thickest silicon that
// will be asked for: it decides how finely a line is cut.
func newScene(die Die, wavelengthNM []float64, resolutionNM, maxThicknessNM float64) (*scene, error) {
	silicon, err := siliconIndex(die.Silicon, die.TemperatureC)
	if err != nil {
		return nil, err
	}
	silicon = silicon.doped(die.Carriers)
	front, err := newFront(die)
	if err != nil {
		return nil, err
	}
	sc := &scene{rules: gaussianRules(), pixels: make([]pixel, len(wavelengthNM))}
	sigma := resolutionNM / math.Sqrt(8*math.Ln2)
	for i, nm := range wavelengthNM {
		offset, weight, err := lineNodes(silicon, nm, sigma, maxThicknessNM)
		if err != nil {
			return nil, err
		}
		samples := make([]sample, len(offset))
		for j := range offset {
			if samples[j], err = front.sample(nm+offset[j], silicon); err != nil {
				return nil, err
			}
			samples[j].weight = weight[j]
		}
		ambient, err := front.ambient(nm)
		if err != nil {
			return nil, err
		}
		// H. E. Bennett, J. O. Porteus, J. Opt. Soc. Am. 51 (1961) 123.
		height := 4 * math.Pi * real(ambient) * die.RoughnessNM / nm
		sc.pixels[i] = pixel{samples: samples, specular: math.Exp(-height * height)}
	}
	return sc, nil
}

// front gives the index of everything but the silicon.
type front struct {
	ambient, metal, end indexFunc // metal is nil for none
	under               []indexFunc
	thicknessNM         []float64
}

func newFront(die Die) (*front, error) {
	f := &front{}
	var err error
	look := func(what, name string) (index indexFunc) {
		if err == nil {
			if index, err = materialIndex(name, die.TemperatureC); err != nil {
				err = fmt.Errorf("%s: %w", what, err)
			}
		}
		return index
	}
	f.ambient = look("ambient", die.Ambient)
	for i, layer := range die.Under {
		f.under = append(f.under, look(fmt.Sprintf("layer %d under the silicon", i+1), layer.Material))
		f.thicknessNM = append(f.thicknessNM, layer.ThicknessNM)
	}
	if die.Reflector != "" {
		f.metal = look("reflector", die.Reflector)
	}
	if n := len(f.under); n > 0 {
		f.end = f.under[n-1]
	} else {
		f.end = look("front side", "SiO2")
	}
	return f, err
}

// sample works out what one wavelength needs.
func (f *front) sample(nm float64, silicon indexFunc) (sample, error) {
	var err error
	at := func(index indexFunc) (v complex128) {
		if err == nil {
			v, err = index(nm)
		}
		return v
	}
	si, ambient, end := at(silicon), at(f.ambient), at(f.end)
	layers := make([]optics.Layer, len(f.under))
	for i := range layers {
		layers[i] = optics.Layer{Index: at(f.under[i]), ThicknessNM: f.thicknessNM[i]}
	}
	s := sample{turn: complex(4*math.Pi/nm, 0) * si, face: optics.Interface(ambient, si)}
	bareLayers := layers
	if n := len(layers); n > 0 {
		bareLayers = layers[:n-1]
	}
	s.bare = optics.Amplitude(nm, si, bareLayers, end, 0, optics.S)
	s.metal = s.bare
	if f.metal != nil {
		s.metal = optics.Amplitude(nm, si, layers, at(f.metal), 0, optics.S)
	}
	return s, err
}

// lineNodes cuts a Gaussian line of standard deviation sigma (nm) into
// wavelengths by Gauss-Hermite quadrature, fine enough for the fringes that can be
// seen at this wavelength.
func lineNodes(silicon indexFunc, nm, sigma, maxThicknessNM float64) (offset, weight []float64, err error) {
	if sigma == 0 {
		return []float64{0}, []float64{1}, nil
	}
	const step = 0.5 // nm, for the slope of the phase
	var turn [2]complex128
	for i, at := range []float64{nm - step, nm + step} {
		index, err := silicon(at)
		if err != nil {
			return nil, nil, fmt.Errorf("line of %g nm: %w", nm, err)
		}
		turn[i] = complex(4*math.Pi/at, 0) * index
	}
	depth := maxThicknessNM
	if loss := imag(turn[0]); loss > 0 {
		depth = math.Min(depth, -math.Log(opaque)/loss)
	}
	// Phase of a fringe over one standard deviation of the line. n nodes get the
	// mean of exp(i·phase·u) wrong by about phase^2n·n!/(2n)!; these leave 1e-6,
	// and room for the harmonics.
	phase := math.Abs(real(turn[1]-turn[0])) / (2 * step) * sigma * depth
	n := int(math.Ceil(4 + 4.5*phase + 1.4*phase*phase))
	const maxNodes = 200
	if n > maxNodes {
		return nil, nil, fmt.Errorf("the instrument is too coarse at %g nm for silicon of %g µm: fringes are far narrower than its line of %.3g nm", nm, maxThicknessNM/1000, sigma)
	}
	offset, weight = make([]float64, n), make([]float64, n)
	quad.Hermite{}.FixedLocations(offset, weight, math.Inf(-1), math.Inf(1))
	for i := range offset {
		offset[i] *= math.Sqrt2 * sigma
		weight[i] /= math.Sqrt(math.Pi)
	}
	return offset, weight, nil
}

// rule is the trapezoid rule on the standard normal distribution, from -half·step
// to +half·step. Of a wave of a radians per standard deviation it gives the mean
// with an error exp(-(2π/step-a)²/2) (Poisson's summation formula).
type rule struct {
	half   int
	step   float64
	weight []float64 // 2·half+1 of them
}

const ruleReach = 4.9 // standard deviations; beyond lies 1e-6 of the distribution

// gaussianRules returns rules from coarse to fine.
func gaussianRules() []rule {
	var rules []rule
	for _, half := range []int{4, 5, 6, 8, 10, 13, 16, 20, 26, 32, 40, 52, 64, 96, 128, 192, 256, 512} {
		r := rule{half: half, step: ruleReach / float64(half)}
		sum := 0.0
		for k := -half; k <= half; k++ {
			u := float64(k) * r.step
			r.weight = append(r.weight, math.Exp(-u*u/2))
			sum += math.Exp(-u * u / 2)
		}
		for i := range r.weight {
			r.weight[i] /= sum
		}
		rules = append(rules, r)
	}
	return rules
}

// choose returns the coarsest rule that averages every harmonic of a fringe that
// counts: harmonic m has the amplitude trip^m and turns by m·phase radians per
// standard deviation.
func (sc *scene) choose(phase, trip float64) *rule {
	harmonics := math.Log(opaque) / math.Log(math.Min(trip, 0.95))
	need := phase*math.Max(1, harmonics) + 5
	for i := range sc.rules {
		if 2*math.Pi/sc.rules[i].step >= need {
			return &sc.rules[i]
		}
	}
	return &sc.rules[len(sc.rules)-1]
}

// reflectance writes the reflectance of one spot to dst, one value a pixel: the
// mean over a Gaussian distribution of thickness, metal and bare areas added by
// their part of the spot. The tail of the distribution below zero thickness is
// silicon that is gone.
func (sc *scene) reflectance(dst []float64, thicknessNM, spreadNM, coverage float64) {
	for i := range sc.pixels {
		sum := 0.0
		for j := range sc.pixels[i].samples {
			s := &sc.pixels[i].samples[j]
			sum += s.weight * sc.spot(s, thicknessNM, spreadNM, coverage)
		}
		dst[i] = sum * sc.pixels[i].specular
	}
}

func (sc *scene) spot(s *sample, thicknessNM, spreadNM, coverage float64) float64 {
	trip := s.trip(thicknessNM)
	if spreadNM == 0 {
		return s.power(trip, coverage)
	}
	// The thinnest of the spot sends back most.
	thin := math.Max(0, thicknessNM-3*spreadNM)
	back := cmplx.Abs(s.face) * math.Max(cmplx.Abs(s.metal), cmplx.Abs(s.bare)) * math.Exp(-imag(s.turn)*thin)
	if back < opaque {
		return s.power(trip, coverage)
	}
	r := sc.choose(real(s.turn)*spreadNM, back)
	first, gone := 0, 0.0
	for first < 2*r.half && thicknessNM+float64(first-r.half)*r.step*spreadNM < 0 {
		gone += r.weight[first]
		first++
	}
	sum := 0.0
	if gone > 0 {
		sum = gone * s.power(1, coverage)
	}
	// Evenly spaced thicknesses: the round trip is a geometric progression.
	q := s.trip(thicknessNM + float64(first-r.half)*r.step*spreadNM)
	ratio := s.trip(r.step * spreadNM)
	for _, w := range r.weight[first:] {
		sum += w * s.power(q, coverage)
		q *= ratio
	}
	return sum
}

// trip is the factor of one round trip through silicon of that thickness.
func (s *sample) trip(thicknessNM float64) complex128 {
	return cmplx.Exp(complex(0, thicknessNM) * s.turn)
}

// power is the last step of the recursion (optics.Amplitude) for both areas.
func (s *sample) power(trip complex128, coverage float64) float64 {
	bare := s.area(s.bare * trip)
	if coverage == 0 {
		return bare
	}
	return coverage*s.area(s.metal*trip) + (1-coverage)*bare
}

func (s *sample) area(below complex128) float64 {
	return norm(s.face+below) / norm(1+s.face*below)
}

func norm(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
