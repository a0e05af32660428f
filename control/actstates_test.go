package control

import (
	"math/bits"
	"time"
)

// actShop is a shop with gates of every sort: 0 with both end switches, 1 with one
// at open, 2 with none, 3 moved by hand, 4 in the main of 0 and 1 with one at
// shut. No two of its lengths of time are alike.
func actShop() Params {
	p := Defaults()
	p.Machines = []Machine{
		{Name: "planer", Hoods: []Hood{{Gates: []ID{0, 4}}}, Rank: 2, Circuit: 0, Inrush: 600 * time.Millisecond},
		{Name: "saw", Hoods: []Hood{{Gates: []ID{1, 4}}, {Gates: []ID{2}}}, Rank: 1, Circuit: 1, Inrush: 700 * time.Millisecond},
		{Name: "sander", Hoods: []Hood{{Gates: []ID{3}}}, Rank: 3, Circuit: NoID},
	}
	p.Gates = []Gate{
		{Name: "planer", Travel: 900 * time.Millisecond, OpenSwitch: true, ShutSwitch: true, Actuated: true, Downstream: []ID{4}, RunOn: 2100 * time.Millisecond},
		{Name: "saw", Travel: 1100 * time.Millisecond, OpenSwitch: true, Actuated: true, Downstream: []ID{4}, RunOn: 2300 * time.Millisecond},
		{Name: "blade", Travel: 1300 * time.Millisecond, Actuated: true, RunOn: 2500 * time.Millisecond, Answer: 800 * time.Millisecond},
		{Name: "sander", Travel: 1500 * time.Millisecond, OpenSwitch: true, RunOn: 2700 * time.Millisecond},
		{Name: "main", Travel: 1700 * time.Millisecond, ShutSwitch: true, Actuated: true, RunOn: 2900 * time.Millisecond},
	}
	p.Outlets = []Outlet{{Name: "vacuum", Follows: []ID{0}, RunOn: 3100 * time.Millisecond}, {Name: "cleaner", Follows: []ID{1, 2}, RunOn: 6100 * time.Millisecond}}
	p.Circuits = []Circuit{{Name: "north", Rating: 16}, {Name: "south", Rating: 20}}
	p.Stops = []Stop{{Name: "smoke"}, {Name: "door"}}
	p.Collector = Collector{Name: "fan", Confirm: 250 * time.Millisecond, Coast: 7 * time.Second, Starts: 3, Window: 83 * time.Second, MinOn: 11 * time.Second,
		MinOff: 13 * time.Second, Feedback: ByCurrent, Within: 1900 * time.Millisecond, Circuit: 0, Switch: true}
	p.RunOn = func(m ID, open uint64) time.Duration {
		return 4*time.Second + time.Duration(m)*1500*time.Millisecond + time.Duration(bits.OnesCount64(open))*100*time.Millisecond
	}
	p.UnknownHold, p.HoldLongest, p.TestLongest = 19*time.Second, 29*time.Second, 5*time.Second
	p.PowerUp, p.Answer, p.AllShut = 2*time.Second, 600*time.Millisecond, 1700*time.Millisecond
	p.CircuitSettle, p.Breaker, p.Retries = 1200*time.Millisecond, 500*time.Millisecond, 2
	p.BinBlocks = true
	p.ResetButton, p.Gates[0].Button, p.Gates[2].Button = true, true, true
	p.Gap, p.Late, p.OffSettle, p.Stuck, p.ShutWindow = 60*time.Millisecond, 1600*time.Millisecond, 950*time.Millisecond, 3300*time.Millisecond, 50*time.Second
	return p
}

// tight is a barn whose air suffices for one branch, and with the owner's other choices.
func tight() Params {
	p := actShop()
	p.MaxOpen, p.CloseAtRest, p.TopicMayStart, p.BinBlocks = 1, true, true, false
	p.Collector.Feedback, p.Collector.Starts = ByContact, 0
	p.Collector.Circuit = NoID
	return p
}

// refusing is a tight barn that refuses machines.
func refusing() Params {
	p := tight()
	p.RefuseRunning = true
	p.Collector.Feedback, p.Collector.Switch = NoFeedback, false
	return p
}

