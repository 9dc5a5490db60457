package calibrate

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Age is how old dark and reference are, in seconds of run time; NaN: not known.
type Age struct{ DarkS, ReferenceS float64 }

// Age is about the spectrum that Reflectance was last called with: NaN where it came as
// reflectance.
func (c *Calibrator) Age() Age { return c.age }

// SetAgeLimits tells at which ages a new dark or reference is asked for through News, and
// again whenever the age has doubled; 0: never.
func (c *Calibrator) SetAgeLimits(limits Age) { c.limits = limits }

// moment is when a line was taken.
type moment struct {
	timeS   float64   // run time, of the earlier run if earlier
	earlier bool      // in another run
	started time.Time // of that run; zero: not known
}

// runTime is the moment in the time of this run; NaN: not known.
func (c *Calibrator) runTime(m moment) float64 {
	switch {
	case !m.earlier:
		return m.timeS
	case m.started.IsZero() || c.started.IsZero():
		return math.NaN()
	}
	return m.timeS + m.started.Sub(c.started).Seconds()
}

// age of a moment at a run time. One that is yet to come is of another clock.
func (c *Calibrator) ageOf(m moment, timeS float64) float64 {
	if age := timeS - c.runTime(m); age >= 0 {
		return age
	}
	return math.NaN()
}

// The two that have an age.
const (
	ofDark = iota
	ofReference
)

// ageTold is what of an age has been told since the line was taken.
type ageTold struct {
	atS     float64 // the greatest limit passed; 0: none
	unknown bool
}

// tellAges notes the ages of what a spectrum is measured against, and tells what is due.
func (c *Calibrator) tellAges(ch *channel, timeS float64, darks [2]int) {
	a, b := c.ageOf(ch.darks[darks[0]].taken, timeS), c.ageOf(ch.darks[darks[1]].taken, timeS)
	c.age = Age{DarkS: math.Max(a, b), ReferenceS: c.ageOf(ch.reference.taken, timeS)} // NaN if one is
	var unknown []string
	for which, is := range []struct {
		name, key   string
		ageS, limit float64
	}{
		ofDark:      {"dark", "dark_age_s", c.age.DarkS, c.limits.DarkS},
		ofReference: {"reference", "reference_age_s", c.age.ReferenceS, c.limits.ReferenceS},
	} {
		told := &ch.ages[which]
		switch {
		case is.limit <= 0:
		case math.IsNaN(is.ageS):
			if !told.unknown {
				told.unknown = true
				unknown = append(unknown, is.name)
			}
		case is.ageS > math.Max(is.limit, 2*told.atS):
			for told.atS = is.limit; 2*told.atS < is.ageS; {
				told.atS *= 2
			}
			c.tell("channel %q: the %s is %s old: take a new one ([calibration] %s is %g)", ch.name, is.name, duration(is.ageS), is.key, is.limit)
		}
	}
	if len(unknown) > 0 {
		c.tell("channel %q: age of %s not known: take new ones unless they are fresh", ch.name, strings.Join(unknown, " and "))
	}
}

// duration in the unit that suits it.
func duration(s float64) string {
	switch {
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	case s < 7200:
		return fmt.Sprintf("%.0f min", s/60)
	case s < 48*3600:
		return fmt.Sprintf("%.1f h", s/3600)
	}
	return fmt.Sprintf("%.0f days", s/86400)
}
