package removal

import (
	"math"
	"math/rand/v2"
)

// modelDie is a die with several places, polished by the tracker's own model of the rate:
// level log-normal, glazing and break-in about their means, wander in proportion to the
// rate.
type modelDie struct {
	random   *rand.Rand
	kinetics kinetics
	timeS    float64
	parts    [commons]float64
	own, z   []float64
}

func newModelDie(random *rand.Rand, baseUM float64, places int, z float64) *modelDie {
	c := DieConfig{}.withDefaults()
	d := &modelDie{random: random, kinetics: NewDie(c).kinetics}
	d.kinetics.umPerS = baseUM / 60
	s := math.Sqrt(math.Log1p(c.RateRelSD * c.RateRelSD))
	d.parts[level] = math.Exp(s*random.NormFloat64()-s*s/2) / c.Ageing.freshOverLevel()
	course, relSD := c.Ageing.course(0)
	for _, k := range []int{glazing, breakIn} {
		d.parts[k] = d.parts[level] * (course[k] + relSD[k]*c.Ageing.freshOverLevel()*random.NormFloat64())
	}
	d.parts[wander] = d.rate(-1) * c.WanderRelSD * random.NormFloat64()
	for range places {
		d.z = append(d.z, z)
		d.own = append(d.own, d.rate(-1)*c.SiteRelSD*random.NormFloat64())
	}
	return d
}

// rate is the rate factor of a place, -1: what is common.
func (d *modelDie) rate(place int) float64 {
	f := d.parts[level] + d.parts[glazing] + d.parts[breakIn] + d.parts[wander]
	if place >= 0 {
		f += d.own[place]
	}
	return f
}

// polish removes for t seconds in small steps.
func (d *modelDie) polish(t float64) {
	const steps = 5
	dt := t / steps
	k := d.kinetics
	step := k.over(dt, true)
	for range steps {
		scale := d.rate(-1)
		before := make([]float64, len(d.z))
		for i := range d.z {
			before[i] = d.rate(i)
		}
		for p := range commons {
			d.parts[p] *= step.decay[p]
		}
		d.parts[wander] += scale * math.Sqrt(k.wander.perS()*dt) * d.random.NormFloat64()
		for i := range d.z {
			d.own[i] = d.own[i]*step.decay[own] + scale*math.Sqrt(k.own.perS()*dt)*d.random.NormFloat64()
			d.z[i] -= k.umPerS * (before[i] + d.rate(i)) / 2 * dt
		}
	}
	d.timeS += t
}

func (d *modelDie) measure(place int, sdUM float64) float64 {
	return d.z[place] + sdUM*d.random.NormFloat64()
}

// followed returns a die of n places that has seen so many exact readings of each, two a
// second in turn, of a constant rate which is the Preston rate, ended at the time.
func followed(places, readings int, z, rateUMMin float64) (*Die, float64) {
	d := NewDie(DieConfig{})
	d.Process(0, true, rateUMMin)
	timeS := 0.0
	for i := range readings * places {
		timeS = 0.5 * float64(i)
		d.Update(d.Site(names[i%places]), timeS, z-rateUMMin/60*timeS, 0.003)
	}
	return d, timeS
}

var names = []string{"c", "n", "ne", "e", "se", "s", "sw", "w", "nw"}
