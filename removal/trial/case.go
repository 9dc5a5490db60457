package trial

import (
	"fmt"
	"math"
	"math/rand/v2"

	"bluefringe/removal"
)

// Case is one run before it begins: what the set-up says and what is true.
type Case struct {
	Seed   uint64
	Number int

	// What the set-up says.
	TargetUM, FloorUM float64
	ReactionS         float64         // from the advice to the pad off the die
	Process           removal.Process // at the start

	Shape    Shape
	Rate     Rate
	Changes  []ForceChange // in the order of their times
	Sight    Sight
	StretchS float64 // longest stretch of polishing between two looks; 0: sites are seen while polishing
}

// Intermittent tells whether the pad hides the die, so that the operator must lift to
// look.
func (c *Case) Intermittent() bool { return c.StretchS > 0 }

// Shape is the silicon left at the start over a square die, and how unevenly it goes:
//
//	start(x, y) = MiddleUM + TiltX·x + TiltY·y + Bow·(x² + y²)
//	removed(x, y) = removed(0, 0)·(1 + UnevenX·x + UnevenY·y)
type Shape struct {
	MiddleUM         float64
	TiltX, TiltY     float64 // µm/mm
	Bow              float64 // µm/mm²
	UnevenX, UnevenY float64 // 1/mm
	HalfMM           float64 // half the side of the die; 0: the one site is all that counts
	Sites            []Site  // visited in turn
}

// Site is a place where the spot reads.
type Site struct {
	Name     string
	XMM, YMM float64
}

func (s *Shape) positionMM(site string) (xMM, yMM float64, ok bool) {
	for _, at := range s.Sites {
		if at.Name == site {
			return at.XMM, at.YMM, true
		}
	}
	return 0, 0, false
}

// Rate is how the true removal rate departs from Preston's law with the set-up's
// coefficient. Times are times of contact.
type Rate struct {
	Factor        float64 // true Preston coefficient over the set-up's
	ForceExponent float64 // the rate follows force to this power; Preston says 1
	BreakIn       float64 // part of the rate that is missing at first contact
	BreakInS      float64 // time constant of its return
	GlazedTo      float64 // part of the rate that is left when the pad is glazed
	GlazingS      float64 // time constant of the way there
	WanderSD      float64 // of the logarithm of the rate (Ornstein-Uhlenbeck)
	WanderS       float64 // its correlation time
}

// ForceChange is a change of the force that the machine reports.
type ForceChange struct {
	ContactS float64 // time of contact
	Factor   float64 // force over that at the start
}

// Sight is what the instrument sees of the die.
type Sight struct {
	EveryS   float64   // between readings, all sites together
	FitSDUM  float64   // noise of a good reading
	ScaleErr float64   // of table, temperature and wavelengths: shared by all readings, part of the thickness
	UnderErr []float64 // by site: of the front side, in units of what the budget grants
	OrderUM  float64   // between two fringe orders
	Slurry   []Spell   // weak and lost readings
	Dropouts []Spell   // no readings
	Doubt    []Spell   // readings with two fringe orders
}

// Spell is a stretch of time from the start of the run.
type Spell struct{ FromS, ToS float64 }

func during(spells []Spell, timeS float64) bool {
	for _, s := range spells {
		if timeS >= s.FromS && timeS < s.ToS {
			return true
		}
	}
	return false
}

// Streams of random numbers of a case, one a purpose.
const (
	streamCase = iota
	streamWander
	streamReadings
	streamHand
	streams
)

func (c *Case) stream(purpose uint64) *rand.Rand {
	return rand.New(rand.NewPCG(c.Seed, uint64(c.Number)*streams+purpose))
}

// limitS is when a run that does not end is broken off.
const limitS = 3 * 3600

