package node

import (
	"cmp"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

// DeciderOptions describe the deciding end.
type DeciderOptions struct {
	Shop     *config.Shop
	Boot     string // names this run of the shop; must differ from every other
	Password string
	TLS      *tls.Config
	Now      func() time.Duration
	Notice   func(error) // must not wait
	Guard    func(func())

	dial dial // nil: the broker
}

// Decider holds what the deciding computer's loop sees of its nodes: rig.Far.
type Decider struct {
	o      DeciderOptions
	x      post
	stop   chan struct{}
	end    sync.Once
	woken  chan struct{}
	ready  chan struct{}
	done   sync.WaitGroup
	routes map[target]*peer

	mu       sync.Mutex
	peers    []*peer
	reports  []drive.Report
	readings []sensor.Reading
	halted   bool
	rest     bool          // the shop is at rest
	every    time.Duration // until when every reading is wanted
	acked    chan struct{} // poked when a node says that it has no session
}

var _ rig.Far = (*Decider)(nil)

// target is an output in the shop.
type target struct {
	class byte // of targetOf
	id    control.ID
}

func targetOf(c control.Command) target {
	switch c.Kind {
	case control.OutletOn, control.OutletOff:
		return target{'o', c.ID}
	case control.GateOpen, control.GateShut, control.GateStop:
		return target{'g', c.ID}
	case control.IndicatorOn, control.IndicatorOff: // wired to this computer only
		return target{'i', c.ID}
	case control.CollectorOn, control.CollectorOff:
	}
	return target{'c', 0}
}

// calms reports whether a command makes things safer.
func calms(k control.CommandKind) bool {
	return k == control.CollectorOff || k == control.OutletOff || k == control.GateStop
}

// peer is one node as the deciding computer knows it.
//
//	silent -> met       a report of a program that has not the plan: it is sent
//	met    -> at work   a report with the plan in force
//	at work -> lost     no report for Stale
//	lost   -> at work   a report with the plan still in force
//	any    -> met       a report of another program, or one without the plan
type peer struct {
	name  string
	stale time.Duration
	rig   string // fingerprint of the copy
	plan  *plan
	ages  ages

	boot     string                     // of the node; "" before its first report
	last     uint64                     // number of its newest report
	news     uint64                     // number of the newest news taken
	work     bool                       // it has the plan, and is heard
	missed   bool                       // it was not heard for Stale after the start
	ever     bool                       // at work once
	fresh    bool                       // the plan was sent since it was last at work: its outputs are as after power-up
	alive    time.Duration              // when it was surely alive
	taped    time.Duration              // instant of the newest reading that was on a tape
	said     string                     // the trouble told last
	due      bool                       // an order is to be sent
	commands []control.Command          // to send with it
	waiting  map[target]control.Command // what calms, for when it is back
	told     map[said]uint8             // what was passed on of its contacts

	channels map[int]bool
	facts    map[said]bool
}

// said holds what a fact is about.
type said struct {
	kind control.InputKind
	id   control.ID
}

// NewDecider connects to the broker and speaks with the nodes from now on.
func NewDecider(o DeciderOptions) (*Decider, error) {
	m := o.Shop.Rig.MQTT
	if m == nil {
		return nil, errors.New("nodes: no link to a broker")
	}
	d := &Decider{o: o, stop: make(chan struct{}), woken: make(chan struct{}, 1), ready: make(chan struct{}, 1), routes: map[target]*peer{}, acked: make(chan struct{}, 1)}
	var topics []string
	for n := range o.Shop.Rig.Nodes {
		p := newPeer(o.Shop, n+1, o.Boot)
		p.alive = o.Now()
		d.peers = append(d.peers, p)
		topics = append(topics, reportTopic(m.Topic, p.name))
		for _, g := range p.plan.Gates {
			d.routes[target{'g', control.ID(g.ID)}] = p
		}
		for _, x := range p.plan.Outlets {
			d.routes[target{'o', control.ID(x.ID)}] = p
		}
		if p.plan.Contactor != nil {
			d.routes[target{'c', 0}] = p
		}
	}
	d.mu.Lock() // its goroutine may be quick
	defer d.mu.Unlock()
	d.done.Go(func() { d.guard(d.watch) })
	if o.dial == nil {
		o.dial = dialBroker
	}
	d.x = o.dial(mqttlink.ExchangeOptions{
		Options: mqttlink.Options{MQTT: *m, Password: o.Password, TLS: o.TLS, Boot: o.Boot, Now: o.Now, Notice: o.Notice, Guard: o.Guard},
		Client:  m.Client + "-nodes", Topics: topics, Status: m.Topic + "/node/status", Taken: d.taken,
	})
	return d, nil
}

func (d *Decider) guard(do func()) {
	if d.o.Guard == nil {
		do()
		return
	}
	d.o.Guard(do)
}

// newPeer describes node number n of the shop's rig, from 1.
func newPeer(s *config.Shop, n int, boot string) *peer {
	node := &s.Rig.Nodes[n-1]
	p := &peer{name: node.Name, stale: node.Stale, rig: Fingerprint(node.Rig), plan: planOf(s, n), ages: ages{boot: boot},
		waiting: map[target]control.Command{}, told: map[said]uint8{}, channels: map[int]bool{}, facts: map[said]bool{}}
	for _, c := range p.plan.Channels {
		p.channels[c.ID] = true
	}
	for i, u := range s.Contacts() {
		if s.Rig.Contacts[i].Node == n && u.Kind != 0 {
			p.facts[said{u.Kind, u.ID}] = true // a button's is Ask
		}
	}
	return p
}

// planOf is the plan of node number n of the shop's rig, from 1.
func planOf(s *config.Shop, n int) *plan {
	node := &s.Rig.Nodes[n-1]
	job := rig.JobOf(s, n)
	p := &plan{Shop: s.Name, Mains: s.Mains.Frequency, Exact: s.Mains.Exact, Lost: seconds(node.Stale)}
	use := s.Channels()
	for a, sp := range s.Sensor() {
		if s.Rig.ADCs[a].Node != n {
			continue
		}
		for _, c := range sp.Channels {
			if use[c.Channel].Used() {
				p.Channels = append(p.Channels, planChannel{node.Rig.Channels[c.Channel-node.First.Channel].Name, c.Channel, c.Start, c.Stop, seconds(c.StopHold), c.Idle.Mean, c.Idle.Spread})
			}
		}
	}
	for _, c := range job.Contacts {
		p.Contacts = append(p.Contacts, planContact{c.Name, int(c.ID), seconds(c.Hold)})
	}
	for _, g := range job.Gates {
		p.Gates = append(p.Gates, planGate{int(g.ID), g.Actuator, seconds(g.Travel), g.Reversed})
	}
	for _, o := range job.Outlets {
		p.Outlets = append(p.Outlets, planOutlet{int(o.ID), o.Actuator, seconds(s.Outlets[o.ID].RunOn)})
	}
	if job.Contactor != "" {
		p.Contactor = &planOutlet{0, job.Contactor, seconds(s.OffAfter())}
	}
	return p
}

// Drives reports whether a command's output is at a node.
func (d *Decider) Drives(c control.Command) bool { return d.routes[targetOf(c)] != nil }

// Apply has a command sent to its node, with the others of the same step. What
// cannot be sent has failed at once; what makes things safer waits for the node
// instead.
func (d *Decider) Apply(c control.Command) {
	d.mu.Lock()
	defer d.mu.Unlock()
	t := targetOf(c)
	p := d.routes[t]
	delete(p.waiting, t) // this one counts
	if p.work && !d.halted && len(p.commands) < maxList {
		p.commands = append(p.commands, c)
		return
	}
	d.unsent(p, c)
}

// unsent deals with a command that cannot be sent.
func (d *Decider) unsent(p *peer, c control.Command) {
	if calms(c.Kind) {
		p.waiting[targetOf(c)] = c
		return
	}
	d.answer(c, control.Failed, fmt.Errorf("node %s is not connected", p.name))
}

// answer queues what became of a command.
func (d *Decider) answer(c control.Command, o control.Outcome, err error) {
	d.report(drive.Report{At: d.o.Now(), Err: err, Input: control.InOutput(c, o)})
}

// most bounds what waits for the loop: more than seconds of a large shop.
const most = 8192

func (d *Decider) report(r drive.Report) {
	if len(d.reports) < most {
		d.reports = append(d.reports, r)
	}
	poke(d.ready)
}

func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// send sends an order to a node; the caller holds the lock.
func (d *Decider) send(p *peer, o order) bool {
	o.head, o.To = p.ages.next(d.o.Now()), p.boot
	b, err := json.Marshal(o)
	return err == nil && d.x != nil && d.x.Send(orderTopic(d.o.Shop.Rig.MQTT.Topic, p.name), b)
}

// Ready receives when there is something to take.
func (d *Decider) Ready() <-chan struct{} { return d.ready }

// Take appends what has come since the last call.
func (d *Decider) Take(reports []drive.Report, readings []sensor.Reading) ([]drive.Report, []sensor.Reading) {
	d.mu.Lock()
	defer d.mu.Unlock()
	reports, readings = append(reports, d.reports...), append(readings, d.readings...)
	d.reports, d.readings = d.reports[:0], d.readings[:0]
	return reports, readings
}

// Beat is called after each step of the loop: it answers the nodes that have
// spoken and sends them the commands of the step, all in one message. When the
// loop hangs the nodes are not answered, and go to their safe state.
func (d *Decider) Beat() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, p := range d.peers {
		if d.halted || !p.due && len(p.commands) == 0 {
			continue
		}
		o := order{Rest: d.rest, Every: d.o.Now() < d.every}
		if !p.work {
			o.Plan = p.plan
		}
		for _, c := range p.commands {
			o.Commands = append(o.Commands, command{c.Seq, word[control.CommandKind]{c.Kind}, int(c.ID)})
		}
		if !d.send(p, o) {
			for _, c := range p.commands {
				d.unsent(p, c)
			}
		}
		p.due, p.commands = false, p.commands[:0]
	}
}

