package removal

import "math"

// rival is the track that rejected measurements of a place make: thickness and rate
// factor.
type rival struct {
	x     gauss2
	count int
	atS   float64 // time of x
	fromS float64 // time of its first measurement
}

// A common doubt needs rejected measurements of so many places in a row.
const doubters = 3

// A place vouches for the common rate when it was measured so often since its track
// began, and last within so many seconds of contact (common practice, no source).
const (
	vouchCount    = 3
	vouchContactS = 60
)

// pairAhead lets time pass for a thickness and its rate factor, which wanders.
func (d *Die) pairAhead(x gauss2, t float64) gauss2 {
	if !(t > 0) {
		return x
	}
	t = math.Min(t, longestS)
	um := 0.0
	if d.contact {
		um = d.kinetics.umPerS
	}
	q := d.kinetics.wander.perS() * d.kinetics.scale * d.kinetics.scale
	return x.moved(motion{ab: -um * t, bb: 1,
		qaa: um*um*q*t*t*t/3 + readingDriftUM*readingDriftUM*t, qab: -um * q * t * t / 2, qbb: q * t})
}

// letPass brings a place's rival and explanations to a time.
func (s *site) letPass(timeS float64, d *Die) {
	if s.rival.count > 0 {
		s.rival.x = d.pairAhead(s.rival.x, timeS-s.rival.atS)
		s.rival.atS = math.Max(s.rival.atS, timeS)
	}
	s.bank.letPass(timeS, d)
}

// doubtRate adds variance to the rate factors of rival and explanations.
func (s *site) doubtRate(variance float64) {
	s.rival.x.bb += variance
	for h := range s.bank.list[:s.bank.count] {
		s.bank.list[h].x.bb += variance
	}
}

// resetRate forgets their rates.
func (s *site) resetRate(mean, sd float64) {
	reset := func(x *gauss2) { x.b, x.ab, x.bb = mean, 0, sd*sd }
	reset(&s.rival.x)
	for h := range s.bank.list[:s.bank.count] {
		reset(&s.bank.list[h].x)
	}
}

// contend offers a measurement that the track rejects to the rival and looks whether
// the track must go over to it. ahead is the track at that moment.
func (d *Die) contend(i int, timeS float64, c Candidate, ahead gauss2) Outcome {
	s := &d.sites[i]
	d.refused++
	d.challenge(s, timeS, c, ahead)
	if d.allDoubt(timeS) {
		d.doubtAll(timeS)
		p := d.joint.place(i)
		if d.fits(s, p.thicknessUM(), p.variance(), c) {
			d.take(i, timeS, c)
			return Relocked
		}
	}
	if !d.rivalWins(s, timeS, ahead) {
		return Rejected
	}
	// The rival's own spread does not know that one of the two tracks was
	// wrong: grant it the model's error once more.
	x := s.rival.x
	x.aa += d.config.ModelFloorUM * d.config.ModelFloorUM
	d.adopt(i, timeS, x)
	return Relocked
}

func (d *Die) challenge(s *site, timeS float64, c Candidate, ahead gauss2) {
	y, variance := c.ThicknessUM, c.SDUM*c.SDUM
	if s.rival.count > 0 {
		x := d.pairAhead(s.rival.x, timeS-s.rival.atS)
		if math.Abs(y-x.a) <= d.gateUM(x.aa, c.SDUM) {
			s.rival.x, s.rival.atS = x.measured(y, variance), timeS
			s.rival.count++
			return
		}
	}
	// Where the thickness was wrong the rate may be as well, and sure of it, and so may
	// the prior: two readings of the rival give it a rate, the next must confirm it.
	prior, _ := d.priorFactor()
	rate, sd := positive(ahead.b, math.Sqrt(math.Max(0, ahead.bb)))
	sd = math.Max(sd, rivalRate*prior)
	floor := d.config.ModelFloorUM
	s.rival = rival{x: gauss2{a: y, aa: variance + floor*floor, b: rate, bb: sd * sd}, count: 1, atS: timeS, fromS: timeS}
}

// rivalWins tells whether the rejected measurements agree for long enough.
func (d *Die) rivalWins(s *site, timeS float64, ahead gauss2) bool {
	count, span := d.config.RelockCount, d.config.RelockS
	if d.contact && s.rival.x.a > ahead.a {
		count, span = 2*count, 2*span
	}
	return s.rival.count >= count && timeS-s.rival.fromS >= span
}

// adopt moves a place to a track of its own measurements. Its rate goes to the common
// one when no other place vouches for that; otherwise it can only be this place's own.
func (d *Die) adopt(i int, timeS float64, x gauss2) {
	d.advance(timeS)
	vouched := d.vouched(i)
	s, z, mine := &d.sites[i], thicknessOf(i), ownOf(i)
	s.tracked, s.used, s.rival.count = true, 0, 0
	d.joint.replace(z, x.a, x.aa)
	d.joint.replace(mine, 0, d.ownVariance())
	if vouched {
		p := d.joint.place(i)
		if f := p.pair(); math.Abs(x.b-f.b) > d.config.GateSigma*math.Sqrt(x.bb+f.bb) {
			d.joint.replace(mine, x.b-f.b, x.bb)
			d.joint.setCov(z, mine, x.ab)
		}
	} else {
		d.rateOf(x)
		d.joint.setCov(z, level, x.ab)
	}
	d.saw(i, timeS)
}

// rateOf makes a rate factor the common one; relations to what was measured before go.
func (d *Die) rateOf(x gauss2) {
	var sum float64
	rest := d.ownVariance()
	for k := range commons {
		variance := d.joint.variance(k)
		d.joint.replace(k, d.joint.mean[k], variance)
		sum += d.joint.mean[k]
		if k != level {
			rest += variance
		}
	}
	// Enough for the relation to the thickness.
	variance := math.Max(x.bb-rest, 1.001*x.ab*x.ab/x.aa)
	d.joint.replace(level, d.joint.mean[level]+x.b-sum, variance)
}

// vouched tells whether a place other than i is followed well.
func (d *Die) vouched(i int) bool {
	for k := range d.sites {
		s := &d.sites[k]
		if k != i && s.tracked && s.bank.count == 0 && s.rival.count == 0 &&
			s.used >= vouchCount && d.contactS-s.seenContactS <= vouchContactS {
			return true
		}
	}
	return false
}

// allDoubt tells whether places all over the die contradict their tracks, which is the
// rate's doing and not that of fringe orders.
func (d *Die) allDoubt(timeS float64) bool {
	if d.refused < d.config.RelockCount {
		return false
	}
	places, fromS := 0, math.Inf(1)
	for i := range d.sites {
		if r := &d.sites[i].rival; r.count > 0 {
			places++
			fromS = math.Min(fromS, r.fromS)
		}
	}
	return places >= doubters && timeS-fromS >= d.config.RelockS
}

// doubtAll grants that the rate was another ever since each place was last seen.
func (d *Die) doubtAll(timeS float64) {
	d.advance(timeS)
	d.refused = 0
	prior, _ := d.priorFactor()
	d.joint.doubt(rivalRate*prior, func(i int) float64 {
		return d.kinetics.umPerS * (d.contactS - d.sites[i].seenContactS)
	})
}
