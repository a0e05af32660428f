package daemon

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/control/loop"
	"kerfwind/sensor"
)

// Part is something that looks on: the history, the metrics and so on. It starts
// beside control when a shop is taken up, and is closed when that shop is left. It
// may hang, fail or come later: control goes on without it.
type Part struct {
	Name   string
	Door   seam.Door               // through which it asks; 0: none
	Wanted func(*config.Shop) bool // whether the files ask for it; nil: always
	Bench  bool                    // also while somebody has a bench
	Senses bool                    // and drives: it is given a Source
	After  string                  // starts after that part has
	Start  func(*Host) (Watcher, error)
}

// Source serves a part that senses and drives for the rig, such as a link
// to sensors and outputs on topics. The others only look on.
type Source struct{ live *rig.Live }

// Post passes on what an output or a switch elsewhere shows. It reports whether there
// was room, and never waits.
func (s *Source) Post(in control.Input) bool {
	return in.Kind == control.GateIs && s.live.Ask(in)
}

// Heard passes on what a sensor elsewhere says of a machine, whose number is
// r.Channel. It reports whether there was room, and never waits.
func (s *Source) Heard(r sensor.Reading) bool { return s.live.Heard(r) }

// Drive says through what outputs elsewhere are told from now on; nil: through
// nothing.
func (s *Source) Drive(p drive.Publisher) { s.live.Link(p) }

// Guard runs what senses. A panic in it makes the outputs inert and ends the program,
// as in any other sensor.
func (s *Source) Guard(do func()) { s.live.Guard(do) }

// Host serves a part.
type Host struct {
	*config.Shop           // what the files say; nobody changes it
	Seam         seam.Shop // the running shop, through the part's door
	Source       *Source   // nil: it only looks on
	Names        *timeline.Names
	Revision     uint64
	Bench        bool                 // somebody has a bench: this is its shop
	Now          func() time.Duration // the stream's clock
	Speed        float64              // its seconds in a second; 1 but in a simulation

	// Fares tells how the part fares: why it is down, or nil. Notice tells people
	// something. Any goroutine may call them.
	Fares  func(error)
	Notice func(error)

	// Guard runs what the part does in a goroutine of its own. A panic in it
	// puts the part down for good; control goes on.
	Guard func(do func())
}

// Watcher takes what a part looks at; each field may be nil. It is called by a
// goroutine of the part's own, one call after the other. What a part takes too
// slowly is lost to it, and it is reported as down.
type Watcher struct {
	loop.Observer
	Frame    func(f *sensor.Frame, now time.Duration)
	Reading  func(sensor.Reading)
	Applied  func(c control.Command, now time.Duration) // these two: of real outputs only
	Answered func(in control.Input, now time.Duration)
	Late     func(time.Duration)
	Second   func(s *control.Snapshot, now time.Duration) // about once a second
	Close    func() error
}

// meanwhile keeps things for a part that has not started yet.
var meanwhile = seam.Want{Events: true, Snapshots: true}

// wants says what a watcher looks at.
func (w *Watcher) wants() seam.Want {
	return seam.Want{
		Events: w.Observer != nil, Snapshots: w.Observer != nil || w.Second != nil, Readings: w.Reading != nil,
		Frames: w.Frame != nil, Source: -1, Outcomes: w.Applied != nil || w.Answered != nil || w.Late != nil,
	}
}

// part is a part at work.
type part struct {
	name   string
	notice func(error)
	stream *follower
	after  <-chan struct{} // nil, or closed once it may start
	ready  chan struct{}   // closed once it has started, or has failed to
	over   chan struct{}   // closed once it has ended

	mu    sync.Mutex
	begun bool
	left  bool  // its shop is
	ended bool  // by a fault: nothing of it is called but Close
	why   error // down
}

// errStarting is why a part does not work yet.
var errStarting = errors.New("it has not started yet")

func (p *part) fares(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.ended { // a fault stays
		p.why = err
	}
}

// guard runs what the part does. A panic puts the part down for good. It reports
// whether there was none.
func (p *part) guard(do func()) (well bool) {
	defer func() {
		if r := recover(); r != nil {
			p.fault(r)
		}
	}()
	do()
	return true
}

// fault puts the part down after a panic. It is told once.
func (p *part) fault(r any) {
	err := fmt.Errorf("ended by a fault in the program: %v", r)
	p.mu.Lock()
	first := !p.ended
	if first {
		p.ended, p.why = true, err
	}
	p.mu.Unlock()
	if first {
		p.notice(fmt.Errorf("%s: %w; control goes on without it\n%s", p.name, err, debug.Stack()))
	}
}

// down says why the part is down, or nil.
func (p *part) down() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.begun && p.why == nil {
		return errStarting
	}
	return p.why
}

// Bounds of how long a part may take: longer than each of ours allows itself.
const (
	startMost = 10 * time.Second // then people are told
	closeMost = 10 * time.Second // then it is left behind
)

