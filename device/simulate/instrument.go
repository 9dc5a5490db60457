package simulate

import (
	"math"
	"math/rand/v2"

	"bluefringe/device/event"
)

// fullScale is the highest count of a 16-bit detector.
const fullScale = 65535

// detector turns reflectance into counts.
type detector struct {
	in           Instrument
	noise, drift *rand.Rand
	wavelengthNM []float64
	lamp         []float64 // counts above dark at a reflectance of 1, at the reference
	dark         []float64
	aged         []float64 // what the light becomes, over what it was; nil: it stays
	scale, slope float64   // log of the drift since the reference
	nowS         float64
}

func newDetector(in Instrument, pattern, noise, drift *rand.Rand) *detector {
	d := &detector{in: in, noise: noise, drift: drift}
	most := 0.0
	for i := range in.Pixels {
		nm := in.FromNM + (in.ToNM-in.FromNM)*float64(i)/float64(in.Pixels-1)
		nm = math.Round(nm*1000) / 1000 // as a record writes it
		d.wavelengthNM = append(d.wavelengthNM, nm)
		d.lamp = append(d.lamp, lampShape(nm, in.LampK))
		most = math.Max(most, d.lamp[i])
		d.dark = append(d.dark, in.DarkCounts*(1+0.02*pattern.NormFloat64()))
	}
	for i := range d.lamp {
		d.lamp[i] *= in.LampCounts / most
	}
	return d
}

// age settles what the light becomes after the first reference: of another colour, but as
// bright on average, and seen through a film.
func (d *detector) age() {
	in := d.in
	if in.AgedLampK == 0 && in.FilmDepth == 0 {
		return
	}
	d.aged = make([]float64, len(d.lamp))
	before, after := 0.0, 0.0
	for i, nm := range d.wavelengthNM {
		d.aged[i] = 1
		if in.AgedLampK != 0 {
			d.aged[i] = lampShape(nm, in.AgedLampK) / lampShape(nm, in.LampK)
		}
		before += d.lamp[i]
		after += d.lamp[i] * d.aged[i]
	}
	for i, nm := range d.wavelengthNM {
		d.aged[i] *= before / after * (1 - in.FilmDepth*(1-math.Cos(4*math.Pi*in.FilmOpticalNM/nm))/2)
	}
}

// agedPart is how much of the change has come at the present time, 0 to 1.
func (d *detector) agedPart() float64 {
	if past := d.nowS - d.in.AgeFromS; past < d.in.AgeOverS {
		return math.Max(0, past/d.in.AgeOverS)
	}
	return 1
}

// lampShape is the photon rate of a black body (Planck) times the response of a
// silicon detector, a wide bell that vanishes nowhere in the visible (common
// practice, no source).
func lampShape(nm, temperatureK float64) float64 {
	const c2 = 1.438776877e7 // second radiation constant hc/k in nm·K (CODATA 2018)
	photons := math.Pow(nm, -4) / math.Expm1(c2/(nm*temperatureK))
	response := math.Exp(-math.Pow((nm-560)/180, 2) / 2)
	return photons * (0.05 + response)
}

// advance lets lamp and coupling drift up to a time.
func (d *detector) advance(timeS float64) {
	dt := timeS - d.nowS
	d.scale = wander(d.drift, d.scale, d.in.ScaleDriftSD, d.in.DriftS, dt)
	d.slope = wander(d.drift, d.slope, d.in.SlopeDriftSD, d.in.DriftS, dt)
	d.nowS = timeS
}

// counts exposes the detector to a reflectance, nil for no light, and averages
// frames.
func (d *detector) counts(reflectance []float64, frames int) event.Values {
	frames = max(frames, 1)
	part := d.agedPart()
	out := make(event.Values, len(d.dark))
	for i := range out {
		light := 0.0
		if reflectance != nil {
			x := 2*float64(i)/float64(len(out)-1) - 1
			light = d.lamp[i] * reflectance[i] * math.Exp(d.scale+d.slope*x)
			if d.aged != nil {
				light *= 1 + part*(d.aged[i]-1)
			}
		}
		variance := d.in.ReadCounts * d.in.ReadCounts
		if d.in.ElectronsPer > 0 {
			variance += light / d.in.ElectronsPer
		}
		v := d.dark[i] + light
		if variance > 0 {
			v += math.Sqrt(variance/float64(frames)) * d.noise.NormFloat64()
		}
		out[i] = clip(v)
	}
	return out
}

// spike adds a single-pixel spike, now and then.
func (d *detector) spike(counts event.Values) {
	if d.in.SpikesPerMin == 0 || d.noise.Float64() >= d.in.SpikesPerMin/60/d.in.SpectraPerS {
		return
	}
	i := d.noise.IntN(len(counts))
	counts[i] = clip(counts[i] + d.in.SpikeCounts*d.noise.Float64())
}

func clip(v float64) float64 { return math.Round(math.Min(fullScale, math.Max(0, v))) }