// Draw makes the case of that number. Its random numbers depend on seed and number
// alone.
func Draw(seed uint64, number int) *Case {
	c := &Case{Seed: seed, Number: number}
	rng := draw{c.stream(streamCase)}

	startUM := rng.between(2.5, 6)
	c.TargetUM = rng.logBetween(0.3, math.Min(2.5, startUM-1))
	c.FloorUM = c.TargetUM - math.Max(0.1, rng.between(0.10, 0.25)*c.TargetUM)
	c.ReactionS = rng.between(1, 3)
	nominalUMMin := rng.between(0.3, 0.9)
	c.Process = removal.Process{PrestonPerPa: 2.4e-13, ForceN: 1, PadMM: 3, SpeedMS: 0.25}
	c.Process.ForceN = nominalUMMin / c.Process.RateUMMin()

	c.Shape = rng.shape(startUM)
	c.Rate = Rate{
		Factor:        rng.logBetween(0.5, 2),
		ForceExponent: rng.between(0.85, 1.15),
		BreakIn:       rng.between(0.05, 0.35), BreakInS: rng.between(8, 25),
		GlazedTo: rng.between(0.4, 0.8), GlazingS: rng.logBetween(120, 1200),
		WanderSD: rng.between(0.05, 0.15), WanderS: rng.between(120, 480),
	}
	if rng.chance(0.3) {
		expectedS := (startUM - c.TargetUM) / nominalUMMin * 60
		atS, force := rng.between(0.2, 0.6)*expectedS, 1.0
		for range 1 + rng.IntN(2) {
			factor := rng.logBetween(1.15, 1.7)
			if rng.chance(0.6) { // less for the finish, more often than not
				factor = 1 / factor
			}
			force *= factor
			c.Changes = append(c.Changes, ForceChange{atS, force})
			atS += rng.between(0.1, 0.3) * expectedS
		}
	}

	c.Sight = Sight{
		EveryS:   1 / rng.between(0.5, 2),
		FitSDUM:  rng.logBetween(0.15e-3, 3e-3),
		ScaleErr: scaleRelSD() * rng.NormFloat64(),
		OrderUM:  rng.between(0.09, 0.13),
	}
	for range c.Shape.Sites {
		c.Sight.UnderErr = append(c.Sight.UnderErr, rng.NormFloat64())
	}
	c.Sight.Slurry = rng.spells(0.6, 0.5, 3, 20)
	c.Sight.Dropouts = rng.spells(0.4, 0.3, 2, 30)
	c.Sight.Doubt = rng.spells(0.3, 0.3, 3, 12)
	if rng.chance(0.25) {
		c.StretchS = rng.between(10, 40)
	}
	return c
}

// draw is a source of random numbers with the distributions that cases need.
type draw struct{ *rand.Rand }

func (d draw) between(low, high float64) float64 { return low + (high-low)*d.Float64() }

func (d draw) logBetween(low, high float64) float64 {
	return low * math.Exp(math.Log(high/low)*d.Float64())
}

func (d draw) chance(p float64) bool { return d.Float64() < p }

// shape draws a die: one site in 60 % of cases, otherwise five or nine.
func (d draw) shape(startUM float64) Shape {
	s := Shape{MiddleUM: startUM, Sites: []Site{{Name: "c"}}}
	if d.chance(0.6) {
		return s
	}
	const reachMM = 2.5
	nine := d.chance(0.5)
	for _, y := range []float64{-1, 0, 1} {
		for _, x := range []float64{-1, 0, 1} {
			middle, corner := x == 0 && y == 0, x*y != 0
			if !middle && (corner || nine) {
				s.Sites = append(s.Sites, Site{Name: fmt.Sprintf("%+.0f%+.0f", x, y), XMM: reachMM * x, YMM: reachMM * y})
			}
		}
	}
	s.HalfMM = reachMM
	if d.chance(0.4) { // the die goes on beyond the sites
		s.HalfMM = d.between(reachMM, 3)
	}
	// From the middle to the lowest corner site.
	tilt, angle := d.between(0.02, 0.15)/(math.Sqrt2*reachMM), d.between(0, 2*math.Pi)
	s.TiltX, s.TiltY = tilt*math.Cos(angle), tilt*math.Sin(angle)
	s.Bow = d.between(-0.004, 0.004)
	s.UnevenX, s.UnevenY = 0.0015*d.NormFloat64(), 0.0015*d.NormFloat64()
	return s
}

// spells draws the spells of a fault: with the chance that the case has it at all, its
// mean number a minute and the shortest and longest duration.
func (d draw) spells(chance, perMin, shortS, longS float64) []Spell {
	has := d.chance(chance)
	var list []Spell
	for t := d.ExpFloat64() * 60 / perMin; t < limitS; t += d.ExpFloat64() * 60 / perMin {
		list = append(list, Spell{t, t + d.between(shortS, longS)})
	}
	if !has {
		return nil
	}
	return list
}
