package main

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/device/simulate"
	"bluefringe/optics/estimate"
	"bluefringe/optics/surface"
	"bluefringe/removal/guide"

	"github.com/charmbracelet/x/ansi"
	"gonum.org/v1/gonum/stat/distuv"
)

// still is the demonstration without polishing, in few spectra.
func still(spectra int) simulate.Config {
	cfg := simulate.Demo()
	cfg.Faults = simulate.Faults{}
	cfg.Removal.RateUMMin = 0
	cfg.Instrument.Pixels = 260
	cfg.Stop = simulate.Stop{DurationS: 1 + (float64(spectra)-0.5)/cfg.Instrument.SpectraPerS}
	return cfg
}

// grid is a die with tilt and bow, measured at nine sites. Metal and spread are
// scattered over the die without a trend.
func grid() simulate.Config {
	cfg := still(18)
	cfg.Die.TiltXUMPerMM, cfg.Die.TiltYUMPerMM, cfg.Die.BowUMPerMM2 = 0.016, -0.009, 0.0021
	cfg.Sites = nil
	names := strings.Fields("sw s se w c e nw n ne")
	coverage := []float64{0.55, 0.35, 0.6, 0.7, 0.45, 0.4, 0.5, 0.65, 0.3}
	spreadNM := []float64{9, 14, 11, 8, 12, 15, 13, 10, 12}
	for i, name := range names {
		cfg.Sites = append(cfg.Sites, simulate.Site{Name: name, XMM: 2.5 * float64(i%3-1), YMM: 2 * float64(i/3-1),
			Coverage: coverage[i], SpreadNM: spreadNM[i]})
	}
	return cfg
}

// recordOf returns the lines of a simulated run.
func recordOf(t *testing.T, cfg simulate.Config) []string {
	t.Helper()
	var lines []string
	err := simulate.Run(t.Context(), cfg, func(body event.Body) error {
		line, err := event.Append(nil, body)
		lines = append(lines, string(line))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return lines
}

func measureLines(t *testing.T, lines []string, args ...string) outcome {
	t.Helper()
	record := writeFile(t, "record.jsonl", strings.Join(lines, "\n")+"\n")
	return command(t, "", append([]string{"measure", record}, args...)...)
}

// lineOf returns what follows a word at the start of a line.
func lineOf(t *testing.T, text, word string) string {
	t.Helper()
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(strings.TrimSpace(line), word+" "); ok {
			return strings.TrimSpace(rest)
		}
	}
	t.Fatalf("no line %q in:\n%s", word, text)
	return ""
}

// The true tilt and bow of a simulated die lie within twice their stated standard
// uncertainties (coverage factor 2: JCGM 100:2008, 6.2 and 6.3), which are small
// against them; so do the thicknesses of the sites.
func TestMeasureMap(t *testing.T) {
	cfg := grid()
	got := measureLines(t, recordOf(t, cfg))
	if got.code != exitDone || got.err != "" {
		t.Fatalf("status %d: %s", got.code, got.err)
	}
	t.Log(got.out)
	scan := func(word, format string) (v, sd float64) {
		if _, err := fmt.Sscanf(lineOf(t, got.out, word), format, &v, &sd); err != nil {
			t.Fatalf("%s: %v", word, err)
		}
		return v, sd
	}
	within := func(what string, v, sd, truth, smallest float64) {
		if !(math.Abs(v-truth) <= 2*sd) {
			t.Errorf("%s: %g ± %g, truth %g", what, v, sd, truth)
		}
		if sd > smallest {
			t.Errorf("%s: an uncertainty of %g says little about %g", what, sd, truth)
		}
	}
	d := cfg.Die
	tilt, sd := scan("tilt", "%f um/mm, sd %f")
	truth := math.Hypot(d.TiltXUMPerMM, d.TiltYUMPerMM)
	within("tilt", tilt, sd, truth, 0.02*truth)
	deg, sd := scan("thicker towards", "%f deg (0 is +x, 90 is +y), sd %f")
	within("direction", deg, sd, math.Atan2(d.TiltYUMPerMM, d.TiltXUMPerMM)*180/math.Pi, 2)
	bow, sd := scan("bow", "%f um, sd %f")
	truth = d.BowUMPerMM2 * (2.5*2.5 + 2*2)
	within("bow", bow, sd, truth, 0.1*truth)

	thickness := func(s simulate.Site) float64 {
		return d.ThicknessUM + d.TiltXUMPerMM*s.XMM + d.TiltYUMPerMM*s.YMM + d.BowUMPerMM2*(s.XMM*s.XMM+s.YMM*s.YMM)
	}
	mean, thinnest, thickest := 0.0, cfg.Sites[0], cfg.Sites[0]
	for _, s := range cfg.Sites {
		mean += thickness(s) / 9
		if thickness(s) < thickness(thinnest) {
			thinnest = s
		}
		if thickness(s) > thickness(thickest) {
			thickest = s
		}
	}
	v, sd := scan("mean", "%f um, sd %f")
	within("mean", v, sd, mean, 0.003*mean)
	v, sd = scan("thinnest", "%f um, sd %f")
	within("thinnest", v, sd, thickness(thinnest), 0.003*mean)
	v, sd = scan("surface min", "%f um, sd %f")
	within("surface min", v, sd, thickness(thinnest), 0.003*mean) // in a corner, where that site is
	v, sd = scan("range", "%f um, sd %f")
	within("range", v, sd, thickness(thickest)-thickness(thinnest), 0.0005*mean)
	if line := lineOf(t, got.out, "thinnest"); !strings.HasSuffix(line, "at "+thinnest.Name) {
		t.Errorf("the thinnest site is %s: %s", thinnest.Name, line)
	}
	if n := strings.Count(got.out, "  good\n"); n != 18 {
		t.Errorf("%d lines for 18 spectra", n)
	}
	plain(t, got.out)
}

// plain tells that text is ASCII and fits a terminal of 80 columns.
func plain(t *testing.T, text string) {
	t.Helper()
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		if len(line) > 80 || strings.ContainsFunc(line, func(r rune) bool { return r > 126 || r < 32 }) {
			t.Errorf("not plain, or more than 80 columns: %q", line)
		}
	}
}

