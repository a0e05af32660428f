package node

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

// Options describe a node.
type Options struct {
	Rig      *config.Rig
	Boot     string // names this run; must differ from every other
	Password string
	TLS      *tls.Config
	Hardware drive.Hardware
	Sources  func(*config.Rig, func() time.Duration) ([]sensor.Source, error)
	Now      func() time.Duration
	Say      func(string) // these must not wait
	Notice   func(error)

	// Ready is called once every converter has given a frame, Alive after every
	// step while each has done so lately. Both may be nil and must not wait.
	Ready, Alive func()

	dial dial // nil: the broker
}

// Node is a node's program. Everything but Run's helpers is its loop's.
type Node struct {
	o      Options
	x      post
	in     chan mqttlink.Letter
	linked chan struct{}

	driverMu sync.Mutex
	driver   *drive.Driver // nil: its hardware cannot be opened

	detectors []*sensor.Detector
	readers   *rig.Readers

	print   string // fingerprint of the rig
	ages    ages
	session string // boot of the deciding program; "": none
	plan    *plan
	failed  []byte        // the plan that could not be used
	retry   time.Duration // when it is tried again
	why     string        // no plan is in force
	last    uint64        // number of the newest order of the session
	heard   time.Duration // when the deciding computer was surely alive
	rest    bool          // the shop is at rest, as it said last
	every   time.Duration // until when every reading is sent
	ordered time.Duration // when the newest order of the session came
	lost    bool          // it is not heard

	channels map[int]sensor.Reading
	tape     []sensor.Reading // to be sent
	facts    map[said]control.Input
	news     []news
	numbered uint64
	on       map[target]bool                    // contactor and outlets
	off      map[target]time.Duration           // when they go off by themselves
	moving   map[control.ID]time.Duration       // until when a gate may be on its way
	sent     map[control.ID]control.CommandKind // what a gate was commanded last
	stopped  map[control.ID]bool                // stop inputs that act

	reported time.Duration
	changed  bool   // there is something to report
	ready    bool   // every converter has given a frame
	refused  string // told last
	own      uint32 // number of its own commands

	renew   atomic.Bool // Run ends at the next quiet moment
	renewed bool        // it did
	shown   atomic.Pointer[view]
}

// ownCommands begin where those of control do not reach.
const ownCommands = 1 << 31

// Open takes hold of the node's hardware, with every output off.
func Open(o Options) (*Node, error) {
	n := &Node{o: o, in: make(chan mqttlink.Letter, 256), linked: make(chan struct{}, 1), ages: ages{boot: o.Boot}, print: Fingerprint(o.Rig)}
	n.clear()
	var errs [2]error
	errs[0] = n.idle()
	sources, failed := o.Sources(o.Rig, o.Now)
	errs[1], n.readers = failed, rig.NewReaders(o.Rig, sources, o.Notice)
	if err := errors.Join(errs[:]...); err != nil {
		n.close()
		return nil, err
	}
	return n, nil
}

// clear forgets what belongs to a session.
func (n *Node) clear() {
	n.session, n.plan, n.last, n.lost, n.rest, n.every, n.tape = "", nil, 0, false, false, 0, nil
	n.channels, n.facts, n.on, n.off, n.moving, n.stopped = map[int]sensor.Reading{}, map[said]control.Input{}, map[target]bool{}, map[target]time.Duration{},
		map[control.ID]time.Duration{}, map[control.ID]bool{}
	n.sent = map[control.ID]control.CommandKind{}
	n.news, n.numbered, n.detectors = nil, 0, nil
	n.ages.forget()
}

// idle holds every output off, without a plan.
func (n *Node) idle() error {
	p, err := rig.Everything(n.o.Rig)
	return errors.Join(err, n.open(p))
}

// open lets go of the outputs, inert, and takes hold of those of p.
func (n *Node) open(p drive.Params) error {
	n.driverMu.Lock()
	defer n.driverMu.Unlock()
	err := n.release()
	p.Now = n.o.Now
	d, openErr := drive.Open(p, n.o.Hardware)
	if openErr == nil {
		n.driver = d
	}
	return errors.Join(err, openErr)
}

