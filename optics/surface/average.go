package surface

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// consistency is the probability with which readings that differ by their noise
// alone are taken to do so.
const consistency = 0.999

// Average is the weighted mean of the readings of one site, updated reading by
// reading (D. H. D. West, Commun. ACM 22 (1979) 532). The zero value is empty.
type Average struct {
	n        int
	weight   float64 // Σ 1/sd²
	mean     float64 // weighted
	square   float64 // Σ (x-mean)²/sd²: chi-square of the readings about their mean
	stated   float64 // Σ sd²
	plain    float64 // mean without weights
	scatter  float64 // Σ (x-plain)²
	min, max float64
}

// Add takes a reading with its stated standard uncertainty, which must be above 0.
func (a *Average) Add(um, sdUM float64) {
	if a.n == 0 {
		a.min, a.max = um, um
	}
	a.n++
	a.min, a.max = math.Min(a.min, um), math.Max(a.max, um)
	w := 1 / (sdUM * sdUM)
	a.weight += w
	a.stated += sdUM * sdUM
	d := um - a.mean
	a.mean += d * w / a.weight
	a.square += w * d * (um - a.mean)
	d = um - a.plain
	a.plain += d / float64(a.n)
	a.scatter += d * (um - a.plain)
}

// N returns the number of readings.
func (a *Average) N() int { return a.n }

// Range returns the smallest and the largest reading.
func (a *Average) Range() (minUM, maxUM float64) { return a.min, a.max }

// Consistent tells whether the readings differ by no more than their uncertainties
// explain: chi-square below its 99.9 % point. Otherwise the thickness changed, or
// the readings are less certain than stated.
func (a *Average) Consistent() bool {
	if a.n < 2 {
		return true
	}
	return a.square <= distuv.ChiSquared{K: float64(a.n - 1)}.Quantile(consistency)
}

// Mean returns the mean, NaN without readings: weighted where the readings are
// consistent, plain where they are no repetitions of one measurement.
func (a *Average) Mean() float64 {
	switch {
	case a.n == 0:
		return math.NaN()
	case a.Consistent():
		return a.mean
	}
	return a.plain
}

// ScatterSD returns what the differences between readings say about the mean: its
// experimental standard deviation, which falls with the number of readings
// (JCGM 100:2008, 4.2.3); for readings that are not consistent that of a single one
// (4.2.2), which does not. It is NaN for fewer than two readings.
func (a *Average) ScatterSD() float64 {
	switch {
	case a.n < 2:
		return math.NaN()
	case a.Consistent():
		return math.Sqrt(a.square / (float64(a.n-1) * a.weight))
	}
	return math.Sqrt(a.scatter / float64(a.n-1))
}

// SD returns the standard uncertainty of the mean, NaN without readings: its scatter,
// and what one reading states (root mean square). The latter does not fall with the
// number of readings: most of what a fit cannot know about a place is the same in
// every reading of it.
func (a *Average) SD() float64 {
	stated := math.Sqrt(a.stated / float64(a.n))
	if a.n < 2 {
		return stated
	}
	return math.Hypot(a.ScatterSD(), stated)
}