// measure --json gives the estimate lines of replay --json, each read by itself and not
// from a forecast: also when the pad is down, slurry hides the die and lines are broken.
// The two agree to a quarter of the stated uncertainty (reading on stops there); where slurry
// leaves a search nothing, reading on may see a little, but not well.
func TestMeasureJSON(t *testing.T) {
	cfg := still(9)
	cfg.Removal.RateUMMin, cfg.Removal.ContactS = 0.713, 1.5
	cfg.Faults.Slurry = simulate.Slurry{Fault: simulate.Fault{At: []simulate.Episode{{StartS: 2.5, DurationS: 0.5}}},
		Attenuation: 0.5, Haze: 0.98, OnsetS: 0.3, DecayS: 0.3}
	lines := recordOf(t, cfg)
	broken := `{"type":"spectrum","time_s":2,"channel":"vis","counts":[1,2,3]}`
	lines = append(append(append([]string{}, lines[:12]...), broken, "garbage"), lines[12:]...)
	record := writeFile(t, "record.jsonl", strings.Join(lines, "\n")+"\n")

	measured := command(t, "", "measure", record, "--json")
	replayed := command(t, "", "replay", record, "--json")
	if measured.code != exitDone || replayed.code != exitDone {
		t.Fatal(measured.err, replayed.err)
	}
	s, want := parse(t, measured.out), parse(t, replayed.out)
	if len(s.estimates) != len(want.estimates) {
		t.Fatalf("measure gives %d estimates, replay %d", len(s.estimates), len(want.estimates))
	}
	for i, e := range s.estimates {
		w := want.estimates[i]
		switch {
		case e.TimeS != w.TimeS || e.Site != w.Site || e.Channel != w.Channel:
			t.Errorf("measure: %sreplay:  %s", s.estimate[i], want.estimate[i])
		case e.ThicknessUM == nil || w.ThicknessUM == nil:
			if e.Quality == "good" || w.Quality == "good" {
				t.Errorf("measure: %sreplay:  %s", s.estimate[i], want.estimate[i])
			}
		case math.Abs(*e.ThicknessUM-*w.ThicknessUM) > math.Max(0.001, *e.SDUM/4):
			t.Errorf("at %g s: measure %.5f µm, replay %.5f µm", e.TimeS, *e.ThicknessUM, *w.ThicknessUM)
		}
	}
	if len(s.estimates) != 9 || len(s.forecasts)+len(s.advices) != 0 {
		t.Errorf("%d estimates, %d forecasts, %d advices", len(s.estimates), len(s.forecasts), len(s.advices))
	}
	if !strings.Contains(measured.out, `"quality":"lost"`) {
		t.Error("the slurry hid nothing: the comparison is weak")
	}
	for _, text := range []string{"wrong number of pixels", "not an event"} {
		if !strings.Contains(measured.err, text) {
			t.Errorf("%q is not told: %s", text, measured.err)
		}
	}

	// A time picked from the record: these spectra and no others.
	table := command(t, "", "measure", record, "--from", "2", "--to", "3")
	for _, text := range []string{"    2.00  ", "    3.00  ", "  lost\n          fringes of ", "could not be read: 1"} {
		if table.code != exitDone || !strings.Contains(table.out, text) {
			t.Errorf("no %q in:\n%s", text, table.out)
		}
	}
	for _, text := range []string{"    1.67  ", "    3.33  "} {
		if strings.Contains(table.out, text) {
			t.Errorf("%q in:\n%s", text, table.out)
		}
	}
}

