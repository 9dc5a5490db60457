// Bluefringe watches a silicon die being thinned from the back and tells its
// operator how thick the silicon still is, how fast it goes, and when to stop.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
)

// Exit statuses.
const (
	exitDone   = 0
	exitFailed = 1
	exitUsage  = 2 // wrong usage or set-up
)

func main() {
	os.Exit(run(context.Background(), os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr}))
}

// streams are what a command reads and writes; results go to out, talk to err.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

// run is the whole program but for the exit.
func run(ctx context.Context, args []string, s streams) int {
	began := false
	root := newRoot(s, &began)
	root.SetArgs(args)
	root.SetIn(s.in)
	root.SetOut(s.out)
	root.SetErr(s.err)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	fmt.Fprintf(s.err, "bluefringe: %v\n", err)
	var wrong usageError
	switch {
	case errors.As(err, &wrong):
		return exitUsage
	case !began:
		fmt.Fprintln(s.err, "bluefringe: --help shows what is allowed")
		return exitUsage
	}
	return exitFailed
}

// usageError marks an error as wrong usage or set-up.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usage(err error) error { return usageError{err} }

const caution = "Advice only, no interlock: the machine's own stops come first. " +
	"Eye protection, gloves; keep clear of turning spindles; local rules and trained practice decide."

// newRoot returns the command line. began becomes true once a command runs: an
// error before that is wrong usage.
func newRoot(s streams, began *bool) *cobra.Command {
	root := &cobra.Command{
		Use:   "bluefringe",
		Short: "End-point guidance for thinning silicon from the back",
		Long: `Bluefringe watches a silicon die being thinned and polished from the back and
tells its operator how thick the silicon still is, how fast it goes, and when to
stop. It advises; it does not drive the machine and is no safety interlock.`,
		Example: `  bluefringe watch --demo                       see it work on a recorded run
  bluefringe watch --serial /dev/ttyUSB0 --setup die.toml --record run.jsonl
  bluefringe replay run.jsonl --json            what it said, line by line`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.AddCommand(newWatch(s), newReplay(s), newPorts(s), newMeasure(s), newCheck(s), newSimulate(s), newRates(s), newImport(s), newPlan(s), newReport(s), newTune(s), newTrain(s))
	noteBegin(root.Commands(), began)
	return root
}

// noteBegin sets began when a command, or one below it, runs.
func noteBegin(commands []*cobra.Command, began *bool) {
	for _, cmd := range commands {
		noteBegin(cmd.Commands(), began)
		inner := cmd.RunE
		cmd.RunE = func(cmd *cobra.Command, args []string) error {
			*began = true
			return inner(cmd, args)
		}
	}
}
