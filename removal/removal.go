// Package removal is the process: how fast material goes (Preston), where the
// thickness is and how sure that is (one Kalman filter for all sites of a die), and
// when it will arrive (first passage to target and floor).
//
// Thickness is in micrometres, rate in micrometres per minute and positive for
// removal, time in seconds. Nothing here reads a clock: time comes in with the
// data. Same input, same output, bit for bit.
package removal

// Interval holds the 5, 50 and 95 % points of a time that is not known exactly,
// in seconds. A point that does not exist (never reached) is NaN.
type Interval struct {
	P05S, P50S, P95S float64
}
