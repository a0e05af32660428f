package control

import "time"

// test is a test move.
type test struct {
	gate  ID            // NoID: none
	open  bool          // gate set: it is moved open, else shut
	until time.Duration // gate set: its end
}

// local reports whether the asker is in the shop.
func (o Origin) local() bool { return o == Wired || o == Console }

// ask takes in a request: what the rest of the state forbids is refused.
func (c *Core) ask(in Input, out *Out) {
	i, kind := int(in.ID), AskKind(in.State)
	refuse := func(cause Cause) {
		out.Events = append(out.Events, Event{At: c.now, Kind: RequestRefused, Cause: cause, ID: in.ID, Seq: in.Seq})
	}
	switch {
	case kind == 0 || kind >= askKinds || in.For < 0:
		refuse(ByBadRequest)
		return
	case in.Origin == 0 || in.Origin >= origins:
		refuse(ByOrigin)
		return
	case in.Expires != 0 && in.Expires < c.now && kind != AskStandDown && kind != AskAside && kind != AskRelease:
		refuse(ByStale)
		return
	}
	switch kind {
	case AskHold:
		if cause := c.hold(i, in, out); cause != 0 {
			refuse(cause)
		}
	case AskRelease:
		if i >= len(c.gates) || c.gates[i].held == never {
			refuse(ByBadRequest)
			return
		}
		c.endHold(i, ByRequest, out)
	case AskTestOpen, AskTestShut:
		if cause := c.testMove(i, kind == AskTestOpen, in, out); cause != 0 {
			refuse(cause)
		}
	case AskTestEnd:
		if c.test.gate == NoID {
			refuse(ByBadRequest)
			return
		}
		c.endTest(ByRequest, out)
	case AskStandDown:
		c.standDown(out)
	case AskLift:
		switch {
		case !in.Origin.local():
			refuse(ByOrigin)
		case c.wire == Open || c.wire == Broken:
			refuse(ByStandDown)
		default:
			c.lift(out)
		}
	case AskReset:
		switch {
		case !in.Origin.local():
			refuse(ByOrigin)
		case !c.allClosed():
			refuse(ByStop)
		default:
			c.liftLatches(ByRequest, out)
		}
	case AskAside:
		switch {
		case i >= len(c.gates):
			refuse(ByBadRequest)
		case in.Origin == Topic:
			refuse(ByOrigin)
		default:
			c.setAside(i, ByRequest, out)
		}
	case AskReturn:
		switch {
		case i >= len(c.gates) || c.aside>>i&1 == 0:
			refuse(ByBadRequest)
		case !in.Origin.local():
			refuse(ByOrigin)
		default:
			c.takeBack(i, ByRequest, out)
		}
	}
}

// noHold is why nobody may hold gate i open now; 0: one may.
func (c *Core) noHold(i int) Cause {
	switch b := c.blocked(); {
	case b != 0:
		return b
	case c.bar() != 0:
		return c.bar()
	case c.ends>>i&1 == 0:
		return ByMain
	case c.gates[i].path&c.aside != 0:
		return ByAside
	case c.p.HoldLongest == 0:
		return ByNoHolds
	}
	return 0
}

// hold holds a gate open and asks for collection there. It returns why not.
func (c *Core) hold(i int, in Input, out *Out) Cause {
	if i >= len(c.gates) {
		return ByBadRequest
	}
	g := &c.gates[i]
	switch no := c.noHold(i); {
	case no != 0:
		return no
	case in.Origin == Topic && g.held == never && !c.p.TopicMayStart:
		return ByOrigin
	}
	long := c.p.HoldLongest
	if in.For > 0 {
		long = min(long, in.For)
	}
	if g.held == never {
		g.limit = c.now + c.p.HoldLongest
	}
	g.held, g.runOn, g.late = min(c.now+long, g.limit), never, never
	c.event(GateHeld, ByRequest, i, g.held, out)
	c.endTest(ByHold, out)
	c.wake(g.path)
	return 0
}

// endHold ends a hold. Its gate stays open for its own run-on while air moves.
func (c *Core) endHold(i int, cause Cause, out *Out) {
	g := &c.gates[i]
	g.held, g.limit, g.late = never, never, never
	if c.air() && c.dropHeld>>i&1 == 0 {
		g.runOn = c.now + c.p.Gates[i].RunOn
		if c.wants(out); c.dropGate>>i&1 != 0 {
			g.runOn, cause = never, ByLimit // the air does not suffice for its run-on
		} else {
			c.stay(g.runOn)
		}
	}
	c.event(GateReleased, cause, i, g.runOn, out)
}

// drop gives up a hold that waits for the collector in vain.
func (c *Core) drop(i int, cause Cause, out *Out) {
	g := &c.gates[i]
	if g.held == never {
		return
	}
	g.held, g.limit, g.late = never, never, never
	c.event(GateReleased, cause, i, never, out)
}

