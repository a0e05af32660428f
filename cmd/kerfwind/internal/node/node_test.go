package node

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// lines of the annex: motor open and shut, outlet, contactor.
const opens, shuts, air, contactor = 5, 6, 7, 8

func output(k control.CommandKind, seq uint32, o control.Outcome) control.Input {
	return control.Input{Kind: control.OutputIs, What: k, Seq: seq, State: uint8(o)}
}

// A session: readings and contacts come, commands go and are answered, a button
// holds, and at the end all is off.
func TestSession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		if err := down(p.dec); err != nil {
			t.Fatal(err, p.told)
		}
		if p.verdict(0) != sensor.Idle || p.verdict(1) != 0 {
			t.Errorf("readings: %v", p.readings)
		}
		for _, in := range []control.Input{
			{Kind: control.StopIs, State: uint8(control.Closed)},
			output(control.GateStop, 0, control.Lost), output(control.OutletOff, 0, control.Lost), output(control.CollectorOff, 0, control.Lost),
		} {
			if !p.has(in) {
				t.Errorf("%+v did not come", in)
			}
		}
		p.coil.set(0, true)
		p.after(300 * time.Millisecond)
		if p.verdict(0) != sensor.Running {
			t.Error("the start did not come")
		}
		for _, r := range p.readings {
			if r.Verdict == sensor.Running && (p.now()-r.Onset > 400*time.Millisecond || r.Amps < 5) {
				t.Errorf("the start came as %+v at %v", r, p.now())
			}
		}
		p.dec.Apply(control.Command{Seq: 1, Kind: control.GateOpen})
		p.dec.Apply(control.Command{Seq: 2, Kind: control.OutletOn})
		p.dec.Apply(control.Command{Seq: 3, Kind: control.CollectorOn})
		p.after(300 * time.Millisecond)
		if !p.hw.is(opens) || !p.hw.is(air) || !p.hw.is(contactor) {
			t.Errorf("lines %v", p.hw.on)
		}
		for seq, k := range []control.CommandKind{1: control.GateOpen, control.OutletOn, control.CollectorOn} {
			if k != 0 && !p.has(output(k, uint32(seq), control.Done)) {
				t.Errorf("command %d is not answered: %+v", seq, p.got)
			}
		}
		p.after(2 * time.Second)
		if p.hw.is(opens) {
			t.Error("the motor goes on after its travel time")
		}
		p.hw.lever(21, true).put(false)
		p.after(100 * time.Millisecond)
		hold := false
		for _, r := range p.got {
			hold = hold || r.Input.Kind == control.Ask && r.Input.State == uint8(control.AskHold) && r.Input.Origin == control.Wired && r.Input.For == time.Minute
		}
		if !hold {
			t.Error("the button did not come")
		}
		if err := p.dec.Halt(); err != nil {
			t.Error(err)
		}
		if p.hw.is(air) || p.hw.is(contactor) {
			t.Error("the deciding computer has ended, and outputs are on")
		}
	})
}

// The broker goes in mid-cut and comes back: nothing is switched in between,
// what was sensed is unknown meanwhile, off waits, on has failed.
func TestBrokerGoes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.coil.set(0, true)
		p.dec.Apply(control.Command{Seq: 1, Kind: control.CollectorOn})
		p.after(time.Second)
		p.forget()
		p.e.set(func() { p.e.cut = true })
		p.after(2400 * time.Millisecond)
		if p.verdict(0) == sensor.Unknown {
			t.Error("unknown too soon")
		}
		p.after(time.Second)
		if p.verdict(0) != sensor.Unknown || !p.has(control.Input{Kind: control.StopIs, State: uint8(control.Broken)}) || down(p.dec) == nil {
			t.Errorf("the loss is not told: %+v %+v", p.readings, p.got)
		}
		if !p.noticed("node annex: lost: silent for 3s") || !p.noticed("the computer that decides is lost") {
			t.Errorf("notices: %q", p.told)
		}
		p.dec.Apply(control.Command{Seq: 2, Kind: control.GateOpen})
		p.dec.Apply(control.Command{Seq: 3, Kind: control.OutletOff})
		p.after(10 * time.Second)
		if !p.has(output(control.GateOpen, 2, control.Failed)) || p.has(output(control.OutletOff, 3, control.Failed)) {
			t.Errorf("commands to nobody: %+v", p.got)
		}
		if !p.hw.is(contactor) {
			t.Error("the collector was switched off in mid-cut")
		}
		p.hw.lever(21, true).put(false) // a press that nobody hears
		p.after(2 * time.Second)
		p.forget()
		p.e.set(func() { p.e.cut = false })
		p.after(time.Second)
		for _, r := range p.got {
			if r.Input.Kind == control.Ask {
				t.Errorf("a press of two seconds ago: %+v", r)
			}
		}
		if p.verdict(0) != sensor.Running || down(p.dec) != nil || !p.has(output(control.OutletOff, 3, control.Done)) || p.has(output(control.CollectorOff, 0, control.Lost)) {
			t.Errorf("it is not back as it was: %+v %+v %v", p.readings, p.got, down(p.dec))
		}
	})
}

