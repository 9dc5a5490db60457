package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"
)

// sample is an invented run of two sites.
func sample() *Report {
	r := &Report{
		Job: "Kestrel 7, lid side", Started: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
		Record: Record{Name: "run.jsonl", Bytes: 1234, SHA256: "ab12", Run: "cd34"},
		Setup:  []Fact{{"target", "2 µm"}}, SetupName: "die.toml", SetupTOML: "[target]\nthickness_um = 2.0\n",
		TargetUM: 2, FloorUM: 1.5, DieMM: [2]float64{8, 6},
		End:       End{TimeS: 60, Site: "c", ThicknessUM: 1.99, SDUM: 0.003, RateUMMin: 0.8, RateSDUMMin: 0.02, Advice: "stop", LowestUM: 1.985, LowestTimeS: 59},
		Qualities: []Fact{{"good readings", "61"}},
		Advice: []Told{{FromS: 0, ToS: 40, Advice: "continue", Reason: "far from it", ThinnestUM: 2.8, Site: "c"},
			{FromS: 41, ToS: 60, Advice: "stop", Rule: "target", Reason: "reaches 2 µm", ThinnestUM: 2.01, Site: "c"}},
		Places: []Place{{Site: "c", TimeS: 60, ThicknessUM: 1.99, SDUM: 0.003, Thinnest: true}, {Site: "ne", XMM: 2.5, YMM: 2.5, TimeS: 59, ThicknessUM: 2.1, SDUM: 0.003}},
		Fit:    Fit{Title: "The last good reading", WavelengthNM: []float64{500, 600, 700}, Measured: []float64{0.3, math.NaN(), 0.4}, Model: []float64{0.31, 0.35, 0.39}},
		Budget: []Part{{"noise", 0.003}, {"table", 0.004}}, BudgetOf: "The last good reading",
		Preston: Preston{2.4e-13, 0.3}, Learnt: Preston{2.5e-13, 0.05},
		Notes: []Note{{42, "slurry added"}}, Gaps: []Gap{{30, 35, true}}, Faults: []string{"line 7: not valid"},
		Counts: []Fact{{"spectra", "61"}}, Versions: []Fact{{"program", "bluefringe (devel)"}}, Modules: []string{"example v1"},
	}
	c, ne := Site{Name: "c", Good: 61, All: 61, EachOf: 1}, Site{Name: "ne", Good: 61, All: 61, EachOf: 1}
	for i := range 61 {
		t := float64(i)
		um := 2.8 - t*0.0135
		r.Track = append(r.Track, Track{TimeS: t, ThicknessUM: um, SDUM: 0.003, RateUMMin: 0.81, RateSDUMMin: 0.02, PrestonPerPa: 2.5e-13, PrestonSDPerPa: 1e-14, Contact: i != 30, Advice: "continue"})
		reading := Reading{TimeS: t, ThicknessUM: um, SDUM: 0.003, EdgeNM: 500 + 10*um, EdgeExpectedNM: 501 + 10*um, Residual: 0.003}
		c.Readings = append(c.Readings, reading)
		reading.ThicknessUM += 0.1
		ne.Readings = append(ne.Readings, reading)
	}
	r.Sites = []Site{c, ne}
	return r
}