// testMove moves one gate at rest. It returns why not.
func (c *Core) testMove(i int, open bool, in Input, out *Out) Cause {
	if i >= len(c.gates) {
		return ByBadRequest
	}
	switch b := c.blocked(); {
	case b != 0:
		return b
	case !c.p.Gates[i].Actuated:
		return ByNotActuated
	case c.aside>>i&1 != 0:
		return ByAside
	case c.closed:
		return ByShopClosed
	case !c.atRest():
		return ByBusy
	case !open && c.busy>>i&1 != 0:
		return ByUnknown
	}
	long := c.p.TestLongest
	if in.For > 0 {
		long = min(long, in.For)
	}
	c.test = test{gate: ID(i), open: open, until: c.now + long}
	c.quiet = false
	c.gates[i].hands = false
	c.event(TestBegan, ByRequest, i, c.test.until, out)
	return 0
}

// atRest reports whether nothing is wanted, no air moves and no gate does.
func (c *Core) atRest() bool {
	if c.want != 0 || c.air() || c.test.gate != NoID {
		return false
	}
	for i := range c.machines {
		if c.machines[i].run != idle && !c.p.MoveIn {
			return false
		}
	}
	for i := range c.gates {
		if c.gates[i].motion != still {
			return false
		}
	}
	return true
}

// endTest ends a test move, if there is one.
func (c *Core) endTest(cause Cause, out *Out) {
	if c.test.gate == NoID {
		return
	}
	c.event(TestEnded, cause, int(c.test.gate), never, out)
	c.test = test{gate: NoID, until: never}
}

// halt brings everything to a stand where it is: collector and outlets off, no
// motion, no holds, no run-ons, no test move.
func (c *Core) halt(cause Cause, out *Out) {
	if c.col.on {
		c.switchOff(cause, out)
	}
	for i := range c.outlets {
		if c.outlets[i].on {
			c.outletOff(i, cause, out)
		}
	}
	c.stopGates(cause, out)
	for i := range c.gates {
		c.drop(i, cause, out)
		c.gates[i].runOn = never
	}
	for i := range c.machines {
		if m := &c.machines[i]; m.run == runOn {
			m.run, m.due = idle, never
		}
	}
	c.endTest(cause, out)
}

// standDownIs takes in the wired stand-down switch. Only a switch that was
// seen open and is closed again lifts: a repaired wire does not.
func (c *Core) standDownIs(s Contact, out *Out) {
	was := c.wire
	c.wire = s
	switch {
	case s != Closed:
		c.standDown(out)
	case was == Open:
		c.lift(out)
	}
}

// standDown commands everything off and then nothing more.
func (c *Core) standDown(out *Out) {
	if c.down {
		return
	}
	c.down = true
	c.halt(ByStandDown, out)
	c.event(StoodDown, ByRequest, int(NoID), never, out)
}

// lift ends the stand-down. It starts nothing.
func (c *Core) lift(out *Out) {
	if !c.down {
		return
	}
	c.down = false
	c.quiet = true
	c.event(StandDownLifted, ByRequest, int(NoID), never, out)
}

// stopIs takes in a stop input. One that cannot be read stops everything too, but
// latches nothing: once it is read again and closed it has not acted.
func (c *Core) stopIs(i int, s Contact, out *Out) {
	was := c.stops[i]
	c.stops[i] = s
	switch s {
	case Closed:
		if was > Closed && c.has(StopLatched, i) {
			c.event(StopClosed, BySensor, i, never, out)
		}
	case Open:
		if was != Open {
			c.event(StopOpened, BySensor, i, never, out)
		}
		c.raise(StopLatched, BySensor, i, never, out)
	case Broken:
		c.raise(StopUnread, BySensor, i, never, out)
	}
	if s != Broken {
		c.clear(StopUnread, BySensor, i, out)
	}
	if s != Closed {
		c.reset.armed = false
		c.halt(ByStop, out)
	} else if was == Broken {
		c.quiet = true
	}
}

// allClosed reports whether every stop input reads closed.
func (c *Core) allClosed() bool {
	for _, s := range c.stops {
		if s != Closed {
			return false
		}
	}
	return true
}

// liftLatches is the local act that lifts what is latched, and nothing else. It
// starts nothing: machines that run have been left, and after a stop input no gate
// moves either until something is started again.
func (c *Core) liftLatches(by Cause, out *Out) {
	if c.latched() {
		for i := range c.stops {
			c.clear(StopLatched, by, i, out)
		}
		c.clear(StopStored, by, 0, out)
		c.quiet = true
		c.event(LatchLifted, ByStop, int(NoID), never, out)
	}
	if c.failed() != 0 {
		for _, f := range latching {
			c.clear(f, by, 0, out)
		}
		c.event(LatchLifted, ByFault, int(NoID), never, out)
	}
}

// shopIs takes in the hours.
func (c *Core) shopIs(closed bool, out *Out) {
	if closed == c.closed {
		return
	}
	c.closed = closed
	if !closed {
		c.event(ShopIsOpen, ByRequest, int(NoID), never, out)
		return
	}
	c.event(ShopIsClosed, ByRequest, int(NoID), never, out)
	c.endTest(ByShopClosed, out)
	for i := range c.machines {
		if c.machines[i].runs() {
			c.event(ClosedShopRun, ByShopClosed, i, never, out)
		}
	}
}
