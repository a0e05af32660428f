package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Bounds of a request, our own choice.
const (
	tooLate    = 2 * time.Second // a request that the loop takes later than this is refused
	replyWait  = 4 * time.Second // for the loop
	onDiskWait = 5 * time.Second // for the disk
	longest    = 24 * time.Hour  // a lease may last
)

// door is the running shop, seen through one door.
type door struct {
	d  *Daemon
	at seam.Door
}

var _ seam.Shop = door{}

// Door returns the running shop as it is seen through a door. It outlives a change
// of the shop.
func (d *Daemon) Door(at seam.Door) seam.Shop { return door{d, at} }

// Hello says who answers.
func (x door) Hello(context.Context) (seam.Hello, error) {
	d := x.d
	h := seam.Hello{Program: d.o.Program, PID: os.Getpid(), Boot: d.boot, Simulated: d.o.Simulated, Clock: seam.Clock{Speed: d.o.Rig.Speed, Wall: time.Now()}}
	if d.o.Wall != nil {
		h.Clock.Wall, h.Clock.Trusted = d.o.Wall()
	}
	if s := d.session(); s != nil {
		h.Unit, h.Clock.Now = s.shop.Rig.Name, s.now()
	}
	return h, nil
}

// State is the state now.
func (x door) State(context.Context) (seam.State, error) {
	d := x.d
	d.mu.Lock()
	s := d.current
	st := seam.State{Shop: d.owner.inForce()}
	st.Shop.Waiting = d.because(st.Shop.Waiting)
	if s == nil && d.lacks != nil {
		st.Missing = []seam.Missing{{Name: "the start", Why: d.lacks.Error()}}
	}
	d.mu.Unlock()
	st.Seq = d.hub.newest()
	st.Snapshot.StoodDown, _ = d.keep.now()
	st.Snapshot.Kept = d.keep.latched()
	if s == nil {
		st.NoShop = true
		return st, nil
	}
	st.Now, st.Ready, st.Sources = s.now(), s.ready.Load(), s.live.Sources()
	st.Names = seam.Names(s.live.Names)
	for i := range s.shop.Rig.Channels {
		st.Channels = append(st.Channels, s.shop.Rig.Channels[i].Name)
	}
	if p := s.shop.Rig.Page; p != nil {
		st.Page = p.Address()
	}
	for _, p := range s.parts {
		st.Parts = append(st.Parts, partOf(p.name, p.down()))
	}
	if f := s.live.Far(); f != nil {
		for _, n := range f.Fares() {
			st.Nodes = append(st.Nodes, partOf(n.Name, n.Down))
		}
	}
	for _, m := range s.live.Missing() {
		x := seam.Missing{Name: m.Name, Why: m.Err.Error()}
		for _, t := range m.For {
			if what := s.live.Names.What(t.Subject, t.ID); what != "" {
				x.For = append(x.For, what)
			}
		}
		st.Missing = append(st.Missing, x)
	}
	if s.memory != nil {
		st.Memory.From, st.Memory.To = s.memory.Kept()
	}
	if m := s.mains.Load(); m != nil {
		st.Mains = *m
	}
	if m := s.hears.much.Load(); m != nil {
		st.Hears = *m
	}
	if snap := s.live.Snapshot(); snap != nil {
		st.Begun, st.Snapshot, st.Rested = true, *snap, rig.Rested(snap)
		st.Air.Open = snap.Open()
		if a, ok := s.live.Air.Solved(st.Air.Open); ok && a.Converged {
			st.Air.Known, st.Air.Total, st.Air.Flow = true, a.Total, a.Flow
		}
		st.Air.Settled = settledOf(s)
	}
	return st, nil
}

func partOf(name string, down error) seam.Part {
	p := seam.Part{Name: name}
	if down != nil {
		p.Down = down.Error()
	}
	return p
}

// Follow tells what happens.
func (x door) Follow(_ context.Context, w seam.Want) (seam.Stream, error) {
	if s := x.d.session(); s != nil && w.Frames && (w.Source < -1 || w.Source >= s.live.Sources()) {
		return nil, fmt.Errorf("the rig has no converter %d", w.Source)
	}
	return x.d.hub.follow(w), nil
}

