package removal

import "math"

// Ageing is what is known about how a pad changes with the time that it works: it breaks
// in within seconds to a minute and glazes over minutes, so that the rate goes as
//
//	R(t) = R∞·(1 + A·e^(-t/GlazingS) - B·(1+A)·e^(-t/BreakInS)).
//
// Only the times are set, since operators know them; A and B are learnt in every run.
// Zero or NaN: not known, and an ordinary pad is assumed. +Inf: it does not happen.
// That the rate of silicon falls as the pad wears: Biddut, Zhang, Ali, Key Eng. Mater.
// 389-390 (2009) 510. The size of A and B and the usual times are common practice, no
// source.
type Ageing struct {
	BreakInS, GlazingS float64
}

// What is assumed of an ordinary pad: the time constants, and mean and standard deviation
// of A and B.
const (
	usualBreakInS, usualGlazingS = 20, 420
	glazingMean, glazingSD       = 0.35, 0.35
	breakInMean, breakInSD       = 0.1, 0.1
)

// timesS returns the time constants to reckon with.
func (a Ageing) timesS() (breakInS, glazingS float64) {
	known := func(s, usual float64) float64 {
		if s > 0 {
			return s
		}
		return usual
	}
	return known(a.BreakInS, usualBreakInS), known(a.GlazingS, usualGlazingS)
}

// course is, for each common part of the rate, its mean over that of the level and its own
// relative standard deviation, after a time of contact.
func (a Ageing) course(contactS float64) (overLevel, relSD [commons]float64) {
	overLevel[level] = 1
	breakInS, glazingS := a.timesS()
	fresh := 1.0
	if !math.IsInf(glazingS, 1) {
		left := math.Exp(-contactS / glazingS)
		overLevel[glazing], relSD[glazing] = glazingMean*left, glazingSD*left
		fresh += glazingMean
	}
	if !math.IsInf(breakInS, 1) {
		left := math.Exp(-contactS / breakInS)
		overLevel[breakIn], relSD[breakIn] = -breakInMean*fresh*left, breakInSD*left
	}
	return overLevel, relSD
}

// freshOverLevel is the rate of a pad that is broken in but not glazed, to which Preston
// coefficients refer, over what lasts of it.
func (a Ageing) freshOverLevel() float64 {
	course, _ := a.course(0)
	return 1 + course[glazing]
}

// Factor is the expected rate after contactS seconds of contact over that of a pad which is
// broken in and not yet glazed.
func (a Ageing) Factor(contactS float64) float64 {
	course, _ := a.course(contactS)
	return (course[level] + course[glazing] + course[breakIn]) / a.freshOverLevel()
}
