package surface

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// consistency is the probability with which readings that differ by their noise
// alone are taken to do so.
const consistency = 0.999

// Reading is one thickness at a site, with its standard uncertainty by what it has in
// common with other readings. The parts are independent of each other.
type Reading struct {
	ThicknessUM float64
	NoiseUM     float64 // new in every reading
	SiteUM      float64 // the same in every reading of a site, new at every site
	CommonUM    float64 // one error of the whole die, as large as this here
	OpenUM      float64 // how far it is shared is not known
}

// Average is the weighted mean of the readings of one site, updated reading by
// reading (D. H. D. West, Commun. ACM 22 (1979) 532). The zero value is empty.
type Average struct {
	n        int
	weight   float64 // Σ w, w = 1/(noise² + open²)
	mean     float64 // weighted
	square   float64 // Σ w·(x-mean)²: chi-square of the readings about their mean
	plain    float64 // mean without weights
	scatter  float64 // Σ (x-plain)²
	noise    float64 // Σ noise²
	stated   float64 // Σ of all that the readings state, squared
	min, max float64

	weighed, alike parts // means of what readings share: weighted, and without weights
}

// parts of the uncertainty that the readings of one site have in common. Each is one
// error, so that of the mean is the mean of theirs (JCGM 100:2008, 5.2.2 with a
// correlation of 1).
type parts struct{ site, common, open float64 }

func (p *parts) add(r Reading, share float64) {
	p.site += (r.SiteUM - p.site) * share
	p.common += (r.CommonUM - p.common) * share
	p.open += (r.OpenUM - p.open) * share
}

// Add takes a reading; its NoiseUM and OpenUM must not both be 0.
func (a *Average) Add(r Reading) {
	um := r.ThicknessUM
	if a.n == 0 {
		a.min, a.max = um, um
	}
	a.n++
	a.min, a.max = math.Min(a.min, um), math.Max(a.max, um)
	a.noise += r.NoiseUM * r.NoiseUM
	a.stated += r.NoiseUM*r.NoiseUM + r.SiteUM*r.SiteUM + r.CommonUM*r.CommonUM + r.OpenUM*r.OpenUM

	w := 1 / (r.NoiseUM*r.NoiseUM + r.OpenUM*r.OpenUM)
	a.weight += w
	d := um - a.mean
	a.mean += d * w / a.weight
	a.square += w * d * (um - a.mean)
	a.weighed.add(r, w/a.weight)

	d = um - a.plain
	a.plain += d / float64(a.n)
	a.scatter += d * (um - a.plain)
	a.alike.add(r, 1/float64(a.n))
}

// N returns the number of readings.
func (a *Average) N() int { return a.n }

// Range returns the smallest and the largest reading.
func (a *Average) Range() (minUM, maxUM float64) { return a.min, a.max }

// Consistent tells whether the readings differ by no more than their noise explains:
// chi-square below its 99.9 % point. Otherwise the thickness changed, or the noise is
// larger than stated.
func (a *Average) Consistent() bool {
	if a.n < 2 {
		return true
	}
	return a.square <= distuv.ChiSquared{K: float64(a.n - 1)}.Quantile(consistency)
}

// Moved tells whether the readings are inconsistent and differ by more than the whole
// uncertainty of one of them: no mean stands for them.
func (a *Average) Moved() bool {
	return !a.Consistent() && a.ScatterSD() > math.Sqrt(a.stated/float64(a.n))
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

// Point returns the mean as a point of the die at a place, thickness and uncertainties
// NaN without readings. Stated noise falls with the number of readings only as far as
// their scatter shows it: noise that does not show is an error that they repeat, such
// as that of an unknown which the fit holds near a value assumed beforehand. The scatter
// of readings that are not consistent is open: other sites may have moved with this one.
func (a *Average) Point(xMM, yMM float64) Point {
	p := Point{XMM: xMM, YMM: yMM, ThicknessUM: a.Mean()}
	noise := a.noise / float64(a.n) // squared; NaN without readings
	if !a.Consistent() {
		p.SDUM = math.Sqrt(noise + a.alike.site*a.alike.site)
		p.CommonUM, p.OpenUM = a.alike.common, math.Hypot(a.alike.open, a.ScatterSD())
		return p
	}
	if a.n > 1 {
		shown := a.square / float64(a.n-1) // scatter over stated noise, squared
		noise = noise*math.Max(0, 1-shown) + a.ScatterSD()*a.ScatterSD()
	}
	p.SDUM = math.Sqrt(noise + a.weighed.site*a.weighed.site)
	p.CommonUM, p.OpenUM = a.weighed.common, a.weighed.open
	return p
}