// A record that gives nothing to measure is a failure that says why.
func TestMeasureNothing(t *testing.T) {
	lines := recordOf(t, still(3))
	without := func(kinds ...string) []string {
		var kept []string
		for _, line := range lines {
			out := false
			for _, kind := range kinds {
				out = out || strings.Contains(line, `"type":"`+kind+`"`)
			}
			if !out {
				kept = append(kept, line)
			}
		}
		return kept
	}
	short := append(without("spectrum"), "")
	copy(short[len(short)-2:], []string{`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1,2,3]}`, `{"type":"end","time_s":2}`})
	cases := map[string]struct {
		lines []string
		args  []string
		says  []string
	}{
		"empty":        {nil, nil, []string{"no spectra"}},
		"no spectrum":  {without("spectrum"), nil, []string{"no spectra"}},
		"garbage":      {[]string{"once upon a time"}, nil, []string{"no spectra", "not an event"}},
		"no dark":      {without("dark"), []string{"--json"}, []string{"none of its 3 spectra", "no dark"}},
		"no reference": {without("reference"), nil, []string{"none of its 3 spectra", "no reference"}},
		"no run line":  {without("run"), nil, []string{"none of its 3 spectra", "unknown channel", "vis"}},
		"wrong length": {short, nil, []string{"none of its 1 spectra", "wrong number of pixels", "3", "260"}},
		"other time":   {lines, []string{"--from", "50", "--to", "60"}, []string{"none of its 3 spectra", "50", "60"}},
	}
	for name, c := range cases {
		got := measureLines(t, c.lines, c.args...)
		if got.code != exitFailed || got.out != "" {
			t.Errorf("%s: status %d, output %q", name, got.code, got.out)
		}
		last := got.err[strings.LastIndex(strings.TrimRight(got.err, "\n"), "\n")+1:]
		for _, text := range c.says {
			if !strings.Contains(last, text) {
				t.Errorf("%s: %q does not say %q", name, last, text)
			}
		}
	}
}

func TestMeasureUsage(t *testing.T) {
	record := writeFile(t, "record.jsonl", strings.Join(recordOf(t, still(1)), "\n"))
	bad := writeFile(t, "bad.toml", "[optics]\nambent = \"air\"\n")
	for name, c := range map[string]struct {
		args []string
		code int
		says string
	}{
		"help":        {[]string{"--help"}, exitDone, ""},
		"nothing":     {nil, exitUsage, "1 arg"},
		"no record":   {[]string{record + "x"}, exitUsage, "no record"},
		"no set-up":   {[]string{record, "--setup", record + "x"}, exitUsage, record + "x"},
		"bad set-up":  {[]string{record, "--setup", bad}, exitUsage, "ambent"},
		"time turned": {[]string{record, "--from", "9", "--to", "3"}, exitUsage, "--from 9 --to 3"},
		"json, all":   {[]string{record, "--json", "--all"}, exitUsage, "json"},
		"folder":      {[]string{t.TempDir()}, exitFailed, "directory"},
	} {
		got := command(t, "", append([]string{"measure"}, c.args...)...)
		if got.code != c.code || !strings.Contains(got.err, c.says) {
			t.Errorf("%s: status %d: %s", name, got.code, got.err)
		}
	}
}

