package report

import (
	"fmt"
	"math"
	"strings"
	"time"
)

const caution = "Advice only: the program is no safety interlock, and a report is no release. " +
	"Confirm the thickness by other means before the part is used further; local rules and trained practice decide."

// document lays the report out.
func (r *Report) document() (document, error) {
	d := document{Title: "Thinning run", Alerts: r.Problems, Headline: r.headline()}
	if r.Job != "" {
		d.Title = r.Job
	}
	d.Subtitle = "Report of a thinning run"
	if !r.Started.IsZero() {
		d.Subtitle += ", begun " + r.Started.UTC().Format(time.RFC3339)
	}
	for _, part := range []struct {
		title  string
		blocks func() ([]block, error)
	}{
		{"Result", r.result},
		{"Thickness", r.thickness},
		{"Advice", r.advice},
		{"Map", r.dieMap},
		{"Contrast edge", r.edge},
		{"Removal rate", r.rate},
		{"Fit", r.fit},
		{"Uncertainty at the end", r.budget},
		{"Events and faults", r.events},
		{"Set-up", r.setup},
		{"Evidence", r.evidence},
	} {
		blocks, err := part.blocks()
		if err != nil {
			return document{}, fmt.Errorf("report: %s: %w", strings.ToLower(part.title), err)
		}
		d.Sections = append(d.Sections, section{part.title, blocks})
	}
	return d, nil
}

func (r *Report) headline() []string {
	e := r.End
	if !exists(e.ThicknessUM) {
		return []string{"No thickness was found"}
	}
	lines := []string{plusMinus(e.ThicknessUM, e.SDUM, "µm"), "thinnest site " + word(e.Site)}
	if r.TargetUM > 0 {
		lines = append(lines, beside(e.ThicknessUM-r.TargetUM)+" the target")
	}
	return lines
}

// beside is how far a thickness is from a level.
func beside(um float64) string {
	side := "above"
	if um < 0 {
		side = "below"
	}
	return fmt.Sprintf("%.4f µm %s", math.Abs(um), side)
}

func (r *Report) result() ([]block, error) {
	e := r.End
	list := []Fact{
		{"end of the record", with(e.TimeS, "s")},
		{"thinnest site", word(e.Site)},
		{"thickness there", plusMinus(e.ThicknessUM, e.SDUM, "µm")},
		{"target", orUnset(r.TargetUM)},
		{"floor", r.floorKept()},
		{"removal rate", plusMinus(e.RateUMMin, e.RateSDUMMin, "µm/min")},
		{"last advice", word(e.Advice)},
	}
	list = append(list, r.Qualities...)
	return []block{facts(list), text("± is a standard uncertainty (JCGM 100:2008): doubled, it holds the truth in about 95 of 100 cases. " +
		"Thickness and rate are those of the track, which joins all readings of a site; numbers are those of replay --json."), text(caution)}, nil
}

func orUnset(um float64) string {
	if !(um > 0) {
		return "not set"
	}
	return with(um, "µm")
}

// floorKept tells what the lowest thickness of the run says of the floor.
func (r *Report) floorKept() string {
	e := r.End
	switch {
	case !(r.FloorUM > 0):
		return "not set"
	case !exists(e.LowestUM):
		return with(r.FloorUM, "µm")
	}
	above := e.LowestUM - r.FloorUM
	verdict := "kept"
	switch {
	case above < 0:
		verdict = "CROSSED"
	case !(above >= 2*e.SDUM): // also where the uncertainty is not known
		verdict = "not certain: less than twice the uncertainty"
	}
	return fmt.Sprintf("%s; the lowest was %s µm at %s s, %s it: %s", with(r.FloorUM, "µm"), num(e.LowestUM), num(e.LowestTimeS), beside(above), verdict)
}

