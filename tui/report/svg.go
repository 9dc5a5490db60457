package report

import (
	"bytes"
	"fmt"
	"image/color"
	"math"
	"regexp"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Sizes of the figures.
const (
	wide  = 17 * vg.Centimeter
	high  = 7.5 * vg.Centimeter
	flat  = 4.5 * vg.Centimeter
	inset = 0.15 * vg.Centimeter
)

// Colours that stay apart for all kinds of colour vision: M. Okabe and K. Ito, "Color
// Universal Design" (2008). Shapes and dashes tell the same, so colour never stands alone.
func black() color.Color      { return color.RGBA{A: 255} }
func grey() color.Color       { return color.RGBA{R: 110, G: 110, B: 110, A: 255} }
func shade() color.Color      { return color.RGBA{R: 217, G: 226, B: 236, A: 255} }
func blue() color.Color       { return color.RGBA{R: 0, G: 114, B: 178, A: 255} }
func vermillion() color.Color { return color.RGBA{R: 213, G: 94, B: 0, A: 255} }
func green() color.Color      { return color.RGBA{R: 0, G: 158, B: 115, A: 255} }

// mark is the shape and colour of a site.
func mark(i int) draw.GlyphStyle {
	shapes := []draw.GlyphDrawer{draw.CircleGlyph{}, draw.TriangleGlyph{}, draw.BoxGlyph{}, draw.CrossGlyph{}, draw.RingGlyph{}, draw.PyramidGlyph{}, draw.SquareGlyph{}, draw.PlusGlyph{}}
	colours := []color.Color{blue(), vermillion(), green(), color.RGBA{R: 204, G: 121, B: 167, A: 255}, black(), color.RGBA{R: 230, G: 159, B: 0, A: 255}, color.RGBA{R: 86, G: 180, B: 233, A: 255}, grey()}
	return draw.GlyphStyle{Color: colours[i%len(colours)], Radius: 1.6, Shape: shapes[i%len(shapes)]}
}

// dashes are the dashes of a site's line.
func dashes(i int) []vg.Length {
	return [][]vg.Length{nil, {6, 2}, {2, 2}, {8, 2, 2, 2}}[i%4]
}

// newPlot is an empty plot in the style of the page.
func newPlot(x, y string) *plot.Plot {
	p := plot.New()
	p.X.Label.Text, p.Y.Label.Text = x, y
	for _, f := range []*font.Font{&p.X.Label.TextStyle.Font, &p.Y.Label.TextStyle.Font, &p.X.Tick.Label.Font, &p.Y.Tick.Label.Font, &p.Legend.TextStyle.Font} {
		f.Variant, f.Size = "Sans", 9
	}
	p.X.Label.Padding, p.Y.Label.Padding = 2, 4
	p.X.Tick.Marker, p.Y.Tick.Marker = plot.TickerFunc(roundTicks), plot.TickerFunc(roundTicks)
	p.Legend.Top, p.Legend.Padding = true, 2
	p.Legend.YOffs = -2
	grid := plotter.NewGrid()
	for _, line := range []*draw.LineStyle{&grid.Vertical, &grid.Horizontal} {
		line.Color, line.Width = color.RGBA{R: 225, G: 225, B: 225, A: 255}, 0.5
	}
	p.Add(grid)
	return p
}

// label is the style of words inside a plot.
func label(p *plot.Plot) draw.TextStyle {
	style := p.X.Tick.Label
	style.XAlign, style.YAlign = draw.XLeft, draw.YBottom
	return style
}

// farthest is the largest number that is drawn.
const farthest = 1e9

func drawable(v ...float64) bool {
	for _, x := range v {
		if !(math.Abs(x) <= farthest) {
			return false
		}
	}
	return true
}

// inline draws a plot as an SVG element to stand in a page.
func inline(p *plot.Plot, width, height vg.Length) (svg string, err error) {
	// The library panics on what it cannot draw, such as an axis without length.
	defer func() {
		if r := recover(); r != nil {
			svg, err = "", fmt.Errorf("figure: %v", r)
		}
	}()
	c := vgsvg.New(width, height)
	p.Draw(draw.Crop(draw.New(c), inset, -inset, inset, -inset))
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return "", err
	}
	text := b.String()
	start := strings.Index(text, "<svg")
	if start < 0 {
		return "", fmt.Errorf("figure: no <svg in %d bytes", len(text))
	}
	return strings.TrimSpace(compact(text[start:])), nil
}