// release makes the outputs inert and lets go of them. The caller holds driverMu.
func (n *Node) release() error {
	if n.driver == nil {
		return nil
	}
	err := n.driver.Halt()
	n.driver.Close()
	n.driver = nil
	return err
}

// halt makes the outputs inert, from wherever.
func (n *Node) halt() error {
	n.driverMu.Lock()
	defer n.driverMu.Unlock()
	if n.driver == nil {
		return nil
	}
	return n.driver.Halt()
}

func (n *Node) close() {
	n.driverMu.Lock()
	_ = n.release() // told before
	n.driverMu.Unlock()
	n.readers.Close()
}

// guard makes the outputs inert before a panic ends the program.
func (n *Node) guard(do func()) {
	defer func() {
		if r := recover(); r != nil {
			_ = n.halt() // the panic tells more
			panic(r)
		}
	}()
	do()
}

// nap bounds how long the loop sleeps, so that its heartbeat goes on.
const nap = 50 * time.Millisecond

// Run senses and drives until ctx is done. Whatever ends it, a panic too, it
// makes the outputs inert. It returns an error if not all of them are.
func (n *Node) Run(ctx context.Context) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer func() {
		err = n.halt()
		cancel()
		n.clear()
		n.report(n.o.Now()) // without a session: the outputs are off
		if n.x != nil {
			n.x.Close()
		}
		n.close()
	}()
	m := n.o.Rig.MQTT
	if n.o.dial == nil {
		n.o.dial = dialBroker
	}
	n.x = n.o.dial(mqttlink.ExchangeOptions{
		Options: mqttlink.Options{MQTT: *m, Password: n.o.Password, TLS: n.o.TLS, Boot: n.o.Boot, Now: n.o.Now, Notice: n.o.Notice, Guard: n.guard},
		Client:  m.Client, Topics: []string{orderTopic(m.Topic, n.o.Rig.Name)}, Status: statusTopic(m.Topic, n.o.Rig.Name),
		Taken: func(l mqttlink.Letter) {
			select {
			case n.in <- l:
			default: // it is sent again, or refused as too old
			}
		},
		Changed: func(bool) { poke(n.linked) },
	})
	frames := n.readers.Start(ctx, n.guard)
	timer := time.NewTimer(0)
	defer timer.Stop()
	var reports []drive.Report
	for {
		var answers <-chan struct{}
		if n.driver != nil {
			answers = n.driver.Ready()
		}
		select {
		case <-ctx.Done():
			return nil
		case f := <-frames:
			n.feed(&f.Frame)
			n.readers.Done(f)
		case <-answers:
			reports = n.driver.Take(reports[:0])
			for _, r := range reports {
				n.driven(r)
			}
		case l := <-n.in:
			n.take(l)
		case <-n.linked:
			n.changed = true
		case <-timer.C:
		}
		now := n.o.Now()
		n.pass(now)
		if n.ends(now) {
			n.o.Say("reading the rig file again: outputs off")
			return nil
		}
		if n.changed || now-n.reported >= beat || len(n.tape) > 0 && now-n.reported >= taping {
			n.report(now)
		}
		if n.driver != nil {
			n.driver.Beat()
		}
		if n.readers.Fresh() {
			if !n.ready && n.o.Ready != nil {
				n.o.Ready()
			}
			n.ready = true
			if n.o.Alive != nil {
				n.o.Alive()
			}
		}
		timer.Reset(nap)
	}
}

// driven takes what the drivers report.
func (n *Node) driven(r drive.Report) {
	if r.Err != nil {
		n.o.Notice(r.Err)
	}
	in := r.Input
	switch in.Kind {
	case 0:
	case control.OutputIs:
		if in.Seq >= ownCommands {
			return
		}
		x := news{Kind: newsDone, Do: word[control.CommandKind]{in.What}, ID: int(in.ID), Seq: in.Seq}
		if control.Outcome(in.State) != control.Done {
			x.Kind, x.Why = newsFailed, "the output does not answer"
			if r.Err != nil {
				x.Why = r.Err.Error()
			}
		}
		if control.Outcome(in.State) == control.Lost {
			x.Kind, x.Why = newsLost, "it answers again"
		}
		n.tell(x)
	case control.Ask:
		n.tell(news{Kind: newsPress, ID: int(in.ID)})
	default:
		if _, ok := factOf(in); !ok {
			return
		}
		n.facts[said{in.Kind, in.ID}] = in
		n.changed = true
		if in.Kind == control.StopIs {
			n.stop(in.ID, control.Contact(in.State) != control.Closed)
		}
	}
}

