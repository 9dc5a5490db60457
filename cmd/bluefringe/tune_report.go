package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"bluefringe/removal/tune"
)

// write tells the result on standard output and in the files that were asked for.
func (t *tuning) write(st streams, r *tuned) error {
	if t.csvFile != "" {
		if err := writeNewFile(t.csvFile, t.force, r.writeCSV); err != nil {
			return fmt.Errorf("--csv: %w", err)
		}
		reportSize(st.err, t.csvFile)
	}
	if t.plotFile != "" {
		if err := writeNewFile(t.plotFile, t.force, r.writeFigure); err != nil {
			return fmt.Errorf("--plot: %w", err)
		}
		reportSize(st.err, t.plotFile)
	}
	if t.json {
		return r.writeLines(st.out)
	}
	_, err := io.WriteString(st.out, r.report())
	return err
}

func (r *tuned) report() string {
	var b strings.Builder
	r.facts(&b)
	if r.choice == nil {
		r.comparison(&b)
	} else {
		r.ranking(&b)
		r.verdict(&b)
	}
	for _, w := range r.warnings() {
		fmt.Fprintf(&b, "Warning: %s.\n", w)
	}
	if r.choice != nil {
		if block := r.paste(); block != "" {
			fmt.Fprintf(&b, "\n%s", block)
		} else {
			b.WriteString("\nNothing that was tried does better than the set-up's own: leave it as it is.\n")
		}
	}
	return b.String()
}

// facts say what was done.
func (r *tuned) facts(w io.Writer) {
	fmt.Fprintf(w, "%s, %d settings of %s\n", runCount(len(r.runs)), len(r.settings), strings.Join(r.keys(), ", "))
	if r.choice != nil {
		fmt.Fprintf(w, "tuned on %s", runCount(len(r.on)))
		if len(r.held) > 0 {
			fmt.Fprintf(w, ", %d held back", len(r.held))
		}
		fmt.Fprintf(w, "; cost %s\n", r.weights)
	}
	how := "as the set-up says"
	switch {
	case r.reactionS > 0:
		how = "as --reaction says"
	case r.measured > 0:
		how = fmt.Sprintf("as %s tell", recordCount(r.measured))
	case r.invented.count == len(r.runs):
		how = "as the set-up says, ±20 %"
	}
	fmt.Fprintf(w, "operators take %.1f s from stop to pad off the die (median, %.1f to %.1f s), %s; stop.reaction_s of the set-up is %g s\n\n",
		median(r.reactions), slices.Min(r.reactions), slices.Max(r.reactions), how, r.first.Stop.ReactionS)
}

func recordCount(n int) string {
	if n == 1 {
		return "1 record"
	}
	return fmt.Sprintf("%d records", n)
}

func (r *tuned) keys() []string {
	var keys []string
	for _, a := range r.axes {
		keys = append(keys, a.Key)
	}
	return keys
}

