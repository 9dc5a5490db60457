package removal

import "math"

// What is assumed about the rate when no Preston rate is known: a median of
// 0.5 µm/min and a standard deviation of 1.5 in its logarithm, so that 90 % lie
// between 0.04 and 6 µm/min: final polish to fine grind (common practice, no
// source).
const (
	unknownRateUMMin = 0.5
	unknownRateLnSD  = 1.5
)

// rivalRate is the uncertainty of a rival's rate in units of the prior's mean: up to
// some times as fast as Preston says.
const rivalRate = 3

// readingDriftUM is the wander of the reading itself, µm/√s (film of slurry,
// temperature). It keeps the filter awake on a thickness that does not change.
const readingDriftUM = 1e-4

// leastFactor is the smallest rate factor to which its wander is still proportional: a
// rate of zero must not be for ever.
const leastFactor = 0.1

// ownMemoryS is how long places keep their difference from the others (common practice, no
// source).
const ownMemoryS = 1200

// priorFactor is mean and relative standard deviation of the rate factor before anything
// was measured.
func (d *Die) priorFactor() (mean, relSD float64) {
	if d.known {
		return 1, d.config.RateRelSD
	}
	// Mean and relative deviation of a log-normal factor whose median is 1.
	return math.Exp(unknownRateLnSD * unknownRateLnSD / 2), math.Sqrt(math.Expm1(unknownRateLnSD * unknownRateLnSD))
}

// resetRate forgets what was learnt about the rate. The parts that a pad's age makes are
// in proportion to the level, and so is the doubt about them.
func (d *Die) resetRate() {
	mean, relSD := d.priorFactor()
	d.kinetics.scale = 1
	if !d.known {
		d.kinetics.scale = leastFactor
	}
	d.widest = d.kinetics.scale
	course, own := d.config.Ageing.course(d.contactS)
	own[wander] = d.config.WanderRelSD
	lasting := mean / d.config.Ageing.freshOverLevel()
	for k := range commons {
		d.joint.replace(k, course[k]*lasting, 0)
	}
	for k := range commons {
		for l := range commons {
			d.joint.setCov(k, l, course[k]*course[l]*lasting*lasting*relSD*relSD)
		}
	}
	for k := range commons {
		d.joint.addVariance(k, own[k]*own[k]*d.widest*d.widest)
	}
	for i := range d.sites {
		d.joint.replace(ownOf(i), 0, d.ownVariance())
		d.sites[i].resetRate(mean, mean*math.Max(relSD, rivalRate))
	}
}

// ownVariance is that of a place's own part before it was seen.
func (d *Die) ownVariance() float64 {
	sd := d.kinetics.own.relSD * d.kinetics.scale
	return sd * sd
}

// factor is mean and standard deviation of what is common in the rate factor.
func (d *Die) factor() (mean, sd float64) {
	n := len(d.joint.mean)
	var variance float64
	for k := range commons {
		mean += d.joint.mean[k]
		for l := range commons {
			variance += d.joint.cov[k*n+l]
		}
	}
	return mean, math.Sqrt(math.Max(0, variance))
}

// rescale follows the rate factor with what is in proportion to it, as far as it is known
// to better than a half. What a small rate had no room for is given when the rate turns
// out larger.
func (d *Die) rescale() {
	mean, sd := d.factor()
	scale := math.Max(leastFactor, mean-math.Max(0, sd-mean/2))
	d.kinetics.scale = scale
	if scale <= d.widest {
		return
	}
	more := scale*scale - d.widest*d.widest
	d.widest = scale
	_, relSD := d.config.Ageing.course(d.contactS)
	relSD[wander] = d.config.WanderRelSD
	for k := range commons {
		d.joint.addVariance(k, more*relSD[k]*relSD[k])
	}
	for i := range d.sites {
		d.joint.addVariance(ownOf(i), more*d.config.SiteRelSD*d.config.SiteRelSD)
	}
}
