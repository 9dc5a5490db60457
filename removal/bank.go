package removal

import "math"

// How explanations compete (all common practice, no source).
const (
	decided      = 0.99 // an explanation with this probability is taken
	negligible   = 1e-4 // one with less is dropped
	newcomer     = 0.01 // what a new one starts with
	strayPerUM   = 0.05 // density of measurements that belong to no explanation, 1/µm
	unseenWeight = 0.02 // what a measurement gives an explanation that it does not name
)

// hypothesis is one explanation of a place: thickness and rate factor, and what speaks for
// it.
type hypothesis struct {
	x gauss2

	// optics is the mean over the measurements of ln of the share they gave it. A mean and
	// not a sum: one spectrum after the other weighs its explanations by the same optics, so
	// that the tenth says nothing new. fit is the sum of ln of how well they fitted the
	// course of thickness, in 1/µm.
	optics, fit float64
	weight      float64
}

// bank holds the explanations of a place that is not decided; without any it is.
type bank struct {
	list     [maxRivals]hypothesis
	count    int
	measured int
	atS      float64
}

func (b *bank) letPass(timeS float64, d *Die) {
	for h := range b.list[:b.count] {
		b.list[h].x = d.pairAhead(b.list[h].x, timeS-b.atS)
	}
	b.atS = math.Max(b.atS, timeS)
}

// whole is the mean and the variance of the thickness of all explanations together.
func (b *bank) whole() (x gauss2) {
	for _, h := range b.list[:b.count] {
		x.a += h.weight * h.x.a
	}
	for _, h := range b.list[:b.count] {
		x.aa += h.weight * (h.x.aa + (h.x.a-x.a)*(h.x.a-x.a))
	}
	return x
}

// rivals tells the explanations, heaviest first.
func (b *bank) rivals() (list [maxRivals]Rival) {
	for i, h := range b.list[:b.count] {
		r := Rival{h.x.a, math.Sqrt(h.x.aa), h.weight}
		for ; i > 0 && list[i-1].Weight < r.Weight; i-- {
			list[i] = list[i-1]
		}
		list[i] = r
	}
	return list
}

// settle makes weights of what speaks for each explanation, and bounds what speaks against
// it, so that it can come back.
func (b *bank) settle() {
	most := math.Inf(-1)
	for _, h := range b.list[:b.count] {
		most = math.Max(most, h.optics+h.fit)
	}
	var sum float64
	for i := range b.list[:b.count] {
		h := &b.list[i]
		h.fit = math.Max(h.fit, most+math.Log(negligible)-h.optics) - most
		h.weight = math.Exp(h.optics + h.fit)
		sum += h.weight
	}
	for i := range b.list[:b.count] {
		b.list[i].weight /= sum
	}
}

func (b *bank) heaviest() int {
	best := 0
	for i, h := range b.list[:b.count] {
		if h.weight > b.list[best].weight {
			best = i
		}
	}
	return best
}

// join adds an explanation for a candidate that none explains, in place of the
// lightest when there is no room. It takes its rate from the heaviest.
func (b *bank) join(c Candidate, like hypothesis, seen *[maxRivals]bool) {
	at := b.count
	if at == maxRivals {
		at = 0
		for i, h := range b.list {
			if h.weight < b.list[at].weight {
				at = i
			}
		}
		if b.list[at].weight > newcomer*c.Weight {
			return
		}
	} else {
		b.count++
	}
	optics := math.Log(unseenWeight) + (math.Log(c.Weight)-math.Log(unseenWeight))/float64(b.measured)
	b.list[at] = hypothesis{
		x:      gauss2{a: c.ThicknessUM, aa: c.SDUM * c.SDUM, b: like.x.b, bb: like.x.bb},
		optics: optics,
		fit:    like.optics + like.fit + math.Log(newcomer) - optics,
	}
	seen[at] = true
}

// prune drops explanations that hardly count, and one of two that became the same.
func (b *bank) prune(floorUM float64) {
	kept := 0
	for i := range b.list[:b.count] {
		h := b.list[i]
		same := -1
		for k := range b.list[:kept] {
			if math.Abs(b.list[k].x.a-h.x.a) <= 2*floorUM {
				same = k
			}
		}
		switch {
		case same >= 0:
			if h.weight > b.list[same].weight {
				b.list[same] = h
			}
		case h.weight > 2*negligible:
			b.list[kept] = h
			kept++
		}
	}
	b.count = kept
	b.settle()
}
