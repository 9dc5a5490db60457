package removal

import "math"

// Candidate is one explanation of an ambiguous measurement.
type Candidate struct {
	ThicknessUM float64
	SDUM        float64 // standard uncertainty, without what is common to all measurements
	Weight      float64 // share of belief, > 0; those of a measurement need not sum to 1
}

func (c Candidate) usable(timeS float64) bool {
	finite := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	return finite(timeS) && finite(c.ThicknessUM) && finite(c.SDUM) && c.ThicknessUM >= 0 && c.SDUM > 0 &&
		c.Weight > 0 && finite(c.Weight)
}

// UpdateAmong takes a measurement of a place that has several explanations. A track that
// is sure takes the one that fits. Otherwise they are kept, followed and compared, and
// nothing of them reaches other places until one has won; State.Undecided tells. Of more
// than four the heaviest are kept.
func (d *Die) UpdateAmong(site int, timeS float64, candidates []Candidate) Outcome {
	s := &d.sites[site]
	list, n := heaviest(timeS, candidates)
	var outcome Outcome
	switch {
	case n == 0:
		outcome = Rejected
	case n == 1:
		outcome = d.update(site, timeS, list[0])
	case d.stale(s, timeS):
		outcome = Stale
	case s.bank.count > 0:
		outcome = d.weigh(site, timeS, list[:n])
	default:
		outcome = d.choose(site, timeS, list[:n])
	}
	s.counts.add(outcome)
	return outcome
}

// heaviest returns the usable candidates of most weight, which sums to 1.
func heaviest(timeS float64, candidates []Candidate) (list [maxRivals]Candidate, n int) {
	for _, c := range candidates {
		if !c.usable(timeS) {
			continue
		}
		i := n
		for ; i > 0 && list[i-1].Weight < c.Weight; i-- {
			if i < maxRivals {
				list[i] = list[i-1]
			}
		}
		if i < maxRivals {
			list[i] = c
			n = min(n+1, maxRivals)
		}
	}
	var sum float64
	for _, c := range list[:n] {
		sum += c.Weight
	}
	for i := range list[:n] {
		list[i].Weight /= sum
	}
	return list, n
}

// lnDensity is ln of the normal density of a measurement, in 1/µm, for a predicted
// thickness.
func (d *Die) lnDensity(x gauss2, c Candidate) float64 {
	floor := d.config.ModelFloorUM
	s := x.aa + c.SDUM*c.SDUM + floor*floor
	off := c.ThicknessUM - x.a
	return -off*off/(2*s) - math.Log(2*math.Pi*s)/2
}

// choose lets a place without open explanations take one of the candidates, or opens them.
func (d *Die) choose(i int, timeS float64, list []Candidate) Outcome {
	s := &d.sites[i]
	p := d.ahead(i, timeS)
	ahead := p.pair()
	var open bank
	open.atS, open.measured = timeS, 1
	for _, c := range list {
		h := hypothesis{optics: math.Log(c.Weight)}
		if s.tracked {
			if !d.fits(s, ahead.a, ahead.aa, c) {
				continue
			}
			h.x, h.fit = ahead.measured(c.ThicknessUM, c.SDUM*c.SDUM), d.lnDensity(ahead, c)
		} else {
			h.x = gauss2{a: c.ThicknessUM, aa: c.SDUM * c.SDUM, b: ahead.b, bb: ahead.bb}
		}
		open.list[open.count], list[open.count] = h, c
		open.count++
	}
	if open.count == 0 {
		return d.contend(i, timeS, d.nearRival(s, timeS, list), ahead)
	}
	open.settle()
	best := open.heaviest()
	switch {
	case open.list[best].weight < decided:
		d.advance(timeS)
		s.bank = open
		return Undecided
	case s.tracked:
		d.take(i, timeS, list[best])
		return Accepted
	}
	d.start(i, timeS, open.list[best].x)
	return Started
}

// nearRival is the candidate to contend with: near the rival, or the heaviest.
func (d *Die) nearRival(s *site, timeS float64, list []Candidate) Candidate {
	best := list[0]
	if s.rival.count > 0 {
		x := d.pairAhead(s.rival.x, timeS-s.rival.atS)
		for _, c := range list {
			if math.Abs(c.ThicknessUM-x.a) < math.Abs(best.ThicknessUM-x.a) {
				best = c
			}
		}
	}
	return best
}

// weigh compares the open explanations of a place by one more measurement.
func (d *Die) weigh(i int, timeS float64, list []Candidate) Outcome {
	s := &d.sites[i]
	b := &s.bank
	d.advance(timeS)
	b.letPass(timeS, d)
	var named [maxRivals]bool // candidates that an explanation took
	var seen [maxRivals]bool  // explanations that a candidate named
	b.measured++
	for h := range b.list[:b.count] {
		seen[h] = d.support(&b.list[h], b.measured, list, &named)
	}
	b.settle()
	for k, c := range list {
		if !named[k] {
			b.join(c, b.list[b.heaviest()], &seen)
		}
	}
	b.settle()
	best := b.heaviest()
	if b.list[best].weight < decided || !seen[best] {
		b.prune(d.config.ModelFloorUM)
		return Undecided
	}
	x, tracked := b.list[best].x, s.tracked
	s.bank = bank{}
	d.adopt(i, timeS, x)
	if tracked {
		return Accepted
	}
	return Started
}

// support lets an explanation use the candidate that fits it best, and tells whether one
// does.
func (d *Die) support(h *hypothesis, measured int, list []Candidate, named *[maxRivals]bool) bool {
	best, share, density := -1, unseenWeight, strayPerUM
	for k, c := range list {
		if math.Abs(c.ThicknessUM-h.x.a) > d.gateUM(h.x.aa, c.SDUM) {
			continue
		}
		named[k] = true
		p := math.Exp(d.lnDensity(h.x, c))
		if best < 0 || c.Weight*p > share*density {
			best, share, density = k, c.Weight, math.Max(p, strayPerUM)
		}
	}
	h.optics += (math.Log(share) - h.optics) / float64(measured)
	h.fit += math.Log(density)
	if best < 0 {
		return false
	}
	h.x = h.x.measured(list[best].ThicknessUM, list[best].SDUM*list[best].SDUM)
	return true
}
