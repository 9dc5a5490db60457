package tui

import (
	"math"

	"github.com/charmbracelet/x/ansi"

	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// Host is what a command that guides the screen, such as a replay or a lesson, says on
// it and hides from it. The zero value is that of a live watch.
type Host struct {
	Status string // in a line of its own: "replay 4x, paused"; empty: no line
	Hint   string // in a second line under it; empty: none
	Ruler  *Ruler // at the right of the status; nil: none
	Word   string // in the header in place of "live" and "waiting for data"
	Banner string // words of the advice line while numbers are hidden

	// HideNumbers leaves spectrum and visibility as they were measured: no thickness, fit,
	// forecast, advice or bell. HidePictures leaves numbers and advice.
	HideNumbers, HidePictures bool

	Still bool // run time stands: the bell does not ring again
	Free  bool // nothing real is at stake: leaving needs no second thought
	Anew  int  // changes when the run jumps to another moment or begins anew
}

// Ruler is a whole run as a line, with the moment that is shown.
type Ruler struct {
	StartS, AtS, EndS float64
	Marks             []Entry
}

// hostRows is how many lines the host has.
func (s *Snapshot) hostRows() int {
	rows := 0
	for _, line := range []string{s.Host.Status, s.Host.Hint} {
		if line != "" {
			rows++
		}
	}
	return rows
}

// drawHost draws the lines of the host.
func drawHost(a area, s *Snapshot) {
	h, y := &s.Host, 0
	if h.Status != "" {
		x := a.text(1, 0, penStrong, h.Status)
		if r := h.Ruler; r != nil && a.w-x >= rulerFrom {
			r.draw(a.sub(x+2, 0, a.w-x-3, 1))
		}
		y++
	}
	if h.Hint != "" {
		a.text(1, y, penStrong, h.Hint)
	}
}

// rulerFrom is the room in which a ruler is drawn.
const rulerFrom = 20

// draw draws the ruler: what was played, what is to come, and what happened where.
func (r *Ruler) draw(a area) {
	end := " " + runTime(r.EndS)
	line := a.sub(0, 0, a.w-ansi.StringWidth(end), 1)
	a.text(line.w, 0, penDim, end)
	scale := axis{lo: r.StartS, hi: r.EndS, n: line.w}
	at, ok := scale.inside(min(max(r.AtS, r.StartS), r.EndS))
	if !ok { // a run without length
		at = 0
	}
	line.fill('╌', penDim)
	line.sub(0, 0, at, 1).fill('━', penMeasured)
	for _, e := range r.Marks {
		if x, ok := scale.inside(e.TimeS); ok {
			line.set(x, 0, e.shape(), penPlain)
		}
	}
	line.set(at, 0, '┃', penStrong)
}

// veiled is the snapshot without anything that was computed.
func (s Snapshot) veiled() Snapshot {
	nan := math.NaN()
	s.Step = guide.Step{TimeS: s.Step.TimeS, Estimate: estimateVeiled(s.Step.Estimate),
		Forecast: forecastVeiled(s.Step.Forecast), Advice: guide.Advice{TimeS: s.Step.TimeS, Level: advice.Continue, ThinnestUM: nan, NextStretchS: nan}}
	s.Thinnest = nil
	s.Estimate = estimateVeiled(s.Estimate)
	sites := make([]Site, len(s.Sites))
	for i, one := range s.Sites {
		sites[i] = Site{Name: one.Name, XMM: one.XMM, YMM: one.YMM, ThicknessUM: nan, SDUM: nan, TimeS: one.TimeS,
			Forecast: forecastVeiled(one.Forecast), Estimate: estimateVeiled(one.Estimate)}
	}
	s.Sites = sites
	s.History, s.Album, s.Log = nil, nil, nil
	s.StartThicknessUM = nan
	return s
}

func forecastVeiled(f guide.Forecast) guide.Forecast {
	nan := math.NaN()
	unknown := removal.Interval{P05S: nan, P50S: nan, P95S: nan}
	return guide.Forecast{TimeS: f.TimeS, Contact: f.Contact, ThicknessUM: nan, SDUM: nan, RateUMMin: nan, RateSDUMMin: nan,
		ToTargetS: unknown, ToFloorS: unknown, SinceGoodS: nan}
}

// estimateVeiled keeps of an estimate what was measured; nil stays nil.
func estimateVeiled(e *guide.Estimate) *guide.Estimate {
	if e == nil {
		return nil
	}
	nan := math.NaN()
	p := e.Picture
	return &guide.Estimate{TimeS: e.TimeS, Site: e.Site, Channel: e.Channel, Quality: estimate.Good,
		ThicknessUM: nan, SDUM: nan, SpreadUM: nan, EdgeNM: e.EdgeNM, AbsorptionUM: nan, AbsorptionSDUM: nan,
		Picture: guide.Picture{WavelengthNM: p.WavelengthNM, Reflectance: p.Reflectance, VisibilityNM: p.VisibilityNM,
			Visibility: p.Visibility, EdgeExpectedNM: nan, EdgeThreshold: p.EdgeThreshold}}
}