// Without positions there are sites but no map.
func TestMeasureWithoutPlaces(t *testing.T) {
	lines := recordOf(t, still(3))
	before, after, found := strings.Cut(lines[0], `,"sites":{`)
	_, rest, closed := strings.Cut(after, "}")
	if !found || !closed {
		t.Fatalf("no sites in %.80s", lines[0])
	}
	lines[0] = before + rest
	got := measureLines(t, lines)
	if got.code != exitDone || strings.Contains(got.out, "map") || !strings.Contains(got.out, "sw                  -        -         1      1") {
		t.Errorf("status %d: %s\n%s", got.code, got.err, got.out)
	}
}

// Names from outside neither reach the terminal as they are nor break the columns,
// and two that look alike stay two.
func TestMeasureHostileNames(t *testing.T) {
	text := strings.Join(recordOf(t, still(6)), "\n")
	text = strings.ReplaceAll(text, `"ne"`, `"\u001b[2J\u001b]0;x\u0007"`)
	text = strings.ReplaceAll(text, `"sw"`, `"\u202e漢字漢字漢字漢字漢字"`)
	text = strings.ReplaceAll(text, `"c"`, `"\u001b[2K\u001b]0;x\u0007"`)
	got := measureLines(t, strings.Split(text, "\n"))
	if got.code != exitDone {
		t.Fatal(got.err)
	}
	if strings.ContainsAny(got.out+got.err, "\x1b\x07\u202e") {
		t.Errorf("control characters came through: %q", got.out)
	}
	rows, frame := 0, 0
	for line := range strings.Lines(got.out) {
		line = strings.TrimRight(line, "\n")
		switch width := ansi.StringWidth(line); {
		case strings.HasSuffix(line, "  good"):
			rows++
			if width != 70 {
				t.Errorf("%d cells: %s", width, line)
			}
		case strings.HasPrefix(line, "  |") || strings.HasPrefix(line, "  +"):
			frame++
			if width != mapCells+4 {
				t.Errorf("%d cells: %s", width, line)
			}
		}
	}
	if rows != 6 || frame != 7 || !strings.Contains(got.out, "map of 3 of 3 sites") {
		t.Errorf("%d spectra, map of %d lines:\n%s", rows, frame, got.out)
	}
}

// reading makes an estimate by hand.
func reading(timeS float64, site string, um, sd float64) guide.Estimate {
	return guide.Estimate{TimeS: timeS, Site: site, Channel: "vis", ThicknessUM: um, SDUM: sd, SpreadUM: 0.0112, EdgeNM: 503.4,
		Budget: estimate.Budget{FitUM: 0.48 * sd, UnderlayerUM: 0.36 * sd, TableUM: 0.64 * sd, TemperatureUM: 0.48 * sd}}
}

