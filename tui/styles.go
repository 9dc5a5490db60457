package tui

import (
	"strings"

	"github.com/charmbracelet/lipgloss"
)

// pen names the meaning of a cell; what it looks like is decided here alone.
// Nothing on the screen is told by a pen alone: words and shapes differ too.
type pen uint8

const (
	penPlain    pen = iota
	penDim          // axes, units, labels
	penStrong       // headings, numbers in use
	penMeasured     // what the instrument saw
	penComputed     // what the fit or the forecast says
	penSilicon
	penTarget
	penFloor
	penWarn // something is not as it should be
	penBandQuiet
	penBandContinue
	penBandPrepare
	penBandBlind
	penBandStop
	penBandPast // the pictures do not show this moment
	pens        // how many there are
)

// The colours are those of M. Okabe and K. Ito, "Color Universal Design"
// (2008; values from memory), told apart with the common colour-vision
// deficiencies, and darkened or lightened where text needs the contrast.
const (
	orange        = "#E69F00"
	skyBlue       = "#56B4E9"
	bluishGreen   = "#009E73"
	yellow        = "#F0E442"
	blue          = "#0072B2"
	vermillion    = "#D55E00"
	reddishPurple = "#CC79A7"
	black         = "#000000"
	white         = "#FFFFFF"
)

// look is how one pen is drawn; an empty colour leaves the terminal's own.
type look struct {
	fg, bg string
	bold   bool
}

// looks returns the looks for a dark or a light background. With contrast
// nothing is told apart by hue: plain, bold and inverse are left.
func looks(light, contrast bool) [pens]look {
	if contrast {
		return contrastLooks(light)
	}
	l := [pens]look{
		penDim:          {fg: "#8A8A8A"},
		penStrong:       {bold: true},
		penMeasured:     {fg: skyBlue},
		penComputed:     {fg: orange},
		penSilicon:      {fg: "#AEB6BE"},
		penTarget:       {fg: bluishGreen, bold: true},
		penFloor:        {fg: vermillion, bold: true},
		penWarn:         {fg: yellow, bold: true},
		penBandQuiet:    {fg: white, bg: "#444444", bold: true},
		penBandContinue: {fg: black, bg: bluishGreen, bold: true},
		penBandPrepare:  {fg: black, bg: yellow, bold: true},
		penBandBlind:    {fg: black, bg: reddishPurple, bold: true},
		penBandStop:     {fg: black, bg: vermillion, bold: true},
		penBandPast:     {fg: black, bg: skyBlue, bold: true},
	}
	if light {
		l[penDim].fg = "#626262"
		l[penMeasured].fg = blue
		l[penComputed].fg = "#946600" // orange, darker
		l[penSilicon].fg = "#6A7480"
		l[penTarget].fg = "#007A59" // bluish green, darker
		l[penFloor].fg = "#B85100"  // vermillion, darker
		l[penWarn].fg = "#A03D75"   // reddish purple, darker
		l[penBandQuiet] = look{fg: black, bg: "#D0D0D0", bold: true}
	}
	return l
}

// contrastLooks are for weak sight, sunlight and worn-out screens: black and
// white, the urgent inverse.
func contrastLooks(light bool) [pens]look {
	ink, paper := white, black
	if light {
		ink, paper = black, white
	}
	l := [pens]look{}
	for i := range l {
		l[i] = look{fg: ink, bold: i != int(penPlain) && i != int(penDim)}
	}
	for _, p := range []pen{penBandQuiet, penBandContinue, penBandPrepare, penBandBlind, penBandStop, penBandPast, penWarn} {
		l[p] = look{fg: paper, bg: ink, bold: true}
	}
	l[penBandQuiet] = look{fg: ink, bold: true}
	l[penBandContinue] = look{fg: ink, bold: true}
	return l
}

// stroke is a pen made ready: the escapes before and after a run of cells.
type stroke struct {
	open, close string
	fill        bool // shows on blanks too
}

// palette holds one stroke a pen.
type palette [pens]stroke

// newPalette makes the strokes for a renderer. With the Ascii profile (NO_COLOR)
// all are empty.
func newPalette(r *lipgloss.Renderer, light, contrast bool) palette {
	var p palette
	for i, l := range looks(light, contrast) {
		s := r.NewStyle().Bold(l.bold)
		if l.fg != "" {
			s = s.Foreground(lipgloss.Color(l.fg))
		}
		if l.bg != "" {
			s = s.Background(lipgloss.Color(l.bg))
		}
		// The escapes around one rendered letter; no escape has an upper-case X.
		p[i].open, p[i].close, _ = strings.Cut(s.Render("X"), "X")
		p[i].fill = l.bg != "" && p[i].open != ""
	}
	return p
}
