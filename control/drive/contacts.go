package drive

import (
	"fmt"
	"sync"
	"time"

	"kerfwind/control"
)

// Means says what a contact tells: its constant and its row in meanings are all of it here. The zero value is invalid.
type Means uint8

// What a contact can tell.
const (
	MachineRuns   Means = iota + 1 // machine ID runs
	GateIsOpen                     // gate ID has reached its open end
	GateIsShut                     // gate ID has reached its shut end
	CollectorRuns                  // the contactor has pulled in
	StopActs                       // stop input ID
	BinFull                        // the bin is full
	HandMode                       // the collector's switch is at hand
	OffMode                        // the collector's switch is at off
	ButtonHolds                    // holds gate ID open for Hold
	StandDown                      // the wired stand-down switch
	ResetPressed                   // the wired reset button
	AsidePressed                   // the button that sets gate ID aside and takes it back
	meansEnd
)

// meaning describes a contact of one kind.
type meaning struct {
	input   control.InputKind // what it makes; a button that holds makes a request
	subject control.Subject   // what Contact.ID indexes
	// states are those of its input while it cannot be read, says no, says yes. All
	// 0: contacts that share an input make it together, see value.
	states [3]uint8
}

var meanings = [meansEnd]meaning{
	MachineRuns:   {control.MachineIs, control.AMachine, states(control.Unknown, control.Idle, control.Running)},
	GateIsOpen:    {input: control.GateIs, subject: control.AGate},
	GateIsShut:    {input: control.GateIs, subject: control.AGate},
	CollectorRuns: {control.CollectorIs, control.ACollector, states(control.Unknown, control.Idle, control.Running)},
	StopActs:      {control.StopIs, control.AStop, states(control.Broken, control.Closed, control.Open)},
	BinFull:       {control.BinIs, control.NoSubject, states(control.LevelUnknown, control.Room, control.Full)},
	HandMode:      {input: control.SwitchIs, subject: control.ACollector},
	OffMode:       {input: control.SwitchIs, subject: control.ACollector},
	ButtonHolds:   {input: control.Ask, subject: control.AGate},
	StandDown:     {control.StandDownIs, control.NoSubject, states(control.Broken, control.Closed, control.Open)},
	ResetPressed:  {control.ResetIs, control.NoSubject, states(control.Unpressed, control.Released, control.Pressed)},
	AsidePressed:  {control.AsideIs, control.AGate, states(control.Unpressed, control.Released, control.Pressed)},
}

func states[S ~uint8](atUnread, atNo, atYes S) [3]uint8 {
	return [...]uint8{unread: uint8(atUnread), no: uint8(atNo), yes: uint8(atYes)}
}

// Subject says which things such contacts are about.
func (m Means) Subject() control.Subject { return meanings[m].subject }

// answerOf is a contact's answer: whether what it means is so. The zero value is
// that it cannot be read.
type answerOf uint8

const (
	unread answerOf = iota
	no
	yes
)

// contact is a contact that is listened to.
type contact struct {
	p     Contact
	in    Input // nil while it cannot be opened
	state answerOf
	why   error // unread: the reason
}

// contacts are all of them.
type contacts struct {
	mu   sync.Mutex
	list []*contact
	said map[said]uint8 // what control was last told
	quit chan struct{}
	done sync.WaitGroup
}

// said names what an input is about.
type said struct {
	kind control.InputKind
	id   control.ID
}

// about returns what a contact's input is about.
func (c *contact) about() said {
	if t := c.thing(); t.Subject != control.NoSubject {
		return said{meanings[c.p.Means].input, t.ID}
	}
	return said{meanings[c.p.Means].input, 0}
}

// reopenAfter is how long a line that gave an error is left alone.
const reopenAfter = time.Second

// open opens every contact and reads it.
func (s *contacts) open(d *Driver) {
	for _, c := range s.list {
		closed := false
		if c.in, c.why = d.hw.Input(c.p.Line, c.p.Debounce, c.p.Name); c.why == nil {
			closed, c.why = c.in.Closed()
		}
		if c.why == nil {
			c.state = c.says(closed)
		}
	}
}

// start reports the state of all contacts, and listens.
func (s *contacts) start(d *Driver) {
	s.mu.Lock()
	s.quit = make(chan struct{})
	s.said = map[said]uint8{}
	for _, r := range s.tell(d.p.Now(), nil) {
		d.report(r)
	}
	s.mu.Unlock()
	for _, c := range s.list {
		s.done.Go(func() { s.listen(d, c) })
	}
}

// missing appends the contacts that cannot be read.
func (s *contacts) missing(to missings) missings {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.list {
		if c.state == unread && c.why != nil {
			to.add(fmt.Sprintf("contact %q", c.p.Name), c.why, []Thing{c.thing()})
		}
	}
	return to
}

// thing returns what a contact is about, for those who have names for it.
func (c *contact) thing() Thing {
	switch s := c.p.Means.Subject(); s {
	case control.NoSubject:
		return Thing{s, control.NoID}
	case control.ACollector:
		return Thing{s, 0}
	default:
		return Thing{s, c.p.ID}
	}
}

func (c *contact) says(closed bool) answerOf {
	if closed == c.p.Closed {
		return yes
	}
	return no
}

