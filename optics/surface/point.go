package surface

import "math"

// Point is the thickness at one site, with its standard uncertainty in three parts.
type Point struct {
	XMM, YMM    float64
	ThicknessUM float64
	SDUM        float64 // independent of the other points
	CommonUM    float64 // one error of all points, as large as this here
	OpenUM      float64 // how far it is shared is not known
}

// TotalSDUM returns the standard uncertainty of the thickness by itself.
func (p Point) TotalSDUM() float64 {
	return math.Sqrt(p.SDUM*p.SDUM + p.CommonUM*p.CommonUM + p.OpenUM*p.OpenUM)
}

// variance adds up the variance of Σ cᵢ·tᵢ for thicknesses t of which errors are
// shared (JCGM 100:2008, 5.2.2, equations 13 and 16): in squares what is independent,
// as it is what is one error. Of what is open, the worse of the two counts: the variance
// is linear in the correlation.
type variance struct {
	own, common, apart, asOne float64
}

func (v *variance) add(c float64, p Point) {
	v.own += c * c * p.SDUM * p.SDUM
	v.common += c * p.CommonUM
	v.apart += c * c * p.OpenUM * p.OpenUM
	v.asOne += c * p.OpenUM
}

func (v *variance) sd() float64 {
	return math.Sqrt(v.own + v.common*v.common + math.Max(v.apart, v.asOne*v.asOne))
}

// Mean returns the mean of the points, each counted once, and its standard uncertainty;
// NaN without points.
func Mean(points []Point) (um, sdUM float64) {
	share := 1 / float64(len(points))
	var v variance
	for _, p := range points {
		um += share * p.ThicknessUM
		v.add(share, p)
	}
	if len(points) == 0 {
		return math.NaN(), math.NaN()
	}
	return um, v.sd()
}

// Difference returns how much thicker a is than b, and the standard uncertainty of
// that.
func Difference(a, b Point) (um, sdUM float64) {
	var v variance
	v.add(1, a)
	v.add(-1, b)
	return a.ThicknessUM - b.ThicknessUM, v.sd()
}

// Alike tells whether the points differ by no more than the uncertainty that they do
// not share.
func Alike(points []Point) bool {
	var a Average
	for _, p := range points {
		a.Add(Reading{ThicknessUM: p.ThicknessUM, NoiseUM: p.SDUM, OpenUM: p.OpenUM})
	}
	return a.Consistent()
}
