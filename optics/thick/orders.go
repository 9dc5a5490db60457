package thick

import "math"

// weighOrders weighs the fringe phase in. The fit leaves the phase free, so it comes
// as phase + 2πk for any k; by is the covariance of thickness and phase by its sources.
// Each order k is as likely as its phase is near zero, what the set-up expects, and pulls
// the thickness by regression. The result is the mean over the orders: with the phase
// trusted it is that of one order, without it is the thickness from frequency. Its
// variance is that inside the orders and that between them (law of total variance).
func weighOrders(nm, phase float64, by [sources]covariance) (thicknessNM float64, variance [sources]float64) {
	const (
		most     = 6
		unlikely = 2.5 // standard deviations of the phase
	)
	phase = math.Remainder(phase, 2*math.Pi)
	var all covariance
	for _, c := range by {
		all.add(c, 1)
	}
	phaseVar := all[1][1]
	// By how much the thickness follows the phase: not at all when so many orders are
	// possible that the phase says nothing, or when none fits and the front side is not as
	// stated.
	follow, total := 0.0, all[0][0]
	reach := math.Ceil(3 * math.Sqrt(phaseVar) / (2 * math.Pi))
	if reach <= most && math.Abs(phase) <= unlikely*math.Sqrt(phaseVar) {
		pull := all[0][1] / phaseVar
		sum, mean, square := 0.0, 0.0, 0.0
		for k := -reach; k <= reach; k++ {
			p := phase + 2*math.Pi*k
			weight := math.Exp(-p * p / (2 * phaseVar))
			sum += weight
			mean += weight * p
			square += weight * p * p
		}
		mean /= sum
		between := square/sum - mean*mean
		nm -= pull * mean
		total += pull * pull * (between - phaseVar)
		// The mean over the orders follows a change of the phase less, the more orders
		// share it.
		follow = pull * (1 - between/phaseVar)
	}
	rest := 0.0
	for k, c := range by {
		variance[k] = c[0][0] - 2*follow*c[0][1] + follow*follow*c[1][1]
		rest += variance[k]
	}
	// The doubt between the orders has all sources but noise, which is another in the next
	// spectrum, in common.
	rest -= variance[fromFit]
	variance[fromFit] = min(variance[fromFit], total)
	for k := range variance {
		if k != fromFit {
			variance[k] *= (total - variance[fromFit]) / rest
		}
	}
	return nm, variance
}
