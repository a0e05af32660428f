package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/node"
	"kerfwind/cmd/kerfwind/internal/notify"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
)

// far connects the computer that decides with its nodes.
func far(o rig.Options, guard func(func())) (rig.Far, error) {
	r := o.Shop.Rig
	password, secure, err := mqttlink.Secrets(*r.MQTT, filepath.Dir(r.File))
	if err != nil {
		return nil, err
	}
	d, err := node.NewDecider(node.DeciderOptions{Shop: o.Shop, Boot: rand.Text(), Password: password, TLS: secure, Now: o.Now, Notice: o.Notice, Guard: guard})
	if err != nil {
		return nil, err // not a nil *Decider in an interface
	}
	return d, nil
}

// nodeRig is the rig where this computer is a node. What is wrong with the file
// is told by those who read it as a shop's.
func (r *runFlags) nodeRig() *config.Rig {
	if r.simulate {
		return nil
	}
	own, err := config.LoadRig(r.rig)
	if err != nil || !own.IsNode {
		return nil
	}
	return own
}

// noShop refuses a shop file on a node. One that is not there is meant for
// computers that decide: the unit file names it on all.
func noShop(path string) error {
	if _, err := os.Stat(path); path == "" || errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return config.Errors{{File: path, Message: "this computer is a node: the shop file belongs to the computer that decides", Remedy: "move it there, or take role out of the rig file"}}
}

// node senses and drives for the computer that decides until ctx is done; stop
// ends that ctx takes signals.
func (r *runFlags) node(ctx context.Context, stop func(), out *lines, own *config.Rig) error {
	if err := noShop(r.shop); err != nil {
		return &exitError{exitConfig, err}
	}
	password, secure, err := mqttlink.Secrets(*own.MQTT, filepath.Dir(own.File))
	if err != nil {
		return &exitError{exitConfig, err}
	}
	lock, err := rig.TakeLock(rig.Folder(r.runtime))
	if err != nil {
		return &exitError{exitHardware, err}
	}
	defer func() { _ = lock.Free() }() // the kernel does it otherwise
	manager, err := notify.Open(os.Getenv, os.Getpid())
	if err != nil {
		out.notice(err) // it will not hear of READY, and says so
	}
	defer func() { _ = manager.Close() }() // nothing more is said
	context.AfterFunc(ctx, stop)           // a second signal ends the program at once
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	var others sync.WaitGroup
	defer others.Wait()
	aside, end := context.WithCancel(context.WithoutCancel(ctx))
	defer end()
	others.Go(func() {
		for {
			select {
			case <-hup:
				out.notice(errors.New("a node reads its rig file at its start only"))
			case <-aside.Done():
				return
			}
		}
	})
	began := time.Now()
	how := realRig()
	tell := newTeller(manager, out)
	defer tell.end()
	n, err := node.Open(node.Options{
		Rig: own, Boot: rand.Text(), Password: password, TLS: secure, Hardware: how.Hardware, Sources: how.Sources,
		Now: func() time.Duration { return time.Since(began) }, Say: out.say, Notice: out.notice, Ready: tell.ready, Alive: tell.alive,
	})
	if err != nil {
		return &exitError{exitHardware, err}
	}
	out.say(fmt.Sprintf("kerfwind runs as node %s; it waits for the computer that decides", own.Name))
	return ended(n.Run(ctx), out)
}

// teller speaks with the service manager in a goroutine of its own, since that
// may wait.
type teller struct {
	work chan func() error
	done chan struct{}
	took func() time.Duration
	m    *notify.Manager
}

func newTeller(m *notify.Manager, out *lines) *teller {
	began := time.Now()
	t := &teller{work: make(chan func() error, 4), done: make(chan struct{}), m: m, took: func() time.Duration { return time.Since(began) }}
	go func() {
		defer close(t.done)
		for do := range t.work {
			if err := do(); err != nil {
				out.notice(err)
			}
		}
	}()
	return t
}

func (t *teller) put(do func() error) {
	if t.m == nil {
		return
	}
	select {
	case t.work <- do:
	default: // it hangs: the watchdog will know
	}
}

func (t *teller) ready() {
	t.put(func() error { return t.m.Ready("senses and drives for another computer") })
}
func (t *teller) alive() { t.put(func() error { return t.m.Alive(t.took()) }) }
func (t *teller) end()   { close(t.work); <-t.done }