func (r *Report) thickness() ([]block, error) {
	svg, err := r.thicknessFigure()
	if err != nil {
		return nil, err
	}
	if svg == "" {
		return []block{text("No reading tells a thickness.")}, nil
	}
	caption := "Thickness against time. Line and grey band: track of the thinnest site with twice its standard uncertainty. Marks: single readings, one shape a site" + r.thinnedNote() + ". Numbers above: rows of the table of advice."
	return []block{{Figure: &figure{caption, svg, r.trackTable()}}}, nil
}

// thinnedNote says what part of the readings is drawn.
func (r *Report) thinnedNote() string {
	most := 1
	for _, s := range r.Sites {
		most = max(most, s.EachOf)
	}
	if most == 1 {
		return ""
	}
	return fmt.Sprintf(" (of the busiest site one in %d)", most)
}

const dataRows = 25 // of the numbers of a figure

// spread picks at most n of m indices, evenly, with the first and the last.
func spread(m, n int) []int {
	var out []int
	for i := range min(m, n) {
		at := 0
		if m > n {
			at = int(math.Round(float64(i) * float64(m-1) / float64(n-1)))
		} else {
			at = i
		}
		out = append(out, at)
	}
	return out
}

func (r *Report) trackTable() *table {
	t := &table{Head: []string{"time\u00a0s", "thinnest\u00a0µm", "±\u00a0µm", "rate\u00a0µm/min", "±\u00a0µm/min", "pad", "advice"}, Numeric: []bool{true, true, true, true, true, false, false}}
	for _, i := range spread(len(r.Track), dataRows) {
		p := r.Track[i]
		t.Rows = append(t.Rows, []string{num(p.TimeS), num(p.ThicknessUM), num(p.SDUM), num(p.RateUMMin), num(p.RateSDUMMin), onDie(p.Contact), word(p.Advice)})
	}
	return t
}

func onDie(contact bool) string {
	if contact {
		return "on the die"
	}
	return "off"
}

func (r *Report) advice() ([]block, error) {
	if len(r.Advice) == 0 {
		return []block{text("No advice was given.")}, nil
	}
	t := &table{Head: []string{"", "from\u00a0s", "to\u00a0s", "advice", "rule", "why", "thinnest at first\u00a0µm", "site"}, Numeric: []bool{true, true, true, false, false, false, true, false}}
	for i, a := range r.Advice {
		t.Rows = append(t.Rows, []string{fmt.Sprint(i + 1), num(a.FromS), num(a.ToS), a.Advice, word(a.Rule), why(a), num(a.ThinnestUM), word(a.Site)})
	}
	out := []block{{Table: t}}
	if r.More > 0 {
		out = append(out, text(fmt.Sprintf("%d further changes of advice are left out.", r.More)))
	}
	return out, nil
}

// why is the reason at the first moment of an advice, and at its last if it is another.
func why(a Told) string {
	if a.LastReason == "" || a.LastReason == a.Reason {
		return word(a.Reason)
	}
	return word(a.Reason) + "; at its end: " + a.LastReason
}

func (r *Report) dieMap() ([]block, error) {
	if len(r.Places) == 0 {
		return []block{text("No site has a good reading.")}, nil
	}
	t := &table{Head: []string{"site", "x\u00a0mm", "y\u00a0mm", "time\u00a0s", "thickness\u00a0µm", "±\u00a0µm", "good", "readings", ""}, Numeric: []bool{false, true, true, true, true, true, true, true, false}}
	first, last := math.Inf(1), math.Inf(-1)
	for i, p := range r.Places {
		mark := ""
		if p.Thinnest {
			t.Strong, mark = i+1, "thinnest"
		}
		good, all := r.countsOf(p.Site)
		t.Rows = append(t.Rows, []string{p.Site, num(p.XMM), num(p.YMM), num(p.TimeS), num(p.ThicknessUM), num(p.SDUM), good, all, mark})
		first, last = math.Min(first, p.TimeS), math.Max(last, p.TimeS)
	}
	svg, err := r.mapFigure()
	if err != nil {
		return nil, err
	}
	var out []block
	if svg != "" {
		out = append(out, block{Figure: &figure{Caption: "The die from above: last good reading of each site, µm. Triangle: the thinnest; grey line: the edge of the die where the set-up gives it.", SVG: svg}})
	}
	out = append(out, block{Table: t})
	if apart := last - first; apart > 0 && r.End.RateUMMin > 0 {
		out = append(out, text(fmt.Sprintf("These readings lie up to %s s apart; with the pad on the die, the last rate takes off %.2g µm in that time.", num(math.Round(apart*100)/100), apart*r.End.RateUMMin/60)))
	}
	return out, nil
}

