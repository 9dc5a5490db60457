package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"bluefringe/device/event"
	"bluefringe/device/ratebook"
	"bluefringe/removal"

	"github.com/charmbracelet/x/ansi"
	"github.com/spf13/cobra"
)

func newRates(st streams) *cobra.Command {
	var bookPath, since string
	var filter ratebook.Filter
	var asJSON, asCSV bool
	cmd := &cobra.Command{
		Use:   "rates",
		Short: "The rate book: what finished runs taught about removal rates",
		Long: `List the rate book: the Preston coefficient that each finished run taught, with its
process, the oldest first. Texts are compared without regard to case.

The book is one file, bluefringe/book.sqlite in the user's data folder unless --rates
names another; several programs may use it at once.`,
		Example: `  bluefringe rates --material silicon --since 2026-01-01
  bluefringe rates --json | jq .preston_per_pa
  bluefringe rates --csv > rates.csv
  bluefringe rates prior --material silicon --pad felt --pad-mm 3 --force-n 1.4 --speed-m-s 0.25
  bluefringe rates forget 12 13`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			if cmd.Flags().Changed("pad-mm") && !(filter.PadMM > 0) {
				return usage(fmt.Errorf("--pad-mm: found %g: above 0 is allowed", filter.PadMM))
			}
			if filter.Since, err = parseDay("--since", since); err != nil {
				return err
			}
			book, err := openRates(cmd.Context(), bookPath)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, book.Close()) }()
			runs, err := book.List(cmd.Context(), filter)
			if err != nil {
				return err
			}
			switch {
			case asJSON:
				return writeRates(st.out, runs)
			case asCSV:
				return writeRatesCSV(st.out, runs)
			case len(runs) == 0:
				fmt.Fprintf(st.err, "bluefringe: no such run in the rate book %s\n", book.Path())
			}
			_, err = io.WriteString(st.out, rateTable(runs))
			return err
		},
	}
	cmd.PersistentFlags().StringVar(&bookPath, "rates", "", "`file` of the rate book (default: in the user's data folder)")
	f := cmd.Flags()
	f.StringVar(&filter.Material, "material", "", "only runs on this material")
	f.StringVar(&filter.Slurry, "slurry", "", "only runs with this slurry")
	f.Float64Var(&filter.PadMM, "pad-mm", 0, "only runs with a pad of this diameter, mm")
	f.StringVar(&since, "since", "", "only runs that began on this `date` or later")
	f.BoolVar(&asJSON, "json", false, "write a JSON line for each run")
	f.BoolVar(&asCSV, "csv", false, "write CSV with a header line (RFC 4180)")
	cmd.MarkFlagsMutuallyExclusive("json", "csv")
	cmd.AddCommand(newRatesForget(st, &bookPath), newRatesPrior(st, &bookPath))
	return cmd
}

// openRates opens the rate book. One that is named must be there: a slip in its name
// shall not look like a book without runs.
func openRates(ctx context.Context, path string) (*ratebook.Book, error) {
	if path == "" {
		var err error
		if path, err = ratebook.DefaultPath(); err != nil {
			return nil, err
		}
	} else if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, usage(fmt.Errorf("--rates: no rate book %s", event.Clean(path)))
	}
	return ratebook.Open(ctx, path)
}

// parseDay reads a date, the start of that day here, or a date with a time. Empty
// text is the zero time.
func parseDay(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if day, err := time.ParseInLocation(time.DateOnly, text, time.Local); err == nil {
		return day, nil
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return at, usage(fmt.Errorf("%s: found %q: a date such as 2026-03-02, or with a time such as 2026-03-02T08:00:00Z, is allowed", flag, event.Clean(text)))
	}
	return at, nil
}

