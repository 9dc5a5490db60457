// Study measures how well the estimator and the stop advice do, on far more cases than
// tests have time for. Its tables stand in the repository:
//
//	go run ./cmd/study spectra -n 10000 > optics/estimate/STUDY.md
//	go run ./cmd/study runs -n 1000                 (writes removal/RUNS.md)
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := newRoot().ExecuteContext(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "study:", err)
		os.Exit(1)
	}
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:           "study",
		Short:         "Measure the estimator and the stop advice on many cases",
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(newSpectra(), newRuns())
	return root
}
