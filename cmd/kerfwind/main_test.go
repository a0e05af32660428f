package main

import (
	"bytes"
	"context"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"testing"

	"kerfwind/cmd/kerfwind/internal/socket"
)

// TestUntilEnded: a command that looks or moves is ended, not killed, as its
// terminal goes away.
func TestUntilEnded(t *testing.T) {
	for _, sig := range []syscall.Signal{syscall.SIGHUP, syscall.SIGTERM, syscall.SIGINT} {
		if signal.Ignored(sig) { // started by a shell in the background, which takes it away for good
			continue
		}
		ctx, stop := untilEnded(context.Background())
		if err := syscall.Kill(os.Getpid(), sig); err != nil {
			t.Fatal(err)
		}
		<-ctx.Done() // one that is not caught ends the test
		stop()
	}
}

// TestAskWithoutGate: what wants a gate says so before anything is asked.
func TestAskWithoutGate(t *testing.T) {
	for _, what := range ofGate {
		cmd := newAsk()
		if err := cmd.Args(cmd, []string{what}); err == nil || !strings.Contains(err.Error(), what+" which gate?") {
			t.Errorf("%s: %v", what, err)
		}
		if err := cmd.Args(cmd, []string{what, "planer"}); err != nil {
			t.Error(err)
		}
	}
}

// TestStatusOfMoveIn: while a move-in is open, status says that no machine is
// served, and the way out.
func TestStatusOfMoveIn(t *testing.T) {
	for _, want := range []bool{true, false} {
		var b bytes.Buffer
		if err := (&socket.Status{Ready: true, Shop: "move-in", File: "/etc/kerfwind/shops/barn.toml", FileWhy: "chosen", Bench: want}).Print(&b); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(b.String(), "no machine is served while a move-in is open"); got != want {
			t.Errorf("%v, want %v\n%s", got, want, b.String())
		}
	}
}
