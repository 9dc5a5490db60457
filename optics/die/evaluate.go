package die

import "math"

// seriesTolerance is the size of |w_m q^m| below which the series ends; the
// reflectance is then exact to about 1e-6.
const seriesTolerance = 1e-6

// maxHarmonics bounds the series. |q| stays below 0.62 for silicon in air over any
// metal, so that it is never reached.
const maxHarmonics = 64

// Evaluation is the reflectance at one set of parameters with its derivatives;
// every slice has one value per pixel.
type Evaluation struct {
	Reflectance []float64
	Mean        []float64              // the part that does not swing with thickness
	First       []complex128           // first harmonic of the fringes, see Fundamental
	Thickness   []float64              // dR/d(thickness), 1/nm
	SpreadVar   []float64              // dR/d(spread²), 1/nm²
	Tilt        []float64              // dR/d(tilt)
	Coverage    []float64              // dR/d(coverage)
	Dispersion  [Dispersions][]float64 // dR/d(Dispersion)
	Absorption  [Absorptions][]float64 // dR/d(Absorption)
	Under       [][]float64            // [layer]: dR/d(layer thickness), 1/nm
	Roughness   []float64              // dR/d(roughness²), 1/nm²

	room room
}

// room is where one pixel is worked out.
type room struct {
	waves       []complex128 // of each layer: what its round trip leaves of the light
	bare, metal []complex128 // of each layer: (dρ/dt)/ρ
	blur        blur
}

// NewEvaluation returns the room that Evaluate fills.
func (m *Model) NewEvaluation() *Evaluation {
	n := len(m.pixels)
	e := &Evaluation{
		Reflectance: make([]float64, n),
		Mean:        make([]float64, n),
		First:       make([]complex128, n),
		Thickness:   make([]float64, n),
		SpreadVar:   make([]float64, n),
		Tilt:        make([]float64, n),
		Coverage:    make([]float64, n),
		Under:       make([][]float64, m.layers),
		Roughness:   make([]float64, n),
		room:        m.newRoom(),
	}
	for j := range e.Under {
		e.Under[j] = make([]float64, n)
	}
	for k := range e.Dispersion {
		e.Dispersion[k] = make([]float64, n)
	}
	for k := range e.Absorption {
		e.Absorption[k] = make([]float64, n)
	}
	return e
}

func (m *Model) newRoom() room {
	return room{waves: make([]complex128, m.layers), bare: make([]complex128, m.layers), metal: make([]complex128, m.layers)}
}

// Evaluate fills e for the parameters p. It does not allocate.
func (m *Model) Evaluate(e *Evaluation, p Params) {
	for i := range m.pixels {
		px := &m.pixels[i]
		bare, metal := px.areas(&e.room, p)
		c := p.Coverage
		if px.hasMetal() {
			e.Coverage[i] = metal.value - bare.value
			for j := range e.Under {
				e.Under[j][i] = (1-c)*bare.along(e.room.bare[j]) + c*metal.along(e.room.metal[j])
			}
			bare = mixed(bare, metal, c)
		} else {
			for j := range e.Under {
				e.Under[j][i] = bare.along(e.room.bare[j])
			}
		}
		e.Reflectance[i] = bare.value
		e.Mean[i] = bare.mean
		e.First[i] = bare.first
		e.Thickness[i] = bare.thickness
		e.SpreadVar[i] = bare.spreadVar
		e.Tilt[i] = bare.tilt
		// dR/dε = dR/dd · d·shape/stretch: the index error acts as a stretched film.
		along := bare.thickness * p.ThicknessNM / px.stretch(p)
		for k := range e.Dispersion {
			e.Dispersion[k][i] = along * px.ofN[k]
		}
		for k := range e.Absorption {
			e.Absorption[k][i] = bare.absorption * px.ofK[k]
		}
		e.Roughness[i] = -px.scatter * bare.value
		if p.RoughnessVarNM2 != 0 {
			e.scatter(i, math.Exp(-px.scatter*p.RoughnessVarNM2))
		}
	}
}

