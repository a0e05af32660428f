package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/control"
)

// running is a daemon on a simulated rig, as a process of its own.
type running struct {
	cmd   *exec.Cmd
	lines *bufio.Scanner
	n     int // events so far
	bad   string
	cause bool // a machine has started, or a gate is held

	killed bool // the last line may be torn
}

// next reads the next event and looks that the collector starts for a reason
// of this process's own.
func (p *running) next() bool {
	if !p.lines.Scan() {
		return false
	}
	var e struct{ Event string }
	if err := json.Unmarshal(p.lines.Bytes(), &e); err != nil {
		if !p.killed {
			p.bad = p.lines.Text()
		}
		return true
	}
	p.n++
	switch e.Event {
	case "machine-started", "gate-held":
		p.cause = true
	case "collector-on":
		if !p.cause {
			p.bad = "the collector started before anything ran: " + p.lines.Text()
		}
	}
	return true
}

// TestKill kills the daemon with SIGKILL in random states, three times, or a
// hundred with KERFWIND_LONG, sometimes with a request on its way. Each start
// after it begins with everything off, knows the stand-down that was
// acknowledged last, and finds a history that is whole.
//
// The plant dies with the process here; that real outputs are brought to rest
// after a kill is proved in the virtual machine (.ci/vm/run).
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("not in short mode")
	}
	t.Parallel() // it mostly waits
	rounds := 3
	if os.Getenv("KERFWIND_LONG") != "" {
		rounds = 100
	}
	dir, err := os.MkdirTemp("", "kw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	state, runtime := filepath.Join(dir, "state"), filepath.Join(dir, "run")
	rnd := rand.New(rand.NewPCG(8, 8))
	down := map[bool]bool{false: true} // what may be stored: more than one after a request without an answer
	collected, downs := 0, 0
	for round := range rounds {
		p := startSimulated(t, state, runtime)
		st := statusNow(t, runtime)
		if st == nil || !down[st.StoodDown] {
			t.Fatalf("round %d: stood down: %+v, want one of %v", round, st, down)
		}
		down = map[bool]bool{st.StoodDown: true}
		if st.StoodDown {
			downs++
			askNow(t, runtime, control.AskLift, "")
			down = map[bool]bool{false: true}
		}
		for k := rnd.IntN(40); k > 0 && p.bad == "" && p.next(); k-- {
		}
		if p.cause {
			collected++
		}
		switch rnd.IntN(4) {
		case 0: // acknowledged
			askNow(t, runtime, control.AskStandDown, "")
			down = map[bool]bool{true: true}
		case 1: // on its way
			asked := make(chan struct{})
			go func() {
				defer close(asked)
				_, _ = socket.At(runtime).Ask(context.Background(), seam.Request{Kind: control.AskStandDown}) // it may be killed before
			}()
			down[true] = true
			defer func() { <-asked }()
		}
		p.kill(t)
		if p.bad != "" {
			t.Fatalf("round %d: %s", round, p.bad)
		}
	}
	ctx := context.Background()
	if err := journal.CheckFile(ctx, journal.Path(state)); err != nil {
		t.Errorf("the history after %d kills: %v", rounds, err)
	}
	if aside, err := filepath.Glob(filepath.Join(state, "*damaged*")); err != nil || len(aside) > 0 {
		t.Errorf("files were set aside: %q, %v", aside, err)
	}
	if rounds > 20 && (collected == 0 || downs == 0 || collected == rounds) { // a few rounds on a busy machine may see nothing
		t.Errorf("%d rounds saw a machine run, %d began stood down: these are not random states", collected, downs)
	}
	t.Logf("%d kills: %d after a machine had started, %d starts stood down", rounds, collected, downs)
}

