package main

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"strings"

	"bluefringe/device/event"
	"bluefringe/device/table"
	"bluefringe/device/table/export"
	"bluefringe/optics/material"

	"github.com/spf13/cobra"
)

func newImport(st streams) *cobra.Command {
	var im importer
	var out, axis, kind, separator, decimal, orientation string
	cmd := &cobra.Command{
		Use:   "import FILE…",
		Short: "Turn spectrometer exports (text tables, JCAMP-DX) into event lines",
		Long: `Turn spectrometer exports into event lines: text tables (CSV and the like, spectra in
rows or columns) and JCAMP-DX. Several files make one run, in the order of the times that
they give, or as named; "-" is standard input.

Exports often do not say what they are. What was taken for granted is told on standard
error and kept as notes in the run. A file that can be read in more than one way is
refused, with the flag that settles it.

Reflectance is what measure, watch and replay need. Counts become reflectance with a
dark and a reference: columns or rows of those names, or --dark and --reference.`,
		Example: `  bluefringe import wafer.csv -o wafer.jsonl
  bluefringe measure wafer.jsonl
  bluefringe import scan.txt --separator semicolon --decimal comma --kind percent
  bluefringe import die1.dx die2.dx --axis nm --interval-s 30 -o die.jsonl
  bluefringe import raw*.txt --dark dark.txt --reference si.txt --channel nir`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var errs [5]error
			im.options.Axis, errs[0] = export.ParseAxis(axis)
			im.options.Kind, errs[1] = export.ParseKind(kind)
			im.options.Separator, errs[2] = table.ParseSeparator(separator)
			im.options.Decimal, errs[3] = table.ParseDecimal(decimal)
			im.options.Layout, errs[4] = table.ParseLayout(orientation)
			for i, name := range []string{"axis", "kind", "separator", "decimal", "orientation"} {
				if errs[i] != nil {
					return usage(fmt.Errorf("--%s: %w", name, errs[i]))
				}
			}
			im.st, im.timed = st, !cmd.Flags().Changed("interval-s")
			if err := im.check(); err != nil {
				return usage(err)
			}
			r, err := im.read(args)
			if err != nil {
				return err
			}
			return writeRun(st, out, func(w *bufio.Writer) error { return r.write(w) })
		},
	}
	f := cmd.Flags()
	f.StringVarP(&out, "out", "o", "", "write to this new `file` instead of standard output (-)")
	f.StringVar(&axis, "axis", "", "`unit` of the abscissa: nm, um, cm-1, angstrom or eV")
	f.StringVar(&kind, "kind", "", "`quantity` of the ordinate: reflectance (a fraction), percent (of reflectance), counts or absorbance (log10(1/R))")
	f.StringVar(&separator, "separator", "", "what stands between numbers: comma, semicolon, tab, space, pipe or comma-blank")
	f.StringVar(&decimal, "decimal", "", "decimal `sign`: point or comma")
	f.StringVar(&orientation, "orientation", "", "how spectra lie: rows, columns, pairs (columns x, y, x, y) or alternate (a number a line)")
	f.StringArrayVar(&im.options.Only, "only", nil, "take only the spectrum of this `name` or number (from 1); repeat for more")
	f.StringVar(&im.dark, "dark", "", "`file` with the detector's counts without light")
	f.StringVar(&im.reference, "reference", "", "`file` with the counts on a bare piece of the reference material")
	f.StringVar(&im.material, "reference-material", "silicon", "what the reference is")
	f.StringVar(&im.channel, "channel", "", "`name` of the channel (default: vis, or nir from 1000 nm on)")
	f.StringVar(&im.site, "site", "", "`name` of the site (default: as the file says, or the middle)")
	f.StringVar(&im.job, "job", "", "`name` of the run (default: that of the first file)")
	f.Float64Var(&im.intervalS, "interval-s", 1, "time between spectra, s, instead of the times of the files")
	return cmd
}

// importer reads exports.
type importer struct {
	st              streams
	options         table.Options
	dark, reference string // files
	material        string
	channel, site   string
	job             string
	intervalS       float64
	timed           bool // files may give times
	told            map[string]bool
}

// check refuses flags that no run can be made with.
func (im *importer) check() error {
	for flag, name := range map[string]string{"--channel": im.channel, "--site": im.site} {
		if len(name) > event.MaxNameBytes || event.Clean(name) != name {
			return fmt.Errorf("%s: found %q: up to %d bytes of printable text are allowed", flag, event.Clean(name), event.MaxNameBytes)
		}
	}
	if !(im.intervalS > 0) || math.IsInf(im.intervalS, 0) {
		return fmt.Errorf("--interval-s: found %g: a time above 0 is allowed", im.intervalS)
	}
	if _, err := material.Lookup(im.material); err != nil {
		return fmt.Errorf("--reference-material: %w", err)
	}
	if im.dark == "" && im.reference == "" {
		return nil
	}
	switch im.options.Kind {
	case "":
		im.options.Kind = export.Counts
	case export.Counts:
	default:
		return fmt.Errorf("--kind %s with --dark or --reference: they belong to counts", im.options.Kind)
	}
	if len(im.options.Only) > 0 {
		return errors.New("--only with --dark or --reference is not allowed: name the spectra in files of their own")
	}
	return nil
}

// tell says what was taken for granted, the same thing only once.
func (im *importer) tell(name, note string) {
	if im.told == nil {
		im.told = map[string]bool{}
	}
	if im.told[note] {
		return
	}
	im.told[note] = true
	fmt.Fprintf(im.st.err, "bluefringe: %s: %s\n", event.Clean(name), event.Clean(note))
}

// join makes a list of words.
func join(words []string) string { return strings.Join(words, ", ") }
