package main

import (
	"errors"
	"fmt"
	"image/color"
	"io"
	"math"

	"bluefringe/removal/tune"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Size of the figure.
const (
	figureWide = 17 * vg.Centimeter
	figureHigh = 11 * vg.Centimeter
	figureEdge = 0.3 * vg.Centimeter
)

// writeFigure draws the trade-off as SVG: of one key the cost against its values, with
// error bars; of several the landing error against the time lost, a mark a setting.
// Colours stay apart for all kinds of colour vision (M. Okabe and K. Ito, 2008), and
// shapes tell the same.
func (r *tuned) writeFigure(w io.Writer) (err error) {
	if r.choice == nil {
		return errors.New("no run tells its truth: there is no cost to draw")
	}
	// The library panics on what it cannot draw.
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("figure: %v", p)
		}
	}()
	p := plot.New()
	for _, f := range []*font.Font{&p.Title.TextStyle.Font, &p.X.Label.TextStyle.Font, &p.Y.Label.TextStyle.Font, &p.X.Tick.Label.Font, &p.Y.Tick.Label.Font, &p.Legend.TextStyle.Font} {
		f.Variant, f.Size = "Sans", 10
	}
	p.Title.Text = fmt.Sprintf("%s, %d settings; bars: 95 %% of resamplings", runCount(len(r.on)), len(r.settings))
	p.Title.Padding = 6
	p.Legend.Top, p.Legend.Padding = true, 3
	p.Add(plotter.NewGrid())
	if len(r.axes) == 1 {
		err = r.drawCost(p)
	} else {
		p.Title.Text = fmt.Sprintf("%s, %d settings", runCount(len(r.on)), len(r.settings))
		err = r.drawTrade(p)
	}
	if err != nil {
		return err
	}
	c := vgsvg.New(figureWide, figureHigh)
	p.Draw(draw.Crop(draw.New(c), figureEdge, -figureEdge, figureEdge, -figureEdge))
	_, err = c.WriteTo(w)
	return err
}

// drawCost draws the cost against the values of the one key.
func (r *tuned) drawCost(p *plot.Plot) error {
	p.X.Label.Text, p.Y.Label.Text = r.axes[0].Key, "mean cost of a run"
	bars := costBars{}
	for k := range r.choice.Cost {
		i := r.choice.Order[k]
		bars = append(bars, costBar{r.settings[i][0], r.summary(r.outcomes[i]).Cost, r.choice.Cost[k]})
	}
	if err := addBars(p, "settings", bars, blueDot()); err != nil {
		return err
	}
	if err := addBars(p, "best", bars[:1], greenRing()); err != nil {
		return err
	}
	return addBars(p, "set-up", costBars{{r.ownSetting[0], r.choice.Own, r.choice.OwnCost}}, vermillionPyramid())
}

// drawTrade draws landing error against time lost.
func (r *tuned) drawTrade(p *plot.Plot) error {
	p.X.Label.Text, p.Y.Label.Text = "time lost with looks, minutes a run", "landing error, nm (mean without sign)"
	point := func(row []tune.Outcome) (plotter.XY, bool, bool) {
		s := r.summary(row)
		return plotter.XY{X: s.LostMin, Y: s.AbsMissNM}, s.Crossed > 0, !math.IsNaN(s.AbsMissNM)
	}
	var kept, crossed plotter.XYs
	for _, row := range r.outcomes {
		switch xy, below, ok := point(row); {
		case !ok:
		case below:
			crossed = append(crossed, xy)
		default:
			kept = append(kept, xy)
		}
	}
	best, _, bestOK := point(r.outcomes[r.choice.Best()])
	own, _, ownOK := point(r.own)
	for _, group := range []struct {
		name   string
		points plotter.XYs
		style  draw.GlyphStyle
		ok     bool
	}{
		{"floor kept", kept, blueDot(), true}, {"floor crossed", crossed, orangeCross(), true},
		{"best", plotter.XYs{best}, greenRing(), bestOK}, {"set-up", plotter.XYs{own}, vermillionPyramid(), ownOK},
	} {
		if !group.ok || len(group.points) == 0 {
			continue
		}
		s, err := plotter.NewScatter(group.points)
		if err != nil {
			return err
		}
		s.GlyphStyle = group.style
		p.Add(s)
		p.Legend.Add(group.name, s)
	}
	const leastMin, leastNM = 0.1, 1 // an axis needs some length
	p.X.Min, p.X.Max = 0, math.Max(p.X.Max, leastMin)
	p.Y.Min, p.Y.Max = 0, math.Max(p.Y.Max, leastNM)
	return nil
}

func blueDot() draw.GlyphStyle {
	return draw.GlyphStyle{Color: color.RGBA{G: 114, B: 178, A: 255}, Radius: 2, Shape: draw.CircleGlyph{}}
}

func greenRing() draw.GlyphStyle {
	return draw.GlyphStyle{Color: color.RGBA{G: 158, B: 115, A: 255}, Radius: 5, Shape: draw.RingGlyph{}}
}

func vermillionPyramid() draw.GlyphStyle {
	return draw.GlyphStyle{Color: color.RGBA{R: 213, G: 94, A: 255}, Radius: 4, Shape: draw.PyramidGlyph{}}
}

func orangeCross() draw.GlyphStyle {
	return draw.GlyphStyle{Color: color.RGBA{R: 230, G: 159, A: 255}, Radius: 3, Shape: draw.CrossGlyph{}}
}

// costBar is a cost with its interval.
type costBar struct {
	x, cost float64
	i       tune.Interval
}

// costBars are points with error bars for the plot library.
type costBars []costBar

func (b costBars) Len() int                    { return len(b) }
func (b costBars) XY(i int) (float64, float64) { return b[i].x, b[i].cost }
func (b costBars) YError(i int) (float64, float64) {
	return b[i].cost - b[i].i.Low, b[i].i.High - b[i].cost
}

func addBars(p *plot.Plot, name string, bars costBars, style draw.GlyphStyle) error {
	points, err := plotter.NewScatter(bars)
	if err != nil {
		return err
	}
	points.GlyphStyle = style
	errorBars, err := plotter.NewYErrorBars(bars)
	if err != nil {
		return err
	}
	errorBars.Color = style.Color
	p.Add(errorBars, points)
	p.Legend.Add(name, points)
	return nil
}
