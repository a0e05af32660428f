// Command kerfwind runs the dust collection of a small woodworking shop: it
// reads mains currents, opens the gate of the machine that has started, runs
// the collector and lets it run on until the duct is clear.
package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"
)

// Exit codes. A script may rely on them.
const (
	exitFailure  = 1 // the command could not do its work, or a comparison differs
	exitUsage    = 2 // unknown command, flag or argument
	exitConfig   = 3 // a rig or shop file cannot be used
	exitHardware = 4 // a bus, line or chip cannot be used
)

// exitError carries an exit code up to main. Its text is printed once.
type exitError struct {
	code int
	err  error
}

func (e *exitError) Error() string { return e.err.Error() }
func (e *exitError) Unwrap() error { return e.err }

func main() {
	os.Exit(run(os.Args[1:]))
}

// outliveReaders keeps a command that drives outputs alive when whoever reads
// its lines goes away: a broken pipe then is a write error, not the end.
func outliveReaders() { signal.Ignore(syscall.SIGPIPE) }

// untilEnded is the context of a command that looks or moves until it is told
// to stop: by Ctrl-C, by SIGTERM, or by SIGHUP as its terminal goes away, a lost
// ssh line for one. Under nohup it outlives its terminal.
func untilEnded(ctx context.Context) (context.Context, context.CancelFunc) {
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) {
		ends = append(ends, syscall.SIGHUP)
	}
	return signal.NotifyContext(ctx, ends...)
}

// run executes one command line and returns the exit code.
func run(args []string) int {
	root := newRoot()
	root.SetArgs(args)
	err := root.Execute()
	if err == nil {
		return 0
	}
	fmt.Fprintf(os.Stderr, "kerfwind: %v\n", err)
	var e *exitError
	if errors.As(err, &e) {
		if e.code == exitConfig && errors.Is(err, fs.ErrNotExist) {
			fmt.Fprintln(os.Stderr, "    no such file: check the path; kerfwind demo --unpack FOLDER writes examples")
		}
		return e.code
	}
	return exitFailure
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:           "kerfwind",
		Short:         "Blast gates and dust collector that follow the machines",
		Version:       versionText(),
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		return &exitError{exitUsage, err}
	})
	root.AddCommand(newBegin(), newReplay(), newDemo(), newRehearse(), newCheck(), newTrace(), newDucts(), newWiring())
	root.AddCommand(newRun(), newStatus(), newUse(), newSwap(), newShops(), newSheet(), newRetire(), newAsk(), newJog(), newHalt(), newMoveIn(), newLearn(), newRecord(), newWatch())
	root.AddCommand(newHistory(), newUpkeep(), newBackup(), newRestore(), newPassword(), newDoctor())
	explain(root)
	return root
}