// tell adds news.
func (n *Node) tell(x news) {
	n.numbered++
	x.N, x.at = n.numbered, n.o.Now()
	if len(x.Why) > 1000 {
		x.Why = x.Why[:1000]
	}
	if len(n.news) == maxList/2 { // nobody has heard of it for long
		n.news = n.news[1:]
	}
	n.news = append(n.news, x)
	n.changed = true
}

// stop takes a stop input. It acts here at once, whoever decides: what this node
// has switched on goes off, and what moves is stopped.
func (n *Node) stop(id control.ID, acts bool) {
	n.stopped[id] = acts
	if !acts {
		return
	}
	n.tell(news{Kind: newsStop, ID: int(id)})
	for t, on := range n.on {
		if on {
			n.switchOff(t, "a stop input acted here")
		}
	}
	for g, until := range n.moving {
		if until > n.o.Now() {
			n.apply(control.Command{Seq: n.next(), Kind: control.GateStop, ID: g})
		}
	}
}

// next is the number of a command of its own.
func (n *Node) next() uint32 {
	n.own = (n.own + 1) % ownCommands
	return ownCommands + n.own
}

func (n *Node) apply(c control.Command) {
	switch c.Kind {
	case control.GateOpen, control.GateShut, control.GateStop:
		n.sent[c.ID] = c.Kind
	case control.CollectorOn, control.CollectorOff, control.OutletOn, control.OutletOff, control.IndicatorOn, control.IndicatorOff:
	}
	if n.driver != nil {
		n.driver.Apply(c)
	}
}

// switchOff switches an output off by itself, and says so.
func (n *Node) switchOff(t target, why string) {
	k := control.OutletOff
	if t.class == 'c' {
		k = control.CollectorOff
	}
	n.on[t] = false
	delete(n.off, t)
	n.apply(control.Command{Seq: n.next(), Kind: k, ID: t.id})
	n.tell(news{Kind: newsLost, Do: word[control.CommandKind]{k}, ID: int(t.id), Why: why})
	n.o.Notice(fmt.Errorf("%s: switched off: %s", k, why))
}

// pass does what is due.
func (n *Node) pass(now time.Duration) {
	for _, d := range n.detectors {
		if at, ok := d.Next(); ok && at <= now {
			n.readings(d.Expire(now, nil))
		}
	}
	if n.plan == nil {
		return
	}
	if gone := now-n.heard > time.Duration(n.plan.Lost); gone && !n.lost {
		n.lost = true
		n.o.Notice(fmt.Errorf("the computer that decides is lost: silent for %v; gates stay where they are", time.Duration(n.plan.Lost)))
		for t, on := range n.on {
			if on {
				n.off[t] = now + n.offAfter(t)
			}
		}
	} else if !gone && n.lost {
		n.lost = false
		clear(n.off)
		n.o.Notice(errors.New("the computer that decides is heard again"))
	}
	for t, at := range n.off {
		if at <= now {
			n.switchOff(t, "the computer that decides is lost")
		}
	}
}

// offAfter is how long an output stays on when the deciding computer is lost.
func (n *Node) offAfter(t target) time.Duration {
	if t.class == 'c' {
		return time.Duration(n.plan.Contactor.Off)
	}
	for _, o := range n.plan.Outlets {
		if control.ID(o.ID) == t.id {
			return time.Duration(o.Off)
		}
	}
	return 0
}

// refuse tells once what is not listened to.
func (n *Node) refuse(why string) {
	if n.refused != why {
		n.refused = why
		n.o.Notice(errors.New(why))
	}
}