func (r *Report) countsOf(site string) (good, all string) {
	for _, s := range r.Sites {
		if s.Name == site {
			return fmt.Sprint(s.Good), fmt.Sprint(s.All)
		}
	}
	return absent, absent
}

func (r *Report) edge() ([]block, error) {
	svg, err := r.edgeFigure()
	if err != nil {
		return nil, err
	}
	if svg == "" {
		return []block{text("No reading of a visible channel shows a contrast edge: nothing to compare with theory.")}, nil
	}
	t := &table{Head: []string{"site", "thickness\u00a0µm", "edge\u00a0nm", "expected\u00a0nm"}, Numeric: []bool{false, true, true, true}}
	var all [][]string
	for _, s := range r.Sites {
		for _, reading := range s.Readings {
			if exists(reading.EdgeNM) {
				all = append(all, []string{s.Name, num(reading.ThicknessUM), num(reading.EdgeNM), num(reading.EdgeExpectedNM)})
			}
		}
	}
	for _, i := range spread(len(all), dataRows) {
		t.Rows = append(t.Rows, all[i])
	}
	return []block{{Figure: &figure{"Contrast edge, the shortest wavelength with fringes, against thickness. Lines: as it should be for the fitted die of each site, by the absorption of silicon. Marks off their line are a second witness against the thickness.", svg, t}}}, nil
}

func (r *Report) rate() ([]block, error) {
	svg, err := r.rateFigure()
	if err != nil {
		return nil, err
	}
	if svg == "" {
		return []block{text("No rate was tracked.")}, nil
	}
	out := []block{{Figure: &figure{Caption: "Removal rate of the thinnest site while the pad was on the die. Band: twice the standard uncertainty.", SVG: svg}}}
	if svg, err = r.prestonFigure(); err != nil {
		return nil, err
	}
	if svg == "" {
		return append(out, text("Pressure and speed are not known: there is no Preston coefficient.")), nil
	}
	last := r.lastPreston()
	list := []Fact{{"Preston coefficient at the end", sci(last.PrestonPerPa) + " ± " + sci(last.PrestonSDPerPa) + " 1/Pa"}}
	if r.Preston.PerPa > 0 {
		list = append(list, Fact{"before the run", sci(r.Preston.PerPa) + " 1/Pa, relative standard deviation " + sci(r.Preston.RelSD)})
	}
	if r.Learnt.PerPa > 0 {
		list = append(list, Fact{"from what the whole run removed", sci(r.Learnt.PerPa) + " 1/Pa, relative standard deviation " + sci(r.Learnt.RelSD)})
	}
	return append(out, block{Figure: &figure{Caption: "Preston coefficient: rate over pressure and speed (F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214). Band: twice the standard uncertainty. Dashed: what was expected before the run, with its standard deviation.", SVG: svg}}, facts(list)), nil
}

func (r *Report) lastPreston() Track {
	for i := len(r.Track) - 1; i >= 0; i-- {
		if exists(r.Track[i].PrestonPerPa) {
			return r.Track[i]
		}
	}
	nan := math.NaN()
	return Track{PrestonPerPa: nan, PrestonSDPerPa: nan}
}

