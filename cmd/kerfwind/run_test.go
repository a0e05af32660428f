package main

import (
	"context"
	"os"
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

// awaitReady waits until the daemon of a runtime folder says that it is ready.
func awaitReady(folder string) error {
	return awaitStatus(folder, func(s *socket.Status) bool { return s.Ready })
}

// awaitStatus waits until the status of a runtime folder's daemon is good.
func awaitStatus(folder string, good func(*socket.Status) bool) error {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var err error
	for ctx.Err() == nil {
		var c *socket.Client
		if c, err = socket.Dial(folder); err == nil {
			var a socket.Answer
			a, err = c.Do(ctx, socket.Request{Do: socket.DoStatus})
			if cerr := c.Close(); err == nil {
				err = cerr
			}
			if err == nil && a.Status != nil && good(a.Status) {
				return nil
			}
		}
		select {
		case <-time.After(20 * time.Millisecond): //clock:ok another program starts
		case <-ctx.Done():
		}
	}
	if err == nil {
		err = os.ErrDeadlineExceeded
	}
	return err
}
