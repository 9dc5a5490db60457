package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"bluefringe/device"
	"bluefringe/device/event"
	"bluefringe/device/ratebook"
	written "bluefringe/tui/report"

	"github.com/spf13/cobra"
)

func newReport(st streams) *cobra.Command {
	var v view
	var out string
	var markdown, force bool
	cmd := &cobra.Command{
		Use:   "report RUN",
		Short: "Written report of a recorded run, as one HTML page or as Markdown",
		Long: `Write the report of a recorded run: result and set-up, what was advised when and why,
thickness with its uncertainty, the contrast edge against theory, the map of the die,
residuals of the fit, removal rate and Preston coefficient, the uncertainty budget,
events and faults, versions and the SHA-256 of the record.

The run goes through the same engine as replay, and the numbers are those of replay
--json. The page is one file for screen and print that loads nothing and runs nothing;
the same record and program give the same bytes. Markdown has tables in place of the
figures. A damaged record is reported as far as it can be read, and the report says
what is wrong; exit status 1 when no spectrum can be read.`,
		Example: `  bluefringe report run.jsonl -o run.html
  bluefringe report run.jsonl --setup other.toml > run.html
  bluefringe report run.jsonl --markdown | less`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if toStandardOutput(out) && !markdown && isTerminal(st.out) {
				return usage(errors.New("a page of HTML is not for a terminal: give -o FILE, or --markdown"))
			}
			if err := checkReportFile(out, args[0], force); err != nil {
				return err
			}
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
			defer stop()
			r, err := newRunReport(ctx, st, args[0], v)
			if err != nil {
				return err
			}
			var page bytes.Buffer
			if markdown {
				err = r.WriteMarkdown(&page)
			} else {
				err = r.WriteHTML(&page)
			}
			if err != nil {
				return err
			}
			return writeReportFile(st, out, page.Bytes())
		},
	}
	f := cmd.Flags()
	f.StringVar(&v.setupFile, "setup", "", "set-up `file` (TOML); overrides the one in the record")
	f.StringVarP(&out, "out", "o", "", "write to this new `file` instead of standard output (-)")
	f.BoolVar(&markdown, "markdown", false, "write Markdown instead of HTML")
	f.BoolVar(&force, "force", false, "replace the file of --out, but never the record")
	return cmd
}

// checkReportFile refuses to write over what is there, before the work begins.
func checkReportFile(out, record string, force bool) error {
	info, err := os.Stat(out)
	if toStandardOutput(out) || errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return usage(fmt.Errorf("--out: %w", err))
	}
	if source, err := os.Stat(record); err == nil && os.SameFile(info, source) {
		return usage(errors.New("--out: that is the record itself"))
	}
	if !force {
		return usage(fmt.Errorf("--out: %s is there already: --force replaces it", event.Clean(out)))
	}
	return nil
}

// writeReportFile writes to standard output, or to a file that is whole or not there.
func writeReportFile(st streams, out string, page []byte) error {
	if toStandardOutput(out) {
		_, err := st.out.Write(page)
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(out), ".report-*")
	if err != nil {
		return err
	}
	_, err = f.Write(page)
	err = errors.Join(err, f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), out)
	}
	if err != nil {
		os.Remove(f.Name())
		return err
	}
	reportSize(st.err, out)
	return nil
}

// newRunReport runs a record through the engine and collects what is to be reported.
func newRunReport(ctx context.Context, st streams, path string, v view) (*written.Report, error) {
	size, sum, err := recordSum(ctx, path)
	if err != nil {
		return nil, err
	}
	listener := newListener(device.File(path))
	counted := &countedSource{Source: listener, size: size}
	c := newCollector()
	s := &session{lossless: true, source: counted, sink: c, digest: ratebook.NewDigest(), learner: newRateLearner()}
	if s.setup, s.prelude, err = v.load(); err != nil {
		return nil, err
	}
	c.faultLog.w = st.err
	c.progress = progress{w: st.err, source: counted, began: time.Now(), shown: isTerminal(st.err)}
	err = s.run(ctx, nil)
	c.progress.clear()
	c.heard(s.counts, time.Now())
	c.faultLog.close()
	var broken *crash
	switch {
	case ctx.Err() != nil:
		return nil, fmt.Errorf("interrupted after %d spectra", c.found)
	case err != nil && (c.found == 0 || errors.As(err, &broken)):
		return nil, err
	}
	if err := c.verdict(path, s.counts); err != nil {
		return nil, err
	}
	r := newWritten(c, listener, s)
	r.Record = written.Record{Name: filepath.Base(path), Bytes: size, SHA256: sum, Run: s.digest.Sum()}
	if err != nil {
		r.Problems = append([]string{"The record could not be read to its end: " + event.Clean(err.Error())}, r.Problems...)
	}
	if grown(path, size) {
		r.Problems = append(r.Problems, fmt.Sprintf("The record grew meanwhile: the checksum is that of its first %d bytes.", size))
	}
	for _, text := range r.Problems {
		fmt.Fprintf(st.err, "bluefringe: %s\n", text)
	}
	return r, nil
}
