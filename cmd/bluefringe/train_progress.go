package main

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"bluefringe/device/ratebook"

	"github.com/charmbracelet/x/ansi"
	"github.com/spf13/cobra"
)

func newTrainProgress(st streams, t *trainFlags) *cobra.Command {
	var asCSV, asJSON, everyone bool
	cmd := &cobra.Command{
		Use:   "progress",
		Short: "What a trainee's attempts came to",
		Long: `Show what a trainee's attempts came to, lesson by lesson. --csv and --json give every
attempt. They are kept in the file of the rate book, on this machine only.`,
		Example: `  bluefringe train progress --trainee Wren
  bluefringe train progress --all --csv > attempts.csv`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := t.named(); err != nil {
				return err
			}
			whose := t.trainee
			switch {
			case everyone && cmd.Flags().Changed("trainee"):
				return usage(errors.New("--all and --trainee: one of them is allowed"))
			case everyone:
				whose = ""
			}
			list, err := t.attempts(cmd.Context(), whose)
			if err != nil {
				return err
			}
			switch {
			case asCSV:
				return writeAttemptsCSV(st.out, list)
			case asJSON:
				return writeAttempts(st.out, list)
			case len(list) == 0:
				fmt.Fprintln(st.err, "bluefringe: no attempt yet: bluefringe train lists the lessons")
				return nil
			}
			_, err = io.WriteString(st.out, progressTable(list))
			return err
		},
	}
	f := cmd.Flags()
	f.BoolVar(&asCSV, "csv", false, "write every attempt as CSV with a header line (RFC 4180)")
	f.BoolVar(&asJSON, "json", false, "write a JSON line for each attempt")
	f.BoolVar(&everyone, "all", false, "of all trainees")
	cmd.MarkFlagsMutuallyExclusive("csv", "json")
	return cmd
}

// attemptLine is an attempt as a line of progress.
type attemptLine struct {
	Type        string    `json:"type"`
	ID          int64     `json:"id"`
	When        time.Time `json:"when"`
	Trainee     string    `json:"trainee"`
	Lesson      string    `json:"lesson"`
	Assistance  string    `json:"assistance"`
	Seed        uint64    `json:"seed"`
	Speed       float64   `json:"speed,omitempty"`
	Passed      bool      `json:"passed"`
	Score       int       `json:"score"`
	TargetUM    float64   `json:"target_um"`
	FloorUM     float64   `json:"floor_um"`
	ToleranceUM float64   `json:"tolerance_um"`
	ThinnestUM  float64   `json:"thinnest_um"`
	MissUM      float64   `json:"miss_um"`
	LostS       float64   `json:"lost_s"`
	Fault       string    `json:"fault,omitempty"`
}

func writeAttempts(w io.Writer, list []ratebook.Attempt) error {
	out := json.NewEncoder(w)
	for _, a := range list {
		if err := out.Encode(attemptLine{"attempt", a.ID, a.When, a.Trainee, a.Lesson, a.Assistance, a.Seed, a.Speed, a.Passed, a.Score,
			a.TargetUM, a.FloorUM, a.ToleranceUM, a.ThinnestUM, a.MissUM(), a.LostS, a.Fault}); err != nil {
			return err
		}
	}
	return nil
}

// writeAttemptsCSV writes comma-separated values with lines ended by CR LF (RFC 4180).
func writeAttemptsCSV(w io.Writer, list []ratebook.Attempt) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	out.Write([]string{"id", "when", "trainee", "lesson", "assistance", "seed", "speed", "passed", "score",
		"target_um", "floor_um", "tolerance_um", "thinnest_um", "miss_um", "lost_s", "fault"})
	for _, a := range list {
		n := func(v float64) string { return plainNumber(v, -1) }
		out.Write([]string{strconv.FormatInt(a.ID, 10), a.When.Format(time.RFC3339), sheetText(a.Trainee), sheetText(a.Lesson), sheetText(a.Assistance),
			strconv.FormatUint(a.Seed, 10), n(a.Speed), strconv.FormatBool(a.Passed), strconv.Itoa(a.Score),
			n(a.TargetUM), n(a.FloorUM), n(a.ToleranceUM), n(a.ThinnestUM), n(a.MissUM()), n(a.LostS), sheetText(a.Fault)})
	}
	out.Flush()
	return out.Error() // of any of the writes
}

// progressTable has a line for each trainee and lesson: how often, how well, and the
// scores of the newest attempts in their order.
func progressTable(list []ratebook.Attempt) string {
	const newest = 6
	by := map[[2]string][]ratebook.Attempt{}
	for _, a := range list {
		key := [2]string{strings.ToLower(a.Trainee), a.Lesson}
		by[key] = append(by[key], a)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%-13s %-10s %5s %6s %4s  %-24s %s\n", "trainee", "lesson", "tries", "passed", "best", "newest scores", "last mistake")
	for _, key := range slices.SortedFunc(maps.Keys(by), func(x, y [2]string) int { return strings.Compare(x[0]+"\x00"+x[1], y[0]+"\x00"+y[1]) }) {
		of := by[key]
		sum := bestScores(of)[key[1]]
		var scores []string
		fault := ""
		for _, a := range of[max(0, len(of)-newest):] {
			mark := ""
			if !a.Passed {
				mark, fault = "!", a.Fault
			}
			scores = append(scores, strconv.Itoa(a.Score)+mark)
		}
		fmt.Fprintf(&b, "%s %s %5d %6d %4d  %-24s %s\n", padded(of[0].Trainee, 13), padded(key[1], 10), sum.attempts, sum.passed, sum.best, strings.Join(scores, " "), fault)
	}
	b.WriteString("! not passed\n")
	return b.String()
}

// padded cuts or fills text to a width in cells.
func padded(text string, width int) string {
	text = ansi.Truncate(text, width, "…")
	return text + strings.Repeat(" ", width-ansi.StringWidth(text))
}
