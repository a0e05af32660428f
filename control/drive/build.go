package drive

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"kerfwind/control"
)

// chipKey is where a servo chip sits.
type chipKey struct {
	bus  string
	addr int
}

// builder takes hold of the hardware and lays out the workers.
type builder struct {
	d       *Driver
	byPlace map[string]*worker
	buses   map[string]*bus
	power   map[*bus]*supply
	chips   map[chipKey]*pca // nil: could not be made ready
	faults  []fault
}

// fault is what is wrong, and with whom.
type fault struct {
	who []string
	err error
}

// fail notes what is wrong with who ("": the error says so). What is wrong with
// many alike, such as a chip that is not there, is said once.
func (b *builder) fail(who string, err error) {
	i := slices.IndexFunc(b.faults, func(f fault) bool { return f.err.Error() == err.Error() })
	if i < 0 {
		i = len(b.faults)
		b.faults = append(b.faults, fault{err: err})
	}
	if f := &b.faults[i]; who != "" && !slices.Contains(f.who, who) {
		f.who = append(f.who, who)
	}
}

// err joins all that is wrong.
func (b *builder) err() error {
	var errs []error
	for _, f := range b.faults {
		if f.who != nil {
			f.err = fmt.Errorf("%s: %w", strings.Join(f.who, ", "), f.err)
		}
		errs = append(errs, f.err)
	}
	return errors.Join(errs...)
}

// worker is the worker for a bus or chip, made when it is first asked for.
func (b *builder) worker(place string) *worker {
	w := b.byPlace[place]
	if w == nil {
		w = newWorker(b.d)
		b.byPlace[place] = w
		b.d.workers = append(b.d.workers, w)
	}
	return w
}

func (b *builder) route(place string, t target, u unit) {
	w := b.worker(place)
	w.add(t, u)
	b.d.routes[t] = w
}

// output requests a line. nil: it could not be had, and that was noted.
func (b *builder) output(l Line, activeLow bool, name string) *line {
	out, err := b.d.hw.Output(l, activeLow, name)
	if err != nil {
		b.fail(name, err)
		return nil
	}
	line := &line{d: b.d, out: out, name: name + ", " + l.String(), lock: newLock()}
	b.d.lines = append(b.d.lines, line)
	return line
}

func (b *builder) build(setUp bool) {
	d := b.d
	b.buses, b.power = map[string]*bus{}, map[*bus]*supply{}
	// The contactor first, here and in Halt, with a worker of its own.
	if r := d.p.Collector; r != nil {
		if l := b.output(r.Line, r.ActiveLow, r.Name); l != nil {
			b.route("collector", target{'c', 0}, &relay{d: d, line: l})
		}
	}
	if h := d.p.Heartbeat; h != nil {
		if l := b.output(h.Line, false, "heartbeat"); l != nil {
			d.beat = b.worker("heartbeat")
			d.beat.list = append(d.beat.list, &heart{d: d, line: l, every: h.Every})
		}
	}
	for i := range d.p.Outlets {
		b.outlet(control.ID(i), &d.p.Outlets[i])
	}
	for i := range d.p.Gates {
		b.gate(control.ID(i), &d.p.Gates[i], setUp)
	}
	for i, r := range d.p.Lamps {
		if l := b.output(r.Line, r.ActiveLow, r.Name); l != nil {
			b.route("gpio "+r.Line.Chip, target{'i', control.ID(i)}, &relay{d: d, line: l})
		}
	}
	for i := range d.p.Contacts {
		c := &contact{p: d.p.Contacts[i]}
		var err error
		if c.in, err = d.hw.Input(c.p.Line, c.p.Debounce, c.p.Name); err != nil {
			b.fail(fmt.Sprintf("contact %q", c.p.Name), err)
		}
		d.sensed.list = append(d.sensed.list, c)
	}
}

func (b *builder) outlet(id control.ID, o *Outlet) {
	t := target{'o', id}
	switch {
	case o.Relay != nil:
		if l := b.output(o.Relay.Line, o.Relay.ActiveLow, o.Relay.Name); l != nil {
			b.route("gpio "+o.Relay.Line.Chip, t, &relay{d: b.d, line: l})
		}
	case o.Topic != nil:
		u := &topic{b.d, o.Topic}
		b.d.topics = append(b.d.topics, u)
		b.route("topics", t, u)
	}
}

func (b *builder) gate(id control.ID, g *Gate, setUp bool) {
	t := target{'g', id}
	switch {
	case g.Relay != nil:
		if l := b.output(g.Relay.Line, g.Relay.ActiveLow, g.Relay.Name); l != nil {
			b.route("gpio "+g.Relay.Line.Chip, t, &relay{d: b.d, line: l})
		}
	case g.Motor != nil:
		m := g.Motor
		open, shut := b.output(m.Open, m.ActiveLow, m.Name), b.output(m.Shut, m.ActiveLow, m.Name)
		if open != nil && shut != nil {
			b.route("gpio "+m.Open.Chip, t, &motor{d: b.d, m: m, id: id, open: open, shut: shut})
		}
	case g.Topic != nil:
		b.route("topics", t, &topic{b.d, g.Topic})
	case g.Servo != nil:
		if c := b.chip(g.Servo, setUp); c != nil {
			b.route("i2c "+g.Servo.Bus, t, &servo{d: b.d, s: g.Servo, chip: c, power: b.power[c.bus]})
		}
	}
}

// chip is the servo chip that s hangs on, made ready when it is first asked
// for. nil: it could not be, and that was noted.
func (b *builder) chip(s *Servo, setUp bool) *pca {
	key := chipKey{s.Bus, s.Address}
	if c, ok := b.chips[key]; ok {
		return c
	}
	b.chips[key] = nil
	var p Chip
	for _, q := range b.d.p.Chips {
		if q.Bus == s.Bus && q.Address == s.Address {
			p = q
		}
	}
	var enable *line
	if e := p.Enable; e != nil {
		if enable = b.output(e.Line, e.ActiveLow, e.Name); enable == nil {
			return nil
		}
	}
	bus := b.bus(s.Bus)
	if bus == nil {
		return nil
	}
	c := &pca{bus: bus, addr: s.Address, enable: enable}
	bus.chips = append(bus.chips, c)
	if setUp {
		if err := c.setUp(); err != nil {
			b.fail("", err)
			return nil
		}
	}
	b.chips[key] = c
	return c
}

// bus opens a bus when it is first asked for.
func (b *builder) bus(name string) *bus {
	if u, ok := b.buses[name]; ok {
		return u
	}
	b.buses[name] = nil
	dev, err := b.d.hw.Bus(name)
	if err != nil {
		b.fail("", err)
		return nil
	}
	u := &bus{d: b.d, dev: dev, name: name, lock: newLock()}
	b.buses[name] = u
	b.power[u] = &supply{}
	b.d.buses = append(b.d.buses, u)
	return u
}
