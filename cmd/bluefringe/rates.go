package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"bluefringe/device/event"
	"bluefringe/device/ratebook"

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
names another; several programs may use it at once. watch takes its prior for the
rate from it and adds each run that it watched to the end.`,
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
