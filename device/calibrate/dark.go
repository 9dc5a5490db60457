package calibrate

import (
	"fmt"
	"math"
	"slices"
)

// dark is what a detector counts without light: an offset, and the dark current times the
// integration time.
type dark struct {
	counts        []float64
	integrationMS float64 // 0: not said
	taken         moment
}

const (
	// mostDarks of different integration times are kept for a channel.
	mostDarks = 4
	// Integration times that differ by less are the same: the part of the dark that grows
	// with time is then off by no more. Common practice, no source.
	sameIntegration = 0.02
)

func sameTime(aMS, bMS float64) bool { return math.Abs(aMS-bMS) <= sameIntegration*math.Max(aMS, bMS) }

// keep takes a new dark in place of that of its integration time. One without a time
// holds for all times, and takes the place of all.
func (ch *channel) keep(d dark) {
	ch.darks = slices.DeleteFunc(ch.darks, func(old dark) bool {
		return d.integrationMS == 0 || old.integrationMS == 0 || sameTime(old.integrationMS, d.integrationMS)
	})
	if len(ch.darks) == mostDarks {
		ch.darks = slices.Delete(ch.darks, 0, 1)
	}
	ch.darks = append(ch.darks, d)
}

// darkOf returns the dark for an integration time, and which two darks it stands on (often
// the same): that of the time, or the straight line between a shorter and a longer one.
// Beyond them there is none: a line drawn on multiplies the noise, and a single dark does
// not tell offset from dark current. Where the times are not said they are taken to be
// equal. The counts are only valid until the next call.
func (ch *channel) darkOf(integrationMS float64) (counts []float64, from [2]int, err error) {
	newest := len(ch.darks) - 1
	if integrationMS == 0 || ch.darks[newest].integrationMS == 0 {
		return ch.darks[newest].counts, [2]int{newest, newest}, nil
	}
	shorter, longer := -1, -1
	for i, d := range ch.darks {
		switch {
		case sameTime(d.integrationMS, integrationMS):
			return d.counts, [2]int{i, i}, nil
		case d.integrationMS < integrationMS && (shorter < 0 || d.integrationMS > ch.darks[shorter].integrationMS):
			shorter = i
		case d.integrationMS > integrationMS && (longer < 0 || d.integrationMS < ch.darks[longer].integrationMS):
			longer = i
		}
	}
	if shorter < 0 || longer < 0 {
		return nil, from, fmt.Errorf("%w: found %g ms, and the dark taken at %g ms: take a dark at %[2]g ms", ErrIntegration, integrationMS, ch.darks[newest].integrationMS)
	}
	a, b := ch.darks[shorter], ch.darks[longer]
	part := (integrationMS - a.integrationMS) / (b.integrationMS - a.integrationMS)
	ch.between = slices.Grow(ch.between[:0], len(a.counts))[:len(a.counts)]
	for i := range ch.between {
		ch.between[i] = a.counts[i] + part*(b.counts[i]-a.counts[i])
	}
	return ch.between, [2]int{shorter, longer}, nil
}
