package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"bluefringe/optics/surface"
)

// placed is a site on the map.
type placed struct {
	name string
	surface.Point
}

// dieMap is what the sites with a place and a thickness say together.
type dieMap struct {
	sites     []placed
	points    []surface.Point // of the sites
	thinnest  placed
	thickest  placed
	surface   surface.Surface
	notFitted error          // nil: there is a surface
	lowest    surface.Lowest // place of the surface inside the rectangle of the sites
	hasLowest bool
}

// mapped returns the map of the good readings, empty when no site is on it.
func (r *report) mapped() dieMap {
	var m dieMap
	for _, s := range r.sites {
		if xy, ok := r.places[s.name]; ok && s.good.N() > 0 {
			p := s.good.Point(xy[0], xy[1])
			m.sites, m.points = append(m.sites, placed{s.name, p}), append(m.points, p)
		}
	}
	if len(m.sites) == 0 {
		return m
	}
	thicker := func(a, b placed) int { return cmp.Compare(a.ThicknessUM, b.ThicknessUM) }
	m.thinnest, m.thickest = slices.MinFunc(m.sites, thicker), slices.MaxFunc(m.sites, thicker)
	m.surface, m.notFitted = surface.Fit(m.points)
	// A surface that no site can contradict says nothing of the places between.
	if m.hasLowest = m.notFitted == nil && m.surface.DegreesOfFreedom > 0; m.hasLowest {
		m.lowest = m.surface.Lowest(surface.OutlineOf(m.points))
	}
	return m
}

// lineWriter writes one named line of the map.
type lineWriter func(what, format string, args ...any)

func (r *report) writeMap() {
	if len(r.places) == 0 {
		return
	}
	m := r.mapped()
	fmt.Fprintf(r.out, "\nmap of %d of %d sites\n", len(m.sites), len(r.places))
	if len(m.sites) == 0 {
		return
	}
	line := func(what, format string, args ...any) {
		fmt.Fprintf(r.out, "  %-13s %s\n", what, fmt.Sprintf(format, args...))
	}
	m.writeSpan(line)
	m.writeSurface(line)
	r.writeLimits(line, m)
	switch {
	case len(m.sites) < 2:
	case slices.ContainsFunc(m.points, func(p surface.Point) bool { return p.OpenUM > 0 }):
		fmt.Fprint(r.out, `
How much of their uncertainty the sites share is not known: the sd of range,
tilt and bow are upper bounds.
`)
	default:
		fmt.Fprint(r.out, `
The error of the whole die is in the mean in full, in range, tilt and bow only
in proportion to these.
`)
	}
	fmt.Fprintln(r.out)
	for _, row := range drawMap(m.sites) {
		fmt.Fprintln(r.out, row)
	}
}

// writeSpan writes how the sites differ.
func (m dieMap) writeSpan(line lineWriter) {
	mean, sd := surface.Mean(m.points)
	line("mean", "%.4f um, sd %.4f um", mean, sd)
	line("thinnest", "%.4f um, sd %.4f um, at %s", m.thinnest.ThicknessUM, m.thinnest.TotalSDUM(), short(m.thinnest.name))
	if rivals := m.rivals(); rivals != "" {
		line("", "not told apart from it: %s", rivals)
	}
	line("thickest", "%.4f um, sd %.4f um, at %s", m.thickest.ThicknessUM, m.thickest.TotalSDUM(), short(m.thickest.name))
	if len(m.points) < 2 {
		return
	}
	span, sd := surface.Difference(m.thickest.Point, m.thinnest.Point)
	line("range", "%.4f um, sd %.4f um", span, sd)
	squares := 0.0
	for _, p := range m.points {
		squares += (p.ThicknessUM - mean) * (p.ThicknessUM - mean)
	}
	alike := ""
	if surface.Alike(m.points) {
		alike = ", no more than their uncertainty"
	}
	line("between sites", "%.4f um (standard deviation)%s", math.Sqrt(squares/float64(len(m.points)-1)), alike)
}

// rivals names sites that may be the thinnest as well: those less than twice the
// uncertainty of the difference above it.
func (m dieMap) rivals() string {
	const most = 3
	var names []string
	for _, s := range m.sites {
		if above, sd := surface.Difference(s.Point, m.thinnest.Point); s != m.thinnest && above < 2*sd {
			names = append(names, short(s.name))
		}
	}
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	return strings.Join(names, ", ")
}

// writeSurface writes the fitted plane and bow.
func (m dieMap) writeSurface(line lineWriter) {
	if m.notFitted != nil {
		line("tilt, bow", "not determined: %v", m.notFitted)
		return
	}
	s := m.surface
	tilt := s.Tilt()
	line("tilt", "%.5f um/mm, sd %.5f um/mm", tilt.UMPerMM, tilt.SDUMPerMM)
	if tilt.UMPerMM > 2*tilt.SDUMPerMM {
		line("", "thicker towards %.0f deg (0 is +x, 90 is +y), sd %.1f deg", tilt.TowardsDeg, tilt.SDDeg)
	} else {
		line("", "direction not determined")
	}
	switch {
	case s.HasBow():
		outMM := 0.0
		for _, p := range m.points {
			outMM = math.Max(outMM, math.Hypot(p.XMM, p.YMM))
		}
		line("bow", "%+.4f um, sd %.4f um, from the middle to %.4g mm out", s.BowUMPerMM2*outMM*outMM, s.BowSDUMPerMM2*outMM*outMM, outMM)
	case len(m.points) < surface.MinBow:
		line("bow", "not determined: %d sites, %d are needed; the tilt is without bow", len(m.points), surface.MinBow)
	default:
		line("bow", "not determined by these places; the tilt is that without bow")
	}
	if s.DegreesOfFreedom > 0 {
		line("residual", "%.5f um, degrees of freedom: %d", s.ResidualUM, s.DegreesOfFreedom)
	} else {
		line("residual", "not determined: as many sites as parameters")
	}
	if m.hasLowest {
		line("surface min", "%.4f um, sd %.4f um, at x %.2f, y %.2f mm", m.lowest.ThicknessUM, m.lowest.SDUM, m.lowest.XMM, m.lowest.YMM)
	}
}

// writeLimits writes how far the thinnest site is from target and floor, and the
// surface from the floor. The floor counts as kept only where twice the uncertainty
// lies between.
func (r *report) writeLimits(line lineWriter, m dieMap) {
	target, floor := r.target.ThicknessUM, r.target.FloorUM
	if !r.atRest() {
		if target > 0 || floor > 0 {
			line("target, floor", "not compared: the die was not at rest")
		}
		return
	}
	thin := m.thinnest
	if target > 0 {
		line("target", "%.4f um: the thinnest site is at %+.4f um", target, thin.ThicknessUM-target)
	}
	if floor > 0 {
		line("floor", "%.4f um: the thinnest site is at %+.4f um, %s", floor, thin.ThicknessUM-floor, kept(thin.ThicknessUM-floor, thin.TotalSDUM()))
		if m.hasLowest && m.lowest.ThicknessUM < thin.ThicknessUM {
			above := m.lowest.ThicknessUM - floor
			line("", "the fitted surface comes down to %+.4f um, %s", above, kept(above, m.lowest.SDUM))
		}
	}
}

// kept tells whether the floor is kept.
func kept(aboveUM, sdUM float64) string {
	switch {
	case aboveUM < 0:
		return "CROSSED"
	case aboveUM < 2*sdUM:
		return "not certain"
	}
	return "kept"
}