// A node that has lost the deciding computer: outlets go off after their run-on,
// the contactor after the hold of an unknown machine and the longest run-on;
// gates stay. It tells so when that computer is back.
func TestSafeState(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.dec.Apply(control.Command{Seq: 1, Kind: control.CollectorOn})
		p.dec.Apply(control.Command{Seq: 2, Kind: control.OutletOn})
		p.dec.Apply(control.Command{Seq: 3, Kind: control.GateOpen})
		p.after(3 * time.Second)
		p.e.set(func() { p.e.cut = true })
		for _, x := range []struct {
			after          time.Duration
			air, contactor bool
		}{{62 * time.Second, true, true}, {64 * time.Second, false, true}, {312 * time.Second, false, true}, {314 * time.Second, false, false}} {
			p.after(x.after - p.since())
			if p.hw.is(air) != x.air || p.hw.is(contactor) != x.contactor || p.hw.is(opens) || p.hw.is(shuts) {
				t.Errorf("%v after the loss: %v", x.after, p.hw.on)
			}
		}
		p.forget()
		p.e.set(func() { p.e.cut = false })
		p.after(time.Second)
		if !p.has(output(control.CollectorOff, 0, control.Lost)) || !p.has(output(control.OutletOff, 0, control.Lost)) {
			t.Errorf("what went off is not told: %+v", p.got)
		}
	})
}

// since is how long ago the broker went in TestSafeState.
func (p *pair) since() time.Duration { return p.now() - 5*time.Second }

// A stop input at a node acts there at once, also while nobody decides, and is
// told once somebody does, though it is closed again.
func TestStopAtNode(t *testing.T) {
	for _, cut := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			p := newPair(t)
			defer p.end()
			p.after(2 * time.Second)
			p.dec.Apply(control.Command{Seq: 1, Kind: control.CollectorOn})
			p.dec.Apply(control.Command{Seq: 2, Kind: control.OutletOn})
			p.dec.Apply(control.Command{Seq: 3, Kind: control.GateOpen})
			p.after(500 * time.Millisecond)
			p.e.set(func() { p.e.cut = cut })
			p.forget()
			door := p.hw.lever(20, true)
			door.put(false)
			p.after(time.Millisecond)
			if p.hw.is(contactor) || p.hw.is(air) || p.hw.is(opens) {
				t.Errorf("a stop does not act within a millisecond: %v", p.hw.on)
			}
			p.after(100 * time.Millisecond)
			if !cut {
				p.dec.Apply(control.Command{Seq: 4, Kind: control.CollectorOn})
				p.after(100 * time.Millisecond)
				if !p.has(output(control.CollectorOn, 4, control.Failed)) || p.hw.is(contactor) {
					t.Errorf("on while a stop acts: %+v", p.got)
				}
			}
			door.put(true)
			p.after(100 * time.Millisecond)
			p.e.set(func() { p.e.cut = false })
			p.after(time.Second)
			open, closed := control.Input{Kind: control.StopIs, State: uint8(control.Open)}, control.Input{Kind: control.StopIs, State: uint8(control.Closed)}
			if !p.has(open) || !p.has(closed) {
				t.Errorf("the stop was not told: %+v", p.got)
			}
		})
	}
}

