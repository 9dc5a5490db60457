package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"unicode/utf8"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Bounds of what is drawn.
const (
	mostMarks  = 1500 // in one figure
	mostShapes = 8    // sites with a shape of their own in the legend
	mostTold   = 20   // changes of advice marked in the figure
)

// thicknessFigure is thickness against time, empty when there is none.
func (r *Report) thicknessFigure() (string, error) {
	p := newPlot("time, s", "thickness, µm")
	track := func(i int) (x, y float64) { return r.Track[i].TimeS, r.Track[i].ThicknessUM }
	line := steps(len(r.Track), track)
	if err := addBand(p, len(r.Track), func(i int) (x, y, sd float64) {
		return r.Track[i].TimeS, r.Track[i].ThicknessUM, r.Track[i].SDUM
	}); err != nil {
		return "", err
	}
	drawn, err := r.addReadings(p, func(reading Reading) (x, y float64) { return reading.TimeS, reading.ThicknessUM })
	if err != nil || drawn+len(line) == 0 {
		return "", err
	}
	if err := addLine(p, line, black(), 1); err != nil {
		return "", err
	}
	if r.TargetUM > 0 {
		if err := addLevel(p, r.TargetUM, "target", green(), 6, 3); err != nil {
			return "", err
		}
	}
	if r.FloorUM > 0 {
		if err := addLevel(p, r.FloorUM, "floor", vermillion(), 2, 2); err != nil {
			return "", err
		}
	}
	p.Y.Max += 0.1 * (p.Y.Max - p.Y.Min) // room for the numbers
	for i, told := range r.Advice[:min(len(r.Advice), mostTold)] {
		if !drawable(told.FromS) {
			continue
		}
		if err := addLine(p, plotter.XYs{{X: told.FromS, Y: p.Y.Min}, {X: told.FromS, Y: p.Y.Max}}, grey(), 0.5, 1, 2); err != nil {
			return "", err
		}
		style := label(p)
		style.YAlign = draw.YTop
		if err := addLabels(p, plotter.XYs{{X: told.FromS, Y: p.Y.Max}}, []string{fmt.Sprint(i + 1)}, style, vg.Point{X: 1.5}); err != nil {
			return "", err
		}
	}
	return inline(p, wide, high)
}

// addReadings marks the readings of every site, one shape a site, and returns how many.
func (r *Report) addReadings(p *plot.Plot, at func(Reading) (x, y float64)) (int, error) {
	all := 0
	for _, s := range r.Sites {
		all += len(s.Readings)
	}
	every := max(1, (all+mostMarks-1)/mostMarks)
	drawn := 0
	for i, s := range r.Sites {
		points := steps((len(s.Readings)+every-1)/every, func(k int) (x, y float64) { return at(s.Readings[k*every]) })
		scatter, err := addMarks(p, points, mark(i))
		if err != nil {
			return drawn, err
		}
		drawn += len(points)
		if scatter != nil && i < mostShapes {
			p.Legend.Add(shortened(s.Name), scatter)
		}
	}
	return drawn, nil
}

// shortened bounds a name that has to fit beside something.
func shortened(name string) string {
	const most = 16
	if utf8.RuneCountInString(name) <= most {
		return name
	}
	return string([]rune(name)[:most-1]) + "…"
}

// edgeFigure is the contrast edge against thickness, empty when there is none.
func (r *Report) edgeFigure() (string, error) {
	p := newPlot("thickness, µm", "contrast edge, nm")
	drawn, err := r.addReadings(p, func(reading Reading) (x, y float64) { return reading.ThicknessUM, reading.EdgeNM })
	if err != nil || drawn == 0 {
		return "", err
	}
	for i, site := range r.Sites {
		line := median(steps(len(site.Readings), func(k int) (x, y float64) {
			reading := site.Readings[k]
			if !drawable(reading.EdgeNM) {
				return math.NaN(), 0 // theory where there is something to compare with it
			}
			return reading.ThicknessUM, reading.EdgeExpectedNM
		}))
		if err := addLine(p, line, mark(i).Color, 1, dashes(i)...); err != nil {
			return "", err
		}
	}
	p.Legend.Left = true
	return inline(p, wide, high)
}

// median draws points together to at most so many, each the median of its neighbours: a
// single misread spectrum does not bend the line.
func median(points plotter.XYs) plotter.XYs {
	const most, least = 40, 5 // groups, and points of a group
	slices.SortStableFunc(points, func(a, b plotter.XY) int { return cmp.Compare(a.X, b.X) })
	var out plotter.XYs
	for group := range slices.Chunk(points, max(least, (len(points)+most-1)/most)) {
		x := group[len(group)/2].X
		slices.SortStableFunc(group, func(a, b plotter.XY) int { return cmp.Compare(a.Y, b.Y) })
		out = append(out, plotter.XY{X: x, Y: group[len(group)/2].Y})
	}
	return out
}

// rateFigure is the removal rate with the pad on the die.
func (r *Report) rateFigure() (string, error) {
	return r.contactFigure("rate, µm/min", math.NaN(), math.NaN(), func(t Track) (v, sd float64) { return t.RateUMMin, t.RateSDUMMin })
}

// prestonFigure is the Preston coefficient, in units that give short numbers.
func (r *Report) prestonFigure() (string, error) {
	const unit = 1e-13
	return r.contactFigure("Kp, 1e-13 1/Pa", r.Preston.PerPa/unit, r.Preston.PerPa*r.Preston.RelSD/unit, func(t Track) (v, sd float64) {
		return t.PrestonPerPa / unit, t.PrestonSDPerPa / unit
	})
}

