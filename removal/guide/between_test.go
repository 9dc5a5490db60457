package guide

import (
	"math"
	"strings"
	"testing"

	"bluefringe/optics/surface"
)

// Five sites of a tilted die: the corner that no site sees is thinner than all of them by
// the tilt times its distance, and it is for that corner that stop comes.
func TestThinnestPlaceBetweenSites(t *testing.T) {
	places := map[string][2]float64{"c": {0, 0}, "ne": {2, 2}, "nw": {-2, 2}, "se": {2, -2}, "sw": {-2, -2}}
	const tiltUMMM = 0.03 // toward +x and +y the silicon is thinner
	at := func(x, y, timeS float64) float64 { return 2.6 - tiltUMMM*(x+y) - rateUMS*timeS }
	run := func(outline surface.Outline, known bool) (stopS float64, reason string) {
		e := newBench(t).engine(func(c *Config) {
			c.Outline = outline
			if known {
				c.PositionMM = func(site string) (float64, float64, bool) {
					p, ok := places[site]
					return p[0], p[1], ok
				}
			}
		})
		timeS := 0.0
		for ; timeS < 60; timeS++ {
			name := []string{"c", "ne", "nw", "se", "sw"}[int(timeS)%5]
			p := places[name]
			r := readingOf("vis", timeS, at(p[0], p[1], timeS), 0.001)
			r.Estimate.Site = name
			if s := last(e.Take(r)); s.Advice.Rule == "target" && strings.Contains(s.Advice.Reason, "after the") {
				return timeS, s.Advice.Reason
			}
		}
		return math.NaN(), ""
	}
	beyond := surface.Outline{MinXMM: -3, MaxXMM: 3, MinYMM: -3, MaxYMM: 3}
	atSites, _ := run(beyond, false)
	atCorner, reason := run(beyond, true)
	// The corner lies 2 mm of slope beyond the site: so much sooner it is down.
	if sooner := 2 * tiltUMMM / rateUMS; math.Abs(atSites-atCorner-sooner) > 1 {
		t.Errorf("stop at %g s for the sites and %g s for the corner, want %.1f s between", atSites, atCorner, sooner)
	}
	if !strings.Contains(reason, "thinnest site (3.0, 3.0) mm") {
		t.Errorf("reason %q", reason)
	}
	if inside, _ := run(surface.Outline{}, true); math.Abs(inside-atSites) > 1 {
		t.Errorf("stop at %g s without an outline, %g s for the sites", inside, atSites)
	}
}