// A node that starts again: its outputs are told as lost, a node that ends is
// missed at once.
func TestNodeRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.dec.Apply(control.Command{Seq: 1, Kind: control.OutletOn})
		p.after(200 * time.Millisecond)
		p.forget()
		p.stop()
		p.after(10 * time.Millisecond)
		if down(p.dec) == nil || p.hw.is(air) {
			t.Error("it has ended: it should be missed, and its outputs off")
		}
		p.node("n2")
		p.after(2 * time.Second)
		if down(p.dec) != nil || !p.has(output(control.OutletOff, 0, control.Lost)) || !p.has(output(control.GateStop, 0, control.Lost)) || !p.noticed("is back after a restart") {
			t.Errorf("%v %+v %q", down(p.dec), p.got, p.told)
		}
	})
}

// A deciding program that dies and starts again: the node goes over to it once
// it has lost the old one, with its outputs off, and not before.
func TestDeciderRestarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.dec.Apply(control.Command{Seq: 1, Kind: control.OutletOn})
		p.after(200 * time.Millisecond)
		old := p.dec
		old.Close()
		p.decider("d2")
		p.after(time.Second)
		if down(p.dec) == nil || !p.hw.is(air) || !p.noticed("another computer wants to decide here") {
			t.Errorf("it went over at once: %v %v %q", down(p.dec), p.hw.on, p.told)
		}
		p.after(4 * time.Second)
		if down(p.dec) != nil || p.hw.is(air) || p.report().Session != "d2" {
			t.Errorf("it did not go over: %v %v %q", down(p.dec), p.hw.on, p.told)
		}
	})
}

// A loop that hangs is as a computer that is gone.
func TestLoopHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		p.after(2 * time.Second)
		if p.noticed("is lost") {
			t.Error("lost too soon")
		}
		close(p.quiet)
		p.after(6 * time.Second)
		if !p.noticed("the computer that decides is lost") {
			t.Errorf("notices: %q", p.told)
		}
		p.quiet = make(chan struct{})
		p.end()
	})
}

// What is late, retained, of another session, or for another start of the node
// is not carried out.
func TestRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		on := []command{{77, word[control.CommandKind]{control.OutletOn}, 0}}
		fresh := func() head {
			r := p.report()
			return head{Boot: "d1", Seq: r.Heard + 1000, Heard: r.Seq}
		}
		for what, send := range map[string]func(){
			"retained":          func() { p.order(order{head: fresh(), To: "n1", Commands: on}, true) },
			"another session":   func() { h := fresh(); h.Boot = "d0"; p.order(order{head: h, To: "n1", Commands: on}, false) },
			"another start":     func() { p.order(order{head: fresh(), To: "n0", Commands: on}, false) },
			"of unknown age":    func() { h := fresh(); h.Heard = 0; p.order(order{head: h, To: "n1", Commands: on}, false) },
			"of a later report": func() { h := fresh(); h.Heard += 5000; p.order(order{head: h, To: "n1", Commands: on}, false) },
			"late":              func() { h := fresh(); h.Heard -= 4; p.order(order{head: h, To: "n1", Commands: on}, false) },
			"no such output":    func() { h := fresh(); p.order(order{head: h, To: "n1", Commands: []command{{78, on[0].Do, 3}}}, false) },
			"garbage": func() {
				p.e.deliver(orderTopic("kerfwind", "annex"), []byte(`{"boot":"d1","seq":9,"to":"n1","why":1}`), false)
				p.after(10 * time.Millisecond)
			},
		} {
			send()
			if p.hw.is(air) {
				t.Errorf("%s: carried out", what)
			}
		}
		if !p.noticed("refused a retained order") || !p.noticed("an order cannot be read") {
			t.Errorf("notices: %q", p.told)
		}
	})
}