// Ask carries a request out.
func (x door) Ask(ctx context.Context, r seam.Request) (seam.Answer, error) {
	a := seam.Answer{ID: r.ID}
	refused := func(cause control.Cause, why string) error { return &seam.Refused{ID: r.ID, Cause: cause, Why: why} }
	if err := r.Check(); err != nil {
		return a, err
	}
	s := x.d.session()
	switch {
	case s == nil:
		return a, seam.ErrNoShop
	case r.Revision != 0 && r.Revision != s.revision:
		return a, refused(0, errChanged.Why)
	case x.at == seam.Local && atShop[r.Kind] != "":
		return a, errors.New(atShop[r.Kind] + ", or by root or the user of the daemon on this computer")
	}
	in := control.InAsk(r.Kind, x.at.Origin(), control.NoID)
	in.For = r.For
	if r.Target != "" {
		var ok bool
		if in.ID, ok = s.gate(r.Target); !ok {
			return a, fmt.Errorf("the shop has no gate %q", r.Target)
		}
	}
	a.Note = s.remark(in)
	switch r.Kind {
	case control.AskStandDown, control.AskAside, control.AskRelease: // never too late
	default:
		in.Expires = s.now() + time.Duration(float64(tooLate)*s.speed)
	}
	reply := s.live.Request(in)
	if reply == nil {
		return a, errors.New("too many requests wait already: try again")
	}
	limit := time.NewTimer(replyWait)
	defer limit.Stop()
	select {
	case e := <-reply:
		if e.Kind != 0 {
			return a, refused(e.Cause, timeline.Sentence(e, &s.live.Names))
		}
	case <-s.done:
		return a, errors.New("the daemon is ending")
	case <-ctx.Done():
		return a, errors.New("the daemon is ending")
	case <-limit.C:
		return a, errors.New("the control loop does not answer")
	}
	switch r.Kind {
	case control.AskStandDown, control.AskLift, control.AskReset, control.AskAside, control.AskReturn:
	default:
		return a, nil
	}
	_, change := x.d.keep.now()
	wait, cancel := context.WithTimeout(ctx, onDiskWait)
	defer cancel()
	if err := x.d.keep.kept(wait, change); err != nil {
		return a, fmt.Errorf("it has taken effect, but a restart may not know of it: %w", err)
	}
	return a, nil
}

// atShop says who alone may ask for something on this computer.
var atShop = map[control.AskKind]string{
	control.AskLift:   "a stand-down is lifted by its switch",
	control.AskReset:  "a latch is reset by its button",
	control.AskReturn: "a gate is taken back by its own button",
}

// remark says where a request, if it is not refused, does less than is asked.
func (s *session) remark(in control.Input) string {
	snap := s.live.Snapshot()
	switch kind := control.AskKind(in.State); {
	case kind == control.AskHold:
		if most := s.shop.Control().HoldLongest; in.For == 0 || in.For > most {
			return "for " + config.FormatDuration(most) + ", the longest that the shop file allows"
		}
	case snap == nil:
	case kind == control.AskLift && !snap.StoodDown:
		return "it was not stood down"
	case kind == control.AskStandDown && snap.StoodDown:
		return "it was stood down already"
	case kind == control.AskAside && int(in.ID) < len(snap.Gates) && snap.Gates[in.ID].Aside:
		return "it was set aside already"
	case kind == control.AskReset && !snap.Latched():
		return "nothing was latched"
	}
	return ""
}

// gate finds a gate by its name.
func (s *session) gate(name string) (control.ID, bool) {
	for i := range s.shop.Gates {
		if s.shop.Gates[i].Name == name {
			return control.ID(i), true
		}
	}
	return control.NoID, false
}

// chooses returns why no shop may be chosen through this door; nil: it may.
func (x door) chooses() error {
	switch x.at {
	case seam.Console, seam.Page:
		return nil
	case seam.Local, seam.Topic:
	}
	return errors.New("the shop is chosen by root or the user of the daemon on this computer, or at move-in")
}

// Check reads a shop file against the rig.
func (x door) Check(_ context.Context, f seam.File) (seam.Checked, error) {
	var c seam.Checked
	s := x.d.session()
	if s == nil {
		return c, seam.ErrNoShop
	}
	shop, err := x.d.parse(s, f)
	if err != nil {
		return c, err
	}
	c.Name = shop.Name
	for _, w := range shop.Warnings {
		c.Warnings = append(c.Warnings, w.Message)
	}
	return c, nil
}

