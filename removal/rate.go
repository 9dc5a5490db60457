package removal

import "math"

// The removal rate at a place is the Preston rate R0 times a rate factor, and the factor
// is a sum of parts that differ in how long they last. The first four are common to the
// die (one pad, one slurry), the last is each place's own:
//
//	level    lasts: the true Preston coefficient over the stated one, on a glazed pad
//	glazing  what a fresh pad removes beyond that; fades over minutes of contact
//	breakIn  what a pad that is not broken in lacks; fades over seconds of contact
//	wander   slurry, temperature, hand: comes and goes over minutes, all the time
//	own      this place against the others: comes and goes over a long time
//
// Fading is exponential, wander and own are Ornstein-Uhlenbeck processes (Phys. Rev. 36
// (1930) 823) about zero. Everything is linear in the parts, so that a Kalman filter over
// them is exact, and their fading is the trend of the rate.
const (
	level = iota
	glazing
	breakIn
	wander
	commons // how many are common to all places
	own     = commons
	parts   = commons + 1
)

// come and go of a part of the rate: its standard deviation as a fraction of the rate,
// and its correlation time.
type comeAndGo struct {
	relSD, memoryS float64
}

// perS is the noise density of the relative part, 1/s.
func (c comeAndGo) perS() float64 { return 2 * c.relSD * c.relSD / c.memoryS }

// kinetics is how thickness and the parts of the rate factor move.
type kinetics struct {
	umPerS             float64 // R0
	breakInS, glazingS float64 // +Inf: does not fade
	wander, own        comeAndGo
	scale              float64 // rate factor to which the wander is proportional
}

// step is what kinetics make of a stretch of time.
type step struct {
	umPerS      float64        // R0, 0 with the pad up
	decay       [parts]float64 // what is left of each part
	reach       [parts]float64 // its integral over the stretch, s
	wander, own integrals      // of the noise that comes in
	driftUM2    float64        // variance of the drift of readings
}

// longestS bounds a stretch of time; nothing more is forgotten beyond it.
const longestS = 1e8

// over is the step of t >= 0 seconds. Two steps in a row are the step of both.
func (k *kinetics) over(t float64, contact bool) step {
	t = math.Min(t, longestS)
	w, o := ornsteinUhlenbeck(1/k.wander.memoryS, t), ornsteinUhlenbeck(1/k.own.memoryS, t)
	s := step{
		decay:    [parts]float64{1, 1, 1, w.decay, o.decay},
		reach:    [parts]float64{t, t, t, w.reach, o.reach},
		wander:   w.times(k.wander.perS() * k.scale * k.scale),
		own:      o.times(k.own.perS() * k.scale * k.scale),
		driftUM2: readingDriftUM * readingDriftUM * t,
	}
	if contact { // a pad ages while it works
		s.umPerS = k.umPerS
		s.decay[glazing], s.reach[glazing] = fading(k.glazingS, t)
		s.decay[breakIn], s.reach[breakIn] = fading(k.breakInS, t)
	}
	return s
}

// fading is e^(-t/τ) and its integral in s.
func fading(tauS, t float64) (decay, reach float64) {
	if math.IsInf(tauS, 1) {
		return 1, t
	}
	left := math.Exp(-t / tauS)
	return left, (1 - left) * tauS
}

// integrals holds what an Ornstein-Uhlenbeck process of unit noise density
// gathers over a time t: decay e^(-θt), its integral in s, and the covariance of
// the integral of the process (i) and the process (v).
type integrals struct {
	decay, reach  float64
	qii, qiv, qvv float64
}

// times scales the noise.
func (i integrals) times(density float64) integrals {
	i.qii, i.qiv, i.qvv = density*i.qii, density*i.qiv, density*i.qvv
	return i
}

// ornsteinUhlenbeck integrates over t seconds a process that returns to zero with the
// rate constant theta in 1/s.
func ornsteinUhlenbeck(theta, t float64) integrals {
	x := theta * t
	decay := math.Exp(-x)
	if x < 1e-2 {
		// The closed forms below lose all digits to cancellation here.
		return integrals{
			decay: decay,
			reach: t * (1 - x/2*(1-x/3*(1-x/4*(1-x/5)))),
			qii:   t * t * t / 3 * (1 - x*3/4*(1-x*7/15*(1-x*5/14*(1-x*31/105)))),
			qiv:   t * t / 2 * (1 - x*(1-x*7/12*(1-x*3/7*(1-x*31/90)))),
			qvv:   t * (1 - x*(1-x*2/3*(1-x/2*(1-x*2/5)))),
		}
	}
	reach := (1 - decay) / theta
	qvv := reach * (1 + decay) / 2
	return integrals{
		decay: decay,
		reach: reach,
		qii:   (t - 2*reach + qvv) / (theta * theta),
		qiv:   reach * reach / 2,
		qvv:   qvv,
	}
}