// Messages that are on their way for too long: a command is refused by the
// node, with a word; reports that are too old are not believed, and the node is
// lost.
func TestSlowBroker(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.e.set(func() { p.e.delay["kerfwind-barn-nodes"] = 1200 * time.Millisecond })
		p.dec.Apply(control.Command{Seq: 5, Kind: control.OutletOn})
		p.after(2 * time.Second)
		if p.hw.is(air) || !p.has(output(control.OutletOn, 5, control.Failed)) {
			t.Errorf("a late command: %v %+v", p.hw.on, p.got)
		}
		p.dec.Apply(control.Command{Seq: 6, Kind: control.OutletOff})
		p.after(2 * time.Second)
		if !p.has(output(control.OutletOff, 6, control.Done)) {
			t.Error("off is refused because it is late")
		}
		p.forget()
		p.e.set(func() { p.e.delay["kerfwind-node-annex"] = 5 * time.Second })
		p.after(10 * time.Second)
		if p.verdict(0) != sensor.Unknown || down(p.dec) == nil {
			t.Errorf("old reports are believed: %+v", p.readings)
		}
		p.e.set(func() { clear(p.e.delay) })
		p.after(10 * time.Second)
		if p.verdict(0) != sensor.Idle || down(p.dec) != nil {
			t.Errorf("it is not back: %v, %q", down(p.dec), p.told)
		}
	})
}

// A copy of the rig file that differs is told; a plan with a name that the node
// does not have is refused with it.
func TestOtherFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.dec.mu.Lock()
		p.dec.peers[0].rig = "other"
		p.dec.mu.Unlock()
		p.after(2 * time.Second)
		if !p.noticed("its rig file differs from the copy here") {
			t.Errorf("notices: %q", p.told)
		}
		p.dec.mu.Lock()
		p.dec.peers[0].plan.Gates[0].Actuator = "g9"
		p.dec.mu.Unlock()
		p.stop()
		p.node("n2")
		p.after(5 * time.Second)
		if err := down(p.dec); err == nil || !strings.Contains(err.Error(), `there is no actuator "g9"`) {
			t.Errorf("down: %v", err)
		}
		tries := 0
		for _, s := range p.told {
			if strings.Contains(s, "its plan cannot be used") && !strings.Contains(s, "node annex") {
				tries++
			}
		}
		if tries != 1 {
			t.Errorf("%d tries in five seconds: %q", tries, p.told)
		}
		// Once it can be used it is, without waiting.
		p.dec.mu.Lock()
		p.dec.peers[0].plan.Gates[0].Actuator = "g0"
		p.dec.mu.Unlock()
		p.after(time.Second)
		if err := down(p.dec); err != nil {
			t.Errorf("down: %v", err)
		}
	})
}

// The decider believes of a node only what is wired there.
func TestOnlyItsOwn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		p.forget()
		p.dec.mu.Lock()
		q := p.dec.peers[0]
		r := report{head: head{Boot: q.boot, Seq: q.last + 1, Heard: q.ages.seq}, Session: "d1", Channels: []channel{{ID: 1, Is: word[sensor.Verdict]{sensor.Running}, Health: word[sensor.Health]{sensor.Healthy}}},
			Facts: []fact{{word[control.InputKind]{control.GateIs}, 0, "open"}, {word[control.InputKind]{control.StopIs}, 7, "open"}, {word[control.InputKind]{control.BinIs}, 0, "full"}},
			News:  []news{{N: 900, Kind: newsPress, ID: 4}, {N: 901, Kind: newsDone, Do: word[control.CommandKind]{control.GateOpen}, ID: 9, Seq: 3}, {N: 902, Kind: newsStop, ID: 8}}}
		p.dec.mu.Unlock()
		b, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		p.e.deliver(reportTopic("kerfwind", "annex"), b, false)
		synctest.Wait()
		p.mu.Lock()
		p.got, p.readings = p.dec.Take(p.got, p.readings)
		if len(p.got) > 0 || len(p.readings) > 0 {
			t.Errorf("taken: %+v %+v", p.got, p.readings)
		}
		p.mu.Unlock()
	})
}