// parse reads a shop file against the rig in force.
func (d *Daemon) parse(s *session, f seam.File) (*config.Shop, error) {
	path := in(d.o.State, f.Path)
	switch {
	case f.Text != nil && path == "":
		path = "the new shop"
	case f.Text == nil && path != "":
		return d.o.Load(Choice{path, true})
	case f.Text == nil:
		return d.o.Load(Choice{File: d.o.Default})
	}
	return config.ParseShop(path, f.Text, s.shop.Rig)
}

// Adopt chooses a shop file.
func (x door) Adopt(_ context.Context, a seam.Adoption) (seam.Ticket, error) {
	if err := x.chooses(); err != nil {
		return seam.Ticket{}, err
	}
	return x.d.adopt(&a)
}

func (d *Daemon) adopt(a *seam.Adoption) (seam.Ticket, error) {
	d.files.Lock()
	defer d.files.Unlock()
	d.mu.Lock()
	err := d.owner.may(a)
	d.mu.Unlock()
	if err != nil {
		return seam.Ticket{}, err
	}
	c := Choice{File: d.o.Default}
	stored := "" // as the file of the choice has it
	switch path := in(d.o.State, a.Path); {
	case path != "":
		c, stored = Choice{path, true}, path
		if a.Text == nil {
			break
		}
		if text, err := os.ReadFile(path); err != nil {
			return seam.Ticket{}, err
		} else if !bytes.Equal(text, a.Text) {
			return seam.Ticket{}, &seam.Refused{Why: path + " has changed meanwhile: look again"}
		}
	case a.Text != nil:
		s := d.session()
		if s == nil {
			return seam.Ticket{}, seam.ErrNoShop
		}
		if _, err := d.parse(s, seam.File{Text: a.Text}); err != nil {
			return seam.Ticket{}, err
		}
		f, err := state.WriteShop(d.o.State, a.Name, a.Text)
		if err != nil {
			return seam.Ticket{}, err
		}
		stored = f.Path()
		c = Choice{in(d.o.State, stored), true}
	}
	shop, err := d.o.Load(c)
	if err == nil {
		err = SetActiveShop(d.o.State, stored)
	}
	if err != nil {
		if a.Path == "" && a.Text != nil {
			err = fmt.Errorf("%s is written, but it does not take effect: %w", stored, err)
		}
		return seam.Ticket{}, err
	}
	d.o.Say("the shop is to be " + c.String())
	return d.move(func() seam.Ticket { return d.owner.adopt(taken{shop, c}) }), nil
}

// move changes what waits, and lets the shop in force end at rest.
func (d *Daemon) move(do func() seam.Ticket) seam.Ticket {
	d.mu.Lock()
	defer d.mu.Unlock()
	t := do()
	d.pace()
	if t.ID != 0 {
		t, _ = d.owner.ticket(t.ID) // it was issued just now
		if s := d.current; s == nil || rig.Rested(s.live.Snapshot()) && !d.later() {
			t.For = "" // it comes now
		} else {
			t.For = d.because(t.For)
			d.o.Say(t.For)
		}
	}
	return t
}

// because adds to what the owner says of something that waits why the shop is not at
// rest, if that is what it waits for. The lock is held.
func (d *Daemon) because(waiting string) string {
	if s := d.current; s != nil && waiting != "" && !d.later() {
		if why := s.live.Names.Restless(s.live.Snapshot()); why != "" {
			return waiting + ": " + why
		}
	}
	return waiting
}

// later reports whether what waits, waits for more than rest. The lock is held.
func (d *Daemon) later() bool { return d.owner.next == nil }

// pace lets the shop in force end, or go on, and tells who waits for news. The lock
// is held.
func (d *Daemon) pace() {
	if d.current != nil {
		d.current.live.Rest(d.owner.next != nil)
	}
	close(d.news)
	d.news = make(chan struct{})
	if b := d.owner.bench; b != nil {
		d.lapse.Reset(b.until - d.since())
	} else {
		d.lapse.Stop()
	}
}

// lapsed ends a bench whose lease is over.
func (d *Daemon) lapsed() {
	d.mu.Lock()
	over := d.owner.lapse(d.since())
	d.pace()
	d.mu.Unlock()
	if over {
		d.o.Notice(errors.New("nobody goes on with the move-in: the shop before is to take effect again. The answers are kept"))
	}
}