// listen follows one contact until close. An error makes it unread; it is
// opened afresh after a while.
func (s *contacts) listen(d *Driver, c *contact) {
	defer func() {
		if r := recover(); r != nil {
			_ = d.Halt() // the panic tells more
			panic(r)
		}
	}()
	for {
		var closed bool
		var ago time.Duration
		in, err := s.input(d, c)
		if err == nil {
			closed, ago, err = in.Next()
		}
		select {
		case <-s.quit:
			return
		default:
		}
		if err == nil {
			s.set(d, c, c.says(closed), d.p.Now()-ago)
			continue
		}
		if s.set(d, c, unread, d.p.Now()) {
			d.trouble(fmt.Errorf("contact %q cannot be read: %w", c.p.Name, err))
		}
		if in != nil {
			_ = in.Close() // it is opened afresh
		}
		s.mu.Lock()
		c.in, c.why = nil, err
		s.mu.Unlock()
		wait := time.NewTimer(reopenAfter)
		select {
		case <-s.quit:
			wait.Stop()
			return
		case <-wait.C:
		}
	}
}

// input is the contact's line, opened afresh if need be.
func (s *contacts) input(d *Driver, c *contact) (Input, error) {
	s.mu.Lock()
	in := c.in
	s.mu.Unlock()
	if in != nil {
		return in, nil
	}
	in, err := d.hw.Input(c.p.Line, c.p.Debounce, c.p.Name)
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	select {
	case <-s.quit: // close has passed by
		s.mu.Unlock()
		_ = in.Close()
		return nil, ErrHalted
	default:
	}
	c.in = in
	s.mu.Unlock()
	closed, err := in.Closed()
	if err != nil {
		return in, err
	}
	s.set(d, c, c.says(closed), d.p.Now())
	return in, nil
}

// set takes a new state, tells control what follows from it, and wakes the
// worker whose motor it may stop. It reports whether the state is new.
func (s *contacts) set(d *Driver, c *contact, to answerOf, at time.Duration) bool {
	s.mu.Lock()
	was := c.state
	c.state = to
	if was == to {
		s.mu.Unlock()
		return false
	}
	if c.p.Means == ButtonHolds && was == no && to == yes {
		in := control.InAsk(control.AskHold, control.Wired, c.p.ID)
		in.For = c.p.Hold
		d.report(Report{At: at, Input: in})
	}
	for _, r := range s.tell(at, nil) {
		d.report(r)
	}
	s.mu.Unlock()
	if k := c.about().kind; k == control.GateIs {
		if w := d.routes[target{'g', c.p.ID}]; w != nil {
			w.wake()
		}
	}
	return true
}

// tell appends a report for everything that differs from what was last said.
func (s *contacts) tell(at time.Duration, to []Report) []Report {
	for _, c := range s.list {
		a := c.about()
		if a.kind == control.Ask {
			continue
		}
		v := s.value(a)
		if v == 0 || s.said[a] == v {
			continue
		}
		s.said[a] = v
		to = append(to, Report{At: at, Input: control.Input{Kind: a.kind, ID: a.id, State: v}})
	}
	return to
}

// say appends a report for everything, whatever was said before.
func (s *contacts) say(at time.Duration, to []Report) []Report {
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.said)
	return s.tell(at, to)
}

// joined returns what the contacts of one meaning say together: yes if one does,
// else nothing if one cannot be read, else no.
type joined struct {
	has  bool
	says answerOf
}

func (j joined) unread() bool { return j.has && j.says == unread }

// value joins the contacts that tell one thing. 0 says nothing.
func (s *contacts) value(a said) uint8 {
	var all [meansEnd]joined
	var last Means
	for _, c := range s.list {
		if c.about() != a {
			continue
		}
		if j := &all[c.p.Means]; !j.has || c.state == yes || j.says == no {
			*j = joined{true, c.state}
		}
		last = c.p.Means
	}
	if m := meanings[last]; m.states != [3]uint8{} {
		return m.states[all[last].says]
	}
	switch a.kind {
	case control.GateIs:
		return uint8(shown(all[GateIsOpen], all[GateIsShut]))
	case control.SwitchIs:
		// Both at once cannot be; air may move then, so it counts as hand. A
		// switch that cannot be read says nothing new.
		hand, off := all[HandMode], all[OffMode]
		switch {
		case hand.says == yes:
			return uint8(control.Hand)
		case off.says == yes:
			return uint8(control.Off)
		case hand.unread(), off.unread():
			return 0
		}
		return uint8(control.Auto)
	default:
		return 0
	}
}

// shown returns what a gate's end switches show.
func shown(open, shut joined) control.Shown {
	return control.Shows(open.says == yes, shut.says == yes, !open.unread() && !shut.unread())
}

// ends tells which end switches of a gate are made.
func (s *contacts) ends(id control.ID) (open, shut bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range s.list {
		if c.p.ID == id && c.state == yes {
			open = open || c.p.Means == GateIsOpen
			shut = shut || c.p.Means == GateIsShut
		}
	}
	return open, shut
}

// has reports whether a gate has a switch at an end.
func (s *contacts) has(id control.ID, end way) bool {
	m := GateIsOpen
	if end == shutting {
		m = GateIsShut
	}
	for _, c := range s.list { // the list does not change
		if c.p.ID == id && c.p.Means == m {
			return true
		}
	}
	return false
}

// close ends the listening.
func (s *contacts) close() {
	s.mu.Lock()
	if s.quit != nil {
		close(s.quit)
	}
	var open []Input
	for _, c := range s.list {
		if c.in != nil {
			open = append(open, c.in)
		}
	}
	s.mu.Unlock() // closing one may hang, and the workers look at the contacts
	for _, in := range open {
		s.done.Go(func() { _ = in.Close() }) // it is given up either way
	}
	s.done.Wait()
}
