package node

import (
	"context"
	"crypto/rand"
	"fmt"
	"path/filepath"
	"time"

	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
)

// Far connects the computer that decides with its nodes.
func Far(o rig.Options, guard func(func())) (rig.Far, error) {
	r := o.Shop.Rig
	password, secure, err := mqttlink.Secrets(*r.MQTT, filepath.Dir(r.File))
	if err != nil {
		return nil, err
	}
	d, err := NewDecider(DeciderOptions{Shop: o.Shop, Boot: rand.Text(), Password: password, TLS: secure, Now: o.Now, Notice: o.Notice, Guard: guard})
	if err != nil {
		return nil, err // not a nil *Decider in an interface
	}
	return d, nil
}

// SecretsError is the error of a broker's password or certificate, OpenError that of
// hardware that cannot be opened.
type (
	SecretsError struct{ Err error }
	OpenError    struct{ Err error }
)

func (e *SecretsError) Error() string { return e.Err.Error() }
func (e *SecretsError) Unwrap() error { return e.Err }
func (e *OpenError) Error() string    { return e.Err.Error() }
func (e *OpenError) Unwrap() error    { return e.Err }

// Serve senses and drives for the computer that decides until ctx is done, by a rig file
// and those that are read again.
func (h *Host) Serve(ctx context.Context, own *config.Rig, o Options, m *rig.Manager) error {
	began := time.Now()
	tell := newTeller(m, o.Notice)
	defer tell.end()
	o.Now, o.Ready, o.Alive = func() time.Duration { return time.Since(began) }, tell.ready, tell.alive
	open := func(own *config.Rig) (*Node, error) {
		var err error
		o.Rig, o.Boot = own, rand.Text()
		if o.Password, o.TLS, err = mqttlink.Secrets(*own.MQTT, filepath.Dir(own.File)); err != nil {
			return nil, &SecretsError{err}
		}
		n, err := Open(o)
		if err != nil {
			return nil, &OpenError{err}
		}
		return n, nil
	}
	n, err := open(own)
	if err != nil {
		return err
	}
	o.Say(fmt.Sprintf("kerfwind runs as node %s; it waits for the computer that decides", own.Name))
	for {
		h.Runs(n)
		err := n.Run(ctx)
		if err != nil || !n.Renewed() {
			return err
		}
		next := h.Take()
		if n, err = open(next); err != nil {
			o.Notice(fmt.Errorf("%w; the earlier rig file stays in use", err))
			if n, err = open(own); err != nil {
				return err
			}
			continue
		}
		own = next
		o.Say(fmt.Sprintf("the rig file has taken effect; node %s waits for the computer that decides", own.Name))
	}
}

// teller speaks with the service manager in a goroutine of its own, since that
// may wait.
type teller struct {
	work chan func() error
	done chan struct{}
	took func() time.Duration
	m    *rig.Manager
}

func newTeller(m *rig.Manager, notice func(error)) *teller {
	began := time.Now()
	t := &teller{work: make(chan func() error, 4), done: make(chan struct{}), m: m, took: func() time.Duration { return time.Since(began) }}
	go func() {
		defer close(t.done)
		for do := range t.work {
			if err := do(); err != nil {
				notice(err)
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
