package main

import (
	"bufio"
	"fmt"
	"math"
	"slices"
	"strings"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/optics/surface"
	"bluefringe/removal/guide"

	"github.com/charmbracelet/x/ansi"
)

// tableRows is how many spectra get a line of their own without --all.
const tableRows = 300

// textCells is the width of running text; the tables fit into it.
const textCells = 79

// report is what people read: a line a spectrum, the sites, the map. It is plain
// ASCII but for names. Memory grows with the sites and not with the spectra.
type report struct {
	out    *bufio.Writer
	all    bool
	job    string
	name   string // of the set-up
	target setup.Target
	places map[string][2]float64 // by site, mm

	begun   bool
	rows    []string // kept until it is known that there are not too many
	spectra int
	sites   []*siteReadings // in the order in which they were seen
}

// siteReadings is what the spectra of one site say.
type siteReadings struct {
	name      string
	all       int
	good      surface.Average
	qualities [estimate.Lost + 1]int
}

func (r *report) open(run event.Run, s setup.Setup) {
	r.job, r.name, r.target, r.places = run.Job, s.Name, s.Target, run.Sites
}

func (r *report) site(name string) *siteReadings {
	for _, s := range r.sites {
		if s.name == name {
			return s
		}
	}
	s := &siteReadings{name: name}
	r.sites = append(r.sites, s)
	return s
}

// add takes one reading.
func (r *report) add(e guide.Estimate) error {
	r.spectra++
	s := r.site(e.Site)
	s.all++
	s.qualities[e.Quality]++
	if e.Quality == estimate.Good {
		s.good.Add(sorted(e))
	}
	switch {
	case r.all:
		r.begin()
		fmt.Fprintln(r.out, readingRow(e))
		return r.out.Flush()
	case r.spectra <= tableRows:
		r.rows = append(r.rows, readingRow(e))
	default:
		r.rows = nil
	}
	return nil
}

const (
	// leastSDUM is the smallest noise that a reading is believed to have: the last
	// decimal of estimate lines.
	leastSDUM = 1e-5
	// leastOpen is the part of a variance below which a budget accounts for all of it.
	leastOpen = 1e-6
)

// sorted tells what of a reading's uncertainty the readings of a site share, and what
// the sites of a die. What the budget leaves out may be either.
func sorted(e guide.Estimate) surface.Reading {
	b := e.Budget
	r := surface.Reading{
		ThicknessUM: e.ThicknessUM,
		NoiseUM:     math.Max(leastSDUM, b.FitUM),
		SiteUM:      b.UnderlayerUM,
		CommonUM:    math.Hypot(math.Hypot(b.TableUM, b.TemperatureUM), b.WavelengthUM),
	}
	all := e.SDUM * e.SDUM
	if open := all - b.SDUM()*b.SDUM(); open > leastOpen*all {
		r.OpenUM = math.Sqrt(open)
	}
	return r
}

// begin writes what comes before the first spectrum.
func (r *report) begin() {
	if r.begun {
		return
	}
	r.begun = true
	if r.job != "" {
		fmt.Fprintln(r.out, "job     ", event.Clean(r.job))
	}
	fmt.Fprintf(r.out, "set-up   %s\n\n", event.Clean(r.name))
	if r.all || r.spectra <= tableRows {
		fmt.Fprintln(r.out, readingHead)
	}
}

const (
	siteCells    = 12
	channelCells = 7
	readingHead  = `    time  site          channel  thickness      sd  spread  edge  quality
       s                                um      um      nm    nm`
	noteIndent = 10 // of what does not fit into a row, under the site
)

// readingRow is the line of one spectrum, and below it why its quality is not good.
func readingRow(e guide.Estimate) string {
	row := fmt.Sprintf("%8.2f  %s  %s  %s %s %s %s  %s", e.TimeS, cell(e.Site, siteCells), cell(e.Channel, channelCells),
		value(e.ThicknessUM, 9, 4), value(e.SDUM, 7, 4), value(1000*e.SpreadUM, 7, 1), value(e.EdgeNM, 5, 0), e.Quality)
	if e.Reason == "" {
		return row
	}
	reason := ascii(e.Reason)
	if what, _, explained := strings.Cut(reason, ": "); explained && len(reason) > textCells-noteIndent {
		reason = what // one line a spectrum is enough
	}
	return row + "\n" + hanging(strings.Repeat(" ", noteIndent)+reason, noteIndent)
}

// hanging breaks text into lines, all but the first of which are indented.
func hanging(text string, indent int) string {
	b := []byte(text[:indent])
	width := indent
	for i, word := range strings.Fields(text[indent:]) {
		switch cells := ansi.StringWidth(word); {
		case i == 0:
			width += cells
		case width+1+cells > textCells:
			b = append(b, "\n"+strings.Repeat(" ", indent)...)
			width = indent + cells
		default:
			b = append(b, ' ')
			width += 1 + cells
		}
		b = append(b, word...)
	}
	return string(b)
}