// scatter takes a factor off all that pixel i sends back.
func (e *Evaluation) scatter(i int, left float64) {
	for _, of := range [][]float64{e.Reflectance, e.Mean, e.Thickness, e.SpreadVar, e.Tilt, e.Coverage, e.Roughness} {
		of[i] *= left
	}
	for k := range e.Dispersion {
		e.Dispersion[k][i] *= left
	}
	for k := range e.Absorption {
		e.Absorption[k][i] *= left
	}
	for j := range e.Under {
		e.Under[j][i] *= left
	}
	e.First[i] *= complex(left, 0)
}

// Areas returns the reflectance of the two kinds of area apart: dielectric
// without metal, and metal (nil without a reflector). The reflectance of the
// spot is linear in the coverage between them.
func (m *Model) Areas(p Params) (bare, metal []float64) {
	bare = make([]float64, len(m.pixels))
	if m.HasMetal() {
		metal = make([]float64, len(m.pixels))
	}
	w := m.newRoom()
	for i := range m.pixels {
		px := &m.pixels[i]
		left := math.Exp(-px.scatter * p.RoughnessVarNM2)
		b, c := px.areas(&w, p)
		bare[i] = left * b.value
		if metal != nil {
			metal[i] = left * c.value
		}
	}
	return bare, metal
}

// Fundamental returns the first harmonic of the fringes at every pixel: near a
// wavelength the reflectance swings as the mean plus the real part of it, and its
// size over the mean is the fringe visibility where the higher harmonics have died.
// Its phase holds what the front side adds to that of the silicon.
func (m *Model) Fundamental(p Params) []complex128 {
	out := make([]complex128, len(m.pixels))
	w := m.newRoom()
	for i := range m.pixels {
		px := &m.pixels[i]
		bare, metal := px.areas(&w, p)
		if px.hasMetal() {
			bare = mixed(bare, metal, p.Coverage)
		}
		out[i] = complex(math.Exp(-px.scatter*p.RoughnessVarNM2), 0) * bare.first
	}
	return out
}

func (px *pixel) hasMetal() bool { return len(px.metalFaces) > len(px.underTurn) }

func (px *pixel) stretch(p Params) float64 {
	stretch := 1.0
	for k, s := range px.ofN {
		stretch += p.Dispersion[k] * s
	}
	return stretch
}

// turned is the round-trip phase per nm with the absorption that is fitted.
func (px *pixel) turned(p Params) complex128 {
	factor := 1.0
	for k, s := range px.ofK {
		factor += p.Absorption[k] * s
	}
	return complex(real(px.turn), imag(px.turn)*factor)
}

// black is the amplitude that a round trip through the silicon must leave: below it the
// face alone is seen.
const black = 1e-8

// areas works out both kinds of area, which share all but what lies under the silicon.
func (px *pixel) areas(w *room, p Params) (bare, metal fringe) {
	stretch := px.stretch(p)
	d := p.ThicknessNM * stretch
	turn := px.turned(p)
	once := px.inner * wave(complex(-imag(turn), real(turn)), d)
	if power(once) < black*black {
		clear(w.bare)
		clear(w.metal)
		face := fringe{value: power(px.outer), mean: power(px.outer)}
		return face, face
	}
	w.blur.start(px.turn, p.SpreadVarNM2, p.Tilt, px.smear*d*d/2)
	for j, under := range px.underTurn {
		w.waves[j] = wave(under, p.UnderNM[j])
	}
	if px.hasMetal() {
		metal = px.fringe(once*frontSide(px.metalFaces, px.underTurn, w.waves, w.metal), &w.blur, turn, d, stretch)
	}
	bare = px.fringe(once*frontSide(px.bareFaces, px.underTurn, w.waves, w.bare), &w.blur, turn, d, stretch)
	return bare, metal
}

// wave returns exp(turn·length).
func wave(turn complex128, length float64) complex128 {
	sin, cos := math.Sincos(imag(turn) * length)
	if real(turn) == 0 {
		return complex(cos, sin)
	}
	size := math.Exp(real(turn) * length)
	return complex(size*cos, size*sin)
}

