package guide

import (
	"fmt"
	"math"

	"bluefringe/optics/surface"
	"bluefringe/removal"
)

// lookBetween adds the forecast of the thinnest place that no site sees, where a smooth
// surface through the sites is lower than the thinnest of them: a plane, with a bow when
// there are sites enough to contradict it.
func (e *Engine) lookBetween(timeS float64, thinnest *site) {
	sites, points := e.placed()
	if len(points) <= surface.MinPlane {
		return
	}
	s, err := surface.Fit(points)
	if err != nil || s.DegreesOfFreedom == 0 {
		return
	}
	outline := e.config.Outline
	if outline == (surface.Outline{}) {
		outline = surface.OutlineOf(points)
	}
	low := s.Lowest(outline)
	nearest, distanceMM := 0, math.Inf(1)
	for i, p := range points {
		if d := math.Hypot(p.XMM-low.XMM, p.YMM-low.YMM); d < distanceMM {
			nearest, distanceMM = i, d
		}
	}
	// The surface smooths: only its difference from the nearest site is taken, so that it
	// is true at the sites.
	here, there := s.Weights(points[nearest].XMM, points[nearest].YMM), s.Weights(low.XMM, low.YMM)
	shares := make([]removal.Share, len(points))
	for i, at := range sites {
		shares[i] = removal.Share{Site: at.index, Weight: there[i] - here[i]}
	}
	shares[nearest].Weight++
	// How far the surface misses its sites is what it may miss a place between them by.
	missUM := s.ResidualUM * math.Min(1, distanceMM/reachOf(points))
	state := e.die.Between(timeS, shares, missUM)
	if state.ThicknessUM < thinnest.state.ThicknessUM {
		name := fmt.Sprintf("(%.1f, %.1f) mm", low.XMM, low.YMM)
		e.ahead = append(e.ahead, siteForecast(name, state, sites[nearest].systematicUM))
	}
}

// placed returns the sites whose place and thickness are known, as points of the die.
func (e *Engine) placed() (sites []*site, points []surface.Point) {
	if e.config.PositionMM == nil {
		return nil, nil
	}
	for _, s := range e.sites {
		x, y, ok := e.config.PositionMM(s.name)
		if !ok || !e.die.Started(s.index) || s.state.Undecided || !(s.state.SDUM > 0) {
			continue
		}
		sites = append(sites, s)
		points = append(points, surface.Point{XMM: x, YMM: y, ThicknessUM: s.state.ThicknessUM, SDUM: s.state.SDUM, CommonUM: s.systematicUM})
	}
	return sites, points
}

// reachOf is the usual distance from a point to its nearest neighbour.
func reachOf(points []surface.Point) float64 {
	sum := 0.0
	for i, p := range points {
		nearest := math.Inf(1)
		for j, q := range points {
			if i != j {
				nearest = math.Min(nearest, math.Hypot(p.XMM-q.XMM, p.YMM-q.YMM))
			}
		}
		sum += nearest
	}
	return sum / float64(len(points))
}