// startSimulated starts a daemon on a simulated rig and waits until it answers.
func startSimulated(t *testing.T, state, runtime string) *running {
	t.Helper()
	p := &running{cmd: exec.Command("kerfwind", "run", "--simulate", "--json", "--speed", "20", "--state", state, "--runtime", runtime)}
	out, err := p.cmd.StdoutPipe()
	if err == nil {
		err = p.cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	p.lines = bufio.NewScanner(out)
	if err := awaitReady(runtime); err != nil {
		t.Fatal(err)
	}
	return p
}

// kill kills it, and reads what it printed before.
func (p *running) kill(t *testing.T) {
	t.Helper()
	if err := p.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	p.killed = true
	for p.next() {
	}
	_ = p.cmd.Wait() // killed
}

// TestKillLatched kills the daemon with SIGKILL while it is latched and gates are
// set aside, three times, or two hundred with KERFWIND_LONG, often with a request on
// its way. No latch and no aside that was there or was acknowledged is lost, and
// none comes back that somebody has ended.
func TestKillLatched(t *testing.T) {
	if testing.Short() {
		t.Skip("not in short mode")
	}
	t.Parallel() // it mostly waits
	rounds := 3
	if os.Getenv("KERFWIND_LONG") != "" {
		rounds = 200
	}
	dir, err := os.MkdirTemp("", "kw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	state, runtime := filepath.Join(dir, "state"), filepath.Join(dir, "run")
	unreadable := func() {
		t.Helper()
		if err := errors.Join(os.MkdirAll(state, 0o700), os.WriteFile(filepath.Join(state, "latches.json"), nil, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	unreadable() // so it is latched, and every gate is set aside
	rnd := rand.New(rand.NewPCG(16, 16))
	latched := true
	var aside map[string]map[bool]bool // what may be stored of each gate; nil: each is aside
	onWay, resets := 0, 0
	for round := range rounds {
		p := startSimulated(t, state, runtime)
		st := statusNow(t, runtime)
		if st.Latched != latched {
			t.Fatalf("round %d: latched: %v, want %v", round, st.Latched, latched)
		}
		whole := aside == nil
		now := map[string]map[bool]bool{}
		var gates []string
		for _, g := range st.Gates {
			is := g.Why == "gate set aside"
			if whole && !is || !whole && !aside[g.Name][is] {
				t.Fatalf("round %d: gate %s set aside: %v", round, g.Name, is)
			}
			now[g.Name], gates = map[bool]bool{is: true}, append(gates, g.Name)
		}
		aside = now
		for range rnd.IntN(4) {
			g := gates[rnd.IntN(len(gates))]
			if aside[g][true] {
				askNow(t, runtime, control.AskReturn, g)
			} else {
				askNow(t, runtime, control.AskAside, g)
			}
			aside[g] = map[bool]bool{!aside[g][true]: true}
		}
		if rnd.IntN(8) == 0 && latched {
			askNow(t, runtime, control.AskReset, "")
			latched = false
			resets++
		}
		for k := rnd.IntN(10); k > 0 && p.next(); k-- {
		}
		if rnd.IntN(2) == 0 { // on its way
			g, kind := gates[rnd.IntN(len(gates))], control.AskAside
			if aside[g][true] {
				kind = control.AskReturn
			}
			asked := make(chan struct{})
			go func() {
				defer close(asked)
				_, _ = socket.At(runtime).Ask(context.Background(), seam.Request{Kind: kind, Target: g}) // it may be killed before
			}()
			aside[g] = map[bool]bool{false: true, true: true}
			onWay++
			defer func() { <-asked }()
		}
		p.kill(t)
		if !latched { // the kills are to be of a latched one
			unreadable()
			latched, aside = true, nil
		}
	}
	t.Logf("%d kills, %d with a request on its way, %d after a reset: no latch and no aside lost", rounds, onWay, resets)
}

// statusNow is the status of a runtime folder's daemon.
func statusNow(t *testing.T, runtime string) *socket.Status {
	t.Helper()
	st, err := statusOf(t.Context(), runtime)
	if err != nil {
		t.Fatal(err)
	}
	return st
}

// askNow asks the daemon of a runtime folder.
func askNow(t *testing.T, runtime string, kind control.AskKind, gate string) {
	t.Helper()
	if _, err := socket.At(runtime).Ask(t.Context(), seam.Request{Kind: kind, Target: gate}); err != nil {
		t.Fatal(err)
	}
}