// haltWithin bounds how long Halt waits for the nodes.
const haltWithin = time.Second

// Halt ends the sessions: the nodes make their outputs inert. Those that are
// not there have lost this computer and do so by themselves, later.
func (d *Decider) Halt() error {
	d.mu.Lock()
	d.halted = true
	for _, p := range d.peers {
		clear(p.waiting)
		p.commands = nil
		if p.work {
			d.send(p, order{Bye: true})
		}
	}
	d.mu.Unlock()
	limit := time.NewTimer(haltWithin)
	defer limit.Stop()
	for {
		var left []error
		d.mu.Lock()
		for _, p := range d.peers {
			if p.work {
				left = append(left, fmt.Errorf("node %s does not confirm that its outputs are off: it leaves its gates and switches off by itself", p.name))
			}
		}
		d.mu.Unlock()
		if len(left) == 0 {
			return nil
		}
		select {
		case <-d.acked:
		case <-limit.C:
			return errors.Join(left...)
		}
	}
}

// Close ends the connection. Call Halt first.
func (d *Decider) Close() {
	d.end.Do(func() {
		close(d.stop)
		d.x.Close()
	})
	d.done.Wait()
}

// taken takes a message.
func (d *Decider) taken(m mqttlink.Letter) {
	if m.Retained {
		return
	}
	for _, p := range d.peers { // the list does not change
		if m.Topic == reportTopic(d.o.Shop.Rig.MQTT.Topic, p.name) {
			r, err := parseReport(m.Payload) // the loop need not wait for that
			d.mu.Lock()
			defer d.mu.Unlock()
			if err != nil {
				d.trouble(p, fmt.Sprintf("its report cannot be read: %v", err))
			} else {
				d.heard(p, r, m)
			}
			poke(d.woken)
			return
		}
	}
}

