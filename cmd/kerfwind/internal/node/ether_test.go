package node

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
)

// ether is a broker in the bubble's time that can be slow or cut.
type ether struct {
	mu    sync.Mutex
	ends  map[string]mqttlink.ExchangeOptions // by client
	cut   bool
	sent  time.Duration            // messages so far, a nanosecond each
	delay map[string]time.Duration // of messages from a client
	said  map[string][]string      // by topic
}

func newEther() *ether {
	return &ether{ends: map[string]mqttlink.ExchangeOptions{}, delay: map[string]time.Duration{}, said: map[string][]string{}}
}

type line struct {
	e      *ether
	client string
}

func (e *ether) dial(o mqttlink.ExchangeOptions) post {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.ends[o.Client] = o
	if o.Changed != nil {
		go o.Changed(true)
	}
	return line{e, o.Client}
}

func (l line) Connected() bool { l.e.mu.Lock(); defer l.e.mu.Unlock(); return !l.e.cut }
func (l line) Close()          {}

func (l line) Send(topic string, payload []byte) bool {
	l.e.mu.Lock()
	defer l.e.mu.Unlock()
	if l.e.cut {
		return false
	}
	l.e.said[topic] = append(l.e.said[topic], string(payload))
	l.e.sent++ // in order, as a broker does
	wait := time.Millisecond + l.e.delay[l.client] + l.e.sent
	time.AfterFunc(wait, func() { l.e.deliver(topic, payload, false) })
	return true
}

// deliver hands a message to who listens.
func (e *ether) deliver(topic string, payload []byte, retained bool) {
	e.mu.Lock()
	var to []mqttlink.ExchangeOptions
	for _, o := range e.ends {
		for _, t := range o.Topics {
			if t == topic && !e.cut {
				to = append(to, o)
			}
		}
	}
	e.mu.Unlock()
	for _, o := range to {
		o.Taken(mqttlink.Letter{Topic: topic, Payload: payload, Retained: retained, At: o.Now()})
	}
}

func (e *ether) set(f func()) { e.mu.Lock(); defer e.mu.Unlock(); f() }

// bench is hardware without a chip.
type bench struct {
	mu       sync.Mutex
	on       map[drive.Line]bool
	contacts map[drive.Line]*lever
}

func newBench() *bench { return &bench{on: map[drive.Line]bool{}, contacts: map[drive.Line]*lever{}} }

type pin struct {
	b *bench
	l drive.Line
}

func (p pin) Set(on bool) error { p.b.mu.Lock(); defer p.b.mu.Unlock(); p.b.on[p.l] = on; return nil }
func (p pin) Close() error      { return nil }

// lever is a contact.
type lever struct {
	mu     sync.Mutex
	closed bool
	edges  chan bool
}

type listening struct {
	l    *lever
	once *sync.Once
	end  chan struct{}
}

func (s listening) Closed() (bool, error) {
	s.l.mu.Lock()
	defer s.l.mu.Unlock()
	return s.l.closed, nil
}
func (s listening) Next() (bool, time.Duration, error) {
	select {
	case c := <-s.l.edges:
		return c, 0, nil
	case <-s.end:
		return false, 0, io.EOF
	}
}
func (s listening) Close() error { s.once.Do(func() { close(s.end) }); return nil }

func (b *bench) lever(offset int, closed bool) *lever {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := drive.Line{Chip: "soc", Offset: offset}
	if b.contacts[l] == nil {
		b.contacts[l] = &lever{edges: make(chan bool, 4), closed: closed}
	}
	return b.contacts[l]
}

func (l *lever) put(closed bool) {
	l.mu.Lock()
	l.closed = closed
	l.mu.Unlock()
	l.edges <- closed
}

func (b *bench) Output(l drive.Line, _ bool, _ string) (drive.Output, error) { return pin{b, l}, nil }
func (b *bench) Input(l drive.Line, _ time.Duration, _ string) (drive.Input, error) {
	return listening{b.lever(l.Offset, true), &sync.Once{}, make(chan struct{})}, nil
}
func (b *bench) Bus(string) (drive.Bus, error) { return nil, errors.New("no bus") }

