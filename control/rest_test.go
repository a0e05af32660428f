package control

import "fmt"

// bound is the longest way to rest, in ticks: the sum of all delays of any
// vector is less.
const bound = 160

// rest tries the way to rest from a state: every machine stops, every fault
// ends, whoever is there lifts what is latched, and time passes. States whose
// way is known need not be walked again.
func (w *walk) rest(key []byte) error {
	load(w.h, key)
	var way [][2]uint64
	buf := append([]byte(nil), key...)
	left := 0
	for {
		h := w.hash(buf)
		if n, ok := w.good.get(h); ok {
			left = int(n)
			break
		}
		if len(way) > bound {
			return fmt.Errorf("no rest within %d ticks after all has stopped: %s", bound, w.unrest())
		}
		way = append(way, h)
		if w.unrest() == "" {
			break
		}
		if err := w.help(); err != nil {
			return err
		}
		buf = save(w.h, buf[:0])
	}
	for i := len(way) - 1; i >= 0; i-- {
		if left > bound {
			return fmt.Errorf("rest only after %d ticks", left)
		}
		w.good.add(way[i], uint16(left))
		left++
	}
	return nil
}

// help lets everything go well for one tick.
func (w *walk) help() error {
	c := w.h
	w.quiet.Reset()
	in := func(in Input) { c.Step(c.now, in, &w.quiet) }
	// Where something has failed that only a new start tries again, somebody starts
	// the machine, and stops it once that is over or it is left.
	touched := c.touched()
	failed := c.faults[GateNotOpen] | c.faults[GateNotShut] | c.faults[GateOutput]
	pushed := uint64(0) // shut by hand and let go: nothing can show it open
	for i := range c.gates {
		if g := &c.gates[i]; !c.p.Gates[i].OpenSwitch && g.target == toOpen && g.motion == still && c.open>>i&1 == 0 {
			pushed |= 1 << i
		}
	}
	for i := range c.machines {
		m := &c.machines[i]
		again := m.path&(failed|pushed|touched&c.faults[GateLost]) != 0 || (m.path&touched != 0 || c.quiet) && c.has(EveryPathShut, 0) || c.has(ProbablyBreaker, i)
		switch {
		case m.sensed != Idle && (!again || m.left != 0 || m.sensed != Running || m.path&(pushed|touched) != 0):
			in(InMachine(ID(i), Idle, 0))
		case m.sensed == Idle && again && !blockedState(c) && c.bar() == 0:
			in(InMachine(ID(i), Running, 0))
		}
	}
	for i := range c.gates {
		if c.aside>>i&1 != 0 {
			in(InAsk(AskReturn, Console, ID(i)))
		}
		if c.p.Gates[i].Button && c.gates[i].button.is != Released {
			in(InAside(ID(i), Released))
		}
	}
	if c.p.ResetButton && c.reset.is != Released {
		in(InReset(Released))
	}
	for i := range c.stops {
		if c.stops[i] != Closed {
			in(Input{Kind: StopIs, ID: ID(i), State: uint8(Closed)})
		}
	}
	if c.wire != Closed {
		in(Input{Kind: StandDownIs, State: uint8(Closed)})
	}
	if c.col.selector != Auto {
		in(Input{Kind: SwitchIs, State: uint8(Auto)})
	}
	if c.col.bin != Room {
		in(Input{Kind: BinIs, State: uint8(Room)})
	}
	if c.closed {
		in(Input{Kind: ShopIs, State: uint8(ShopOpen)})
	}
	for i := range c.circuits {
		if c.circuits[i].load != Fits {
			in(Input{Kind: CircuitIs, ID: ID(i), State: uint8(Fits)})
		}
	}
	if c.down {
		in(Input{Kind: Ask, State: uint8(AskLift), Origin: Console, ID: NoID})
	}
	if stopLatched(c) || offLatched(c) {
		in(Input{Kind: Ask, State: uint8(AskReset), Origin: Console, ID: NoID})
	}
	if err := answerAll(c, &w.quiet); err != nil {
		return err
	}
	c.Step(c.now+1, Input{Kind: Tick}, &w.quiet)
	if err := answerAll(c, &w.quiet); err != nil {
		return err
	}
	for i := range c.gates {
		g, p := &c.gates[i], &c.p.Gates[i]
		if !p.OpenSwitch && !p.ShutSwitch {
			continue
		}
		s := ShownBetween
		switch {
		case g.target == nowhere:
			s = g.shown // nobody moves it
		case g.motion == travelling && g.due > c.now+1:
		case g.target == toOpen && p.OpenSwitch:
			s = ShownOpen
		case g.target == toShut && p.ShutSwitch:
			s = ShownShut
		}
		if s != g.shown {
			in(Input{Kind: GateIs, ID: ID(i), State: uint8(s)})
		}
	}
	if c.p.Collector.Feedback != NoFeedback {
		v := Idle
		if c.col.on {
			v = Running
		}
		if v != c.col.sensed {
			in(Input{Kind: CollectorIs, State: uint8(v)})
		}
	}
	return answerAll(c, &w.quiet)
}

// unrest says what keeps a state from rest; nothing if it is at rest.
func (w *walk) unrest() string {
	c := w.h
	switch {
	case c.down || stopLatched(c) || offLatched(c) || c.boot != never:
		return "blocked"
	case c.col.on || c.air():
		return "the collector"
	case c.want != 0 || c.test.gate != NoID:
		return "a gate is wanted"
	}
	for f := FaultKind(1); f < faultKinds; f++ {
		if c.faults[f] != 0 {
			return "fault " + f.String()
		}
	}
	for i := range c.machines {
		if c.machines[i].run != idle || c.machines[i].sensed != Idle {
			return "a machine"
		}
	}
	rest := c.rest
	if c.p.CloseAtRest {
		rest = 0
	}
	for i := range c.gates {
		g, bit := &c.gates[i], uint64(1)<<i
		switch {
		case g.motion != still:
			return "a gate moves"
		case !c.p.Gates[i].Actuated:
		case c.quiet, g.hands: // lifted, or taken back, and nothing has been started since: all stays as it is
		case rest&bit != 0 && c.open&bit == 0:
			return fmt.Sprintf("gate %d of the last path is not open", i)
		case rest&bit == 0 && c.shut&bit == 0:
			return fmt.Sprintf("gate %d is not shut", i)
		}
	}
	for i := range c.outlets {
		if c.outlets[i].on {
			return "an outlet"
		}
	}
	return ""
}
