package drive

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"kerfwind/control"
	"kerfwind/testdata/chips"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// change is one change of an output line.
type change struct {
	at   time.Duration
	line Line
	on   bool
}

// fake is hardware with a clock: the test's. It fails the test when what was
// put into it is not used, and when something is held at the end.
type fake struct {
	t     *testing.T
	start time.Time

	mu      sync.Mutex
	lines   map[Line]*fakeOutput
	inputs  map[Line]*fakeInput
	buses   map[string]*fakeBus
	closed  map[Line]bool // contacts that are closed
	missing map[Line]error
	unread  map[Line]bool // contacts whose line is had and cannot be read
	changes []change
	pairs   [][2]Line     // never on together
	sticks  chan struct{} // not nil: contacts wait for it when they are let go
}

func newFake(t *testing.T) *fake {
	f := &fake{t: t, start: time.Now(), lines: map[Line]*fakeOutput{}, inputs: map[Line]*fakeInput{},
		buses: map[string]*fakeBus{}, closed: map[Line]bool{}, missing: map[Line]error{}, unread: map[Line]bool{}}
	t.Cleanup(f.finish)
	return f
}

func (f *fake) now() time.Duration { return time.Since(f.start) }

// finish checks that nothing is still held and all that was prepared was used.
func (f *fake) finish() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for l, o := range f.lines {
		if !o.closed {
			f.t.Errorf("%v is still held", l)
		}
		if o.fails != 0 {
			f.t.Errorf("%v: %d prepared failures were not used", l, o.fails)
		}
	}
	for l, i := range f.inputs {
		if !i.closed {
			f.t.Errorf("contact on %v is still held", l)
		}
	}
	for name, b := range f.buses {
		if b.opened && !b.closed {
			f.t.Errorf("%s is still held", name)
		}
		if !b.opened {
			f.t.Errorf("%s was never opened", name)
		}
		if len(b.errs) != 0 {
			f.t.Errorf("%s: %d prepared errors were not used", name, len(b.errs))
		}
		for addr, c := range b.chips {
			if c.Transfers == 0 {
				f.t.Errorf("%s: chip 0x%02x was never spoken to", name, addr)
			}
		}
	}
}

type fakeOutput struct {
	f      *fake
	line   Line
	on     bool
	low    bool   // asked for as active-low
	name   string // asked for by this
	closed bool
	fails  int           // the next so many Set fail
	gone   bool          // what it is on was pulled out: it works no more
	hang   chan struct{} // not nil: Set(true) waits for it
}

func (f *fake) Output(l Line, low bool, name string) (Output, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.missing[l]; err != nil {
		return nil, err
	}
	if o := f.lines[l]; o != nil && !o.closed {
		return nil, fmt.Errorf("%v is busy", l)
	}
	o := &fakeOutput{f: f, line: l, low: low, name: name}
	f.lines[l] = o
	f.changes = append(f.changes, change{f.now(), l, false})
	return o, nil
}

func (o *fakeOutput) Set(on bool) error {
	o.f.mu.Lock()
	hang := o.hang
	o.f.mu.Unlock()
	if hang != nil && on {
		<-hang
	}
	o.f.mu.Lock()
	defer o.f.mu.Unlock()
	if o.closed {
		o.f.t.Errorf("%v is set after it was let go", o.line)
	}
	if o.gone {
		return syscall.ENODEV
	}
	if o.fails > 0 {
		o.fails--
		return errors.New("remote I/O error")
	}
	if o.on != on {
		o.f.changes = append(o.f.changes, change{o.f.now(), o.line, on})
	}
	o.on = on
	for _, p := range o.f.pairs {
		if a, b := o.f.lines[p[0]], o.f.lines[p[1]]; a.on && b.on {
			o.f.t.Errorf("at %v both %v and %v are on", o.f.now(), p[0], p[1])
		}
	}
	return nil
}

func (o *fakeOutput) Close() error {
	o.f.mu.Lock()
	defer o.f.mu.Unlock()
	if o.on && !o.gone {
		o.f.t.Errorf("%v is let go while it is on", o.line)
	}
	o.closed = true
	return nil
}

// on reports whether a line is on now.
func (f *fake) on(l Line) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.lines[l].on
}

// log is what a line did since it was requested, without that.
func (f *fake) log(l Line) []change {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []change
	for _, c := range f.changes {
		if c.line == l {
			out = append(out, c)
		}
	}
	return out[1:]
}

type edge struct {
	closed bool
	err    error
}

type fakeInput struct {
	f      *fake
	line   Line
	settle time.Duration // asked for as its debounce
	name   string        // asked for by this
	edges  chan edge
	closed bool
}