// lamps is a barn with indicators. Two of them blink, which would fill the
// tables of the other states.
func lamps() Params {
	p := actShop()
	p.Indicators = []Indicator{{Name: "runs", Shows: Collecting}, {Name: "uncollected", Shows: AnyUncollected, Half: FastHalf}, {Name: "fault", Shows: AnyFault}, {Name: "latched", Shows: AnyLatch, Half: SlowHalf}}
	return p
}

// driven is a barn in which every gate has a drive, so that every path can be shown shut.
func driven() Params {
	p := actShop()
	p.Gates[3].Actuated, p.Gates[3].ShutSwitch = true, true
	return p
}

// helped is a barn with helper gates and air for two branches.
func helped() Params {
	p := actShop()
	p.MaxOpen = 2
	p.Helper = func(open uint64) uint64 { return open << 1 & 0x1f }
	p.Purge = func(uint64) uint64 { return 1 << 2 }
	return p
}

// handmade is a barn without stops, actuators and holds, and with a hood that has no gate.
func handmade() Params {
	p := actShop()
	p.Stops, p.HoldLongest, p.PowerUp = nil, 0, 0
	p.Machines = append(p.Machines, Machine{Name: "bench", Hoods: []Hood{{}}, Circuit: 1})
	p.Gates[0].Actuated, p.Gates[2].Actuated, p.Gates[2].OpenSwitch = false, false, true
	p.Collector.MinOn, p.Collector.MinOff, p.Retries = 0, 0, 0
	return p
}

func (b *stage) run(i ID)            { b.step(Input{Kind: MachineIs, ID: i, State: uint8(Running)}) }
func (b *stage) idle(i ID)           { b.step(Input{Kind: MachineIs, ID: i, State: uint8(Idle)}) }
func (b *stage) lost(i ID)           { b.step(Input{Kind: MachineIs, ID: i, State: uint8(Unknown)}) }
func (b *stage) shows(i ID, s Shown) { b.step(Input{Kind: GateIs, ID: i, State: uint8(s)}) }
func (b *stage) stop(i ID, s Contact) {
	b.step(Input{Kind: StopIs, ID: i, State: uint8(s)})
}
func (b *stage) ask(k AskKind, i ID, d time.Duration) {
	b.step(Input{Kind: Ask, State: uint8(k), Origin: Console, ID: i, For: d})
}
func (b *stage) press(k InputKind, i ID, s Press) {
	b.step(Input{Kind: k, ID: i, State: uint8(s)})
}
func (b *stage) current(i ID, f Flow)      { b.step(InCurrent(i, f)) }
func (b *stage) tell(k InputKind, s uint8) { b.step(Input{Kind: k, State: s}) }

// morning lets everything report and stand shut, past the wait at power-up.
func (b *stage) morning() {
	b.step(Input{Kind: Tick})
	for i := range b.c.p.Stops {
		b.stop(ID(i), Closed)
	}
	for i := range b.c.p.Machines {
		b.idle(ID(i))
	}
	for i, g := range b.c.p.Gates {
		if g.ShutSwitch {
			b.shows(ID(i), ShownShut)
		} else if g.OpenSwitch {
			b.shows(ID(i), ShownBetween)
		}
	}
	b.press(ResetIs, 0, Released)
	for i, g := range b.c.p.Gates {
		if g.Button {
			b.press(AsideIs, ID(i), Released)
		}
	}
	b.tell(CollectorIs, uint8(Idle))
	b.tell(SwitchIs, uint8(Auto))
	b.tell(StandDownIs, uint8(Closed))
	b.tell(BinIs, uint8(Room))
	for i := range b.c.p.Circuits {
		b.step(Input{Kind: CircuitIs, ID: ID(i), State: uint8(Fits)})
	}
	b.wait(20 * time.Second)
}

// cutting is a morning after which a machine cuts.
func (b *stage) cutting(i ID) {
	b.morning()
	b.run(i)
	b.wait(5 * time.Second)
}

const ms = time.Millisecond