// compact takes out what the page says once for all figures, and digits that nobody sees.
func compact(svg string) string {
	svg = strings.ReplaceAll(svg, "\n\txmlns:xlink=\"http://www.w3.org/1999/xlink\"", "")
	svg = regexp.MustCompile(`font-family:[^;"]*;font-variant:[^;"]*;font-weight:[^;"]*;font-style:[^;"]*;?`).ReplaceAllString(svg, "")
	return svg
}

// steps are points in order, without those that cannot be drawn.
func steps(n int, at func(i int) (x, y float64)) plotter.XYs {
	var out plotter.XYs
	for i := range n {
		if x, y := at(i); drawable(x, y) {
			out = append(out, plotter.XY{X: x, Y: y})
		}
	}
	return out
}

// addLine draws a line, in dashes if there are any.
func addLine(p *plot.Plot, points plotter.XYs, c color.Color, width vg.Length, dashes ...vg.Length) error {
	if len(points) == 0 {
		return nil
	}
	line, err := plotter.NewLine(points)
	if err != nil {
		return err
	}
	line.Color, line.Width, line.Dashes = c, width, dashes
	p.Add(line)
	return nil
}

// addMarks draws points.
func addMarks(p *plot.Plot, points plotter.XYs, style draw.GlyphStyle) (*plotter.Scatter, error) {
	if len(points) == 0 {
		return nil, nil
	}
	s, err := plotter.NewScatter(points)
	if err != nil {
		return nil, err
	}
	s.GlyphStyle = style
	p.Add(s)
	return s, nil
}

// sigmas is how many standard uncertainties a band reaches to either side.
const sigmas = 2

// addBand shades around a line; where the uncertainty does not exist it begins anew.
func addBand(p *plot.Plot, n int, at func(i int) (x, y, sd float64)) error {
	var above, below plotter.XYs
	flush := func() error {
		if len(above) > 1 {
			for i := len(below) - 1; i >= 0; i-- {
				above = append(above, below[i])
			}
			band, err := plotter.NewPolygon(above)
			if err != nil {
				return err
			}
			band.Color, band.LineStyle.Width = shade(), 0
			p.Add(band)
		}
		above, below = nil, nil
		return nil
	}
	for i := range n {
		x, y, sd := at(i)
		if !drawable(x, y, sd) {
			if err := flush(); err != nil {
				return err
			}
			continue
		}
		above = append(above, plotter.XY{X: x, Y: y + sigmas*sd})
		below = append(below, plotter.XY{X: x, Y: y - sigmas*sd})
	}
	return flush()
}

// addLevel draws a horizontal line across the plot with its name at the left end.
func addLevel(p *plot.Plot, y float64, name string, c color.Color, dashes ...vg.Length) error {
	if !drawable(y) || !(p.X.Max > p.X.Min) {
		return nil
	}
	if err := addLine(p, plotter.XYs{{X: p.X.Min, Y: y}, {X: p.X.Max, Y: y}}, c, 1.2, dashes...); err != nil {
		return err
	}
	return addLabels(p, plotter.XYs{{X: p.X.Min, Y: y}}, []string{name}, label(p), vg.Point{X: 3, Y: 2})
}

func addLabels(p *plot.Plot, at plotter.XYs, words []string, style draw.TextStyle, offset vg.Point) error {
	l, err := plotter.NewLabels(plotter.XYLabels{XYs: at, Labels: words})
	if err != nil {
		return err
	}
	for i := range l.TextStyle {
		l.TextStyle[i] = style
	}
	l.Offset = offset
	p.Add(l)
	return nil
}
