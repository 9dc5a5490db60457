package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"os/signal"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/optics/estimate"
	"bluefringe/optics/surface"
	"bluefringe/removal/guide"

	"github.com/charmbracelet/x/ansi"
	"github.com/spf13/cobra"
)

func newMeasure(st streams) *cobra.Command {
	var v view
	var fromS, toS float64
	var all bool
	cmd := &cobra.Command{
		Use:   "measure RUN",
		Short: "Read every spectrum of a record on its own: intake and sign-off maps",
		Long: `Read every spectrum of a record on its own: cold start, no tracking, no history.

Prints a line for each spectrum, the mean of the good readings of each site and,
where the run line gives positions to the sites, the map of the die: thinnest site,
tilt, bow. Means and maps are for a die at rest; --from and --to pick such a time
from the record of a run.`,
		Example: `  bluefringe measure intake.jsonl --setup die.toml
  bluefringe measure run.jsonl --from 412
  bluefringe measure run.jsonl --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("from") {
				fromS = math.Inf(-1)
			}
			if !cmd.Flags().Changed("to") {
				toS = math.Inf(1)
			}
			if !(fromS <= toS) {
				return usage(fmt.Errorf("--from %g --to %g: --from before --to is allowed", fromS, toS))
			}
			return measure(cmd.Context(), st, args[0], v, measureSink{fromS: fromS, toS: toS}, all)
		},
	}
	f := cmd.Flags()
	f.StringVar(&v.setupFile, "setup", "", "set-up `file` (TOML); overrides the one in the record")
	f.BoolVar(&v.json, "json", false, "write estimate lines, as replay --json does")
	f.Float64Var(&fromS, "from", 0, "first run `time` that counts, s (default: the start)")
	f.Float64Var(&toS, "to", 0, "last run `time` that counts, s (default: the end)")
	f.BoolVar(&all, "all", false, fmt.Sprintf("print a line for each spectrum also when there are more than %d", tableRows))
	cmd.MarkFlagsMutuallyExclusive("json", "all")
	return cmd
}

// measure runs the record through the one engine and keeps what each spectrum says
// by itself: the engine tracks as well, but its estimates do not depend on that.
func measure(ctx context.Context, st streams, path string, v view, sink measureSink, all bool) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return usage(fmt.Errorf("no record %s", path))
	} else if err != nil {
		return err
	}
	counted := &countedSource{Source: device.File(path), size: info.Size()}
	s := &session{lossless: true, cold: true, source: counted, sink: &sink}
	if s.setup, s.prelude, err = v.load(); err != nil {
		return err
	}
	sink.faultLog.w = st.err
	sink.progress = progress{w: st.err, source: counted, began: time.Now(),
		shown: isTerminal(st.err) && !(isTerminal(st.out) && (v.json || all))}
	r := report{out: bufio.NewWriter(st.out), all: all}
	if v.json {
		lines := newJSONSink(st, true)
		sink.take = func(e guide.Estimate) error { return lines.stepped(guide.Step{Estimate: &e}) }
	} else {
		sink.take = r.add
		sink.open = r.open
	}

	ctx, stop := signal.NotifyContext(ctx, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	err = s.run(ctx, nil)
	sink.progress.clear()
	sink.heard(s.counts, time.Now())
	sink.faultLog.close()
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("interrupted after %d spectra", sink.found)
	case err != nil:
		return err
	}
	if err := sink.verdict(path, s.counts); err != nil || v.json {
		return err
	}
	return r.finish(s.counts.spectra - sink.found)
}

// measureSink hands on the estimates of a time, and nothing else.
type measureSink struct {
	faultLog
	fromS, toS float64
	open       func(event.Run, setup.Setup) // nil: nobody asks
	take       func(guide.Estimate) error
	progress   progress

	found, taken int    // estimates, and those of the time asked for
	first, last  string // faults
}

func (m *measureSink) opened(run event.Run, s setup.Setup) {
	if m.open != nil {
		m.open(run, s)
	}
}

func (m *measureSink) stepped(step guide.Step) error {
	if step.Estimate == nil {
		return nil
	}
	m.found++
	m.progress.step()
	if t := step.Estimate.TimeS; !(t >= m.fromS && t <= m.toS) {
		return nil
	}
	m.taken++
	return m.take(*step.Estimate)
}

func (m *measureSink) fault(err error) {
	m.last = event.Clean(err.Error())
	if m.first == "" {
		m.first = m.last
	}
	m.progress.clear()
	m.faultLog.fault(err)
	m.progress.step()
}

// verdict is an error when there was nothing to measure, and says why.
func (m *measureSink) verdict(path string, c counts) error {
	why := ""
	switch {
	case m.first != m.last:
		why = fmt.Sprintf("; first fault: %s; last fault: %s", m.first, m.last)
	case m.first != "":
		why = ": " + m.first
	}
	switch {
	case m.taken > 0:
		return nil
	case m.found > 0:
		return fmt.Errorf("%s: none of its %d spectra lies between %g and %g s", path, m.found, m.fromS, m.toS)
	case c.spectra == 0:
		return fmt.Errorf("%s holds no spectra%s", path, why)
	}
	return fmt.Errorf("%s: none of its %d spectra can be read%s", path, c.spectra, why)
}

// countedSource counts the spectra that it hands on, for the progress.
type countedSource struct {
	device.Source
	size           int64
	bytes, spectra atomic.Int64
}

func (c *countedSource) Run(ctx context.Context, emit func(device.Line) error) error {
	return c.Source.Run(ctx, func(line device.Line) error {
		c.bytes.Add(int64(len(line.Text)) + 1)
		if bytes.Contains(line.Text, []byte(`"spectrum"`)) {
			c.spectra.Add(1)
		}
		return emit(line)
	})
}

// expected is how many spectra the whole file will give if it goes on as it began.
func (c *countedSource) expected() float64 {
	read := float64(max(1, c.bytes.Load()))
	return float64(c.spectra.Load()) * math.Max(1, float64(c.size)/read)
}

// progress tells on a terminal how far a long measurement is.
type progress struct {
	w      io.Writer
	shown  bool
	source *countedSource
	began  time.Time
	told   time.Time
	steps  int
	width  int // of the text that stands there
}

const (
	quietFor     = 2 * time.Second // shorter work needs no progress
	progressStep = 250 * time.Millisecond
)

func (p *progress) step() {
	p.steps++
	now := time.Now()
	if !p.shown || now.Sub(p.began) < quietFor || now.Sub(p.told) < progressStep {
		return
	}
	p.told = now
	expected := math.Max(p.source.expected(), float64(p.steps))
	left := time.Duration(float64(now.Sub(p.began)) * (expected/float64(p.steps) - 1)).Round(time.Second)
	text := fmt.Sprintf("bluefringe: %d of about %.0f spectra, %s left", p.steps, expected, left)
	fmt.Fprintf(p.w, "\r%-*s", p.width, text)
	p.width = len(text)
}

func (p *progress) clear() {
	if p.width > 0 {
		fmt.Fprintf(p.w, "\r%*s\r", p.width, "")
		p.width = 0
	}
}

// leastSDUM is the smallest uncertainty that a reading is believed to have: the last
// decimal of estimate lines.
const leastSDUM = 1e-5

// tableRows is how many spectra get a line of their own without --all.
const tableRows = 300

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
		s.good.Add(e.ThicknessUM, math.Max(leastSDUM, e.SDUM))
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
	channelCells = 6
	readingHead  = "   time s  site          channel  thickness um    sd um  spread nm  edge nm  quality"
)

func readingRow(e guide.Estimate) string {
	quality := e.Quality.String()
	if e.Reason != "" {
		quality += ": " + ascii(e.Reason)
	}
	return fmt.Sprintf("%9.2f  %s  %s %s %s  %s  %s  %s", e.TimeS, cell(e.Site, siteCells), cell(e.Channel, channelCells),
		value(e.ThicknessUM, 14, 4), value(e.SDUM, 8, 4), value(1000*e.SpreadUM, 9, 1), value(e.EdgeNM, 7, 0), quality)
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
	fmt.Fprintf(r.out, "\nsite              x mm     y mm  readings     good  thickness um    sd um  scatter um\n")
	for _, s := range r.sites {
		xy, placed := r.places[s.name]
		x, y := math.NaN(), math.NaN()
		if placed {
			x, y = xy[0], xy[1]
		}
		row := fmt.Sprintf("%s  %s %s %9d %8d %s %s %s", cell(s.name, siteCells), value(x, 8, 2), value(y, 8, 2),
			s.all, s.good.N(), value(s.good.Mean(), 13, 4), value(s.good.SD(), 8, 4), value(s.good.ScatterSD(), 11, 5))
		switch low, high := s.good.Range(); {
		case s.good.N() == 0:
			row += "  " + s.why()
		case !s.good.Consistent():
			row += fmt.Sprintf("  not at rest: %.4f to %.4f um", low, high)
		}
		fmt.Fprintln(r.out, row)
	}
	for _, name := range r.unseen() {
		xy := r.places[name]
		fmt.Fprintf(r.out, "%s  %s %s %9d  not measured\n", cell(name, siteCells), value(xy[0], 8, 2), value(xy[1], 8, 2), 0)
	}
	fmt.Fprint(r.out, `
sd: standard uncertainty (JCGM 100:2008, 5.1.2): the scatter of the readings, which
falls with their number, and what one reading states, which does not: most of that is
the same in every reading, such as the error of the silicon table.
`)
	if !r.atRest() {
		fmt.Fprint(r.out, `Not at rest: the readings differ by more than their uncertainty, as when the die is
being thinned. The thickness is then the mean over the time, and its scatter that of
single readings; --from and --to pick a time.
`)
	}
}

// atRest tells whether no site changed while it was measured.
func (r *report) atRest() bool {
	return !slices.ContainsFunc(r.sites, func(s *siteReadings) bool { return !s.good.Consistent() })
}

// why says what the readings were when none is good.
func (s *siteReadings) why() string {
	parts := []string{}
	for q, n := range s.qualities {
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, estimate.Quality(q)))
		}
	}
	return "no good reading: " + strings.Join(parts, ", ")
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

// placed is a site on the map.
type placed struct {
	name string
	surface.Point
}

// writeMap writes what the sites with a place and a thickness say together. How much of
// their uncertainty they share is not known here. So the mean takes it as all shared,
// and differences, tilt and bow as not at all: the wider one each time (JCGM 100:2008,
// 5.2.2 with a correlation of 1 and of 0).
func (r *report) writeMap() {
	if len(r.places) == 0 {
		return
	}
	var sites []placed
	var points []surface.Point
	for _, s := range r.sites {
		xy, ok := r.places[s.name]
		if ok && s.good.N() > 0 {
			p := surface.Point{XMM: xy[0], YMM: xy[1], ThicknessUM: s.good.Mean(), SDUM: s.good.SD()}
			sites, points = append(sites, placed{s.name, p}), append(points, p)
		}
	}
	fmt.Fprintf(r.out, "\nmap of %d of %d sites\n", len(sites), len(r.places))
	if len(sites) == 0 {
		return
	}
	line := func(what, format string, args ...any) {
		fmt.Fprintf(r.out, "  %-13s %s\n", what, fmt.Sprintf(format, args...))
	}
	thinnest := r.writeSpan(line, sites)
	writeSurface(line, points)
	r.writeLimits(line, thinnest)
	if len(sites) > 1 {
		fmt.Fprint(r.out, `
The sd of range, tilt and bow are upper bounds: errors that the sites share drop out of
differences, by how much is not known.
`)
	}
	fmt.Fprintln(r.out)
	for _, row := range drawMap(sites) {
		fmt.Fprintln(r.out, row)
	}
}

// writeSpan writes how the sites differ and returns the thinnest.
func (r *report) writeSpan(line func(what, format string, args ...any), sites []placed) placed {
	thin, thick := sites[0], sites[0]
	n := float64(len(sites))
	mean, sd, scatter := 0.0, 0.0, 0.0
	for _, s := range sites {
		if s.ThicknessUM < thin.ThicknessUM {
			thin = s
		}
		if s.ThicknessUM > thick.ThicknessUM {
			thick = s
		}
		mean += s.ThicknessUM / n
		sd += s.SDUM / n // as if all were one error
	}
	for _, s := range sites {
		scatter += (s.ThicknessUM - mean) * (s.ThicknessUM - mean)
	}
	name := func(p placed) string { return strings.TrimRight(cell(p.name, siteCells), " ") }
	line("mean", "%.4f um, sd %.4f um", mean, sd)
	line("thinnest", "%.4f um, sd %.4f um, at %s", thin.ThicknessUM, thin.SDUM, name(thin))
	line("thickest", "%.4f um, sd %.4f um, at %s", thick.ThicknessUM, thick.SDUM, name(thick))
	if len(sites) > 1 {
		line("range", "%.4f um, sd %.4f um", thick.ThicknessUM-thin.ThicknessUM, math.Hypot(thin.SDUM, thick.SDUM))
		line("between sites", "%.4f um (standard deviation)", math.Sqrt(scatter/(n-1)))
	}
	return thin
}

// writeSurface writes the fitted plane and bow.
func writeSurface(line func(what, format string, args ...any), points []surface.Point) {
	s, err := surface.Fit(points)
	if err != nil {
		line("tilt, bow", "not determined: %v", err)
		return
	}
	tilt := s.Tilt()
	direction := "direction not determined"
	if tilt.UMPerMM > 2*tilt.SDUMPerMM {
		direction = fmt.Sprintf("thicker towards %.0f deg (0 is +x, 90 is +y), sd %.1f deg", tilt.TowardsDeg, tilt.SDDeg)
	}
	line("tilt", "%.5f um/mm, sd %.5f um/mm, %s", tilt.UMPerMM, tilt.SDUMPerMM, direction)
	switch {
	case s.HasBow():
		outMM := 0.0
		for _, p := range points {
			outMM = math.Max(outMM, math.Hypot(p.XMM, p.YMM))
		}
		line("bow", "%+.4f um, sd %.4f um, from the middle to %.4g mm out", s.BowUMPerMM2*outMM*outMM, s.BowSDUMPerMM2*outMM*outMM, outMM)
	case len(points) < surface.MinBow:
		line("bow", "not determined: %d sites, %d are needed; the tilt is that of a die without bow", len(points), surface.MinBow)
	default:
		line("bow", "not determined by the places of the sites; the tilt is that of a die without bow")
	}
	if s.DegreesOfFreedom > 0 {
		line("residual", "%.5f um, %d degrees of freedom", s.ResidualUM, s.DegreesOfFreedom)
	} else {
		line("residual", "not determined: as many sites as parameters")
	}
}

// writeLimits writes how far the thinnest site is from target and floor. The floor
// counts as kept only where twice the uncertainty lies between.
func (r *report) writeLimits(line func(what, format string, args ...any), thinnest placed) {
	if !r.atRest() {
		if r.target.ThicknessUM > 0 || r.target.FloorUM > 0 {
			line("target, floor", "not compared: the die was not at rest")
		}
		return
	}
	if target := r.target.ThicknessUM; target > 0 {
		line("target", "%.4f um: the thinnest site is at %+.4f um", target, thinnest.ThicknessUM-target)
	}
	if floor := r.target.FloorUM; floor > 0 {
		above := thinnest.ThicknessUM - floor
		text := "kept"
		switch {
		case above < 0:
			text = "CROSSED"
		case above < 2*thinnest.SDUM:
			text = "not certain: within twice the uncertainty"
		}
		line("floor", "%.4f um: the thinnest site is at %+.4f um, %s", floor, above, text)
	}
}

// Size of the drawn map inside its frame.
const (
	mapCells = 70
	mapRows  = 15
)

// drawMap draws the die from above, y up: the thickness of each site at its place,
// with the names where there is room. Distances are not to scale.
func drawMap(sites []placed) []string {
	x0, x1 := math.Inf(1), math.Inf(-1)
	y0, y1 := x0, x1
	thinnest := math.Inf(1)
	heights := map[float64]bool{}
	for _, s := range sites {
		x0, x1 = math.Min(x0, s.XMM), math.Max(x1, s.XMM)
		y0, y1 = math.Min(y0, s.YMM), math.Max(y1, s.YMM)
		thinnest = math.Min(thinnest, s.ThicknessUM)
		heights[s.YMM] = true
	}
	rows := min(2*len(heights)-1, mapRows)
	labels := func(names bool) []string {
		out := make([]string, len(sites))
		for i, s := range sites {
			out[i] = fmt.Sprintf("%.3f", s.ThicknessUM)
			if s.ThicknessUM == thinnest {
				out[i] += "*"
			}
			if names {
				out[i] = strings.TrimRight(cell(s.name, siteCells), " ") + " " + out[i]
			}
		}
		return out
	}
	// part is where v lies between low and high, from 0 to 1.
	part := func(v, low, high float64) float64 {
		if high == low {
			return 0.5
		}
		return (v/2 - low/2) / (high/2 - low/2) // halves cannot overflow
	}
	draw := func(labels []string) (lines []string, hidden int) {
		width := 0
		for _, l := range labels {
			width = max(width, ansi.StringWidth(l))
		}
		grid := make([]mapRow, rows)
		for i, s := range sites {
			row := int(math.Round(part(-s.YMM, -y1, -y0) * float64(rows-1)))
			column := int(math.Round(part(s.XMM, x0, x1) * float64(mapCells-width)))
			if !grid[row].put(column, labels[i]) {
				hidden++
			}
		}
		for _, row := range grid {
			lines = append(lines, "  |"+row.text()+"|")
		}
		return lines, hidden
	}
	lines, hidden := draw(labels(true))
	if hidden > 0 {
		lines, hidden = draw(labels(false))
	}
	frame := "  +" + strings.Repeat("-", mapCells) + "+"
	lines = append([]string{frame}, append(lines, frame)...)
	legend := fmt.Sprintf("  um; x %.4g to %.4g mm to the right, y %.4g to %.4g mm up, not to scale; * thinnest", x0, x1, y0, y1)
	if hidden > 0 {
		legend += fmt.Sprintf("; no room for %d", hidden)
	}
	return append(lines, legend)
}

// mapRow is one row of the drawn map: labels by column.
type mapRow []mapLabel

type mapLabel struct {
	column, width int
	text          string
}

// put adds a label, unless it would touch another.
func (r *mapRow) put(column int, text string) bool {
	l := mapLabel{column, ansi.StringWidth(text), text}
	for _, o := range *r {
		if l.column <= o.column+o.width && o.column <= l.column+l.width {
			return false
		}
	}
	*r = append(*r, l)
	slices.SortFunc(*r, func(a, b mapLabel) int { return a.column - b.column })
	return true
}

func (r mapRow) text() string {
	var b strings.Builder
	at := 0
	for _, l := range r {
		b.WriteString(strings.Repeat(" ", l.column-at) + l.text)
		at = l.column + l.width
	}
	b.WriteString(strings.Repeat(" ", mapCells-at))
	return b.String()
}