// heard takes a report; the caller holds the lock.
func (d *Decider) heard(p *peer, r *report, m mqttlink.Letter) {
	if r.Boot != p.boot {
		p.boot, p.last = r.Boot, 0
		p.ages.forget()
		d.leave(p, m.At)
	}
	if r.Seq <= p.last {
		return
	}
	p.last = r.Seq
	old, known := p.ages.oldest(&r.head, m.At)
	if r.Session != p.ages.boot {
		p.ages.take(&r.head, m.At)
		d.leave(p, m.At)
		p.fresh, p.news = true, 0
		p.due = true // the plan
		poke(d.ready)
		poke(d.acked)
		switch {
		case r.Why != "":
			d.trouble(p, r.Why)
		case r.Session != "":
			d.trouble(p, "it serves another computer, or this one before its restart; it changes over once it has lost that one")
		}
		return
	}
	if !known || old > p.stale {
		return // it may be older than a silence that counts, and is not acknowledged
	}
	p.ages.take(&r.head, m.At)
	p.alive = max(p.alive, m.At-old)
	if !p.work {
		d.join(p, r)
	}
	p.due = true // the answer, with what control makes of this report
	for _, n := range r.News {
		if n.N > p.news {
			p.news = n.N
			d.tell(p, &n, m.At)
		}
	}
	taped := map[int]bool{} // its newest is on the tape
	for _, x := range r.Tape {
		taped[x.ID] = true
		p.taped = max(p.taped, m.At-time.Duration(x.Ago)) // messages take more and less time
		d.reading(p, &x.channel, p.taped)
	}
	for _, c := range r.Channels {
		if !taped[c.ID] {
			d.reading(p, &c, m.At)
		}
	}
	for _, f := range r.Facts {
		if in, ok := f.input(); ok {
			d.fact(p, in, m.At)
		}
	}
	poke(d.ready)
}

