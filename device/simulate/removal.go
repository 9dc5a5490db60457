package simulate

import (
	"math"
	"math/rand/v2"
)

// substepS is the longest step of the rate's integration. The fastest change of
// the rate is its break-in, over seconds: the error of the trapezoid rule stays
// below 1e-4 nm.
const substepS = 0.02

// polishing is the die in the machine: the thickness of every site, and what
// drives the rate.
type polishing struct {
	removal  Removal
	rng      *rand.Rand
	dwell    []float64
	um       []float64 // thickness by site
	nowS     float64
	contact  bool
	contactS float64 // time spent in contact
	logRate  float64 // slow wander
	pressure float64 // times speed, relative to nominal
	forceN   float64
	padMM    float64
	speedMS  float64
}

func newPolishing(cfg Config, rng *rand.Rand) *polishing {
	r := cfg.Removal
	p := &polishing{removal: r, rng: rng, pressure: 1, forceN: r.ForceN, padMM: r.PadMM, speedMS: r.SpeedMS}
	if p.removal.PrestonFactor == 0 {
		p.removal.PrestonFactor = 1
	}
	for _, s := range cfg.Sites {
		dwell := s.Dwell
		if dwell == 0 {
			dwell = 1
		}
		p.dwell = append(p.dwell, dwell)
		p.um = append(p.um, cfg.Die.startUM(s))
	}
	return p
}

// rateUMS is the present rate in µm/s at a dwell of 1.
func (p *polishing) rateUMS() float64 {
	if !p.contact {
		return 0
	}
	return p.fullUMS()
}

// fullUMS is the rate in µm/s that there is with the pad on the die.
func (p *polishing) fullUMS() float64 {
	r := p.removal
	rate := r.RateUMMin / 60 * r.PrestonFactor * p.pressure * math.Exp(p.logRate)
	if r.BreakInS > 0 {
		rate *= 1 - r.BreakIn*math.Exp(-p.contactS/r.BreakInS)
	}
	if r.GlazingS > 0 {
		rate *= math.Exp(-p.contactS / r.GlazingS)
	}
	return rate
}

// advance removes silicon up to a time.
func (p *polishing) advance(timeS float64) {
	steps := math.Ceil((timeS - p.nowS) / substepS)
	if steps < 1 {
		return
	}
	dt := (timeS - p.nowS) / steps
	before := p.rateUMS()
	for range int(steps) {
		if p.contact {
			p.contactS += dt
		}
		p.logRate = wander(p.rng, p.logRate, p.removal.WanderSD, p.removal.WanderS, dt)
		after := p.rateUMS()
		for i := range p.um {
			p.um[i] = math.Max(0, p.um[i]-p.dwell[i]*dt*(before+after)/2)
		}
		before = after
	}
	p.nowS = timeS
}

// change applies what the operator did at the present time.
func (p *polishing) change(c Change) {
	for _, set := range []struct{ to, from *float64 }{{&p.forceN, c.ForceN}, {&p.padMM, c.PadMM}, {&p.speedMS, c.SpeedMS}} {
		if set.from != nil {
			*set.to = *set.from
		}
	}
	if c.Contact != nil {
		p.contact = *c.Contact
	}
	// F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214: rate = Kp·P·v.
	area := p.padMM / p.removal.PadMM
	p.pressure = p.forceN / p.removal.ForceN / (area * area) * p.speedMS / p.removal.SpeedMS
}

// thinnestUM is the thickness of the thinnest site.
func (p *polishing) thinnestUM() float64 {
	least := math.Inf(1)
	for _, um := range p.um {
		least = math.Min(least, um)
	}
	return least
}

// wander takes an Ornstein-Uhlenbeck process with that standard deviation and
// correlation time one exact step on.
func wander(rng *rand.Rand, x, sd, correlationS, dtS float64) float64 {
	if sd == 0 {
		return x
	}
	keep := math.Exp(-dtS / correlationS)
	return keep*x + sd*math.Sqrt(1-keep*keep)*rng.NormFloat64()
}
