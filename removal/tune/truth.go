package tune

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"sort"
)

// Point is a thickness at a time.
type Point struct{ TimeS, ThicknessUM float64 }

// Truth is how thick the silicon really was. The zero value knows nothing.
type Truth struct {
	sites [][]Point // by time
}

// NewTruth takes what is known of each site, in any order. Two times are the least that
// tells how a site went: with fewer it is left out.
func NewTruth(bySite map[string][]Point) Truth {
	var t Truth
	for _, name := range slices.Sorted(maps.Keys(bySite)) {
		points := slices.Clone(bySite[name])
		slices.SortStableFunc(points, func(a, b Point) int { return cmp.Compare(a.TimeS, b.TimeS) })
		if n := len(points); n > 1 && points[0].TimeS < points[n-1].TimeS {
			t.sites = append(t.sites, points)
		}
	}
	return t
}

// Known tells whether there is anything to go by.
func (t Truth) Known() bool { return len(t.sites) > 0 }

// truthEdgeS is how far beyond its first or last time a truth still holds (common
// practice, no source).
const truthEdgeS = 5

// ThinnestUM is the thickness of the thinnest site at a time, each site interpolated; NaN
// where some site is not known.
func (t Truth) ThinnestUM(timeS float64) float64 {
	thinnest := math.NaN()
	for _, points := range t.sites {
		um := interpolate(points, timeS)
		if math.IsNaN(um) {
			return um
		}
		if !(um >= thinnest) {
			thinnest = um
		}
	}
	return thinnest
}

func interpolate(points []Point, timeS float64) float64 {
	first, last := points[0], points[len(points)-1]
	switch {
	case !(timeS >= first.TimeS-truthEdgeS && timeS <= last.TimeS+truthEdgeS):
		return math.NaN()
	case timeS <= first.TimeS:
		return first.ThicknessUM
	case timeS >= last.TimeS:
		return last.ThicknessUM
	}
	i := sort.Search(len(points), func(i int) bool { return points[i].TimeS > timeS })
	a, b := points[i-1], points[i]
	return a.ThicknessUM + (b.ThicknessUM-a.ThicknessUM)*(timeS-a.TimeS)/(b.TimeS-a.TimeS)
}