func (b *bench) is(n int) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.on[drive.Line{Chip: "soc", Offset: n}]
}

// coil is a converter in the bubble's time: a 50 Hz sine on each of its
// channels, high on those that cut.
type coil struct {
	mu       sync.Mutex
	channels int
	cut      map[int]bool
	index    uint64
	closed   bool
}

func (c *coil) Next(f *sensor.Frame) error {
	const rate, scans = 1000, 20
	time.Sleep(scans * time.Second / rate) //clock:ok a converter takes its time: the bubble's, or a child's
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.closed {
		return io.EOF
	}
	*f = sensor.Frame{Channels: c.channels, Index: c.index, At: time.Duration(c.index) * time.Millisecond, Rate: rate, Raw: f.Raw[:0]}
	for range scans {
		for ch := range c.channels {
			high := 4.0
			if c.cut[ch] {
				high = 470
			}
			// Different phases and sizes, since alike channels are a fault.
			f.Raw = append(f.Raw, float32(2048+math.Round(high*(1+0.1*float64(ch))*math.Sin(2*math.Pi*50*float64(c.index)/rate+float64(ch)))))
		}
		c.index++
	}
	return nil
}
func (c *coil) Close() error { c.mu.Lock(); defer c.mu.Unlock(); c.closed = true; return nil }

func (c *coil) set(ch int, cut bool) { c.mu.Lock(); defer c.mu.Unlock(); c.cut[ch] = cut }

const barnRig = `format = 1
name = "barn"
actuator = [{ name = "k0", kind = "relay", chip = "soc", line = 1 }]
mqtt = { broker = "tcp://broker.local:1883" }
node = [{ rig = "annex.toml", stale = "3 s" }]
`

const annexRig = `format = 1
name = "annex"
role = "node"
adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" }]
channel = [{ name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" }, { name = "c1", adc = "a", input = 1, ratio = "30 A : 1 V" }]
contact = [
  { name = "door", chip = "soc", line = 20, kind = "stop", closed = "ok", series = true },
  { name = "button", chip = "soc", line = 21, kind = "button", closed = "released" },
]
actuator = [
  { name = "g0", kind = "motor", chip = "soc", open_line = 5, shut_line = 6 },
  { name = "k1", kind = "relay", chip = "soc", line = 7 },
  { name = "k2", kind = "relay", chip = "soc", line = 8 },
]
mqtt = { broker = "tcp://broker.local:1883" }
`

const barnShop = `format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
gate = [{ name = "planer", actuator = "annex/g0", travel = "2 s", button = "annex/button", hold = "1 min" }]
machine = [{ name = "planer", channels = ["annex/c0"], gates = ["planer"], start = "2 A", stop = "1 A", run_on = "10 s" }]
outlet = [{ name = "air", actuator = "annex/k1", follows = ["planer"], run_on = "1 min" }]
collector = { actuator = "annex/k2" }
limits = { unknown_hold = "5 min" }
`

