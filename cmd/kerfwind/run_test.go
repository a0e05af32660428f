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

// awaitReady waits until the daemon of a runtime folder says that it is ready.
func awaitReady(folder string) error {
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
			if err == nil && a.Status != nil && a.Status.Ready {
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