// actStates lists states: each fault stands in one of them, each latch, each
// wait, and each part of a run.
func actStates() []actState {
	rich := func(f func(*Params)) func() Params {
		return func() Params {
			p := actShop()
			f(&p)
			return p
		}
	}
	return []actState{
		{"01-power-up", actShop, func(b *stage) { b.step(Input{Kind: Tick}); b.run(1) }},
		{"02-rest", actShop, func(b *stage) { b.morning() }},
		{"03-opening", actShop, func(b *stage) { b.morning(); b.run(0); b.wait(100 * ms) }},
		{"04-inrush", actShop, func(b *stage) { b.cutting(1); b.idle(1); b.wait(40 * time.Second); b.run(0); b.wait(400 * ms) }},
		{"05-cutting", actShop, func(b *stage) { b.cutting(0) }},
		{"06-two-cut", actShop, func(b *stage) { b.cutting(0); b.run(1); b.wait(2 * time.Second) }},
		{"07-run-on", actShop, func(b *stage) { b.cutting(0); b.wait(9 * time.Second); b.idle(0); b.wait(time.Second) }},
		{"08-minimum-on", actShop, func(b *stage) { b.cutting(0); b.idle(0); b.wait(5500 * ms) }},
		{"09-coasting", actShop, func(b *stage) { b.cutting(0); b.idle(0); b.wait(14 * time.Second) }},
		{"10-held", actShop, func(b *stage) { b.morning(); b.ask(AskHold, 2, 9*time.Second); b.wait(3 * time.Second) }},
		{"11-held-by-hand", actShop, func(b *stage) { b.morning(); b.ask(AskHold, 3, 20*time.Second); b.wait(500 * ms) }},
		{"12-test-open", actShop, func(b *stage) { b.morning(); b.ask(AskTestOpen, 1, 0); b.wait(2 * time.Second) }},
		{"13-test-shut", actShop, func(b *stage) {
			b.cutting(0)
			b.idle(0)
			b.wait(60 * time.Second)
			b.ask(AskTestShut, 0, 0)
			b.wait(2 * time.Second)
		}},
		{"14-sensor-lost-cutting", actShop, func(b *stage) { b.cutting(0); b.lost(0); b.wait(time.Second) }},
		{"15-all-sensing-lost", actShop, func(b *stage) { b.cutting(1); b.lost(0); b.lost(1); b.lost(2); b.wait(time.Second) }},
		{"16-gate-not-open", actShop, func(b *stage) { b.morning(); b.stuck[0] = true; b.run(0); b.wait(6 * time.Second) }},
		{"17-gate-retry", actShop, func(b *stage) {
			b.morning()
			b.answers[Command{Kind: GateOpen, ID: 2}] = Failed
			b.run(1)
			b.wait(2 * time.Second)
		}},
		{"18-gate-output", actShop, func(b *stage) {
			b.morning()
			b.answers[Command{Kind: GateOpen, ID: 2}] = 0
			b.run(1)
			b.wait(12 * time.Second)
		}},
		{"19-gate-lost", actShop, func(b *stage) {
			b.cutting(0)
			b.run(1)
			b.wait(4 * time.Second)
			b.shows(0, ShownBetween)
			b.wait(time.Second)
		}},
		{"20-every-path-shut", driven, func(b *stage) { b.cutting(0); b.shut(); b.wait(3 * time.Second) }},
		{"21-nearly-shut", driven, func(b *stage) { b.cutting(0); b.shut(); b.wait(500 * ms) }},
		{"22-gate-not-shut", actShop, func(b *stage) {
			b.cutting(0)
			b.stuck[0] = true
			b.run(1)
			b.wait(time.Second)
			b.idle(0)
			b.wait(8 * time.Second)
		}},
		{"23-gate-switches", actShop, func(b *stage) { b.cutting(0); b.shows(0, ShownBoth); b.wait(time.Second) }},
		{"24-no-current", actShop, func(b *stage) { b.morning(); b.dead = true; b.run(0); b.wait(6 * time.Second) }},
		{"25-still-on", actShop, func(b *stage) { b.cutting(0); b.welded = true; b.idle(0); b.wait(20 * time.Second) }},
		{"26-collector-output", actShop, func(b *stage) {
			b.morning()
			b.answers[Command{Kind: CollectorOn}] = Failed
			b.run(0)
			b.wait(4 * time.Second)
		}},
		{"27-off-unanswered", actShop, func(b *stage) {
			b.cutting(0)
			b.answers[Command{Kind: CollectorOff}] = 0
			b.idle(0)
			b.wait(12 * time.Second)
		}},
		{"28-off-refused", actShop, func(b *stage) {
			b.cutting(0)
			b.answers[Command{Kind: CollectorOff}] = Failed
			b.tell(SwitchIs, uint8(Off))
			b.wait(40 * ms)
		}},
		{"29-collector-sensor", actShop, func(b *stage) { b.cutting(0); b.tell(CollectorIs, uint8(Unknown)); b.wait(time.Second) }},
		{"30-stopped", actShop, func(b *stage) { b.cutting(0); b.run(1); b.wait(100 * ms); b.stop(1, Open); b.wait(time.Second) }},
		{"31-stop-closed", actShop, func(b *stage) {
			b.cutting(0)
			b.stop(1, Broken)
			b.wait(time.Second)
			b.stop(1, Closed)
			b.wait(time.Second)
		}},
		{"32-stop-reset", actShop, func(b *stage) {
			b.cutting(0)
			b.stop(1, Open)
			b.wait(time.Second)
			b.stop(1, Closed)
			b.ask(AskReset, NoID, 0)
			b.wait(time.Second)
		}},
		{"33-stood-down", actShop, func(b *stage) { b.cutting(0); b.ask(AskHold, 2, 0); b.ask(AskStandDown, NoID, 0); b.wait(time.Second) }},
		{"34-stood-down-wired", actShop, func(b *stage) { b.cutting(0); b.tell(StandDownIs, uint8(Open)); b.wait(time.Second) }},
		{"35-wire-broken", actShop, func(b *stage) { b.cutting(0); b.tell(StandDownIs, uint8(Broken)); b.wait(time.Second) }},
		{"36-lifted", actShop, func(b *stage) {
			b.cutting(0)
			b.ask(AskStandDown, NoID, 0)
			b.ask(AskLift, NoID, 0)
			b.wait(time.Second)
		}},
		{"37-switch-off", actShop, func(b *stage) { b.cutting(0); b.tell(SwitchIs, uint8(Off)); b.wait(4 * time.Second) }},
		{"38-switch-hand", actShop, func(b *stage) {
			b.morning()
			b.tell(SwitchIs, uint8(Hand))
			b.tell(CollectorIs, uint8(Running))
			b.wait(4 * time.Second)
		}},
		{"39-hand-and-cut", actShop, func(b *stage) { b.cutting(1); b.tell(SwitchIs, uint8(Hand)); b.idle(1); b.wait(15 * time.Second) }},
		{"40-bin-full", actShop, func(b *stage) { b.morning(); b.tell(BinIs, uint8(Full)); b.run(0); b.wait(4 * time.Second) }},
		{"41-bin-full-cutting", actShop, func(b *stage) { b.cutting(0); b.tell(BinIs, uint8(Full)); b.wait(time.Second) }},
		{"42-budget-spent", actShop, func(b *stage) { b.morning(); b.starts(3); b.wait(16 * time.Second) }},
		{"43-budget-wait", actShop, func(b *stage) { b.morning(); b.starts(2); b.ask(AskHold, 2, 20*time.Second); b.wait(2 * time.Second) }},
		{"44-budget-exceeded", actShop, func(b *stage) {
			b.morning()
			b.starts(2)
			b.run(0)
			b.wait(3 * time.Second)
			b.tell(SwitchIs, uint8(Off))
			b.wait(time.Second)
			b.tell(SwitchIs, uint8(Auto))
			b.idle(0)
			b.run(0)
			b.wait(3 * time.Second)
		}},
		{"45-minimum-off", actShop, func(b *stage) {
			b.cutting(0)
			b.idle(0)
			b.wait(12 * time.Second)
			b.ask(AskHold, 2, 20*time.Second)
			b.wait(2 * time.Second)
		}},
		{"46-owed", actShop, func(b *stage) { b.cutting(0); b.idle(0); b.wait(12 * time.Second); b.run(1); b.wait(4 * time.Second) }},
		{"47-closed", actShop, func(b *stage) { b.cutting(0); b.tell(ShopIs, uint8(ShopClosed)); b.wait(time.Second) }},
		{"48-closed-rest", actShop, func(b *stage) { b.morning(); b.tell(ShopIs, uint8(ShopClosed)); b.wait(time.Second) }},
		{"49-overload", actShop, func(b *stage) {
			b.cutting(0)
			b.step(Input{Kind: CircuitIs, ID: 0, State: uint8(Over)})
			b.wait(2 * time.Second)
			b.step(Input{Kind: CircuitIs, ID: 0, State: uint8(Fits)})
			b.wait(100 * ms)
		}},
		{"50-breaker", actShop, func(b *stage) {
			b.cutting(0)
			b.step(Input{Kind: CircuitIs, ID: 0, State: uint8(Over)})
			b.wait(2 * time.Second)
			b.step(Input{Kind: CircuitIs, ID: 0, State: uint8(Near)})
			b.idle(0)
			b.wait(100 * ms)
		}},
		{"51-outlet-output", actShop, func(b *stage) {
			b.answers[Command{Kind: OutletOn, ID: 0}] = Failed
			b.cutting(0)
			b.answers[Command{Kind: OutletOff, ID: 0}] = 0
			b.idle(0)
			b.wait(6 * time.Second)
		}},
		{"52-outlet-runs-on", actShop, func(b *stage) { b.cutting(2); b.idle(2); b.wait(time.Second) }},
		{"53-by-hand-open", actShop, func(b *stage) { b.morning(); b.shows(3, ShownOpen); b.run(2); b.wait(3 * time.Second) }},
		{"54-by-hand-waited-for", actShop, func(b *stage) { b.morning(); b.run(2); b.wait(300 * ms) }},
		{"55-by-hand-missing", actShop, func(b *stage) { b.morning(); b.run(2); b.wait(5 * time.Second) }},
		{"56-by-hand-shut-again", actShop, func(b *stage) {
			b.morning()
			b.shows(3, ShownOpen)
			b.run(2)
			b.wait(3 * time.Second)
			b.shows(3, ShownBetween)
			b.wait(500 * ms)
		}},
		{"57-called-back", actShop, func(b *stage) { b.cutting(0); b.idle(0); b.run(1); b.wait(9200 * ms); b.run(0) }},
		{"58-midway", rich(func(p *Params) {
			p.Midway = true
			p.Past = Past{Starts: []time.Duration{50 * time.Second, 10 * time.Second, 90 * time.Second, 30 * time.Second, 83 * time.Second}, MinOff: 5 * time.Second, Powered: true}
		}), func(b *stage) { b.step(Input{Kind: Tick}); b.run(0) }},
		{"59-stood-down-stored", rich(func(p *Params) { p.StoodDown, p.ShopClosed, p.PowerUp = true, true, 0 }), func(b *stage) { b.morning() }},
		{"60-tight-two", tight, func(b *stage) { b.cutting(0); b.run(2); b.shows(3, ShownOpen); b.wait(3 * time.Second) }},
		{"61-tight-held", tight, func(b *stage) {
			b.morning()
			b.ask(AskHold, 2, 20*time.Second)
			b.ask(AskHold, 0, 18*time.Second)
			b.wait(3 * time.Second)
		}},
		{"62-tight-run-ons", tight, func(b *stage) {
			b.cutting(0)
			b.run(2)
			b.wait(100 * ms)
			b.idle(0)
			b.idle(2)
			b.wait(100 * ms)
		}},
		{"63-tight-hold-over", tight, func(b *stage) {
			b.morning()
			b.ask(AskHold, 0, 5*time.Second)
			b.wait(4 * time.Second)
			b.ask(AskRelease, 0, 0)
			b.wait(time.Second)
		}},
		{"64-tight-rest", tight, func(b *stage) { b.cutting(0); b.idle(0); b.wait(60 * time.Second) }},
		{"65-refused", refusing, func(b *stage) { b.cutting(2); b.shows(3, ShownOpen); b.run(0); b.run(1); b.wait(2 * time.Second) }},
		{"66-outranks", refusing, func(b *stage) { b.cutting(1); b.run(2); b.wait(2 * time.Second) }},
		{"67-helped", helped, func(b *stage) { b.cutting(0) }},
		{"68-purged", helped, func(b *stage) { b.cutting(0); b.idle(0); b.wait(time.Second) }},
		{"69-helped-full", helped, func(b *stage) {
			b.cutting(0)
			b.run(2)
			b.wait(time.Second)
			b.ask(AskHold, 2, 10*time.Second)
			b.wait(time.Second)
		}},
		{"70-no-gate", handmade, func(b *stage) { b.cutting(3) }},
		{"71-handmade", handmade, func(b *stage) { b.cutting(1); b.shows(2, ShownOpen); b.wait(time.Second) }},
		{"72-reset-itself", actShop, func(b *stage) {
			b.cutting(0)
			b.step(Input{Kind: OutputIs, What: GateOpen, ID: 0, State: uint8(Lost)})
			b.wait(200 * ms)
		}},
		{"73-motor-reset-itself", actShop, func(b *stage) {
			b.cutting(0)
			b.step(Input{Kind: OutputIs, What: CollectorOn, ID: 0, State: uint8(Lost)})
			b.wait(200 * ms)
		}},
		{"74-aside-rest", actShop, func(b *stage) { b.morning(); b.ask(AskAside, 0, 0); b.wait(time.Second) }},
		{"75-aside-cutting", actShop, func(b *stage) { b.cutting(0); b.ask(AskAside, 4, 0); b.wait(4 * time.Second) }},
		{"76-aside-returned", actShop, func(b *stage) {
			b.morning()
			b.ask(AskAside, 0, 0)
			b.run(0)
			b.wait(4 * time.Second)
			b.ask(AskReturn, 0, 0)
			b.wait(time.Second)
		}},
		{"77-aside-pressed", actShop, func(b *stage) { b.morning(); b.ask(AskAside, 2, 0); b.press(AsideIs, 2, Pressed); b.wait(500 * ms) }},
		{"78-reset-pressed", actShop, func(b *stage) {
			b.cutting(0)
			b.stop(1, Open)
			b.wait(time.Second)
			b.stop(1, Closed)
			b.press(ResetIs, 0, Pressed)
			b.wait(500 * ms)
		}},
		{"79-reset-stuck", actShop, func(b *stage) { b.cutting(0); b.press(ResetIs, 0, Pressed); b.wait(5 * time.Second) }},
		{"80-current-gone", actShop, func(b *stage) {
			b.morning()
			b.run(2)
			b.shows(3, ShownOpen)
			b.wait(100 * ms)
			b.current(2, Gone)
			b.wait(30 * ms)
		}},
		{"81-current-gone-long", actShop, func(b *stage) {
			b.morning()
			b.run(2)
			b.shows(3, ShownOpen)
			b.wait(100 * ms)
			b.current(2, Gone)
			b.wait(300 * ms)
		}},
		{"82-passing-off", actShop, func(b *stage) { b.cutting(0); b.tell(SwitchIs, uint8(Off)); b.wait(400 * ms) }},
		{"83-kept", rich(func(p *Params) {
			p.Past.Kept = Kept{Stopped: true, Failed: CollectorNoCurrent, Aside: 1 << 2, Left: 1 << 1}
		}), func(b *stage) { b.morning(); b.run(1); b.wait(time.Second) }},
		{"84-unreadable", rich(func(p *Params) { p.Past.Kept = Unreadable }), func(b *stage) { b.morning(); b.run(0); b.wait(time.Second) }},
		{"85-left", actShop, func(b *stage) {
			b.cutting(0)
			b.ask(AskStandDown, NoID, 0)
			b.ask(AskLift, NoID, 0)
			b.run(1)
			b.wait(4 * time.Second)
		}},
		{"86-third-shut", driven, func(b *stage) {
			b.morning()
			for range 2 {
				b.run(0)
				b.wait(3 * time.Second)
				b.shut()
				b.wait(4 * time.Second)
				b.idle(0)
				b.wait(time.Second)
			}
			b.run(0)
			b.wait(3 * time.Second)
			b.shut()
			b.wait(500 * ms)
		}},
		{"87-uncollected", actShop, func(b *stage) { b.morning(); b.stuck[4] = true; b.run(0); b.run(1); b.wait(12 * time.Second) }},
		{"88-lamps", lamps, func(b *stage) { b.cutting(0) }},
		{"89-lamp-to-blink", lamps, func(b *stage) { b.morning(); b.answers[Command{Kind: IndicatorOff, ID: 1}] = Failed; b.stop(0, Open) }},
		{"90-lost-before-confirm", actShop, func(b *stage) {
			b.morning()
			b.shows(3, ShownOpen)
			b.run(2)
			b.wait(100 * ms)
			b.lost(2)
			b.wait(time.Second)
		}},
		{"91-tight-two-held", tight, func(b *stage) {
			b.morning()
			b.ask(AskHold, 2, 20*time.Second)
			b.ask(AskHold, 1, 10*time.Second)
			b.wait(5 * time.Second)
		}},
		{"92-tight-two-run-ons", tight, func(b *stage) {
			b.morning()
			b.ask(AskHold, 1, 9*time.Second)
			b.wait(4 * time.Second)
			b.ask(AskHold, 2, 20*time.Second)
			b.wait(3 * time.Second)
			b.ask(AskRelease, 2, 0)
			b.ask(AskRelease, 1, 0)
			b.wait(500 * ms)
		}},
		{"93-tight-two-hoods", tight, func(b *stage) { b.cutting(1); b.idle(1); b.wait(time.Second) }},
		{"94-hold-among-run-ons", helped, func(b *stage) {
			b.cutting(1)
			b.ask(AskHold, 0, 20*time.Second)
			b.wait(3 * time.Second)
			b.idle(1)
			b.wait(500 * ms)
		}},
		{"95-left-collected", actShop, func(b *stage) {
			b.cutting(0)
			b.tell(SwitchIs, uint8(Off))
			b.wait(2 * time.Second)
			b.tell(SwitchIs, uint8(Auto))
			b.run(1)
			b.wait(5 * time.Second)
		}},
		{"96-budget-after-a-fault", driven, func(b *stage) {
			b.morning()
			for range 2 {
				b.run(0)
				b.wait(3 * time.Second)
				b.tell(SwitchIs, uint8(Off))
				b.idle(0)
				b.wait(time.Second)
				b.tell(SwitchIs, uint8(Auto))
				b.wait(time.Second)
			}
			b.run(0)
			b.wait(3 * time.Second)
			b.shut()
			b.wait(4 * time.Second)
			b.idle(0)
			b.wait(500 * ms)
			b.run(0)
			b.wait(4 * time.Second)
		}},
		{"97-stop-unread", actShop, func(b *stage) { b.cutting(0); b.stop(1, Broken); b.wait(time.Second) }},
		{"98-stop-read-again", actShop, func(b *stage) {
			b.cutting(0)
			b.stop(1, Broken)
			b.wait(time.Second)
			b.stop(1, Closed)
			b.wait(time.Second)
		}},
		{"100-lifted-at-rest", actShop, func(b *stage) {
			b.morning()
			b.ask(AskStandDown, NoID, 0)
			b.ask(AskLift, NoID, 0)
			b.wait(time.Second)
		}},
		{"101-power-up-reported", actShop, func(b *stage) {
			b.step(Input{Kind: Tick})
			b.stop(0, Closed)
			b.stop(1, Closed)
			b.idle(0)
			b.run(1)
			b.wait(500 * ms)
		}},
		{"102-main-pushed", actShop, func(b *stage) { b.cutting(0); b.shows(4, ShownBoth); b.wait(time.Second) }},
		{"103-two-paths-at-once", actShop, func(b *stage) { b.morning(); b.run(0); b.ask(AskHold, 1, 4*time.Second); b.wait(time.Second) }},
		{"104-aside-with-others-open", actShop, func(b *stage) {
			b.cutting(1)
			b.idle(1)
			b.wait(40 * time.Second)
			b.shows(0, ShownOpen)
			b.shows(3, ShownOpen)
			b.wait(time.Second)
		}},
		{"105-aside-stuck", actShop, func(b *stage) {
			b.morning()
			b.press(AsideIs, 2, Unpressed)
			b.press(AsideIs, 2, Pressed)
			b.wait(5 * time.Second)
		}},
		{"106-fan-never-seen", actShop, func(b *stage) {
			b.morning()
			b.dead = true
			b.tell(CollectorIs, uint8(Unknown))
			b.run(0)
			b.wait(8 * time.Second)
		}},
		{"107-returned-open", actShop, func(b *stage) {
			b.cutting(0)
			b.idle(0)
			b.wait(60 * time.Second)
			b.ask(AskAside, 0, 0)
			b.shows(0, ShownBetween)
			b.ask(AskReturn, 0, 0)
			b.shows(0, ShownOpen)
			b.run(1)
			b.wait(4 * time.Second)
		}},
		{"99-move-in", rich(func(p *Params) { p.MoveIn, p.HoldLongest = true, 0 }), func(b *stage) { b.morning(); b.ask(AskTestOpen, 1, 0); b.run(0); b.wait(700 * ms) }},
	}
}

// shut shows every path shut.
func (b *stage) shut() {
	b.shows(0, ShownShut)
	b.shows(4, ShownShut)
	b.ask(AskRelease, 2, 0)
}

// starts starts the fan so often, and off again by its switch.
func (b *stage) starts(n int) {
	for range n {
		b.run(1)
		b.wait(3 * time.Second)
		b.tell(SwitchIs, uint8(Off))
		b.idle(1)
		b.wait(time.Second)
		b.tell(SwitchIs, uint8(Auto))
		b.wait(time.Second)
	}
}
