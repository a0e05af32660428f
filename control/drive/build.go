package drive

import "kerfwind/control"

// chipKey is where a servo chip sits.
type chipKey struct {
	bus  string
	addr int
}

// builder lays out the workers. It touches no hardware.
type builder struct {
	d       *Driver
	byPlace map[string]*worker
	buses   map[string]*bus
	power   map[*bus]*supply
	chips   map[chipKey]*pca
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

// part makes a part, which the worker of a place seeks and looks after.
func (b *builder) part(place, name string, seek func() error, look func() (bool, error), serves ...target) *part {
	p := &part{d: b.d, name: name, seek: seek, look: look, serves: serves}
	b.d.parts = append(b.d.parts, p)
	b.worker(place).look(p)
	return p
}

// line is a line that nobody has asked for yet.
func (b *builder) line(l Line, activeLow bool, user string) *line {
	line := &line{d: b.d, at: l, low: activeLow, user: user, lock: newLock()}
	b.d.lines = append(b.d.lines, line)
	return line
}

// output is a line of a place that serves targets.
func (b *builder) output(place string, l Line, activeLow bool, user string, serves ...target) *line {
	line := b.line(l, activeLow, user)
	line.part = b.part(place, user, line.seek, line.look, serves...)
	return line
}

// relay is a relay that serves a target.
func (b *builder) relay(place string, r *Relay, t target, shuts bool) {
	b.route(place, t, &relay{d: b.d, line: b.output(place, r.Line, r.ActiveLow, r.Name, t), shuts: shuts})
}

func gpio(l Line) string { return "gpio " + l.Chip }

func (b *builder) build() {
	d := b.d
	b.buses, b.power = map[string]*bus{}, map[*bus]*supply{}
	// The contactor first, here and in Halt, with a worker of its own.
	if r := d.p.Collector; r != nil {
		b.relay("collector", r, target{'c', 0}, false)
	}
	if h := d.p.Heartbeat; h != nil {
		l := b.output("heartbeat line", h.Line, false, "heartbeat", target{}) // only the loop wakes the other
		d.beat = b.worker("heartbeat")
		d.beat.list = append(d.beat.list, &heart{d: d, line: l, every: h.Every})
	}
	for i := range d.p.Outlets {
		b.outlet(control.ID(i), &d.p.Outlets[i])
	}
	for i := range d.p.Gates {
		b.gate(control.ID(i), &d.p.Gates[i])
	}
	for i, r := range d.p.Lamps {
		b.relay(gpio(r.Line), r, target{'i', control.ID(i)}, false)
	}
	for i := range d.p.Contacts {
		d.sensed.list = append(d.sensed.list, &contact{p: d.p.Contacts[i]})
	}
}

func (b *builder) outlet(id control.ID, o *Outlet) {
	t := target{'o', id}
	switch {
	case o.Relay != nil:
		b.relay(gpio(o.Relay.Line), o.Relay, t, false)
	case o.Topic != nil:
		u := &topic{b.d, o.Topic}
		b.d.topics = append(b.d.topics, u)
		b.route("topics", t, u)
	}
}

func (b *builder) gate(id control.ID, g *Gate) {
	t := target{'g', id}
	switch {
	case g.Relay != nil:
		b.relay(gpio(g.Relay.Line), g.Relay, t, g.Shuts)
	case g.Motor != nil:
		m, place := g.Motor, gpio(g.Motor.Open)
		b.route(place, t, &motor{d: b.d, m: m, id: id, open: b.output(place, m.Open, m.ActiveLow, m.Name, t), shut: b.output(place, m.Shut, m.ActiveLow, m.Name, t)})
	case g.Topic != nil:
		b.route("topics", t, &topic{b.d, g.Topic})
	case g.Servo != nil:
		c := b.chip(g.Servo)
		c.part.serves = append(c.part.serves, t)
		b.route("i2c "+g.Servo.Bus, t, &servo{d: b.d, s: g.Servo, chip: c, power: b.power[c.bus]})
	}
}

// chip is the servo chip that s hangs on.
func (b *builder) chip(s *Servo) *pca {
	key := chipKey{s.Bus, s.Address}
	if c := b.chips[key]; c != nil {
		return c
	}
	c := &pca{bus: b.bus(s.Bus), addr: s.Address}
	b.chips[key] = c
	c.bus.chips = append(c.bus.chips, c)
	for _, q := range b.d.p.Chips {
		if e := q.Enable; e != nil && q.Bus == s.Bus && q.Address == s.Address {
			c.enable = b.line(e.Line, e.ActiveLow, e.Name)
		}
	}
	c.part = b.part("i2c "+s.Bus, c.name(), c.seek, c.look)
	return c
}

// bus is the bus of that name.
func (b *builder) bus(name string) *bus {
	u := b.buses[name]
	if u == nil {
		u = &bus{d: b.d, name: name, lock: newLock()}
		b.buses[name], b.power[u] = u, &supply{}
		b.d.buses = append(b.d.buses, u)
	}
	return u
}
