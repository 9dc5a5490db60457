package calibrate

import (
	"math"

	"bluefringe/optics"
	"bluefringe/optics/material"
)

// Short-wave light does not reach the bottom of the silicon, so the die reflects there what
// any bare silicon does, whatever lies below it: a check of the reference that needs no fit.
const (
	levelNM = 450.0 // beyond, silicon is not opaque
	// leastSiliconUM is the thinnest silicon that visible interference measures.
	leastSiliconUM = 0.25
	// Pixels where light from the bottom could change the reflectance by more than this
	// part are left out.
	mostFringe = 0.3
	// So far from bare silicon, and what light from the bottom could do, is off. Common
	// practice, no source.
	levelOff = 0.25
	// A level is told when it was off in so many spectra in a row over so long, one that is
	// low only when none since the reference was right: slurry dims for a while, a wrong
	// reference always. Common practice, no source.
	levelSpectra, levelS = 5, 5.0
	// Fewer pixels, or pixels with less of the strongest light, say nothing: stray light
	// and noise have too great a part there. Common practice, no source.
	levelPixels, levelLight = 5, 0.03
)

// SetThinnest tells how thin the silicon may become, in µm: 0, or less than the program
// measures, means the thinnest that it measures. It holds for channels that come later.
func (c *Calibrator) SetThinnest(um float64) { c.thinnestUM = math.Max(um, leastSiliconUM) }

// offLevel watches the brightness of opaque silicon.
type offLevel struct {
	spectra int     // in a row that are off
	sinceS  float64 // run time of the first of them
	right   bool    // one since the reference was not off
	told    bool
}

// checkLevel holds a reflectance against that of bare silicon where the die is opaque.
func (c *Calibrator) checkLevel(ch *channel, timeS float64, reflectance []float64) {
	if ch.bare == nil {
		ch.bare, ch.fringe = c.opaque(ch.wavelengthNM)
	}
	is, should, fringe, n := 0.0, 0.0, 0.0, 0
	for i, bare := range ch.bare {
		if r := reflectance[i]; !math.IsNaN(bare) && !math.IsNaN(r) && ch.bright(i) {
			is += r
			should += bare
			fringe += bare * ch.fringe[i]
			n++
		}
	}
	off := &ch.brightOff
	if n < levelPixels {
		return
	}
	if math.Abs(is-should) <= levelOff*should+fringe {
		off.spectra, off.right = 0, true
		return
	}
	if off.spectra == 0 || timeS < off.sinceS {
		off.spectra, off.sinceS = 0, timeS
	}
	off.spectra++
	if off.told || off.right && is < should || off.spectra < levelSpectra || timeS-off.sinceS < levelS {
		return
	}
	off.told = true
	why := "wrong reference or material, or lamp drift: take the reference again on bare silicon"
	if is < should {
		why = "wrong reference or material; or a rough, wet or dirty face, or out of focus"
	}
	c.tell("channel %q: below %g nm, where silicon is opaque, the die reflects %.2f times what bare silicon does: %s", ch.name, levelNM, is/should, why)
}

// bright tells whether the reference had enough light at a pixel; without a reference of
// counts the instrument has judged.
func (ch *channel) bright(i int) bool { return ch.enough == nil || ch.enough[i] }

// opaque is the reflectance of bare silicon where the thinnest silicon is nearly opaque,
// NaN elsewhere, and the part of it by which light from the bottom could change it. A wave
// from there, reflected in full, comes back with the amplitude (1−R)·exp(−d/δ), d the
// thickness and δ the absorption depth; beside √R from the top it changes R by twice that
// part.
func (c *Calibrator) opaque(wavelengthNM []float64) (bare, fringe []float64) {
	bare, fringe = make([]float64, len(wavelengthNM)), make([]float64, len(wavelengthNM))
	silicon, err := material.Lookup("Si")
	for i, w := range wavelengthNM {
		bare[i] = math.NaN()
		if err != nil || w >= levelNM {
			continue
		}
		index, err := silicon.Index(w, c.temperatureC)
		if err != nil {
			continue
		}
		depthUM, err := silicon.AbsorptionDepthUM(w, c.temperatureC)
		if err != nil {
			continue
		}
		ambient, err := c.ambient.Index(w, c.temperatureC)
		if err != nil {
			continue
		}
		r := optics.Reflectance(w, complex(real(ambient), 0), nil, index, 0, optics.S)
		if part := 2 * (1 - r) / math.Sqrt(r) * math.Exp(-c.thinnestUM/depthUM); part <= mostFringe {
			bare[i], fringe[i] = r, part
		}
	}
	return bare, fringe
}