func html(t *testing.T, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func md(t *testing.T, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.WriteMarkdown(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// figures parses each SVG of a page as XML and counts them.
func figures(t *testing.T, page string) (count int) {
	t.Helper()
	for _, svg := range regexp.MustCompile(`(?s)<svg.*?</svg>`).FindAllString(page, -1) {
		count++
		d := xml.NewDecoder(strings.NewReader(svg))
		for {
			_, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("figure %d is not well formed: %v", count, err)
			}
		}
	}
	return count
}

// alone tells that a page loads nothing and runs nothing.
func alone(t *testing.T, page string) {
	t.Helper()
	if found := regexp.MustCompile(`(?i)<(script|iframe|object|embed|link|img|base|form|a)\b|<[^>]*\s(on\w+|src|href|xlink:href)\s*=|url\(|@import`).FindAllString(page, -1); len(found) > 0 {
		t.Errorf("the page is not alone: %q", found)
	}
}

func TestPage(t *testing.T) {
	page, text := html(t, sample()), md(t, sample())
	if n := figures(t, page); n != 8 {
		t.Errorf("%d figures, want 8", n)
	}
	alone(t, page)
	for _, want := range []string{"Kestrel 7, lid side", "2026-03-02T08:00:00Z", "1.99 ± 0.003 µm", "0.0100 µm below the target",
		"0.4850 µm above it: kept", "reaches 2 µm", "slurry added", "line 7: not valid", "thinnest", "ab12", "cd34", "thickness_um = 2.0", "bluefringe (devel)", "example v1",
		"36.0 %", "64.0 %", "0.00500", // 3² and 4² of 5²
		"2.5e-13 ± 1e-14 1/Pa", "relative standard deviation 0.05", "local rules and trained practice decide"} {
		for name, got := range map[string]string{"HTML": page, "Markdown": text} {
			if !strings.Contains(strings.NewReplacer(`\`, "", "&#43;", "+").Replace(got), want) {
				t.Errorf("%s has no %q", name, want)
			}
		}
	}
	for _, want := range []string{"@media print", "color-scheme: light", "aria-label=", `<html lang="en">`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page has no %q", want)
		}
	}
}

// The same values give the same bytes.
func TestDeterministic(t *testing.T) {
	page, text := html(t, sample()), md(t, sample())
	for range 3 {
		if html(t, sample()) != page || md(t, sample()) != text {
			t.Error("two reports of the same values differ")
		}
	}
}

// Text from records stays text, in the page, in its figures and in Markdown.
func TestEscaping(t *testing.T) {
	const evil = "<script>alert(1)</script>\"'&| `x` **b** [l](https://evil.example) <img src=x onerror=y>\n# h\n- l\x1b[31m"
	r := sample()
	r.Job, r.SetupName, r.SetupTOML = evil, evil, evil+"\n```\n</pre><script>"
	r.Problems, r.Faults = []string{evil}, []string{evil}
	r.Notes = []Note{{1, evil}}
	r.Advice[0].Reason, r.Advice[0].Rule, r.Advice[0].Site, r.End.Site, r.End.Advice = evil, evil, evil, evil, evil
	r.Record.Name, r.Fit.Title, r.BudgetOf = evil, evil, evil
	r.Setup = []Fact{{evil, evil}}
	for i := range r.Sites {
		r.Sites[i].Name, r.Places[i].Site = evil[:9+i], evil[:9+i]
	}
	page, text := html(t, r), md(t, r)
	figures(t, page)
	alone(t, page)
	if !strings.Contains(page, "&lt;script&gt;alert(1)") {
		t.Error("the text is gone from the page")
	}
	if strings.Contains(text+page, "\x1b") {
		t.Error("control characters")
	}
	inCode := false
	columns := 0
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "````") {
			inCode = !inCode
			continue
		}
		if inCode {
			continue
		}
		bare := regexp.MustCompile(`\\.`).ReplaceAllString(line, "")
		if strings.ContainsAny(bare, "<>`") || strings.Contains(bare, "](") || strings.Contains(bare, "https:/") {
			t.Errorf("markup from the record: %q", line)
		}
		bars := strings.Count(bare, "|")
		if bars > 0 && columns > 0 && bars != columns {
			t.Errorf("a row with %d columns in a table of %d: %q", bars, columns, line)
		}
		columns = bars
		if strings.HasPrefix(line, "# h") || strings.HasPrefix(line, "- l") {
			t.Errorf("a line of the record begins a line: %q", line)
		}
	}
	if inCode {
		t.Error("the set-up's fence is not closed")
	}
}

// What is missing becomes a dash or a sentence, never NaN, 0 or an empty figure.
func TestMissing(t *testing.T) {
	nan := math.NaN()
	r := &Report{End: End{TimeS: nan, ThicknessUM: nan, SDUM: nan, RateUMMin: nan, RateSDUMMin: nan, LowestUM: nan, LowestTimeS: nan}, TargetUM: 2, FloorUM: 1}
	r.Track = []Track{{TimeS: 1, ThicknessUM: nan, SDUM: nan, RateUMMin: nan, RateSDUMMin: nan, PrestonPerPa: nan, PrestonSDPerPa: nan, Contact: true}}
	r.Sites = []Site{{Name: "c", All: 3, EachOf: 1}}
	for _, got := range []string{html(t, r), md(t, r)} {
		if regexp.MustCompile(`(?i)\bnan\b|[+-]inf\b`).MatchString(got) {
			t.Error("NaN in the report")
		}
		for _, want := range []string{"No thickness was found", "No reading tells a thickness.", "No site has a good reading.", "No rate was tracked.", "No spectrum could be fitted.",
			"No reading has an uncertainty.", "nothing to compare with theory", "No advice was given.", "No notes."} {
			if !strings.Contains(got, want) {
				t.Errorf("no %q", want)
			}
		}
	}
	if n := figures(t, html(t, r)); n != 0 {
		t.Errorf("%d figures of nothing", n)
	}
	html(t, &Report{})
	md(t, &Report{})

	part := sample()
	part.Track[3].ThicknessUM, part.Track[4].SDUM, part.Track[5].RateUMMin = nan, nan, nan
	part.Places[1].XMM = nan
	part.End.SDUM = nan
	page := html(t, part)
	if strings.Contains(page, "NaN") || !strings.Contains(page, "not certain: less than twice the uncertainty") {
		t.Error("an unknown uncertainty keeps the floor, or shows")
	}
}

// No values can break a figure.
func TestExtremes(t *testing.T) {
	for _, v := range []float64{0, 1e-300, 1e300, -1e300, math.Inf(1), math.MaxFloat64, 1e9, -1e9} {
		r := sample()
		for i := range r.Track {
			r.Track[i] = Track{TimeS: v, ThicknessUM: v, SDUM: v, RateUMMin: v, RateSDUMMin: v, PrestonPerPa: v, PrestonSDPerPa: v, Contact: true}
		}
		for _, s := range r.Sites {
			for i := range s.Readings {
				s.Readings[i] = Reading{TimeS: v, ThicknessUM: v, SDUM: v, EdgeNM: v, EdgeExpectedNM: v, Residual: v}
			}
		}
		for i := range r.Places {
			r.Places[i].XMM, r.Places[i].YMM, r.Places[i].ThicknessUM = v, v, v
		}
		r.Fit.WavelengthNM, r.Fit.Measured, r.Fit.Model = []float64{v, v}, []float64{v, v}, []float64{v, v}
		r.TargetUM, r.FloorUM, r.Preston, r.DieMM = v, v, Preston{v, v}, [2]float64{v, v}
		r.Advice[0].FromS = v
		figures(t, html(t, r))
		md(t, r)
	}
	one := sample()
	one.Track, one.Sites, one.Places = one.Track[:1], one.Sites[:1], one.Places[:1]
	one.Sites[0].Readings = one.Sites[0].Readings[:1]
	if n := figures(t, html(t, one)); n != 8 {
		t.Errorf("%d figures of a single reading, want 8", n)
	}
}

// A long run stays a page that can be opened.
func TestBounded(t *testing.T) {
	r := sample()
	for range 12 {
		s := Site{Name: fmt.Sprintf("site %d", len(r.Sites)), EachOf: 2}
		for i := range 1000 {
			s.Readings = append(s.Readings, Reading{TimeS: float64(i), ThicknessUM: 3 - float64(i)/1000, EdgeNM: 500, EdgeExpectedNM: 501, Residual: 0.003})
		}
		r.Sites = append(r.Sites, s)
	}
	page := html(t, r)
	if len(page) > 2<<20 {
		t.Errorf("%d bytes", len(page))
	}
	if !strings.Contains(page, "of the busiest site one in 2") {
		t.Error("the page does not say that readings are left out")
	}
}

func TestTicks(t *testing.T) {
	for _, tt := range []struct {
		low, high float64
		want      string
	}{
		{0, 96, "0 20 40 60 80"}, {1.5, 3.3, "1.5 2.0 2.5 3.0"}, {-0.012, 0.009, "-0.010 -0.005 0.000 0.005"},
		{480, 651, "500 550 600 650"}, {0, 1e9, "0 200000000 400000000 600000000 800000000 1000000000"}, {2, 2, "2"},
	} {
		var labels []string
		for _, tick := range roundTicks(tt.low, tt.high) {
			labels = append(labels, tick.Label)
		}
		if got := strings.Join(labels, " "); got != tt.want {
			t.Errorf("%g to %g: %s, want %s", tt.low, tt.high, got, tt.want)
		}
	}
}

func TestFloorKept(t *testing.T) {
	for lowest, want := range map[float64]string{1.6: "above it: kept", 1.504: "not certain", 1.49: "below it: CROSSED"} {
		r := sample()
		r.End.LowestUM = lowest
		if got := r.floorKept(); !strings.Contains(got, want) {
			t.Errorf("%g: %s", lowest, got)
		}
	}
}