// ascii writes the program's own words without the signs beyond ASCII.
func ascii(text string) string {
	return strings.NewReplacer("µ", "u", "±", "+/-", "–", "-").Replace(event.Clean(text))
}

// cell makes a name from outside exactly so many cells wide.
func cell(name string, cells int) string {
	name = ansi.Truncate(event.Clean(name), cells, "~")
	return name + strings.Repeat(" ", max(0, cells-ansi.StringWidth(name)))
}

// short is a name from outside that is at most a cell's width.
func short(name string) string { return strings.TrimRight(cell(name, siteCells), " ") }

// value is a number right in its column, and a dash where there is none.
func value(v float64, cells, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return fmt.Sprintf("%*s", cells, "-")
	}
	text := fmt.Sprintf("%*.*f", cells, decimals, v)
	if len(text) > cells {
		return fmt.Sprintf("%*.1e", cells, v)
	}
	return text
}

// finish writes all that is not written yet.
func (r *report) finish(refused int) error {
	r.begin()
	for _, row := range r.rows {
		fmt.Fprintln(r.out, row)
	}
	if !r.all && r.spectra > tableRows {
		fmt.Fprintf(r.out, "%d spectra: more than %d get their lines with --all only\n", r.spectra, tableRows)
	}
	if refused > 0 {
		fmt.Fprintf(r.out, "spectra that could not be read: %d\n", refused)
	}
	r.writeSites()
	r.writeMap()
	return r.out.Flush()
}

func (r *report) writeSites() {
	fmt.Fprint(r.out, `
site                x        y  readings   good  thickness      sd  scatter
                   mm       mm                          um      um       um
`)
	for _, s := range r.sites {
		xy, placed := r.places[s.name]
		x, y := math.NaN(), math.NaN()
		if placed {
			x, y = xy[0], xy[1]
		}
		row := fmt.Sprintf("%s %s %s %9d %6d", cell(s.name, siteCells), value(x, 8, 2), value(y, 8, 2), s.all, s.good.N())
		if s.good.N() == 0 {
			fmt.Fprintln(r.out, row+"  "+s.counted())
			continue
		}
		p := s.good.Point(x, y)
		row += fmt.Sprintf(" %s %s %s", value(p.ThicknessUM, 10, 4), value(p.TotalSDUM(), 7, 4), value(s.good.ScatterSD(), 8, 5))
		fmt.Fprintln(r.out, row+s.mark())
	}
	for _, name := range r.unseen() {
		xy := r.places[name]
		fmt.Fprintf(r.out, "%s %s %s %9d  not measured\n", cell(name, siteCells), value(xy[0], 8, 2), value(xy[1], 8, 2), 0)
	}
	fmt.Fprint(r.out, `
sd: standard uncertainty (JCGM 100:2008). Noise falls with the number of
readings as far as their scatter shows it. What is not known of the front side
is another error at each site. Silicon table, temperature and wavelength scale
are one error of the whole die, in proportion to thickness.
`)
	r.explain(moved, "! not at rest (%s): the readings differ by more than their uncertainty, as when the die is being thinned. "+
		"The thickness is the mean over the time and the scatter that of single readings; --from and --to pick a time.")
	r.explain(drifted, "~ unsteady (%s): the readings differ by more than their noise, as when the die cools, the spot wanders "+
		"or the pad still touches. The scatter is that of single readings.")
}

// Marks in the table of sites.
const (
	moved   = " !"
	drifted = " ~"
)

// mark tells what the readings of a site do besides being noisy.
func (s *siteReadings) mark() string {
	switch {
	case s.good.Moved():
		return moved
	case !s.good.Consistent():
		return drifted
	}
	return ""
}

// explain writes what a mark means, if it stands somewhere, with the site that it
// concerns most.
func (r *report) explain(mark, text string) {
	var most *siteReadings
	span := 0.0
	for _, s := range r.sites {
		if low, high := s.good.Range(); s.mark() == mark && high-low > span {
			most, span = s, high-low
		}
	}
	if most != nil {
		low, high := most.good.Range()
		where := fmt.Sprintf("most at %s, %.4f to %.4f um", short(most.name), low, high)
		fmt.Fprintln(r.out, hanging(fmt.Sprintf(text, where), 2))
	}
}

// atRest tells whether no site changed while it was measured.
func (r *report) atRest() bool {
	return !slices.ContainsFunc(r.sites, func(s *siteReadings) bool { return s.mark() == moved })
}

// counted says what the readings of a site were.
func (s *siteReadings) counted() string {
	parts := []string{}
	for q, n := range s.qualities {
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, estimate.Quality(q)))
		}
	}
	return strings.Join(parts, ", ")
}

// unseen are the sites of the run line without a spectrum.
func (r *report) unseen() []string {
	var names []string
	for name := range r.places {
		if !slices.ContainsFunc(r.sites, func(s *siteReadings) bool { return s.name == name }) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}