// Every reading comes while somebody listens, in order, and no longer than the
// lease after that; control is told of a start as soon as ever.
func TestListen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPair(t)
		defer p.end()
		p.after(2 * time.Second)
		count := func() (n int) {
			p.forget()
			p.after(time.Second)
			last := time.Duration(0)
			p.mu.Lock()
			defer p.mu.Unlock()
			for _, r := range p.readings {
				if r.Channel == 0 {
					n++
				}
				if r.At < last || r.At > p.now() || r.Onset > r.At {
					t.Errorf("%+v after %v", r, last)
				}
				last = r.At
			}
			return n
		}
		if n := count(); n > 5 {
			t.Errorf("%d readings a second though nobody listens", n)
		}
		p.dec.Listen(1500 * time.Millisecond)
		p.after(200 * time.Millisecond)
		if n := count(); n < 98 || n > 102 { // half cycles of 50 Hz
			t.Errorf("%d readings a second", n)
		}
		p.coil.set(0, true)
		p.after(60 * time.Millisecond)
		if p.verdict(0) != sensor.Running {
			t.Error("the start waits for the tape")
		}
		p.after(4500 * time.Millisecond)
		if n := count(); n > 5 {
			t.Errorf("%d readings a second after the lease", n)
		}
	})
}

func FuzzReport(f *testing.F) {
	f.Add([]byte(`{"boot":"n1","seq":4,"heard":2,"after":0.2,"session":"d1","rig":"00","channels":[{"id":0,"is":"running","health":"healthy","amps":7.1,"since":0.1}],"facts":[{"of":"stop","id":0,"is":"closed"}],"news":[{"n":1,"news":"done","do":"gate-open","id":0,"cmd":7}]}`))
	f.Add([]byte(`{"boot":"n1","seq":1}`))
	f.Add([]byte(`{"boot":"n1","seq":1,"tape":[{"id":0,"is":"idle","health":"healthy","amps":0.1,"since":2,"ago":0.02},{"id":0,"is":"idle","health":"healthy","amps":0.1,"since":2,"ago":0.01}]}`))
	f.Add([]byte(`{"boot":"n1","seq":1,"why":"\u001b[2J\u202egone\u2028","news":[{"n":1,"news":"failed","do":"gate-open","id":0,"cmd":7,"why":"\u001b]0;x\u0007"}]}`))
	f.Add([]byte(`{"boot":"n1","seq":1,"channels":[{"id":-1,"is":"on"}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := parseReport(b)
		if err != nil {
			return
		}
		for _, x := range r.Facts {
			if _, ok := x.input(); !ok {
				t.Errorf("invalid fact %+v", x)
			}
		}
		if strings.ContainsFunc(r.Why, config.Hidden) || slices.ContainsFunc(r.News, func(n news) bool { return strings.ContainsFunc(n.Why, config.Hidden) }) {
			t.Errorf("hidden characters come through: %q %+v", r.Why, r.News)
		}
		again(t, r, parseReport)
	})
}

func FuzzOrder(f *testing.F) {
	f.Add([]byte(`{"boot":"d1","seq":4,"heard":2,"after":0.2,"to":"n1","commands":[{"cmd":7,"do":"gate-open","id":0}]}`))
	f.Add([]byte(`{"boot":"d1","seq":1,"heard":2,"to":"n1","plan":{"mains":50,"lost":3,"channels":[{"name":"c0","id":0,"start":2,"stop":1}],"gates":[{"id":0,"actuator":"g0","travel":1}],"outlets":[{"id":0,"actuator":"k1","off":60}],"contactor":{"id":0,"actuator":"k2","off":600}}}`))
	f.Add([]byte(`{"boot":"d1","seq":1,"to":"n1","bye":true}`))
	f.Add([]byte(`{"boot":"d1","seq":1,"heard":2,"to":"n1","rest":true,"every":true}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		if o, err := parseOrder(b); err == nil {
			again(t, o, parseOrder)
		}
	})
}

// again fails unless what was read can be written and read again.
func again[T any](t *testing.T, v *T, parse func([]byte) (*T, error)) {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	if len(b) <= maxMessage {
		if _, err := parse(b); err != nil {
			t.Errorf("%s: %v", b, err)
		}
	}
}

// down says which nodes are not at work, or nil.
func down(d *Decider) error {
	var errs []error
	for _, f := range d.Fares() {
		errs = append(errs, f.Down)
	}
	return errors.Join(errs...)
}
