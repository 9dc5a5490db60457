package calibrate

import (
	"fmt"
	"math"
	"math/bits"
	"slices"

	"bluefringe/device/event"
)

// Bounds on dark and reference. Common practice, no source.
const (
	// A dark is no dark where it varies along the spectrum by this part of the strongest
	// light, or where its level is this part of the highest count of the reference.
	litShape, litLevel = 0.10, 0.25
	// The dark is brighter at a pixel when it is so by this part of the greatest
	// difference, and many pixels are this part of all.
	brighter, manyPixels = 0.10, 0.25
	// So many times as many pixels are brighter in the dark as in the reference: they have
	// been swapped.
	swapped = 3
	// A reference is weak when its strongest light is less than this times the scatter of
	// the dark from pixel to pixel, or so few whole counts.
	weakScatter, weakCounts = 10, 200
)

// checkDark tells of a dark that reached the end of the detector's range.
func (c *Calibrator) checkDark(ch *channel) {
	if len(ch.darks) == 0 {
		return
	}
	counts := ch.darks[len(ch.darks)-1].counts
	top := saturation(counts, ch.excluded)
	if !isFullScale(top) && !(ch.reference != nil && top >= saturation(ch.reference.counts, ch.excluded)) {
		top = math.Inf(1) // an even dark is flat as well
	}
	at := atLeast(counts, top, ch.excluded)
	c.matter(ch, "dark saturated", len(at) > 0,
		"the dark is saturated at %s: block the light or shorten the integration, and take it again", pixels(len(at)))
}

// isFullScale tells the highest count of converters of 12 to 32 bits.
func isFullScale(count float64) bool {
	if !(count >= 1<<12-1 && count < 1<<32) || count != math.Trunc(count) {
		return false
	}
	return bits.OnesCount64(uint64(count)+1) == 1
}

func (c *Calibrator) checkReference(ch *channel) {
	at := atLeast(ch.reference.counts, saturation(ch.reference.counts, ch.excluded), ch.excluded)
	where := ""
	if len(at) > 0 {
		ends := []float64{ch.wavelengthNM[at[0]], ch.wavelengthNM[at[len(at)-1]]}
		slices.Sort(ends)
		where = fmt.Sprintf("between %.0f and %.0f nm", ends[0], ends[1])
	}
	c.matter(ch, "reference saturated", len(at) > 0,
		"the reference is saturated at %s %s: shorten the integration or dim the lamp, then take dark and reference again", pixels(len(at)), where)
}

// atLeast lists the pixels at or above a count.
func atLeast(counts []float64, top float64, without []bool) []int {
	var at []int
	for i, v := range counts {
		if v >= top && !without[i] {
			at = append(at, i)
		}
	}
	return at
}

// checkOrder compares dark and reference pixel by pixel. An error means that they are of no
// use.
func (c *Calibrator) checkOrder(ch *channel, dark []float64) error {
	light := make([]float64, 0, len(dark))
	greatest := 0.0
	for i, v := range ch.reference.counts {
		if l := v - dark[i]; !ch.excluded[i] && !math.IsNaN(l) {
			light = append(light, l)
			greatest = math.Max(greatest, math.Abs(l))
		}
	}
	over, under := 0, 0
	for _, l := range light {
		switch {
		case l > brighter*greatest:
			over++
		case -l > brighter*greatest:
			under++
		}
	}
	many := float64(under) > manyPixels*float64(len(light))
	if many && under > swapped*over {
		return fmt.Errorf("%w: the dark is brighter than the reference at %d of %d pixels: swapped? Take the dark with the light blocked, the reference with light on bare %s",
			ErrNoLight, under, len(light), event.Clean(ch.reference.material))
	}
	c.matter(ch, "dark bright", many && over > 0, "the dark is brighter than the reference at %d of %d pixels: light in the dark, or another setting: take both again", under, len(light))
	return nil
}

// checkPair tells of a reference that is weak beside its dark, and of a dark that is bright
// beside its reference.
func (c *Calibrator) checkPair(ch *channel, dark []float64) {
	strongest := ch.strongest(dark)
	scatter := spread(riseOverNeighbours(dark, ch.masked))
	weak := strongest < weakScatter*scatter || strongest < weakCounts && wholeCounts(ch.reference.counts) && wholeCounts(dark)
	c.matter(ch, "reference weak", weak, "the reference is weak: %.3g counts above the dark at most, which scatters by %.2g from pixel to pixel: more light, longer integration or a better focus, then take both again", strongest, scatter)
	level, variation := ch.levelOf(dark)
	comparable := !weak && !ch.told["dark saturated"]
	top := slices.MaxFunc(ch.reference.counts, compareNumbers)
	c.matter(ch, "dark lit", comparable && variation > litShape*strongest,
		"the dark is not dark: it varies along the spectrum by %.0f %% of the reference's light: block the light, also that of the room, and take it again", 100*variation/strongest)
	c.matter(ch, "dark high", comparable && level > litLevel*top,
		"the dark has %.0f %% of the reference's highest count: keep light out of the dark, or shorten the integration, and take both again", 100*level/top)
}

// levelOf is the median of a dark and how far its course varies: the range of medians of
// five pixels, which single pixels do not reach.
func (ch *channel) levelOf(dark []float64) (level, variation float64) {
	const reach = 2
	var all, around []float64
	low, high := math.Inf(1), math.Inf(-1)
	for i, v := range dark {
		if ch.masked[i] || math.IsNaN(v) {
			continue
		}
		all = append(all, v)
		around = around[:0]
		for j := max(0, i-reach); j <= min(len(dark)-1, i+reach); j++ {
			if !ch.masked[j] && !math.IsNaN(dark[j]) {
				around = append(around, dark[j])
			}
		}
		if len(around) > reach {
			m := median(around)
			low, high = math.Min(low, m), math.Max(high, m)
		}
	}
	return median(all), math.Max(0, high-low)
}

// compareNumbers orders numbers with NaN below all.
func compareNumbers(a, b float64) int {
	switch {
	case a > b || math.IsNaN(b) && !math.IsNaN(a):
		return 1
	case a < b || math.IsNaN(a) && !math.IsNaN(b):
		return -1
	}
	return 0
}

func wholeCounts(counts []float64) bool {
	for _, v := range counts {
		if !math.IsNaN(v) && v != math.Trunc(v) {
			return false
		}
	}
	return true
}
