package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/ratebook"

	"github.com/spf13/cobra"
)

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