// frontSide returns ρ, the coefficient of what lies under the silicon seen from
// inside, for the interfaces that light meets. slope[j] becomes (dρ/dt_j)/ρ of layer j,
// 0 for one that is not met.
func frontSide(faces, turn, waves, slope []complex128) complex128 {
	layers := len(faces) - 1
	r := faces[layers]
	for j := layers - 1; j >= 0; j-- {
		r *= waves[j]
		slope[j] = turn[j] * r
		top := faces[j]
		inverse := reciprocal(1 + top*r)
		gain := (1 - top*top) * inverse * inverse
		r = (top + r) * inverse
		slope[j] *= gain
		for l := j + 1; l < layers; l++ {
			slope[l] *= gain * waves[j]
		}
	}
	inverse := reciprocal(r)
	for j := range slope {
		if j < layers {
			slope[j] *= inverse
		} else {
			slope[j] = 0
		}
	}
	return r
}

// reciprocal is 1/z, without the care for overflow that makes the operator slow.
func reciprocal(z complex128) complex128 {
	scale := 1 / power(z)
	return complex(real(z)*scale, -imag(z)*scale)
}

// fringe is the reflectance of one kind of area at one pixel with what its
// derivatives need.
type fringe struct {
	value, mean          float64
	thickness, spreadVar float64
	tilt                 float64
	absorption           float64    // dR/d(ln k)
	first                complex128 // 2(κ+S) w_1 q
	swing                complex128 // (κ+S) Σ m w_m q^m
	power                float64    // dR/d(ln|q|) through |q|² alone
}

// along returns the derivative in a parameter of which (dq/dx)/q is given.
func (f fringe) along(logSlope complex128) float64 {
	return f.power*real(logSlope) + 2*(real(f.swing)*real(logSlope)-imag(f.swing)*imag(logSlope))
}

// mixed is a spot of which the part c is metal; of the fields that along needs, none.
func mixed(bare, metal fringe, c float64) fringe {
	return fringe{
		value:     bare.value + c*(metal.value-bare.value),
		mean:      bare.mean + c*(metal.mean-bare.mean),
		thickness: bare.thickness + c*(metal.thickness-bare.thickness),
		spreadVar: bare.spreadVar + c*(metal.spreadVar-bare.spreadVar),
		tilt:      bare.tilt + c*(metal.tilt-bare.tilt),
		first:     bare.first + complex(c, 0)*(metal.first-bare.first),

		absorption: bare.absorption + c*(metal.absorption-bare.absorption),
	}
}

func (px *pixel) fringe(q complex128, b *blur, turn complex128, d, stretch float64) fringe {
	qq := power(q) * b.regained
	inverse := 1 / (1 - qq)
	s := px.gainPower * qq * inverse
	sSlope := 2 * s * inverse // dS/d(ln|q|)
	k := px.kappa + complex(s, 0)

	// k·Σ of the weights, of m and of m² times them; of the slopes the real part alone.
	var sum, sum1, sum2 complex128
	var byVar, byTilt float64
	term := k
	for m := range maxHarmonics {
		term *= q
		h := b.harmonic(m)
		weighted := h.weight * term
		order := float64(m + 1)
		once := complex(order*real(weighted), order*imag(weighted))
		sum += weighted
		sum1 += once
		sum2 += complex(order*real(once), order*imag(once))
		byVar += real(h.byVar)*real(term) - imag(h.byVar)*imag(term)
		byTilt += real(h.byTilt)*real(term) - imag(h.byTilt)*imag(term)
		// Also ends on NaN, which is not above anything.
		if !((math.Abs(real(term))+math.Abs(imag(term)))*h.bound > seriesTolerance) {
			break
		}
	}
	f := fringe{
		mean:  power(px.outer) + s,
		first: 2 * k * q * b.harmonic(0).weight,
		swing: sum1,
		power: sSlope * (1 + 2*real(sum*reciprocal(k))),
		tilt:  2 * byTilt,
	}
	f.value = f.mean + 2*real(sum)
	f.absorption = f.along(complex(-imag(px.turn)*d, 0))
	phase, absorb := real(px.turn), imag(px.turn)
	f.spreadVar = 2*(byVar+phase*absorb*imag(sum2)) + f.power*absorb*absorb
	f.thickness = stretch * (f.along(complex(-imag(turn), real(turn))) - 2*real(sum2)*px.smear*d)
	return f
}