// take takes an order.
func (n *Node) take(l mqttlink.Letter) {
	if l.Retained {
		n.refuse("refused a retained order, since nobody knows how old it is; clear its topic")
		return
	}
	o, err := parseOrder(l.Payload)
	if err != nil {
		n.refuse(fmt.Sprintf("an order cannot be read: %v", err))
		return
	}
	if o.To != n.o.Boot {
		return // for an earlier start of this program
	}
	if o.Boot != n.session {
		n.begin(o, l.At)
		return
	}
	if o.Seq <= n.last {
		return
	}
	n.last, n.rest, n.ordered = o.Seq, o.Rest, l.At
	n.every = 0
	if o.Every {
		n.every = l.At + lease
	}
	old, known := n.ages.take(&o.head, l.At)
	if known {
		n.heard = max(n.heard, l.At-old)
		n.news = slices.DeleteFunc(n.news, func(x news) bool { return x.first > 0 && x.first <= o.Heard })
	}
	if o.Bye {
		n.o.Say("the computer that decides ends: outputs off")
		n.end("")
		return
	}
	for _, c := range o.Commands {
		n.command(c, old, known)
	}
}

// command carries a command out, or says why not. What makes things safer is
// carried out however old it is.
func (n *Node) command(c command, old time.Duration, known bool) {
	x := control.Command{Seq: c.Seq, Kind: c.Do.v, ID: control.ID(c.ID)}
	t := targetOf(x)
	why := ""
	switch {
	case !n.plan.has(t):
		why = "the plan has no such output"
	case calms(x.Kind):
	case !known || old > ttl:
		why = fmt.Sprintf("too late: it may be %v old", old)
	case slices.Contains(n.acting(), true):
		why = "a stop input acts at this node"
	}
	if why != "" {
		n.tell(news{Kind: newsFailed, Do: c.Do, ID: c.ID, Seq: c.Seq, Why: why})
		return
	}
	switch x.Kind {
	case control.GateOpen, control.GateShut:
		n.moving[x.ID] = n.o.Now() + n.plan.travel(x.ID) + ttl
	case control.CollectorOn, control.OutletOn, control.IndicatorOn:
		n.on[t] = true
	case control.CollectorOff, control.OutletOff, control.IndicatorOff:
		n.on[t] = false
	case control.GateStop:
	}
	delete(n.off, t)
	n.apply(x)
}

// acting lists which stop inputs act.
func (n *Node) acting() (out []bool) {
	for _, acts := range n.stopped {
		out = append(out, acts)
	}
	return out
}

func (p *plan) has(t target) bool {
	switch t.class {
	case 'c':
		return p.Contactor != nil
	case 'g':
		return slices.ContainsFunc(p.Gates, func(g planGate) bool { return control.ID(g.ID) == t.id })
	}
	return slices.ContainsFunc(p.Outlets, func(o planOutlet) bool { return control.ID(o.ID) == t.id })
}

func (p *plan) travel(id control.ID) time.Duration {
	for _, g := range p.Gates {
		if control.ID(g.ID) == id {
			return time.Duration(g.Travel)
		}
	}
	return 0
}

// retryAfter is between two tries of a plan that could not be used.
const retryAfter = 10 * time.Second

// begin begins a session, if an order may do so.
func (n *Node) begin(o *order, at time.Duration) {
	if o.Plan == nil {
		return
	}
	if n.session != "" && !n.lost {
		n.refuse("another computer wants to decide here, and only one may; if it is the same one after a restart, wait")
		return
	}
	if old, ok := n.ages.oldest(&o.head, at); !ok || old > ttl {
		return // it is sent again
	}
	text, err := json.Marshal(o.Plan)
	if err != nil || bytes.Equal(text, n.failed) && at < n.retry {
		return
	}
	n.end("")
	n.failed = nil
	if err := n.adopt(o.Plan); err != nil {
		n.failed, n.retry = text, at+retryAfter
		n.end(fmt.Sprintf("its plan cannot be used: %v", err))
		n.o.Notice(errors.New(n.why))
		return
	}
	n.session, n.plan, n.last, n.heard, n.ordered = o.Boot, o.Plan, o.Seq, at, at
	n.ages.take(&o.head, at)
	n.refused = ""
	n.changed = true
	n.o.Say("at work for the computer that decides")
}

// end ends the session: outputs are off.
func (n *Node) end(why string) {
	had := n.plan != nil || n.detectors != nil || why != ""
	n.clear()
	n.why, n.changed = why, true
	if !had {
		return
	}
	if err := n.idle(); err != nil {
		n.o.Notice(err)
	}
}