// Await waits for a ticket.
func (x door) Await(ctx context.Context, id uint64) (seam.Ticket, error) {
	d := x.d
	for {
		d.mu.Lock()
		t, err := d.owner.ticket(id)
		news := d.news
		d.mu.Unlock()
		if err != nil || t.Outcome != seam.Waits {
			return t, err
		}
		select {
		case <-news:
		case <-ctx.Done():
			return t, nil
		}
	}
}

// Reload reads the files again.
func (x door) Reload(context.Context) (seam.Ticket, error) {
	if err := x.chooses(); err != nil {
		return seam.Ticket{}, errors.New("the files are read again for root or the user of the daemon on this computer")
	}
	return x.d.readAgain()
}

// Bench gives somebody a bench, renews it or takes it back.
func (x door) Bench(_ context.Context, w seam.BenchWish) (seam.Bench, error) {
	if err := x.chooses(); err != nil {
		return seam.Bench{}, err
	}
	d := x.d
	if w.For <= 0 {
		d.mu.Lock()
		defer d.mu.Unlock()
		if b := d.owner.bench; b != nil && b.Lease == w.Lease {
			d.owner.end(whyBack)
			d.pace()
		}
		return d.owner.before, nil
	}
	var shop *config.Shop
	if w.Text != nil {
		d.mu.Lock()
		r := d.owner.runs.shop.Rig
		d.mu.Unlock()
		if r == nil {
			return seam.Bench{}, seam.ErrNoShop
		}
		var err error
		if shop, err = config.ParseBench(w.Text, r); err != nil {
			return seam.Bench{}, err
		}
	}
	w.For = min(w.For, longest)
	d.mu.Lock()
	defer d.mu.Unlock()
	b, err := d.owner.take(&w, shop, d.since())
	d.pace()
	if b.Outcome == seam.Waits {
		b.For = d.because(d.owner.waiting())
	}
	return b, err
}

// Listen has every reading come.
func (x door) Listen(_ context.Context, lease time.Duration) error {
	s := x.d.session()
	if s == nil {
		return seam.ErrNoShop
	}
	s.live.Listen(max(0, min(lease, longest)))
	return nil
}

// Tell says what a machine's sensor elsewhere reads.
func (x door) Tell(_ context.Context, w seam.Word) error {
	s := x.d.session()
	switch {
	case s == nil:
		return seam.ErrNoShop
	case x.at != seam.Topic && x.at != seam.Console:
		return seam.ErrDoor
	}
	return s.words.take(s, &w)
}

// Last gives the frames of the last minutes.
func (x door) Last(ctx context.Context, span seam.Span) (seam.Stream, error) {
	s := x.d.session()
	if s == nil {
		return nil, seam.ErrNoShop
	}
	if s.memory == nil {
		return nil, errors.New("no currents are kept: the rig has no converter")
	}
	from, to := s.memory.Kept()
	if from == to {
		return nil, errors.New("no currents are in memory yet: try again in a moment")
	}
	t := &tape{items: make(chan seam.Item), closed: make(chan struct{})}
	go t.run(s.memory, max(from, span.From), min(to, span.To), s.revision, x.d.o.Notice)
	return t, nil
}

// tape hands out what the memory of the last minutes holds.
type tape struct {
	items  chan seam.Item
	closed chan struct{}
}

var errEnough = errors.New("enough")

func (t *tape) run(m *record.Memory, from, to time.Duration, revision uint64, notice func(error)) {
	defer close(t.items)
	defer func() {
		if r := recover(); r != nil {
			notice(fmt.Errorf("handing out the last minutes ended by a fault in the program: %v\n%s", r, debug.Stack()))
		}
	}()
	err := m.Frames(from, to, func(f *sensor.Frame) error {
		select {
		case t.items <- seam.Item{Kind: seam.AFrame, Revision: revision, At: f.At, Frame: seam.FrameOf(f)}:
			return nil
		case <-t.closed:
			return errEnough
		}
	})
	if err != nil && !errors.Is(err, errEnough) {
		notice(err)
	}
}

// Next waits for the next frame.
func (t *tape) Next(ctx context.Context) (seam.Item, error) {
	select {
	case x, ok := <-t.items:
		if !ok {
			return x, io.EOF
		}
		return x, nil
	case <-ctx.Done():
		return seam.Item{}, ctx.Err()
	}
}

// Close ends the stream.
func (t *tape) Close() error {
	select {
	case <-t.closed:
	default:
		close(t.closed)
	}
	return nil
}
