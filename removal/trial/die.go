package trial

import (
	"math"
	"math/rand/v2"
)

// Die is the truth while a run is under way.
type Die struct {
	c         *Case
	path      *path
	timeS     float64
	contactS  float64 // time of contact so far
	touching  bool
	force     float64 // over that at the start
	removedUM float64 // in the middle
}

func newDie(c *Case) *Die {
	return &Die{c: c, path: newPath(c), force: 1}
}

// advance lets time pass.
func (d *Die) advance(timeS float64) {
	if d.touching {
		contactS := d.contactS + timeS - d.timeS
		d.removedUM += d.fullUMS() * (d.path.done(contactS) - d.path.done(d.contactS))
		d.contactS = contactS
	}
	d.timeS = timeS
}

// fullUMS is the rate in the middle in µm/s without drift.
func (d *Die) fullUMS() float64 {
	r := d.c.Rate
	return d.c.Process.RateUMMin() / 60 * r.Factor * math.Pow(d.force, r.ForceExponent)
}

// rateUMS is the present rate of polishing in the middle, µm/s.
func (d *Die) rateUMS() float64 { return d.fullUMS() * d.path.rate(d.contactS) }

// after is what will be removed in the middle when the pad polishes on for so many
// seconds with the present force; negative: what had been, so long ago in this contact.
func (d *Die) after(s float64) float64 {
	return d.removedUM + d.fullUMS()*(d.path.done(d.contactS+s)-d.path.done(d.contactS))
}

// siteUM is the thickness at a site for what was removed in the middle.
func (d *Die) siteUM(site int, removedUM float64) float64 {
	s := &d.c.Shape
	at := s.Sites[site]
	x, y := at.XMM, at.YMM
	return s.MiddleUM + s.TiltX*x + s.TiltY*y + s.Bow*(x*x+y*y) - removedUM*s.evenness(at)
}

func (s *Shape) evenness(at Site) float64 { return 1 + s.UnevenX*at.XMM + s.UnevenY*at.YMM }

// thinnestUM is the thickness of the thinnest place of the die, on a site or not.
func (d *Die) thinnestUM(removedUM float64) float64 {
	s := &d.c.Shape
	// The surface is a sum of one parabola in x and one in y.
	return s.MiddleUM - removedUM +
		lowest(s.TiltX-removedUM*s.UnevenX, s.Bow, s.HalfMM) +
		lowest(s.TiltY-removedUM*s.UnevenY, s.Bow, s.HalfMM)
}

// lowest is the smallest value of slope·x + bow·x² for |x| up to half.
func lowest(slope, bow, half float64) float64 {
	low := bow*half*half - math.Abs(slope)*half
	if x := -slope / (2 * bow); bow > 0 && math.Abs(x) < half {
		low = slope*x + bow*x*x
	}
	return low
}

// thinnestSiteUM is the thickness of the thinnest site.
func (d *Die) thinnestSiteUM() float64 {
	least := math.Inf(1)
	for i := range d.c.Shape.Sites {
		least = math.Min(least, d.siteUM(i, d.removedUM))
	}
	return least
}

// toLevelS is how long, from s seconds after now, the pad must polish with the present
// force until a site is down to a level; negative when it is already below.
func (d *Die) toLevelS(site int, levelUM, s float64) float64 {
	leftUM := d.siteUM(site, d.after(s)) - levelUM
	perUnit := d.fullUMS() * d.c.Shape.evenness(d.c.Shape.Sites[site])
	from := d.contactS + s
	return d.path.when(d.path.done(from)+leftUM/perUnit) - from
}

// path is how the rate goes over the time of contact, without force: the share of the
// full rate at points gridS apart, straight between them, and its integral. It grows as
// it is asked for.
type path struct {
	law           Rate
	rng           *rand.Rand
	log           float64   // of the wander at the last point
	share, shareS []float64 // at the points; integral up to them, in s
}

const (
	gridS     = 0.5
	mostGridS = 4 * limitS
)

func newPath(c *Case) *path {
	p := &path{law: c.Rate, rng: c.stream(streamWander)}
	p.log = p.law.WanderSD * p.rng.NormFloat64()
	p.share, p.shareS = []float64{p.shape(0)}, []float64{0}
	return p
}

func (p *path) shape(contactS float64) float64 {
	r := p.law
	return (1 - r.BreakIn*math.Exp(-contactS/r.BreakInS)) *
		(r.GlazedTo + (1-r.GlazedTo)*math.Exp(-contactS/r.GlazingS)) * math.Exp(p.log)
}

func (p *path) grow() {
	keep := math.Exp(-gridS / p.law.WanderS)
	p.log = keep*p.log + p.law.WanderSD*math.Sqrt(1-keep*keep)*p.rng.NormFloat64()
	n := len(p.share)
	next := p.shape(gridS * float64(n))
	p.shareS = append(p.shareS, p.shareS[n-1]+gridS*(p.share[n-1]+next)/2)
	p.share = append(p.share, next)
}

// at returns the point before a time, and the part of the way to the next.
func (p *path) at(contactS float64) (int, float64) {
	u := math.Max(0, contactS) / gridS
	i := int(u)
	for len(p.share) < i+2 {
		p.grow()
	}
	return i, u - float64(i)
}

// rate is the share of the full rate at a time.
func (p *path) rate(contactS float64) float64 {
	i, u := p.at(contactS)
	return p.share[i] + u*(p.share[i+1]-p.share[i])
}

// done is the integral of rate up to a time, s.
func (p *path) done(contactS float64) float64 {
	i, u := p.at(contactS)
	return p.shareS[i] + gridS*u*(p.share[i]+u/2*(p.share[i+1]-p.share[i]))
}

// when is the inverse of done: negative for a negative amount, +Inf beyond all times.
func (p *path) when(amount float64) float64 {
	if amount < 0 {
		return amount / p.share[0]
	}
	for p.shareS[len(p.shareS)-1] <= amount {
		if gridS*float64(len(p.share)) > mostGridS {
			return math.Inf(1)
		}
		p.grow()
	}
	low, high := 0, len(p.shareS)-1 // shareS[low] <= amount < shareS[high]
	for high-low > 1 {
		if middle := (low + high) / 2; p.shareS[middle] <= amount {
			low = middle
		} else {
			high = middle
		}
	}
	// share·u + (slope/2)·u² = left, in the form that bears a slope of 0.
	left, slope := (amount-p.shareS[low])/gridS, p.share[high]-p.share[low]
	u := 2 * left / (p.share[low] + math.Sqrt(p.share[low]*p.share[low]+2*slope*left))
	return gridS * (float64(low) + u)
}