// reading passes on a reading of at.
func (d *Decider) reading(p *peer, c *channel, at time.Duration) {
	if p.channels[c.ID] && len(d.readings) < most {
		d.readings = append(d.readings, sensor.Reading{Channel: c.ID, At: at, Onset: max(at-time.Duration(c.Since), 0), Verdict: c.Is.v, Amps: c.Amps, Health: c.Health.v, OtherHz: c.Other})
	}
}

// AtRest reports whether the shop is at rest: a node may read its file again then.
func (d *Decider) AtRest(yes bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.rest = yes
}

// Listen has every reading of the nodes come for so long from now, not only
// changes and the newest every half second. It may be called from any goroutine.
func (d *Decider) Listen(long time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.every = max(d.every, d.o.Now()+long)
	for _, p := range d.peers {
		p.due = p.due || p.work
	}
	poke(d.ready)
}

// fact passes on what contacts say, if it is new and theirs to say.
func (d *Decider) fact(p *peer, in control.Input, at time.Duration) {
	key := said{in.Kind, in.ID}
	if !p.facts[key] || p.told[key] == in.State {
		return
	}
	p.told[key] = in.State
	d.report(drive.Report{At: at, Input: in})
}

// tell takes news.
func (d *Decider) tell(p *peer, n *news, at time.Duration) {
	c := control.Command{Seq: n.Seq, Kind: n.Do.v, ID: control.ID(n.ID)}
	switch n.Kind {
	case newsDone, newsFailed, newsLost:
		if d.routes[targetOf(c)] != p || c.Kind == 0 {
			return
		}
		if n.Kind == newsDone {
			d.answer(c, control.Done, nil)
			return
		}
		o, err := control.Failed, errors.New(n.Why)
		if n.Kind == newsLost {
			o = control.Lost
		}
		d.answer(c, o, fmt.Errorf("node %s: %w", p.name, err))
	case newsPress:
		if hold, ok := d.button(p, control.ID(n.ID)); ok {
			in := control.InAsk(control.AskHold, control.Wired, control.ID(n.ID))
			in.For, in.Expires = hold, at+ttl
			d.report(drive.Report{At: at, Input: in})
		}
	case newsStop:
		key := said{control.StopIs, control.ID(n.ID)}
		if p.facts[key] {
			p.told[key] = 0
			d.fact(p, control.InStop(control.ID(n.ID), control.Open), at)
		}
	}
}

// button tells how long the button of a gate at a node holds it, by the files
// of this computer.
func (d *Decider) button(p *peer, gate control.ID) (time.Duration, bool) {
	if !p.facts[said{control.Ask, gate}] || int(gate) >= len(d.o.Shop.Gates) {
		return 0, false
	}
	return d.o.Shop.Gates[gate].Hold, true
}

