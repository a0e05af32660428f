package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/node"
	"kerfwind/cmd/kerfwind/internal/notify"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/socket"
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
	lock, listener, err := takeRig(rig.Folder(r.runtime))
	if err != nil {
		return err
	}
	defer func() { _ = lock.Free() }() // the kernel does it otherwise
	manager, err := notify.Open(os.Getenv, os.Getpid())
	if err != nil {
		out.notice(err) // it will not hear of READY, and says so
	}
	defer func() { _ = manager.Close() }() // nothing more is said
	context.AfterFunc(ctx, stop)           // a second signal ends the program at once
	host := node.NewHost(versionText(), r.rig, out.notice)
	defer attend(ctx, listener, func(p socket.Peer) seam.Shop { return host.Door(p.Door()) }, host.Renew, out.notice)()
	began := time.Now()
	how := realRig()
	tell := newTeller(manager, out)
	defer tell.end()
	open := func(own *config.Rig) (*node.Node, error) {
		password, secure, err := mqttlink.Secrets(*own.MQTT, filepath.Dir(own.File))
		if err != nil {
			return nil, &exitError{exitConfig, err}
		}
		n, err := node.Open(node.Options{
			Rig: own, Boot: rand.Text(), Password: password, TLS: secure, Hardware: how.Hardware, Sources: how.Sources,
			Now: func() time.Duration { return time.Since(began) }, Say: out.say, Notice: out.notice, Ready: tell.ready, Alive: tell.alive,
		})
		if err != nil {
			return nil, &exitError{exitHardware, err}
		}
		return n, nil
	}
	n, err := open(own)
	if err != nil {
		return err
	}
	out.say(fmt.Sprintf("kerfwind runs as node %s; it waits for the computer that decides", own.Name))
	for {
		host.Runs(n)
		err := n.Run(ctx)
		if err != nil || !n.Renewed() {
			return ended(err, out)
		}
		next := host.Take()
		if n, err = open(next); err != nil {
			out.notice(fmt.Errorf("%w; the former rig file stays in force", err))
			if n, err = open(own); err != nil {
				return err
			}
			continue
		}
		own = next
		out.say(fmt.Sprintf("the rig file is in force; node %s waits for the computer that decides", own.Name))
	}
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