func newRatesForget(st streams, bookPath *string) *cobra.Command {
	var before string
	var yes bool
	cmd := &cobra.Command{
		Use:   "forget (ID… | --before DATE)",
		Short: "Remove runs from the rate book",
		Long: `Remove runs from the rate book, by the IDs that rates lists or by age. They are shown
and removed only after a yes. Their records stay where they are: finished
again, a run is added again.`,
		Example: `  bluefringe rates forget 12 13
  bluefringe rates forget --before 2025-01-01 --yes`,
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			ids, err := parseIDs(args)
			if err != nil {
				return err
			}
			limit, err := parseDay("--before", before)
			switch {
			case err != nil:
				return err
			case (len(ids) > 0) == cmd.Flags().Changed("before"):
				return usage(errors.New("forget: either IDs or --before is needed"))
			}
			book, err := openRates(cmd.Context(), *bookPath)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, book.Close()) }()
			runs, err := book.List(cmd.Context(), ratebook.Filter{Before: limit})
			if err != nil {
				return err
			}
			if len(ids) > 0 {
				if runs, err = pick(runs, ids); err != nil {
					return err
				}
			}
			if len(runs) == 0 {
				fmt.Fprintf(st.err, "bluefringe: no run began before %s\n", limit.Format(time.DateOnly))
				return nil
			}
			if !yes && !confirmed(st, rateTable(runs)+fmt.Sprintf("forget %s? yes or no: ", runCount(len(runs)))) {
				return errors.New("nothing was forgotten: the answer was not yes")
			}
			ids = ids[:0]
			for _, r := range runs {
				ids = append(ids, r.ID)
			}
			if err := book.Forget(cmd.Context(), ids...); err != nil {
				return err
			}
			fmt.Fprintf(st.err, "bluefringe: %s forgotten\n", runCount(len(runs)))
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&before, "before", "", "all runs that began before this `date`")
	f.BoolVar(&yes, "yes", false, "do not ask")
	return cmd
}

func runCount(n int) string {
	if n == 1 {
		return "1 run"
	}
	return fmt.Sprintf("%d runs", n)
}