// ranking is the table of the cheapest settings and the set-up's own.
func (r *tuned) ranking(w io.Writer) {
	tab := tabwriter.NewWriter(w, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(tab, "rank\t%s\tcost\t95 %%\terror nm\tmean nm\tbelow floor\tfalse stops\tnot reached\tlost min\t\n", strings.Join(r.keys(), "\t"))
	line := func(rank string, values tune.Setting, i tune.Interval, s tune.Summary) {
		fmt.Fprintf(tab, "%s\t%s\t%.1f\t%.1f–%.1f\t%s\t%s\t%d\t%d\t%d\t%.2f\t\n", rank, strings.Join(texts(values), "\t"),
			s.Cost, i.Low, i.High, figure("%.1f", s.AbsMissNM), figure("%+.1f", s.MissNM), s.Crossed, s.FalseStops, s.Unreached, s.LostMin)
	}
	for k, i := range r.choice.Order[:min(r.top, len(r.choice.Order))] {
		line(fmt.Sprint(k+1), r.settings[i], r.choice.Cost[k], r.summary(r.outcomes[i]))
	}
	line("set-up", r.ownSetting, r.choice.OwnCost, r.summary(r.own))
	tab.Flush()
	fmt.Fprintln(w)
}

// figure is a number, or a dash where there is none.
func figure(format string, v float64) string {
	if math.IsNaN(v) {
		return "–"
	}
	return fmt.Sprintf(format, v)
}

func texts(values tune.Setting) []string {
	out := make([]string, len(values))
	for j, v := range values {
		out[j] = number64(v)
	}
	return out
}

// verdict is the best setting with its error bars.
func (r *tuned) verdict(w io.Writer) {
	c := r.choice
	best := r.settings[c.Best()]
	for j, a := range r.axes {
		fmt.Fprintf(w, "best %s = %g (95 %%: %g to %g), set-up %g\n", a.Key, best[j], c.Values[j].Low, c.Values[j].High, r.ownSetting[j])
	}
	bestCost := r.cost(c.Best())
	fmt.Fprintf(w, "chosen in %.0f %% of resamplings; the set-up's own costs %.1f, %+.1f beside it (95 %%: %+.1f to %+.1f)\n",
		100*c.ChosenPart, c.Own, c.Own-bestCost, c.OwnToBest.Low, c.OwnToBest.High)
	for k, i := range c.Order[:len(c.ToBest)] {
		if cost := r.cost(i); cost != bestCost {
			fmt.Fprintf(w, "the next that differs, %s, costs %.1f, %+.1f beside it (95 %%: %+.1f to %+.1f)\n",
				strings.Join(texts(r.settings[i]), ", "), cost, cost-bestCost, c.ToBest[k].Low, c.ToBest[k].High)
			break
		}
	}
	if h := r.heldBack; h != nil {
		fmt.Fprintf(w, "held back, it costs %.1f (95 %%: %.1f to %.1f), the set-up's own %.1f (%.1f to %.1f): less by %.1f (%.1f to %.1f)\n",
			h.best, h.bestInterval.Low, h.bestInterval.High, h.own, h.ownInterval.Low, h.ownInterval.High,
			h.lessBy, h.lessByInterval.Low, h.lessByInterval.High)
	}
}

// comparison is all that can be said without truth: when settings stop, and where by the
// track.
func (r *tuned) comparison(w io.Writer) {
	tab := tabwriter.NewWriter(w, 0, 8, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(tab, "%s\tstop s\tlater than set-up s\tby the track then µm\tnot stopped\tlooks\t\n", strings.Join(r.keys(), "\t"))
	line := func(values []string, row []tune.Outcome) {
		s, later := r.summary(row), r.later(row)
		fmt.Fprintf(tab, "%s\t%s\t%s\t%s\t%d\t%d\t\n", strings.Join(values, "\t"),
			figure("%.1f", s.StopS), figure("%+.2f", later), figure("%.4f", s.TrackUM), unstopped(row), looks(row))
	}
	for i := range r.settings[:min(max(r.top, 20), len(r.settings))] {
		line(texts(r.settings[i]), r.outcomes[i])
	}
	own := texts(r.ownSetting)
	own[0] = "set-up " + own[0]
	line(own, r.own)
	tab.Flush()
	if n := len(r.settings); n > max(r.top, 20) {
		fmt.Fprintf(w, "and %d more: --top shows more, --csv all\n", n-max(r.top, 20))
	}
	fmt.Fprintln(w)
}

// later is how much later than with the set-up's own setting the stop comes, on average
// over the runs that both stop.
func (r *tuned) later(row []tune.Outcome) float64 {
	sum, n := 0.0, 0.0
	for j := range row {
		if d := row[j].StopS - r.own[j].StopS; !math.IsNaN(d) {
			sum, n = sum+d, n+1
		}
	}
	return sum / n // NaN for none
}

func unstopped(row []tune.Outcome) int {
	n := 0
	for i := range row {
		if math.IsNaN(row[i].StopS) {
			n++
		}
	}
	return n
}

func looks(row []tune.Outcome) int {
	n := 0
	for i := range row {
		n += row[i].Looks
	}
	return n
}
