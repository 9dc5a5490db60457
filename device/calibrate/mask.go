package calibrate

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"bluefringe/device/event"
)

const (
	// A pixel is hot when the dark there is so many standard deviations, and this part of
	// the strongest light, above the median around it. What is less, the dark takes off.
	// Common practice, no source.
	hotSD, hotLight = 8, 0.02
	hotReach        = 3 // pixels to each side that are around one
	// More of the pixels than this are a pattern of the detector, and are not masked.
	mostHot = 0.05
)

// exclude sets the mask of the set-up. What of it falls outside the channel is told: the
// set-up cannot know where wavelengths come with the stream.
func (c *Calibrator) exclude(ch *channel, mask event.Channel) {
	ch.excluded = make([]bool, len(ch.wavelengthNM))
	for _, pixel := range mask.MaskPixels {
		if pixel < 0 || pixel >= len(ch.excluded) {
			c.tell("channel %q: mask_pixels of the set-up has %d: the channel has pixels 0 to %d", ch.name, pixel, len(ch.excluded)-1)
			continue
		}
		ch.excluded[pixel] = true
	}
	for _, r := range mask.MaskNM {
		any := false
		for i, w := range ch.wavelengthNM {
			if r[0] <= w && w <= r[1] {
				ch.excluded[i], any = true, true
			}
		}
		if !any {
			c.tell("channel %q: mask_nm of the set-up has [%g, %g]: no pixel lies there", ch.name, r[0], r[1])
		}
	}
	ch.masked = slices.Clone(ch.excluded)
}

// maskHot masks the pixels that are hot in the dark beside those of the set-up.
func (c *Calibrator) maskHot(ch *channel, dark []float64) {
	copy(ch.masked, ch.excluded)
	rise := riseOverNeighbours(dark, ch.excluded)
	least := math.Max(hotSD*spread(rise), hotLight*ch.strongest(dark))
	var hot []int
	for i, v := range rise {
		if v > least && !ch.excluded[i] {
			hot = append(hot, i)
		}
	}
	if float64(len(hot)) > mostHot*float64(len(dark)) {
		hot = nil
	}
	for _, i := range hot {
		ch.masked[i] = true
	}
	// Told again only when others are hot.
	of := ""
	if len(hot) > 0 {
		of = fmt.Sprint(hot)
	}
	if of != "" && of != ch.hot {
		c.tell("channel %q: %s of the dark far above the neighbours, left out: %s", ch.name, pixels(len(hot)), ch.places(hot))
	}
	ch.hot = of
}

// riseOverNeighbours is how far each value is above the median of those around it, NaN
// where it is left out.
func riseOverNeighbours(values []float64, without []bool) []float64 {
	rise := make([]float64, len(values))
	around := make([]float64, 0, 2*hotReach+1)
	for i, v := range values {
		rise[i] = math.NaN()
		if without[i] {
			continue
		}
		around = around[:0]
		for j := max(0, i-hotReach); j <= min(len(values)-1, i+hotReach); j++ {
			if !without[j] && !math.IsNaN(values[j]) {
				around = append(around, values[j])
			}
		}
		rise[i] = v - median(around)
	}
	return rise
}

// spread is a standard deviation that outliers do not reach: 1.4826 times the median
// distance from zero (P. J. Rousseeuw and C. Croux, J. Am. Stat. Assoc. 88 (1993) 1273).
func spread(values []float64) float64 {
	var sizes []float64
	for _, v := range values {
		if !math.IsNaN(v) {
			sizes = append(sizes, math.Abs(v))
		}
	}
	return 1.4826 * median(sizes)
}

// median of values, in any order afterwards; 0 of none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return 0
	}
	slices.Sort(values)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

func pixels(n int) string {
	if n == 1 {
		return "1 pixel"
	}
	return fmt.Sprintf("%d pixels", n)
}

// places says where pixels are.
func (ch *channel) places(list []int) string {
	const most = 4
	var where []string
	for _, i := range list[:min(len(list), most)] {
		where = append(where, fmt.Sprintf("%.1f", ch.wavelengthNM[i]))
	}
	if len(list) > most {
		where = append(where, "…")
	}
	return strings.Join(where, ", ") + " nm"
}
