package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"kerfwind/cmd/kerfwind/internal/socket"
)

// await waits until the daemon of a runtime folder is ready.
func await(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: await FOLDER")
	}
	ts.Check(awaitReady(ts.MkAbs(args[0])))
}

// rest waits until the shop of a runtime folder's daemon is at rest.
func rest(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: rest FOLDER")
	}
	ts.Check(awaitStatus(ts.MkAbs(args[0]), func(s *socket.Status) bool { return s.Ready && !s.Moving }))
}

// hangUp tells the daemon of a runtime folder to read its files again.
func hangUp(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: hang-up FOLDER")
	}
	pid := 0
	ts.Check(awaitStatus(ts.MkAbs(args[0]), func(s *socket.Status) bool { pid = s.PID; return true }))
	ts.Check(syscall.Kill(pid, syscall.SIGHUP))
}

// shop waits until a shop of that name is in force.
func shop(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: shop FOLDER NAME")
	}
	ts.Check(awaitStatus(ts.MkAbs(args[0]), func(s *socket.Status) bool { return s.Ready && s.Shop == args[1] && s.Reload == "" }))
}

// again waits until the daemon of a runtime folder has taken a shop up again.
func anew(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: anew FOLDER")
	}
	ts.Check(awaitStatus(ts.MkAbs(args[0]), func(s *socket.Status) bool { return s.Ready && s.Served > 1 }))
}

// awaitReady waits until the daemon of a runtime folder says that it is ready.
func awaitReady(folder string) error {
	return awaitStatus(folder, func(s *socket.Status) bool { return s.Ready })
}

// awaitMost bounds the wait for a daemon, on a busy computer too.
const awaitMost = time.Minute

var errNotYet = errors.New("not yet")

// awaitStatus waits until the status of a runtime folder's daemon is good.
func awaitStatus(folder string, good func(*socket.Status) bool) error {
	ctx, cancel := context.WithTimeout(context.Background(), awaitMost)
	defer cancel()
	var err error
	var last *socket.Status
	for ctx.Err() == nil {
		var st *socket.Status
		if st, err = statusOf(ctx, folder); err == nil {
			if last = st; good(last) {
				return nil
			}
		}
		if err == nil {
			err = errNotYet
		}
		select {
		case <-time.After(20 * time.Millisecond): //clock:ok another program starts
		case <-ctx.Done():
		}
	}
	return fmt.Errorf("the daemon of %s is not as wanted after %v: status %+v, error %w", folder, awaitMost, last, err)
}

// TestRunOutlivesItsReader: whoever reads the lines may go away; the shop goes
// on, and ends in order.
func TestRunOutlivesItsReader(t *testing.T) {
	dir, err := os.MkdirTemp("", "kw") // short: a socket's path has a limit
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.RemoveAll(dir) }() // the system clears its temporary files too
	cmd := exec.Command("kerfwind", "run", "--simulate", "--speed", "20", "--state", dir, "--runtime", dir)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	runs := func(s *socket.Status) bool { return s.Ready && s.Running > 0 }
	if err := awaitStatus(dir, runs); err != nil { // it has tried to print by then
		t.Errorf("no machine runs: %v", err)
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Error(err)
	}
	if err := cmd.Wait(); err != nil || !strings.Contains(said.String(), "collector off, nothing moves") {
		t.Errorf("%v; said:\n%s", err, said.String())
	}
}