// write fills a report by hand.
func writeReport(t *testing.T, r *report, readings []guide.Estimate, refused int) string {
	t.Helper()
	var out bytes.Buffer
	r.out = bufio.NewWriter(&out)
	for _, e := range readings {
		if err := r.add(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.finish(refused); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestMeasureText(t *testing.T) {
	nan := math.NaN()
	r := &report{}
	r.open(event.Run{Job: "invented die", Sites: map[string][2]float64{"c": {0, 0}, "ne": {3, 0}, "sw": {0, 4}, "far": {9, 9}}},
		setup.Setup{Name: "die.toml", Target: setup.Target{ThicknessUM: 2, FloorUM: 1.99}})
	readings := []guide.Estimate{
		reading(1, "c", 2.0010, 0.0006), reading(1.5, "ne", 2.0310, 0.0008), reading(2, "sw", 2.0410, 0.0005),
		reading(2.5, "c", 2.0014, 0.0006), reading(3, "c", 2.0012, 0.0006),
		{TimeS: 3.5, Site: "ne", Channel: "vis", Quality: estimate.Lost, Reason: "fringes of 0.2 % of reflectance are too faint", ThicknessUM: nan, SDUM: nan, SpreadUM: nan, EdgeNM: nan},
		{TimeS: 4, Site: "x", Channel: "nir", Quality: estimate.Ambiguous, Reason: "2.040 or 2.170 µm", ThicknessUM: 2.04, SDUM: 0.1, SpreadUM: 0.002, EdgeNM: nan},
	}
	got := writeReport(t, r, readings, 2)
	const want = `job      invented die
set-up   die.toml

    time  site          channel  thickness      sd  spread  edge  quality
       s                                um      um      nm    nm
    1.00  c             vis         2.0010  0.0006    11.2   503  good
    1.50  ne            vis         2.0310  0.0008    11.2   503  good
    2.00  sw            vis         2.0410  0.0005    11.2   503  good
    2.50  c             vis         2.0014  0.0006    11.2   503  good
    3.00  c             vis         2.0012  0.0006    11.2   503  good
    3.50  ne            vis              -       -       -     -  lost
          fringes of 0.2 % of reflectance are too faint
    4.00  x             nir         2.0400  0.1000     2.0     -  ambiguous
          2.040 or 2.170 um
spectra that could not be read: 2

site                x        y  readings   good  thickness      sd  scatter
                   mm       mm                          um      um       um
c                0.00     0.00         3      3     2.0012  0.0006  0.00012
ne               3.00     0.00         2      1     2.0310  0.0008        -
sw               0.00     4.00         1      1     2.0410  0.0005        -
x                   -        -         1      0  1 ambiguous
far              9.00     9.00         0  not measured

sd: standard uncertainty (JCGM 100:2008). Noise falls with the number of
readings as far as their scatter shows it. What is not known of the front side
is another error at each site. Silicon table, temperature and wavelength scale
are one error of the whole die, in proportion to thickness.

map of 3 of 4 sites
  mean          2.0244 um, sd 0.0006 um
  thinnest      2.0012 um, sd 0.0006 um, at c
  thickest      2.0410 um, sd 0.0005 um, at sw
  range         0.0398 um, sd 0.0004 um
  between sites 0.0207 um (standard deviation)
  tilt          0.01406 um/mm, sd 0.00018 um/mm
                thicker towards 45 deg (0 is +x, 90 is +y), sd 0.6 deg
  bow           not determined: 3 sites, 5 are needed; the tilt is without bow
  residual      not determined: as many sites as parameters
  target        2.0000 um: the thinnest site is at +0.0012 um
  floor         1.9900 um: the thinnest site is at +0.0112 um, kept

The error of the whole die is in the mean in full, in range, tilt and bow only
in proportion to these.

  +----------------------------------------------------------------------+
  |sw 2.041                                                              |
  |                                                                      |
  |c 2.001*                                                      ne 2.031|
  +----------------------------------------------------------------------+
  um; x 0 to 3 mm right, y 0 to 4 mm up, not to scale; * thinnest
`
	if got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
}

// A budget is sorted by who shares it; what it leaves out is open. JCGM 100:2008, 5.1.2:
// the parts add up in squares to the whole.
func TestSorted(t *testing.T) {
	budget := estimate.Budget{FitUM: 0.003, UnderlayerUM: 0.004, TableUM: 0.002, TemperatureUM: 0.004, WavelengthUM: 0.004}
	for name, c := range map[string]struct {
		budget estimate.Budget
		sdUM   float64
		want   surface.Reading
	}{
		"all told":  {budget, budget.SDUM(), surface.Reading{NoiseUM: 0.003, SiteUM: 0.004, CommonUM: 0.006}},
		"in part":   {budget, math.Hypot(budget.SDUM(), 0.05), surface.Reading{NoiseUM: 0.003, SiteUM: 0.004, CommonUM: 0.006, OpenUM: 0.05}},
		"no budget": {estimate.Budget{}, 0.05, surface.Reading{NoiseUM: leastSDUM, OpenUM: 0.05}},
	} {
		got := sorted(guide.Estimate{ThicknessUM: 2, SDUM: c.sdUM, Budget: c.budget})
		for _, v := range [][2]float64{{got.ThicknessUM, 2}, {got.NoiseUM, c.want.NoiseUM}, {got.SiteUM, c.want.SiteUM}, {got.CommonUM, c.want.CommonUM}, {got.OpenUM, c.want.OpenUM}} {
			if math.Abs(v[0]-v[1]) > 1e-12 {
				t.Errorf("%s: %+v, want %+v", name, got, c.want)
			}
		}
	}
}

// Estimates with errors drawn from their budgets: what the map states of its numbers is
// what happens. The sums of squares lie inside 99.9 % of their chi-square distributions;
// those of tilt and bow may be smaller by the widening that residuals give by chance.
func TestMeasureMonteCarlo(t *testing.T) {
	const runs, sites, readings = 400, 9, 2
	rng := rand.New(rand.NewPCG(21, 4))
	height := func(x, y float64) float64 { return 2.1 + 0.016*x - 0.009*y + 0.0021*(x*x+y*y) }
	square, stated := map[string]float64{}, map[string]float64{}
	for range runs {
		draw := func(sd float64) float64 { return sd * rng.NormFloat64() }
		whole := 1 + draw(0.0009) + draw(0.0006) + draw(0.0002)
		r := &report{places: map[string][2]float64{}}
		front := map[string]float64{}
		for i := range readings * sites {
			name := fmt.Sprint("site ", i%sites)
			if i < sites {
				r.places[name] = [2]float64{2.5 * float64(i%3-1), 2 * float64(i/3-1)}
				front[name] = draw(0.0007)
			}
			xy := r.places[name]
			b := estimate.Budget{FitUM: 0.0002, UnderlayerUM: 0.0007}
			um := height(xy[0], xy[1])*whole + front[name] + draw(b.FitUM)
			b.TableUM, b.TemperatureUM, b.WavelengthUM = 0.0009*um, 0.0006*um, 0.0002*um
			if err := r.add(guide.Estimate{Site: name, ThicknessUM: um, SDUM: b.SDUM(), Budget: b}); err != nil {
				t.Fatal(err)
			}
		}
		m := r.mapped()
		if m.notFitted != nil || !m.surface.HasBow() {
			t.Fatal(m.notFitted)
		}
		note := func(what string, got, sd, want float64) {
			square[what] += (got - want) * (got - want)
			stated[what] += sd * sd
		}
		um, sd := surface.Mean(m.points)
		note("mean", um, sd, 2.1+0.0021*6*(6.25+4)/9)
		um, sd = surface.Difference(m.thickest.Point, m.thinnest.Point)
		note("range", um, sd, height(2.5, -2)-height(-2.5, 2))
		note("thinnest", m.thinnest.ThicknessUM, m.thinnest.TotalSDUM(), height(-2.5, 2))
		tilt := m.surface.Tilt()
		note("tilt", tilt.UMPerMM, tilt.SDUMPerMM, math.Hypot(0.016, 0.009))
		note("bow", m.surface.BowUMPerMM2, m.surface.BowSDUMPerMM2, 0.0021)
		note("surface min", m.lowest.ThicknessUM, m.lowest.SDUM, height(-2.5, 2))
	}
	d := distuv.ChiSquared{K: runs}
	for what := range square {
		low, high := d.Quantile(0.0005), d.Quantile(0.9995)
		if what == "tilt" || what == "bow" {
			low /= 1.3
		}
		if sum := square[what] / stated[what] * runs; sum < low || sum > high {
			t.Errorf("%s: chi-square %.0f, %.0f to %.0f is expected", what, sum, low, high)
		}
	}
}

// What readings do not say, and what may be movement, is said of the map.
func TestMeasureNotes(t *testing.T) {
	places := map[string][2]float64{"c": {0, 0}, "ne": {3, 0}, "sw": {0, 4}}
	three := func(change func(i int, e *guide.Estimate)) string {
		var readings []guide.Estimate
		for i, site := range []string{"c", "ne", "sw", "c", "ne", "sw"} {
			e := reading(float64(i), site, 2+0.02*float64(i%3), 0.002)
			change(i, &e)
			readings = append(readings, e)
		}
		text := writeReport(t, &report{places: places}, readings, 0)
		plain(t, text)
		return text
	}
	for name, c := range map[string]struct {
		change     func(i int, e *guide.Estimate)
		says, hush []string
	}{
		"told":      {func(int, *guide.Estimate) {}, []string{"in range, tilt and bow only"}, []string{"upper bounds", "told apart", "no more than"}},
		"no budget": {func(_ int, e *guide.Estimate) { e.Budget = estimate.Budget{} }, []string{"upper bounds"}, []string{"only"}},
		"drifting": {func(i int, e *guide.Estimate) {
			e.ThicknessUM -= 0.0008 * float64(i)
			e.Budget = estimate.Budget{FitUM: 0.0002, TableUM: 0.002}
			e.SDUM = e.Budget.SDUM()
		}, []string{" ~\n", "~ unsteady (most at ", "upper bounds"}, []string{"at rest"}},
		"polished": {func(i int, e *guide.Estimate) { e.ThicknessUM -= 0.004 * float64(i) }, []string{" !\n", "! not at rest (most at ", "upper bounds"}, []string{"unsteady"}},
		"flat":     {func(i int, e *guide.Estimate) { e.ThicknessUM = 2 + 0.0001*float64(i%3) }, []string{"not told apart from it: ne, sw", "no more than their uncertainty", "direction not determined"}, nil},
	} {
		text := three(c.change)
		for _, want := range c.says {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in:\n%s", name, want, text)
			}
		}
		for _, not := range c.hush {
			if strings.Contains(text, not) {
				t.Errorf("%s: %q in:\n%s", name, not, text)
			}
		}
	}
}

func TestMeasureLimits(t *testing.T) {
	for name, c := range map[string]struct {
		um   []float64
		want string
	}{
		"kept":        {[]float64{1.51}, "+0.0100 um, kept"},
		"too near":    {[]float64{1.503}, "+0.0030 um, not certain"},
		"crossed":     {[]float64{1.499}, "-0.0010 um, CROSSED"},
		"not at rest": {[]float64{1.9, 1.7, 1.5}, "not compared"},
	} {
		r := &report{places: map[string][2]float64{"c": {}}, target: setup.Target{FloorUM: 1.5}}
		var readings []guide.Estimate
		for i, um := range c.um {
			readings = append(readings, reading(float64(i), "c", um, 0.0018))
		}
		got := writeReport(t, r, readings, 0)
		plain(t, got)
		if !strings.Contains(got, c.want) {
			t.Errorf("%s: no %q in:\n%s", name, c.want, got)
		}
		if moving := strings.Contains(got, "! not at rest (most at c, 1.5000 to 1.9000 um)"); moving != (len(c.um) > 1) {
			t.Errorf("%s:\n%s", name, got)
		}
	}
}

// A die may be thinner between its sites than at any: four sites on the axes of a tilted
// plane, 2 + 0.02·x + 0.02·y, keep a floor that the corner of their rectangle crosses.
func TestMeasureCorner(t *testing.T) {
	r := &report{places: map[string][2]float64{"e": {3, 0}, "n": {0, 3}, "w": {-3, 0}, "s": {0, -3}}, target: setup.Target{FloorUM: 1.9}}
	got := writeReport(t, r, []guide.Estimate{reading(1, "e", 2.06, 0.001), reading(2, "n", 2.06, 0.001), reading(3, "w", 1.94, 0.001), reading(4, "s", 1.94, 0.001)}, 0)
	plain(t, got)
	for _, want := range []string{
		"thinnest site is at +0.0400 um, kept", "the fitted surface comes down to -0.0200 um, CROSSED",
		"surface min   1.8800 um, sd 0.0010 um, at x -3.00, y -3.00 mm",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in:\n%s", want, got)
		}
	}
}

// Long records: a line a spectrum only with --all, the sums always.
func TestMeasureLong(t *testing.T) {
	var readings []guide.Estimate
	for i := range tableRows + 1 {
		readings = append(readings, reading(float64(i), "c", 2.1, 0.0005))
	}
	rows := func(text string) int { return strings.Count(text, "  good\n") }
	if got := writeReport(t, &report{}, readings[:tableRows], 0); rows(got) != tableRows {
		t.Errorf("%d lines for %d spectra", rows(got), tableRows)
	}
	got := writeReport(t, &report{}, readings, 0)
	if rows(got) != 0 || strings.Contains(got, readingHead) || !strings.Contains(got, "301 spectra: more than 300 get their lines with --all only") {
		t.Errorf("%d lines for %d spectra", rows(got), len(readings))
	}
	all := writeReport(t, &report{all: true}, readings, 0)
	if rows(all) != len(readings) {
		t.Errorf("%d lines with --all for %d spectra", rows(all), len(readings))
	}
	for _, text := range []string{got, all} {
		if !strings.Contains(text, "      301    301     2.1000") {
			t.Errorf("no sum: %s", text[max(0, len(text)-800):])
		}
	}
}

// A crowded map leaves out the names, then thicknesses, and says how many; places
// from outside may be anywhere.
func TestDrawMap(t *testing.T) {
	place := func(n int, at func(i int) (x, y float64)) []placed {
		var sites []placed
		for i := range n {
			x, y := at(i)
			sites = append(sites, placed{fmt.Sprintf("site %02d", i), surface.Point{XMM: x, YMM: y, ThicknessUM: 2 + 0.001*float64(i)}})
		}
		return sites
	}
	for name, c := range map[string]struct {
		sites []placed
		lines int // with frame and legend
		says  []string
	}{
		"one":          {place(1, func(int) (x, y float64) { return 3, 3 }), 4, []string{"site 00 2.000*"}},
		"column":       {place(3, func(i int) (x, y float64) { return 1, float64(i) }), 8, []string{"site 02 2.002"}},
		"seven square": {place(49, func(i int) (x, y float64) { return float64(i % 7), float64(i / 7) }), 16, []string{"2.048", "2.000*"}},
		"same place":   {place(3, func(int) (x, y float64) { return 1, 1 }), 4, []string{"2.000*", "no room for 2"}},
		"far apart":    {place(2, func(i int) (x, y float64) { return (2*float64(i) - 1) * 1.7e308, 0 }), 4, []string{"site 01 2.001"}},
		"scattered":    {place(300, func(i int) (x, y float64) { return math.Sin(float64(i)), math.Cos(1.7 * float64(i)) }), mapRows + 3, []string{"no room for"}},
	} {
		lines := drawMap(c.sites)
		text := strings.Join(lines, "\n")
		if len(lines) != c.lines {
			t.Errorf("%s: %d lines, want %d:\n%s", name, len(lines), c.lines, text)
		}
		for _, line := range lines[:len(lines)-1] {
			if ansi.StringWidth(line) != mapCells+4 {
				t.Errorf("%s: %d cells: %s", name, ansi.StringWidth(line), line)
			}
		}
		for _, want := range c.says {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in:\n%s", name, want, text)
			}
		}
	}
}

// Progress speaks after two seconds, tells what is left, and wipes itself away.
func TestProgress(t *testing.T) {
	source := &countedSource{size: 4000}
	source.bytes.Store(1000)
	source.spectra.Store(10)
	var talk bytes.Buffer
	p := progress{w: &talk, shown: true, source: source, began: time.Now()}
	p.step()
	if talk.Len() > 0 {
		t.Errorf("spoke at once: %q", talk.String())
	}
	p.began = time.Now().Add(-10 * time.Second)
	p.step() // 2 of 4000/1000*10 in 10 s: 190 s left
	if got := talk.String(); got != "\rbluefringe: 2 of about 40 spectra, 3m10s left" {
		t.Errorf("%q", got)
	}
	talk.Reset()
	p.step()
	if talk.Len() > 0 {
		t.Errorf("spoke again within %v: %q", progressStep, talk.String())
	}
	p.clear()
	if got := talk.String(); strings.Trim(got, "\r ") != "" || got == "" {
		t.Errorf("%q", got)
	}
	talk.Reset()
	p.shown, p.told = false, time.Time{}
	p.step()
	p.clear()
	if talk.Len() > 0 {
		t.Errorf("spoke where there is no terminal: %q", talk.String())
	}
}
