package node

import (
	"regexp"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/control"
)

// A node says who decides, how old the newest order is, and what it senses and
// drives, in its own names.
func TestStatus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.coil.set(0, true)
		p.dec.Apply(control.Command{Seq: 1, Kind: control.GateOpen})
		p.dec.Apply(control.Command{Seq: 2, Kind: control.CollectorOn})
		p.after(600 * time.Millisecond)
		has := func(list []socket.Thing, name, state string) {
			t.Helper()
			if !slices.ContainsFunc(list, func(x socket.Thing) bool { return x.Name == name && x.State == state }) {
				t.Errorf("no %s %s in %+v", name, state, list)
			}
		}
		s := p.prog.Status()
		if s.State != "at work" || s.Decides != "d1" || !s.Broker || s.Order < 0 || s.Order > 0.6 || s.Running != 1 || s.Quiet || s.Reload != "" {
			t.Errorf("%+v", s)
		}
		has(s.Senses, "c0", "running")
		has(s.Senses, "button", "a button")
		has(s.Drives, "g0", "opening")
		has(s.Drives, "k1", "off")
		has(s.Drives, "k2", "on")
		has(s.Stops, "door", "closed")
		p.hw.lever(20, true).put(false)
		p.after(3 * time.Second)
		s = p.prog.Status()
		has(s.Stops, "door", "open")
		has(s.Drives, "k2", "off")
		has(s.Drives, "g0", "stopped where it was")
		p.e.set(func() { p.e.cut = true })
		p.after(10 * time.Second)
		if s = p.prog.Status(); s.State != "has lost the computer that decides" || s.Order < 9 || s.Broker {
			t.Errorf("%+v", s)
		}
	})
}

// A node ends for a new file only once nothing is on, moves or runs there and
// the shop is at rest.
func TestRenew(t *testing.T) {
	door := regexp.MustCompile(`.*name = "door".*\n`)
	for _, x := range []struct {
		name       string
		busy, free func(p *pair)
	}{
		{"the shop is at work", func(*pair) {}, func(p *pair) { p.dec.AtRest(true) }},
		{"a machine runs", func(p *pair) { p.coil.set(0, true); p.dec.AtRest(true) }, func(p *pair) { p.coil.set(0, false) }},
		{"an outlet is on", func(p *pair) { p.dec.AtRest(true); p.dec.Apply(control.Command{Seq: 1, Kind: control.OutletOn}) },
			func(p *pair) { p.dec.Apply(control.Command{Seq: 2, Kind: control.OutletOff}) }},
		{"a gate moves", func(p *pair) { p.dec.Apply(control.Command{Seq: 1, Kind: control.GateOpen}); p.dec.AtRest(true) }, func(*pair) {}},
		{"nobody is heard, and an outlet is on", func(p *pair) {
			p.dec.Apply(control.Command{Seq: 1, Kind: control.OutletOn})
			p.after(100 * time.Millisecond)
			p.e.set(func() { p.e.cut = true })
		}, func(p *pair) { p.after(time.Minute) }},
	} {
		t.Run(x.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPairOf(t, door.ReplaceAllString(annexRig, ""))
				defer p.end()
				p.after(2 * time.Second)
				x.busy(p)
				p.after(600 * time.Millisecond)
				p.prog.Renew()
				p.after(600 * time.Millisecond)
				if s := p.prog.Status(); p.noticed("reading the rig file again: outputs off") || s.Reload == "" || s.Quiet {
					t.Fatalf("it does not wait: %+v", s)
				}
				x.free(p)
				p.after(5 * time.Second)
				if !p.noticed("reading the rig file again: outputs off") || p.hw.is(air) || p.hw.is(contactor) {
					t.Errorf("it waits: %+v", p.prog.Status())
				}
				p.stop() // Run has returned
				if p.stop = func() {}; !p.prog.Renewed() {
					t.Error("and does not say why it ended")
				}
			})
		})
	}
}

// A node with a stop input does not end by itself: that input would count as
// broken, and latch the shop. Where nobody decides it does.
func TestRenewWithStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.dec.AtRest(true)
		p.after(time.Second)
		p.prog.Renew()
		p.after(time.Second)
		if !p.noticed("a stop input is wired to it") || p.noticed("reading the rig file again: outputs off") || p.prog.Status().Reload != "" || p.report().Session == "" {
			t.Errorf("%+v %q", p.prog.Status(), p.told)
		}
		if err := p.dec.Halt(); err != nil {
			t.Error(err)
		}
		p.after(time.Second)
		p.prog.Renew()
		p.after(time.Second)
		if !p.noticed("reading the rig file again: outputs off") {
			t.Errorf("%q", p.told)
		}
	})
}