// files reads a shop whose rig has nodes, from texts by name.
func files(t testing.TB, texts map[string]string) *config.Shop {
	t.Helper()
	dir := t.TempDir()
	for name, text := range texts {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	r, err := config.LoadRig(filepath.Join(dir, "rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := config.LoadShop(filepath.Join(dir, "shop.toml"), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// pair is a deciding end and a node in one bubble.
type pair struct {
	t    *testing.T
	e    *ether
	shop *config.Shop
	hw   *bench
	coil *coil
	dec  *Decider
	now  func() time.Duration
	told []string // notices
	mu   sync.Mutex
	stop func() // the node; waits

	telling sync.Mutex // of told

	prog  *Node
	quiet chan struct{}

	got      []drive.Report
	readings []sensor.Reading
}

func (p *pair) notice(err error) {
	p.telling.Lock() // not mu: an end may tell under the lock that its Take waits for
	defer p.telling.Unlock()
	p.told = append(p.told, err.Error())
}

func (p *pair) noticed(part string) bool {
	p.telling.Lock()
	defer p.telling.Unlock()
	for _, s := range p.told {
		if strings.Contains(s, part) {
			return true
		}
	}
	return false
}

// newPair starts both ends.
func newPair(t *testing.T) *pair { return newPairOf(t, annexRig) }

// newPairOf starts both ends, with a rig file of the node.
func newPairOf(t *testing.T, annex string) *pair {
	p := &pair{t: t, e: newEther(), shop: files(t, map[string]string{"rig.toml": barnRig, "annex.toml": annex, "shop.toml": barnShop}), quiet: make(chan struct{})}
	began := time.Now()
	p.now = func() time.Duration { return time.Since(began) }
	p.node("n1")
	p.decider("d1")
	// The loop of the deciding computer: it takes, and beats.
	go func() {
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
			case <-p.quiet:
				return
			}
			p.mu.Lock()
			if p.dec != nil {
				p.got, p.readings = p.dec.Take(p.got, p.readings)
				p.dec.Beat()
			}
			p.mu.Unlock()
		}
	}()
	return p
}

func (p *pair) decider(boot string) {
	p.t.Helper()
	d, err := NewDecider(DeciderOptions{Shop: p.shop, Boot: boot, Now: p.now, Notice: p.notice, dial: p.e.dial})
	if err != nil {
		p.t.Fatal(err)
	}
	p.mu.Lock()
	p.dec = d
	p.mu.Unlock()
}

// node starts the node's program.
func (p *pair) node(boot string) {
	p.t.Helper()
	p.hw, p.coil = newBench(), &coil{channels: 2, cut: map[int]bool{}}
	began := time.Now()
	n, err := Open(Options{
		Rig: p.shop.Rig.Nodes[0].Rig, Boot: boot, Hardware: p.hw, Now: func() time.Duration { return time.Since(began) }, Say: func(s string) { p.notice(errors.New(s)) }, Notice: p.notice,
		Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return []sensor.Source{p.coil}, nil }, dial: p.e.dial,
	})
	if err != nil {
		p.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(p.t.Context())
	done := make(chan error, 1)
	p.prog = n
	go func() { done <- n.Run(ctx) }()
	p.stop = func() {
		cancel()
		if err := <-done; err != nil {
			p.t.Error(err)
		}
	}
}

// end ends both.
func (p *pair) end() {
	p.e.set(func() { p.e.cut = true })
	p.stop()
	_ = p.dec.Halt() // it cannot be reached
	p.dec.Close()
	close(p.quiet)
	synctest.Wait()
}

// after lets time pass.
func (p *pair) after(d time.Duration) { time.Sleep(d); synctest.Wait() } // the bubble's

// has reports whether an input was taken.
func (p *pair) has(in control.Input) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range p.got {
		if r.Input == in {
			return true
		}
	}
	return false
}

// verdict is the newest reading of a channel.
func (p *pair) verdict(ch int) (v sensor.Verdict) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range p.readings {
		if r.Channel == ch {
			v = r.Verdict
		}
	}
	return v
}

func (p *pair) forget() {
	p.mu.Lock()
	p.got, p.readings = nil, nil
	p.mu.Unlock()
	p.telling.Lock()
	p.told = nil
	p.telling.Unlock()
}

// order sends an order of a test's own to the node.
func (p *pair) order(o order, retained bool) {
	b, err := json.Marshal(o)
	if err != nil {
		p.t.Fatal(err)
	}
	p.e.deliver(orderTopic("kerfwind", "annex"), b, retained)
	p.after(100 * time.Millisecond)
}

// report is the node's newest.
func (p *pair) report() *report {
	p.e.mu.Lock()
	defer p.e.mu.Unlock()
	list := p.e.said[reportTopic("kerfwind", "annex")]
	if len(list) == 0 {
		p.t.Fatal("no report")
	}
	r, err := parseReport([]byte(list[len(list)-1]))
	if err != nil {
		p.t.Fatal(err)
	}
	return r
}