func (r *Report) fit() ([]block, error) {
	spectrum, residual, err := r.fitFigures()
	if err != nil {
		return nil, err
	}
	overTime, err := r.residualFigure()
	if err != nil {
		return nil, err
	}
	var out []block
	if spectrum != "" {
		out = append(out, text(r.Fit.Title),
			block{Figure: &figure{Caption: "Reflectance as measured (marks) and fitted (line).", SVG: spectrum}},
			block{Figure: &figure{Caption: "Residuals: measured less fitted.", SVG: residual}})
	}
	if overTime != "" {
		out = append(out, block{Figure: &figure{Caption: "Residual of each fit (root mean square) against time.", SVG: overTime}})
	}
	if len(out) == 0 {
		out = []block{text("No spectrum could be fitted.")}
	}
	return out, nil
}

func (r *Report) budget() ([]block, error) {
	sum := 0.0
	for _, p := range r.Budget {
		sum += p.UM * p.UM
	}
	if !(sum > 0) {
		return []block{text("No reading has an uncertainty.")}, nil
	}
	t := &table{Head: []string{"source", "standard uncertainty\u00a0µm", "share of the variance"}, Numeric: []bool{false, true, true}}
	for _, p := range r.Budget {
		t.Rows = append(t.Rows, []string{p.Source, fmt.Sprintf("%.5f", p.UM), fmt.Sprintf("%.1f %%", 100*p.UM*p.UM/sum)})
	}
	t.Rows = append(t.Rows, []string{"together, in quadrature", fmt.Sprintf("%.5f", math.Sqrt(sum)), ""})
	t.Strong = len(t.Rows)
	return []block{text(r.BudgetOf), {Table: t}}, nil
}

func (r *Report) events() ([]block, error) {
	out := []block{facts(r.Counts)}
	for _, fault := range r.Faults {
		out = append(out, text("Fault: "+fault))
	}
	if r.FaultsMore > 0 {
		out = append(out, text(fmt.Sprintf("%d further faults are only counted.", r.FaultsMore)))
	}
	if len(r.Gaps) > 0 {
		t := &table{Head: []string{"without spectra from\u00a0s", "to\u00a0s", "for\u00a0s", "pad"}, Numeric: []bool{true, true, true, false}}
		for _, g := range r.Gaps {
			t.Rows = append(t.Rows, []string{num(g.FromS), num(g.ToS), fmt.Sprintf("%.1f", g.ToS-g.FromS), onDie(g.Contact)})
		}
		out = append(out, block{Table: t})
	}
	if r.GapsMore > 0 {
		out = append(out, text(fmt.Sprintf("%d further gaps are left out.", r.GapsMore)))
	}
	if len(r.Notes) == 0 {
		return append(out, text("No notes.")), nil
	}
	t := &table{Head: []string{"time\u00a0s", "note"}, Numeric: []bool{true, false}}
	for _, n := range r.Notes {
		t.Rows = append(t.Rows, []string{num(n.TimeS), n.Text})
	}
	out = append(out, block{Table: t})
	if r.NotesMore > 0 {
		out = append(out, text(fmt.Sprintf("%d further notes are left out.", r.NotesMore)))
	}
	return out, nil
}

func (r *Report) setup() ([]block, error) {
	out := []block{facts(append([]Fact{{"set-up", word(r.SetupName)}}, r.Setup...))}
	if r.SetupTOML != "" {
		out = append(out, block{Code: r.SetupTOML})
	}
	return out, nil
}

func (r *Report) evidence() ([]block, error) {
	return []block{facts([]Fact{
		{"record", word(r.Record.Name)},
		{"bytes", fmt.Sprint(r.Record.Bytes)},
		{"SHA-256 of the record", word(r.Record.SHA256)},
		{"checksum of the run (rate book)", word(r.Record.Run)},
	}), facts(r.Versions), text("Modules: " + word(strings.Join(r.Modules, ", ")) + ".")}, nil
}