// parseIDs reads IDs, each once.
func parseIDs(args []string) ([]int64, error) {
	var ids []int64
	for _, arg := range args {
		id, err := strconv.ParseInt(arg, 10, 64)
		if err != nil || id <= 0 {
			return nil, usage(fmt.Errorf("forget: found %q: an ID as rates lists them, a whole number, is allowed", event.Clean(arg)))
		}
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return slices.Compact(ids), nil
}

// pick returns the runs with these IDs; one that is not there is an error.
func pick(runs []ratebook.Run, ids []int64) ([]ratebook.Run, error) {
	var picked []ratebook.Run
	var missing []string
	for _, id := range ids {
		i := slices.IndexFunc(runs, func(r ratebook.Run) bool { return r.ID == id })
		if i < 0 {
			missing = append(missing, strconv.FormatInt(id, 10))
			continue
		}
		picked = append(picked, runs[i])
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("nothing was forgotten: %w: %s", ratebook.ErrNoRun, strings.Join(missing, ", "))
	}
	return picked, nil
}

// confirmed asks and reads one short line.
func confirmed(st streams, question string) bool {
	fmt.Fprint(st.err, question)
	answer, _ := bufio.NewReader(io.LimitReader(st.in, 64)).ReadString('\n') // the end of input is no yes
	switch strings.ToLower(strings.TrimSpace(answer)) {
	case "y", "yes":
		return true
	}
	return false
}

func newRatesPrior(st streams, bookPath *string) *cobra.Command {
	var q ratebook.Query
	var forceN, pressureKPa float64
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "prior",
		Short: "What past runs say about the next run's Preston coefficient",
		Long: `Show the Preston coefficient that the rate book expects of the next run, how sure that
is, and which runs it stands on: those of the same material, pad and slurry at
about the same pressure and speed. Where fewer than five match, it lets pad size,
pressure and speed, slurry and pad differ, in this order, as far as that makes the
answer surer, says so, and widens.

A value that is not given matches only runs that do not have it either; a pad size,
pressure or speed that is not given matches none.`,
		Example: `  bluefringe rates prior --material silicon --pad felt --slurry "colloid A" --pad-mm 3 --force-n 1.4 --speed-m-s 0.25
  bluefringe rates prior --material silicon --pad felt --pressure-kpa 200 --speed-m-s 0.25 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			for name, v := range map[string]float64{"pad-mm": q.PadMM, "force-n": forceN, "pressure-kpa": pressureKPa, "speed-m-s": q.SpeedMS} {
				if cmd.Flags().Changed(name) && (!(v > 0) || math.IsInf(v, 0)) {
					return usage(fmt.Errorf("--%s: found %g: above 0 is allowed", name, v))
				}
			}
			switch {
			case !(q.Factor >= 1) || math.IsInf(q.Factor, 0):
				return usage(fmt.Errorf("--factor: found %g: 1 or more is allowed", q.Factor))
			case forceN > 0 && q.PadMM == 0:
				return usage(errors.New("--force-n: --pad-mm is needed with it, for the pressure"))
			case forceN > 0:
				q.PressurePa = removal.Process{ForceN: forceN, PadMM: q.PadMM}.PressurePa()
			default:
				q.PressurePa = 1000 * pressureKPa
			}
			book, err := openRates(cmd.Context(), *bookPath)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, book.Close()) }()
			p, err := book.Prior(cmd.Context(), q)
			switch {
			case err != nil:
				return err
			case asJSON:
				return json.NewEncoder(st.out).Encode(newPriorLine(p))
			case len(p.Runs) == 0:
				fmt.Fprintf(st.err, "bluefringe: no run in the rate book %s is on this material\n", book.Path())
				return nil
			}
			_, err = io.WriteString(st.out, priorReport(q, p))
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.Material, "material", "", "material to be polished")
	f.StringVar(&q.Pad, "pad", "", "kind of pad")
	f.StringVar(&q.Slurry, "slurry", "", "slurry")
	f.Float64Var(&q.PadMM, "pad-mm", 0, "diameter of the pad, mm")
	f.Float64Var(&forceN, "force-n", 0, "force on the pad, N")
	f.Float64Var(&pressureKPa, "pressure-kpa", 0, "pressure under the pad, kPa, in place of the force")
	f.Float64Var(&q.SpeedMS, "speed-m-s", 0, "speed between pad and die, m/s")
	f.Float64Var(&q.Factor, "factor", 2, "by how much pressure and speed of a past run may differ")
	f.BoolVar(&asJSON, "json", false, "write one JSON line")
	cmd.MarkFlagsMutuallyExclusive("force-n", "pressure-kpa")
	return cmd
}

// rateLine is a run of the rate book as a line; what is not known is left out.
type rateLine struct {
	Type         string    `json:"type"`
	ID           int64     `json:"id"`
	When         time.Time `json:"when"`
	Job          string    `json:"job,omitempty"`
	Material     string    `json:"material,omitempty"`
	Pad          string    `json:"pad,omitempty"`
	PadMM        *float64  `json:"pad_mm,omitempty"`
	Slurry       string    `json:"slurry,omitempty"`
	ForceN       *float64  `json:"force_n,omitempty"`
	PressurePa   *float64  `json:"pressure_pa,omitempty"`
	SpeedMS      *float64  `json:"speed_m_s,omitempty"`
	PrestonPerPa float64   `json:"preston_per_pa"`
	PrestonRelSD float64   `json:"preston_rel_sd"`
	GlazingS     *float64  `json:"glazing_s,omitempty"`
	RemovedUM    *float64  `json:"removed_um,omitempty"`
	PolishedS    *float64  `json:"polished_s,omitempty"`
	Checksum     string    `json:"checksum"`
	Note         string    `json:"note,omitempty"`
}

func writeRates(w io.Writer, runs []ratebook.Run) error {
	const decimals = 9
	out := json.NewEncoder(w)
	for _, r := range runs {
		if err := out.Encode(rateLine{
			Type: "rate", ID: r.ID, When: r.When, Job: r.Job, Material: r.Material, Pad: r.Pad, PadMM: number(r.PadMM, decimals),
			Slurry: r.Slurry, ForceN: number(r.ForceN, decimals), PressurePa: number(r.PressurePa, decimals),
			SpeedMS: number(r.SpeedMS, decimals), PrestonPerPa: r.PrestonPerPa, PrestonRelSD: r.PrestonRelSD,
			GlazingS: number(r.GlazingS, decimals), RemovedUM: number(r.RemovedUM, decimals), PolishedS: number(r.PolishedS, decimals),
			Checksum: r.Checksum, Note: r.Note,
		}); err != nil {
			return err
		}
	}
	return nil
}

// writeRatesCSV writes comma-separated values with lines ended by CR LF (RFC 4180).
func writeRatesCSV(w io.Writer, runs []ratebook.Run) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	out.Write([]string{"id", "when", "job", "material", "pad", "pad_mm", "slurry", "force_n", "pressure_pa", "speed_m_s",
		"preston_per_pa", "preston_rel_sd", "glazing_s", "removed_um", "polished_s", "checksum", "note"})
	for _, r := range runs {
		out.Write([]string{strconv.FormatInt(r.ID, 10), r.When.Format(time.RFC3339), sheetText(r.Job), sheetText(r.Material),
			sheetText(r.Pad), plainNumber(r.PadMM, -1), sheetText(r.Slurry), plainNumber(r.ForceN, -1), plainNumber(r.PressurePa, -1),
			plainNumber(r.SpeedMS, -1), plainNumber(r.PrestonPerPa, -1), plainNumber(r.PrestonRelSD, -1), plainNumber(r.GlazingS, -1),
			plainNumber(r.RemovedUM, -1), plainNumber(r.PolishedS, -1), r.Checksum, sheetText(r.Note)})
	}
	out.Flush()
	return out.Error() // of any of the writes
}

// sheetText keeps a spreadsheet from taking text for a formula, also where it reads
// wide characters as the plain ones: an apostrophe before it makes it text. (Common
// practice, no source.)
func sheetText(text string) string {
	first, _ := utf8.DecodeRuneInString(text)
	if strings.ContainsRune("=+-@\t\r\n＝＋－＠", first) {
		return "'" + text
	}
	return text
}

// plainNumber has so many significant digits, as many as needed for -1, and is empty for NaN.
func plainNumber(v float64, digits int) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', digits, 64)
}

// rateTable is a table for people; a column that no run fills is left out.
func rateTable(runs []ratebook.Run) string {
	if len(runs) == 0 {
		return ""
	}
	const widest = 18
	text := func(s string) string { return ansi.Truncate(s, widest, "…") }
	rows := [][]string{{"id", "began", "job", "material", "pad", "pad mm", "slurry", "kPa", "m/s", "Kp 1/Pa", "± %", "removed um", "polished s", "glazing s"}}
	for _, r := range runs {
		rows = append(rows, []string{
			strconv.FormatInt(r.ID, 10), r.When.Local().Format(time.DateOnly), text(r.Job), text(r.Material), text(r.Pad),
			plainNumber(r.PadMM, 3), text(r.Slurry), plainNumber(r.PressurePa/1000, 3), plainNumber(r.SpeedMS, 3),
			fmt.Sprintf("%.2e", r.PrestonPerPa), plainNumber(100*r.PrestonRelSD, 2), plainNumber(r.RemovedUM, 3),
			plainNumber(r.PolishedS, 3), plainNumber(r.GlazingS, 3),
		})
	}
	lines := make([]strings.Builder, len(rows))
	for column, title := range rows[0] {
		width, filled := ansi.StringWidth(title), false
		for _, row := range rows[1:] {
			width, filled = max(width, ansi.StringWidth(row[column])), filled || row[column] != ""
		}
		if !filled {
			continue
		}
		words := slices.Contains([]string{"began", "job", "material", "pad", "slurry"}, title)
		for i, row := range rows {
			padding := strings.Repeat(" ", width-ansi.StringWidth(row[column]))
			if words {
				lines[i].WriteString(row[column] + padding + "  ")
			} else {
				lines[i].WriteString(padding + row[column] + "  ")
			}
		}
	}
	var out strings.Builder
	for i := range lines {
		out.WriteString(strings.TrimRight(lines[i].String(), " ") + "\n")
	}
	return out.String()
}

// priorLine is a prior as a line; without a run all numbers are left out.
type priorLine struct {
	Type         string        `json:"type"`
	PrestonPerPa *float64      `json:"preston_per_pa,omitempty"` // median
	PrestonRelSD *float64      `json:"preston_rel_sd,omitempty"`
	P05PerPa     *float64      `json:"preston_p05_per_pa,omitempty"`
	P95PerPa     *float64      `json:"preston_p95_per_pa,omitempty"`
	BetweenLnSD  *float64      `json:"between_ln_sd,omitempty"`
	MeanLnSD     *float64      `json:"mean_ln_sd,omitempty"`
	FewRuns      *float64      `json:"few_runs,omitempty"`
	Relaxed      []relaxedLine `json:"relaxed"`
	Runs         []int64       `json:"runs"`
}

type relaxedLine struct {
	What string  `json:"what"`
	LnSD float64 `json:"ln_sd"`
	Runs int     `json:"runs"`
}

func newPriorLine(p ratebook.Prior) priorLine {
	const decimals = 4
	line := priorLine{Type: "prior", Relaxed: []relaxedLine{}, Runs: []int64{}}
	if len(p.Runs) == 0 {
		return line
	}
	low, high := p.Interval()
	line.PrestonPerPa, line.P05PerPa, line.P95PerPa = &p.PrestonPerPa, &low, &high
	line.PrestonRelSD, line.FewRuns = number(p.RelSD, decimals), number(p.FewRuns, decimals)
	line.BetweenLnSD, line.MeanLnSD = number(p.BetweenLnSD, decimals), number(p.MeanLnSD, decimals)
	for _, r := range p.Relaxed {
		line.Relaxed = append(line.Relaxed, relaxedLine(r))
	}
	for _, r := range p.Runs {
		line.Runs = append(line.Runs, r.ID)
	}
	return line
}

// priorReport says in words what the next run may expect, and why.
func priorReport(q ratebook.Query, p ratebook.Prior) string {
	var out strings.Builder
	low, high := p.Interval()
	fact := func(what, format string, args ...any) {
		fmt.Fprintf(&out, "%-38s%s\n", what, fmt.Sprintf(format, args...))
	}
	fact("Preston coefficient of the next run", "%.3g 1/Pa, relative standard deviation %.0f %%", p.PrestonPerPa, 100*p.RelSD)
	fact("nine of ten such runs", "%.3g to %.3g 1/Pa", low, high)
	if q.PressurePa > 0 && q.SpeedMS > 0 {
		rate := func(perPa float64) float64 { return removal.PrestonRateUMMin(perPa, q.PressurePa, q.SpeedMS) }
		fact(fmt.Sprintf("removal rate at %.3g kPa, %.3g m/s", q.PressurePa/1000, q.SpeedMS), "%.3g um/min, nine of ten %.3g to %.3g",
			rate(p.PrestonPerPa), rate(low), rate(high))
	}
	fmt.Fprintf(&out, "\nstands on %s: standard deviation of ln Kp %.2f between runs, %.2f of their mean\n", runCount(len(p.Runs)), p.BetweenLnSD, p.MeanLnSD)
	if p.FewRuns >= 1.05 {
		fmt.Fprintf(&out, "few runs tell how much runs differ: both widened by %.2f\n", p.FewRuns)
	}
	for _, r := range p.Relaxed {
		fmt.Fprintf(&out, "%s differs or is not known in %d of them: adds %.2f\n", r.What, r.Runs, r.LnSD)
	}
	fmt.Fprintf(&out, "\n%s\n# for the set-up file\n[process]\npreston_per_pa = %.3g\npreston_rel_sd = %.2f\n", rateTable(p.Runs), p.PrestonPerPa, p.RelSD)
	return out.String()
}