// contactFigure is a value of the track while the pad is on the die, with what was
// expected of it before.
func (r *Report) contactFigure(name string, prior, priorSD float64, at func(Track) (v, sd float64)) (string, error) {
	p := newPlot("time, s", name)
	nan := math.NaN()
	value := func(i int) (x, y, sd float64) {
		t := r.Track[i]
		if !t.Contact {
			return nan, nan, nan
		}
		y, sd = at(t)
		return t.TimeS, y, sd
	}
	if err := addBand(p, len(r.Track), value); err != nil {
		return "", err
	}
	// Lines break where the pad is off.
	drawn := 0
	for from := 0; from < len(r.Track); {
		to := from
		for to < len(r.Track) && r.Track[to].Contact == r.Track[from].Contact {
			to++
		}
		line := steps(to-from, func(i int) (x, y float64) { x, y, _ = value(from + i); return x, y })
		drawn += len(line)
		if err := addLine(p, line, black(), 1); err != nil {
			return "", err
		}
		from = to
	}
	if drawn == 0 {
		return "", nil
	}
	if prior > 0 {
		for _, level := range []float64{prior, prior + priorSD, prior - priorSD} {
			if err := addLevel(p, level, "", blue(), 6, 3); err != nil {
				return "", err
			}
		}
	}
	p.Y.Min = math.Min(p.Y.Min, 0)
	return inline(p, wide, flat)
}

// fitFigures are a spectrum with its fit, and what is between them.
func (r *Report) fitFigures() (spectrum, residual string, err error) {
	f := r.Fit
	if len(f.Model) == 0 || len(f.Model) != len(f.Measured) || len(f.Model) != len(f.WavelengthNM) {
		return "", "", nil
	}
	measured := steps(len(f.Measured), func(i int) (x, y float64) { return f.WavelengthNM[i], f.Measured[i] })
	rest := steps(len(f.Measured), func(i int) (x, y float64) { return f.WavelengthNM[i], f.Measured[i] - f.Model[i] })
	if len(measured) == 0 || len(rest) == 0 {
		return "", "", nil
	}
	p := newPlot("wavelength, nm", "reflectance")
	points, err := addMarks(p, measured, mark(0))
	if err != nil {
		return "", "", err
	}
	p.Legend.Add("measured", points)
	if err := addLine(p, steps(len(f.Model), func(i int) (x, y float64) { return f.WavelengthNM[i], f.Model[i] }), vermillion(), 1); err != nil {
		return "", "", err
	}
	if spectrum, err = inline(p, wide, high); err != nil {
		return "", "", err
	}
	p = newPlot("wavelength, nm", "residual")
	if _, err := addMarks(p, rest, mark(0)); err != nil {
		return "", "", err
	}
	if err := addLevel(p, 0, "", black()); err != nil {
		return "", "", err
	}
	residual, err = inline(p, wide, flat)
	return spectrum, residual, err
}

// residualFigure is the residual of each fit against time.
func (r *Report) residualFigure() (string, error) {
	p := newPlot("time, s", "residual, rms")
	drawn, err := r.addReadings(p, func(reading Reading) (x, y float64) { return reading.TimeS, reading.Residual })
	if err != nil || drawn == 0 {
		return "", err
	}
	p.Y.Min = 0
	return inline(p, wide, flat)
}

// mapFigure is the die from above, empty when no place is known.
func (r *Report) mapFigure() (string, error) {
	const width, height = 11 * vg.Centimeter, 9 * vg.Centimeter
	p := newPlot("x, mm", "y, mm")
	var points, thinnest plotter.XYs
	var words []string
	reach := 0.0
	for _, s := range r.Places {
		if !drawable(s.XMM, s.YMM) {
			continue
		}
		at := plotter.XY{X: s.XMM, Y: s.YMM}
		if s.Thinnest {
			thinnest = append(thinnest, at)
		} else {
			points = append(points, at)
		}
		reach = math.Max(reach, math.Max(math.Abs(s.XMM), math.Abs(s.YMM)))
	}
	for _, s := range r.Places {
		if drawable(s.XMM, s.YMM) && s.Thinnest {
			words = append([]string{siteWords(s)}, words...)
		} else if drawable(s.XMM, s.YMM) {
			words = append(words, siteWords(s))
		}
	}
	if len(words) == 0 {
		return "", nil
	}
	if w, h := r.DieMM[0]/2, r.DieMM[1]/2; w > 0 && h > 0 && drawable(w, h) {
		if err := addLine(p, plotter.XYs{{X: -w, Y: -h}, {X: w, Y: -h}, {X: w, Y: h}, {X: -w, Y: h}, {X: -w, Y: -h}}, grey(), 1); err != nil {
			return "", err
		}
		reach = math.Max(reach, math.Max(w, h)/1.2)
	}
	big := mark(0)
	big.Radius = 3.5
	if _, err := addMarks(p, points, big); err != nil {
		return "", err
	}
	if len(thinnest) > 0 {
		low := mark(1)
		low.Radius, low.Shape = 5, draw.PyramidGlyph{}
		if _, err := addMarks(p, thinnest, low); err != nil {
			return "", err
		}
	}
	style := label(p)
	style.XAlign = draw.XCenter
	if err := addLabels(p, append(slices.Clone(thinnest), points...), words, style, vg.Point{Y: 6}); err != nil {
		return "", err
	}
	if reach == 0 {
		reach = 1
	}
	reach *= 1.5
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = -reach, reach, -reach*0.82, reach*0.82
	return inline(p, width, height)
}

func siteWords(s Place) string {
	if s.Thinnest {
		return fmt.Sprintf("%s %.3f thinnest", shortened(s.Site), s.ThicknessUM)
	}
	return fmt.Sprintf("%s %.3f", shortened(s.Site), s.ThicknessUM)
}