// adopt takes hold of the outputs and makes the detectors of a plan.
func (n *Node) adopt(p *plan) error {
	job := rig.Job{}
	for _, g := range p.Gates {
		job.Gates = append(job.Gates, rig.GateJob{ID: control.ID(g.ID), Actuator: g.Actuator, Travel: time.Duration(g.Travel), Reversed: g.Reversed})
	}
	for _, x := range p.Outlets {
		job.Outlets = append(job.Outlets, rig.OutletJob{ID: control.ID(x.ID), Actuator: x.Actuator})
	}
	for _, c := range p.Contacts {
		job.Contacts = append(job.Contacts, rig.ContactJob{Name: c.Name, ID: control.ID(c.ID), Hold: time.Duration(c.Hold)})
	}
	if p.Contactor != nil {
		job.Contactor = p.Contactor.Actuator
	}
	w, err := job.Wiring(n.o.Rig)
	errs := []error{err}
	named := map[string]planChannel{}
	for _, c := range p.Channels {
		named[c.Name] = c
	}
	for a := range n.o.Rig.ADCs {
		sp := n.o.Rig.Detector(a)
		sp.Mains, sp.HoldMains = p.Mains, p.Exact
		for i := range sp.Channels {
			c := &sp.Channels[i]
			name := n.o.Rig.Channels[c.Channel].Name
			q, ok := named[name]
			delete(named, name)
			c.Used, c.Channel, c.Start, c.Stop, c.StopHold, c.Idle = ok, q.ID, q.Start, q.Stop, time.Duration(q.Hold), sensor.Level{Mean: q.Mean, Spread: q.Spread}
		}
		d, err := sensor.New(sp)
		errs = append(errs, err)
		n.detectors = append(n.detectors, d)
	}
	for name := range named {
		errs = append(errs, fmt.Errorf("no channel %q", name))
	}
	if err := errors.Join(errs...); err != nil {
		return err
	}
	return n.open(w)
}

// channelOf words a reading; its onset is counted back from.
func channelOf(c sensor.Reading, from time.Duration) channel {
	x := channel{c.Channel, word[sensor.Verdict]{c.Verdict}, word[sensor.Health]{c.Health}, 0, seconds(min(max(from-c.Onset, 0), longest)), c.OtherHz}
	if c.Amps >= 0 && c.Amps < 1e6 { // a detector that is unknown may have none
		x.Amps = c.Amps
	}
	return x
}

// report says all that is known here.
func (n *Node) report(now time.Duration) {
	n.reported, n.changed = now, false
	n.publish(now)
	tape := n.tape
	n.tape = n.tape[:0]
	if n.x == nil || !n.x.Connected() {
		return
	}
	r := report{head: n.ages.next(now), Session: n.session, Rig: n.print, Why: n.why}
	for _, c := range n.channels {
		r.Channels = append(r.Channels, channelOf(c, now))
	}
	slices.SortStableFunc(tape, func(a, b sensor.Reading) int { return cmp.Compare(a.At, b.At) }) // converters take turns
	for _, c := range tape {
		r.Tape = append(r.Tape, taped{channelOf(c, c.At), seconds(min(max(now-c.At, 0), longest))})
	}
	slices.SortFunc(r.Channels, func(a, b channel) int { return a.ID - b.ID })
	for _, in := range n.facts {
		f, _ := factOf(in) // only such are kept
		r.Facts = append(r.Facts, f)
	}
	slices.SortFunc(r.Facts, func(a, b fact) int { return (int(a.Of.v)-int(b.Of.v))<<8 + a.ID - b.ID })
	// A press is for now: one that nobody has heard in time is forgotten.
	n.news = slices.DeleteFunc(n.news, func(x news) bool { return x.Kind == newsPress && now-x.at > ttl })
	for i := range n.news {
		if n.news[i].first == 0 {
			n.news[i].first = r.Seq
		}
	}
	r.News = n.news
	b, err := json.Marshal(r)
	if err != nil { // cannot happen: texts and finite numbers of ours
		n.o.Notice(err)
		return
	}
	n.x.Send(reportTopic(n.o.Rig.MQTT.Topic, n.o.Rig.Name), b)
}