func (f *fake) Input(l Line, settle time.Duration, name string) (Input, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.missing[l]; err != nil {
		return nil, err
	}
	i := &fakeInput{f: f, line: l, settle: settle, name: name, edges: make(chan edge, 16)}
	f.inputs[l] = i
	return i, nil
}

func (i *fakeInput) Closed() (bool, error) {
	i.f.mu.Lock()
	defer i.f.mu.Unlock()
	if i.f.unread[i.line] {
		return false, errors.New("input/output error")
	}
	return i.f.closed[i.line], nil
}

func (i *fakeInput) Next() (bool, time.Duration, error) {
	e, ok := <-i.edges
	if !ok {
		return false, 0, errors.New("file already closed")
	}
	return e.closed, 0, e.err
}

func (i *fakeInput) Close() error {
	if i.f.sticks != nil {
		<-i.f.sticks
	}
	i.f.mu.Lock()
	defer i.f.mu.Unlock()
	if !i.closed {
		close(i.edges)
	}
	i.closed = true
	return nil
}

// contact closes or opens a contact.
func (f *fake) contact(l Line, closed bool) {
	f.mu.Lock()
	f.closed[l] = closed
	i := f.inputs[l]
	f.mu.Unlock()
	if i != nil {
		i.edges <- edge{closed: closed}
	}
}

// fakeBus is an I2C bus with chips on it.
type fakeBus struct {
	t      *testing.T
	mu     sync.Mutex
	chips  map[uint16]*chips.PCA9685
	errs   []error // of the next transfers; nil lets one through
	hang   chan struct{}
	log    []string // what was written
	opened bool
	closed bool
	gone   bool // it was pulled out
}

func (f *fake) bus(name string, addrs ...uint16) *fakeBus {
	b := &fakeBus{t: f.t, chips: map[uint16]*chips.PCA9685{}}
	for _, a := range addrs {
		b.chips[a] = chips.NewPCA9685(f.t, f.now)
	}
	f.buses[name] = b
	return b
}

func (f *fake) Bus(device string) (Bus, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	b := f.buses[device]
	if b == nil || b.gone {
		return nil, noBus(device, syscall.ENOENT)
	}
	b.opened, b.closed = true, false
	return b, nil
}

func (b *fakeBus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	hang := b.hang
	b.mu.Unlock()
	if hang != nil {
		<-hang
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		b.t.Error("a transfer on a closed bus")
	}
	if b.gone {
		return syscall.ENODEV
	}
	if len(b.errs) > 0 {
		err := b.errs[0]
		b.errs = b.errs[1:]
		if err != nil {
			return err
		}
	}
	c := b.chips[addr]
	if c == nil {
		return silent(1, addr, errors.New("sysfs-i2c: remote I/O error"))
	}
	if len(r) == 0 {
		b.log = append(b.log, fmt.Sprintf("%02x: % x", addr, w))
	}
	c.Transfer(w, r)
	return nil
}

func (b *fakeBus) Close() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = true
	return nil
}

// writes takes what was written since the last call.
func (b *fakeBus) writes() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := b.log
	b.log = nil
	return out
}

func (b *fakeBus) set(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

// rig opens p on f in the test's bubble and closes it at the end.
func rig(t *testing.T, f *fake, p Params) *Driver {
	t.Helper()
	p.Now = f.now
	d, err := Open(p, f)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Halt(); err != nil {
			t.Errorf("halt: %v", err)
		}
		d.Close()
	})
	return d
}

// seen waits until everything is still and returns what was reported, in
// words.
func seen(d *Driver) []string {
	synctest.Wait()
	var out []string
	for _, r := range d.Take(nil) {
		var s string
		switch in := r.Input; in.Kind {
		case 0:
			s = "trouble"
		case control.GateIs:
			s = fmt.Sprintf("gate %d %v", in.ID, control.Shown(in.State))
		case control.OutputIs:
			s = fmt.Sprintf("%v#%d %v %s", in.What, in.Seq, in.ID, map[uint8]string{1: "done", 2: "failed", 3: "lost"}[in.State])
		default:
			s = fmt.Sprintf("%v %d=%d", in.Kind, in.ID, in.State)
		}
		if r.Err != nil {
			s += ": " + r.Err.Error()
		}
		out = append(out, s)
	}
	return out
}

func want(t *testing.T, got []string, wanted ...string) {
	t.Helper()
	if !slices.Equal(got, wanted) {
		t.Errorf("got  %q\nwant %q", got, wanted)
	}
}

// wait lets time pass.
func wait(d time.Duration) {
	<-time.NewTimer(d).C // the bubble's clock: it takes no time
	synctest.Wait()
}