// run starts the part once the one before it has ended, passes on what happens,
// and closes it.
func (p *part) run(before <-chan struct{}, start func() (Watcher, error)) {
	defer close(p.over)
	if before != nil {
		limit := time.NewTimer(closeMost)
		select {
		case <-before:
		case <-limit.C:
			p.notice(fmt.Errorf("%s: it does not end: it is left behind", p.name))
		}
		limit.Stop()
	}
	if p.after != nil {
		<-p.after
	}
	late := time.AfterFunc(startMost, func() {
		p.notice(fmt.Errorf("%s: it has not started within %v; control goes on without it", p.name, startMost))
	})
	var w Watcher
	var err error
	well := p.guard(func() { w, err = start() })
	late.Stop()
	close(p.ready)
	p.mu.Lock()
	p.begun = true
	left := p.left
	p.mu.Unlock()
	if well && err != nil {
		p.notice(fmt.Errorf("%s: %w", p.name, err))
		p.fares(err)
	}
	if well && err == nil && !left {
		p.stream.only(w.wants())
		p.guard(func() { p.pass(&w) })
	}
	p.stream.end()
	if w.Close == nil {
		return
	}
	defer func() {
		if r := recover(); r != nil {
			p.notice(fmt.Errorf("%s: ended by a fault in the program: %v\n%s", p.name, r, debug.Stack()))
		}
	}()
	if err := w.Close(); err != nil {
		p.notice(fmt.Errorf("%s: %w", p.name, err))
	}
}

// pass passes on what happens until the shop is left.
func (p *part) pass(w *Watcher) {
	var events []control.Event
	var f sensor.Frame
	for {
		x, err := p.stream.Next(context.Background())
		if err != nil { // io.EOF: it is left
			return
		}
		if x.Missed > 0 {
			p.fares(fmt.Errorf("it was too slow: %d things that happened are lost to it", x.Missed))
		}
		switch x.Kind {
		case seam.AnEvent:
			events = append(events, x.Event)
		case seam.ASnapshot:
			s := x.Snapshot
			if w.Observer != nil && len(events) > 0 {
				w.Observer.Observe(&s, events)
				events = nil
			} else if w.Second != nil {
				w.Second(&s, x.At)
			}
		case seam.AReading:
			if w.Reading != nil {
				w.Reading(x.Reading)
			}
		case seam.AFrame:
			if w.Frame != nil && x.Frame.To(&f) == nil {
				w.Frame(&f, x.At)
			}
		case seam.ACommand:
			if w.Applied != nil {
				w.Applied(x.Command, x.At)
			}
		case seam.AnAnswer:
			if w.Answered != nil {
				w.Answered(x.Answer, x.At)
			}
		case seam.ADelay:
			if w.Late != nil {
				w.Late(x.Delay)
			}
		}
	}
}

// parts are those of a shop.
type parts []*part

// parts makes the parts that a shop wants. begin starts them beside; each waits until
// its namesake of the shop before has ended.
func (d *Daemon) parts(s *session) (begin func()) {
	var all []func()
	for _, x := range d.o.Parts {
		if s.bench != 0 && !x.Bench || x.Wanted != nil && !x.Wanted(s.shop) {
			continue
		}
		p := &part{name: x.Name, notice: d.o.Notice, stream: d.hub.follow(meanwhile), ready: make(chan struct{}), over: make(chan struct{})}
		for _, other := range s.parts {
			if other.name == x.After {
				p.after = other.ready
			}
		}
		h := &Host{Shop: s.shop, Names: &s.live.Names, Revision: s.revision, Bench: s.bench != 0, Now: s.now, Speed: s.speed,
			Seam: d.Door(x.Door), Notice: d.o.Notice, Fares: p.fares, Guard: func(do func()) { p.guard(do) }}
		if x.Senses {
			h.Source = &Source{s.live}
		}
		before := d.parting[x.Name]
		d.parting[x.Name] = p.over
		s.parts = append(s.parts, p)
		all = append(all, func() { p.run(before, func() (Watcher, error) { return x.Start(h) }) })
	}
	return func() {
		for _, run := range all {
			go run()
		}
	}
}

// leave lets all parts of a shop end beside.
func (ps parts) leave() {
	for _, p := range ps {
		p.mu.Lock()
		p.left = true
		p.mu.Unlock()
		p.stream.end()
	}
}

// wait waits until all have ended. One that hangs is left behind.
func (ps parts) wait() {
	limit := time.NewTimer(closeMost)
	defer limit.Stop()
	for i, p := range ps {
		select {
		case <-p.over:
		case <-limit.C:
			for _, p := range ps[i:] {
				select {
				case <-p.over:
				default:
					p.notice(fmt.Errorf("%s: it does not end: it is left behind", p.name))
				}
			}
			return
		}
	}
}