// blur is what spread, resolution and aperture leave of the fringes, harmonic by
// harmonic, for both kinds of area.
//
// A Gaussian of thickness under exp(i·m·turn·d) gives exp(-m²·turn²·v/2), also where turn
// is complex; a uniform spread of the same variance gives sin(mx)/(mx) with
// x = φ·√(3v), φ the phase per nm; a Gaussian line blurs the phase alone. The phase that
// absorption, as the table has it, adds goes into the weights; its square is left out, and
// so is that the spread also averages the power that returns (together below 0.002 of
// reflectance at 40 nm of spread).
type blur struct {
	known     int // of the harmonics
	harmonics [maxHarmonics]harmonic

	regained              float64 // of |q|², by the average over absorption
	tilt, v               float64
	half                  float64    // φ²/2
	gauss                 float64    // of the spread alone
	ratio                 float64    // of this Gaussian factor to the last
	step                  float64    // of the ratio
	other                 complex128 // line, aperture and the phase of absorption
	otherRatio, otherStep complex128
	x                     float64
	sin, cos, sin1, cos1  float64 // of m·x
}

// harmonic holds the weight of q^m and its slopes in variance and in tilt.
type harmonic struct {
	weight, byVar, byTilt complex128
	bound                 float64 // no later weight is larger
}

func (b *blur) start(turn complex128, v, tilt, line float64) {
	phase, absorb := real(turn), imag(turn)
	b.known, b.tilt, b.v, b.half = 0, tilt, v, phase*phase/2
	b.gauss, b.ratio, b.step = 1, 1, 1
	b.regained = 1
	b.other, b.otherRatio = 1, complex(math.Exp(-line), 0)
	if v > 0 {
		b.ratio = math.Exp(-b.half * v)
		b.step = b.ratio * b.ratio
		b.regained = math.Exp(2 * absorb * absorb * v)
		b.otherRatio *= wave(complex(0, -phase*absorb), v)
	}
	b.otherStep = b.otherRatio * b.otherRatio
	b.x = phase * math.Sqrt(3*v)
	b.sin, b.cos, b.sin1, b.cos1 = 0, 1, 0, 1
	if b.x > 0 {
		b.sin1, b.cos1 = math.Sincos(b.x)
	}
}

// harmonic returns the one of q^(m+1).
func (b *blur) harmonic(m int) *harmonic {
	for ; b.known <= m; b.known++ {
		b.next()
	}
	return &b.harmonics[m]
}

func (b *blur) next() {
	m := float64(b.known + 1)
	b.gauss *= b.ratio
	b.ratio *= b.step
	b.other *= b.otherRatio
	b.otherRatio *= b.otherStep
	b.sin, b.cos = b.sin*b.cos1+b.cos*b.sin1, b.cos*b.cos1-b.sin*b.sin1
	w, slopeV := b.gauss, -m*m*b.half*b.gauss
	uniform, uniformV := 1.0, -m*m*b.half
	if x := m * b.x; x > 1e-3 {
		uniform = b.sin / x
		uniformV = (b.cos - uniform) / (2 * b.v)
	}
	byTilt := uniform - w
	h := &b.harmonics[b.known]
	h.bound = b.gauss
	if b.tilt > 0 {
		h.bound += b.tilt * (math.Min(1, 1/(m*b.x)) - b.gauss)
	}
	w += b.tilt * byTilt
	slopeV += b.tilt * (uniformV - slopeV)
	or, oi := real(b.other), imag(b.other)
	h.weight = complex(w*or, w*oi)
	h.byVar = complex(slopeV*or, slopeV*oi)
	h.byTilt = complex(byTilt*or, byTilt*oi)
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
