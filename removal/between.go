package removal

import "math"

// Share is the part that one place has in a weighted mean of places.
type Share struct {
	Site   int
	Weight float64
}

// Between returns the state of a place that is the weighted mean of others, such as a point
// between sites, from their joint uncertainty. Weights should sum to 1; they may be
// negative. extraSDUM is the standard uncertainty of the interpolation itself. NaN as long
// as one of the places has no track; places that are undecided count with all their
// spread.
func (d *Die) Between(timeS float64, shares []Share, extraSDUM float64) State {
	timeS = math.Max(timeS, d.timeS)
	var p place
	for a := range commons {
		p.mean[a] = d.joint.mean[a]
		for b := range commons {
			p.cov[a*placeSize+b] = d.joint.cov[a*len(d.joint.mean)+b]
		}
	}
	p.cov[commons*placeSize+commons] = extraSDUM * extraSDUM
	for _, s := range shares {
		if !d.Started(s.Site) {
			return noState(timeS, d.contact)
		}
		for k := range 2 { // thickness and own part of the rate
			d.addShare(&p, k, s, shares)
		}
	}
	d.letPass(&p, timeS)
	return newState(timeS, d.contact, &p, &d.kinetics)
}

// addShare adds one of the two numbers of one place to a weighted mean.
func (d *Die) addShare(p *place, k int, s Share, shares []Share) {
	n, from, to := len(d.joint.mean), thicknessOf(s.Site)+k, commons+k
	if b := d.sites[s.Site].bank; k == 0 && b.count > 0 {
		b.letPass(d.timeS, d)
		x := b.whole()
		p.mean[to] += s.Weight * x.a
		p.cov[to*placeSize+to] += s.Weight * s.Weight * x.aa
		return
	}
	p.mean[to] += s.Weight * d.joint.mean[from]
	for a := range commons {
		p.cov[to*placeSize+a] += s.Weight * d.joint.cov[from*n+a]
		p.cov[a*placeSize+to] += s.Weight * d.joint.cov[from*n+a]
	}
	for _, r := range shares {
		for l := range 2 {
			if l == 0 && d.sites[r.Site].bank.count > 0 {
				continue
			}
			p.cov[to*placeSize+commons+l] += s.Weight * r.Weight * d.joint.cov[from*n+thicknessOf(r.Site)+l]
		}
	}
}