// join takes a node to work. If its plan is new its outputs are as after
// power-up, and control is told so.
func (d *Decider) join(p *peer, r *report) {
	p.work = true
	text := "is at work"
	switch {
	case p.ever && p.fresh:
		text = "is back after a restart: its outputs are off, its gates are homed"
	case p.ever:
		text = "is back"
	}
	if p.ever || p.said != "" {
		d.o.Notice(fmt.Errorf("node %s %s", p.name, text))
	}
	p.said = ""
	if r.Rig != p.rig {
		d.o.Notice(fmt.Errorf("node %s: its rig file differs from the copy here: copy it again", p.name))
	}
	clear(p.told)
	if p.fresh {
		for t, q := range d.routes {
			if q == p {
				d.answer(control.Command{Kind: map[byte]control.CommandKind{'c': control.CollectorOff, 'o': control.OutletOff, 'g': control.GateStop}[t.class], ID: t.id}, control.Lost, nil)
			}
		}
	}
	p.ever, p.fresh = true, false
	for t, c := range p.waiting {
		delete(p.waiting, t)
		p.commands = append(p.commands, c)
	}
}

// leave takes a node as lost: what it sensed is unknown.
func (d *Decider) leave(p *peer, now time.Duration) {
	if !p.work {
		return
	}
	p.work = false
	for _, c := range p.commands {
		d.unsent(p, c)
	}
	p.commands = nil
	d.unknown(p, now)
	poke(d.acked)
}

// unknown says that nothing is known of what a node senses. A switch that
// cannot be read says nothing new, and a stop input that was never read forbids
// every start already.
func (d *Decider) unknown(p *peer, now time.Duration) {
	for _, c := range p.plan.Channels {
		d.readings = append(d.readings, sensor.Reading{Channel: c.ID, At: now, Onset: now, Verdict: sensor.Unknown, Health: sensor.Missing})
	}
	for key := range p.facts {
		in := control.Input{Kind: key.kind, ID: key.id}
		switch key.kind {
		case control.MachineIs, control.CollectorIs:
			in.State = uint8(control.Unknown)
		case control.GateIs:
			in.State = uint8(control.ShownUnknown)
		case control.BinIs:
			in.State = uint8(control.LevelUnknown)
		case control.StopIs:
			if !p.ever {
				continue
			}
			in.State = uint8(control.Broken)
		default:
			continue
		}
		d.fact(p, in, now)
	}
	poke(d.ready)
}

// trouble tells what is wrong with a node, once.
func (d *Decider) trouble(p *peer, text string) {
	if p.said != text {
		p.said = text
		d.o.Notice(fmt.Errorf("node %s: %s", p.name, text))
	}
}

// Fares says how each node fares.
func (d *Decider) Fares() []rig.Fare {
	d.mu.Lock()
	defer d.mu.Unlock()
	var out []rig.Fare
	for _, p := range d.peers {
		f := rig.Fare{Name: p.name}
		if !p.work {
			f.Down = errors.New(cmp.Or(p.said, "not heard yet"))
		}
		out = append(out, f)
	}
	return out
}

// watch finds out which nodes are silent.
func (d *Decider) watch() {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-d.stop:
			return
		case <-d.woken:
		case <-timer.C:
		}
		timer.Reset(d.pass(d.o.Now()))
	}
}

// pass takes as lost what is silent at now, and tells when to look again.
func (d *Decider) pass(now time.Duration) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	again := time.Hour
	for _, p := range d.peers {
		left := p.alive + p.stale - now
		switch {
		case left > 0:
			again = min(again, left)
		case p.work:
			d.trouble(p, fmt.Sprintf("lost: silent for %v; its sensors are unknown, its outputs stay as they are for now", p.stale))
			d.leave(p, now)
		case !p.ever && !p.missed:
			p.missed = true
			if p.said == "" {
				d.trouble(p, "not heard yet")
			}
			d.unknown(p, now)
		}
	}
	return max(again, time.Millisecond)
}
