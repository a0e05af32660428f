package control

import (
	"fmt"
	"time"
)

// barn makes Params of a small shop with whole-tick delays: machines, each with
// a branch gate, and one gate in the main.
func barn(machines int, edit func(p *Params)) Params {
	p := Params{
		Collector:   Collector{Name: "c", Confirm: 1, Coast: 1, Circuit: NoID, Within: 1},
		RunOn:       func(ID, uint64) time.Duration { return 2 },
		UnknownHold: 2, HoldLongest: 2, TestLongest: 2, PowerUp: 1, Answer: 1, AllShut: 1, CircuitSettle: 1, Breaker: 1, Retries: 1,
		Gap: 1, Late: 1, OffSettle: 1, Stuck: 2, ShutWindow: 5,
	}
	mainGate := ID(machines)
	for i := range machines {
		p.Machines = append(p.Machines, Machine{Name: string(rune('a' + i)), Hoods: []Hood{{Gates: []ID{ID(i), mainGate}}}, Circuit: NoID})
		p.Gates = append(p.Gates, Gate{Name: string(rune('a' + i)), Travel: 1, Actuated: true, Downstream: []ID{mainGate}, RunOn: 1})
	}
	p.Gates = append(p.Gates, Gate{Name: "main", Travel: 1, Actuated: true})
	edit(&p)
	return p
}

// flat leaves out the main.
func flat(p *Params) {
	n := len(p.Machines)
	p.Gates = p.Gates[:n]
	for i := range n {
		p.Machines[i].Hoods = []Hood{{Gates: []ID{ID(i)}}}
		p.Gates[i].Downstream = nil
	}
}

func switches(p *Params, open, shut bool) {
	for i := range p.Gates {
		p.Gates[i].OpenSwitch, p.Gates[i].ShutSwitch = open, shut
	}
}

func asks(kind AskKind, origin Origin, id ID) Input {
	return Input{Kind: Ask, State: uint8(kind), Origin: origin, ID: id}
}

func states[T ~uint8](kind InputKind, of ...T) (ins []Input) {
	for _, s := range of {
		ins = append(ins, Input{Kind: kind, State: uint8(s)})
	}
	return ins
}

func all(lists ...[]Input) (ins []Input) {
	for _, l := range lists {
		ins = append(ins, l...)
	}
	return ins
}

func one(in ...Input) []Input { return in }

func isLost(k CommandKind, id ID) []Input {
	return one(Input{Kind: OutputIs, What: k, ID: id, State: uint8(Lost)})
}

// vectors lists the shops of the walk: the small ones, of two machines, and
// the full ones.
func vectors() []vector {
	reset := one(asks(AskReset, Console, NoID))
	stop := all(states(StopIs, Open, Closed), reset)
	down := one(asks(AskStandDown, Page, NoID), asks(AskLift, Console, NoID))
	open, both := []Shown{ShownOpen, ShownBetween}, []Shown{ShownOpen, ShownShut, ShownBetween}
	budget := func(p *Params) {
		p.Collector.Starts, p.Collector.Window, p.Collector.MinOn, p.Collector.MinOff = 2, 4, 2, 2
	}
	vs := []vector{
		{name: "timed gates, lost sensors", unknown: true, p: barn(2, func(*Params) {})},
		{name: "both switches", full: true, shown: both, p: barn(2, func(p *Params) { flat(p); switches(p, true, true) })},
		{name: "lying switches", full: true, shown: []Shown{ShownOpen, ShownShut, ShownBoth, ShownUnknown}, p: barn(1, func(p *Params) { switches(p, true, true) })},
		{name: "shut switches only", full: true, shown: []Shown{ShownShut, ShownBetween, ShownUnknown}, p: barn(2, func(p *Params) { flat(p); switches(p, false, true) })},
		{name: "open switches, lost sensors", unknown: true, shown: open, p: barn(1, func(p *Params) { switches(p, true, false) })},
		{name: "slow drivers", slow: true, also: reset, p: barn(1, func(p *Params) { flat(p); p.Answer = 2; p.Collector.MinOff = 1 })},
		{name: "slow drivers, switches", slow: true, shown: both, p: barn(1, func(p *Params) { flat(p); switches(p, true, true) })},
		{name: "collector seen", shown: both, also: all(states(CollectorIs, Idle, Running, Unknown), reset),
			p: barn(1, func(p *Params) {
				p.Collector.Feedback = ByCurrent
				p.Collector.Within = 2
				p.Gates[0].ShutSwitch = true
				p.Gates[0].OpenSwitch = true
			})},
		{name: "hand off auto", also: all(states(CollectorIs, Idle, Running), states(SwitchIs, Hand, Off, Auto), reset),
			p: barn(2, func(p *Params) { flat(p); p.Collector.Feedback = ByContact; p.Collector.Switch = true })},
		{name: "hand, close at rest", also: all(states(CollectorIs, Idle, Running), states(SwitchIs, Hand, Auto), reset, down),
			p: barn(1, func(p *Params) {
				p.Collector.Feedback = ByContact
				p.Collector.Switch = true
				p.CloseAtRest = true
				p.Collector.Coast = 2
			})},
		{name: "stop and stand-down", unknown: true, also: all(stop, down), p: barn(1, func(p *Params) { p.Stops = []Stop{{}} })},
		{name: "stop while two run", also: stop, p: barn(2, func(p *Params) { p.Stops = []Stop{{}}; p.Collector.MinOn = 2 })},
		{name: "wired stand-down", also: all(states(StandDownIs, Open, Closed, Broken), down, one(asks(AskLift, Page, NoID), asks(AskLift, Topic, NoID))),
			p: barn(1, func(p *Params) { p.StoodDown = true })},
		{name: "start budget", also: stop, p: barn(1, func(p *Params) { flat(p); budget(p); p.Stops = []Stop{{}} })},
		{name: "start budget, two machines", p: barn(2, func(p *Params) { flat(p); budget(p) })},
		{name: "holds", also: one(asks(AskHold, Page, 0), asks(AskRelease, Topic, 0), asks(AskHold, Topic, 0), asks(AskHold, Wired, 1), Input{Kind: Ask, State: uint8(AskHold), Origin: Wired, For: 9}),
			p: barn(1, func(p *Params) { budget(p); p.HoldLongest = 3 })},
		{name: "holds and limit", also: one(asks(AskHold, Wired, 0), asks(AskHold, Page, 1)), p: barn(2, func(p *Params) { flat(p); p.MaxOpen = 1; p.Machines[0].Rank = 1 })},
		{name: "limit, refusing", unknown: true, p: barn(2, func(p *Params) { flat(p); p.MaxOpen = 1; p.RefuseRunning = true; p.Machines[1].Rank = 1 })},
		{name: "helper gate", p: barn(3, func(p *Params) {
			flat(p)
			p.MaxOpen = 2
			p.Helper = func(open uint64) uint64 {
				if open == 1 {
					return 4
				}
				return 0
			}
		})},
		{name: "close at rest", unknown: true, p: barn(2, func(p *Params) { flat(p); p.CloseAtRest = true; p.Collector.Coast = 3; p.Gates[0].Travel = 2 })},
		{name: "close at rest, both switches", full: true, unknown: true, shown: both, p: barn(1, func(p *Params) { switches(p, true, true); p.CloseAtRest = true; p.Collector.Coast = 2 })},
		{name: "close at rest, both switches, collector seen", full: true, unknown: true, shown: both, also: all(states(CollectorIs, Idle, Running), down),
			p: barn(1, func(p *Params) {
				flat(p)
				switches(p, true, true)
				p.CloseAtRest = true
				p.Collector.Feedback = ByContact
				p.Collector.Coast = 2
			})},
		{name: "test moves", also: all(one(asks(AskTestOpen, Page, 0), asks(AskTestShut, Page, 0), asks(AskTestShut, Page, 1), asks(AskTestEnd, Page, NoID)), states(ShopIs, ShopOpen, ShopClosed), states(CollectorIs, Idle, Running), down),
			p: barn(1, func(p *Params) { p.Collector.Feedback = ByContact })},
		{name: "bin", also: states(BinIs, LevelUnknown, Room, Full), p: barn(1, func(p *Params) { p.BinBlocks = true; p.Collector.MinOn = 3 })},
		{name: "inrush", p: barn(2, func(p *Params) {
			flat(p)
			p.Circuits = []Circuit{{Rating: 20}}
			p.Machines[0].Circuit, p.Collector.Circuit = 0, 0
			p.Machines[0].Inrush = 3
		})},
		{name: "outlet", slow: true, also: down, p: barn(1, func(p *Params) {
			flat(p)
			p.Gates[0].ShutSwitch = false
			p.Outlets = []Outlet{{Follows: []ID{0}, RunOn: 3}}
		})},
		{name: "outputs reset themselves", unknown: true, slow: true, also: all(isLost(GateOpen, 0), isLost(GateOpen, 1), isLost(CollectorOff, 0), reset), p: barn(1, func(p *Params) { p.Collector.MinOn = 2 })},
		{name: "outputs reset themselves, switches", full: true, unknown: true, slow: true, shown: both, also: all(isLost(GateShut, 0), isLost(OutletOn, 0), isLost(CollectorOn, 0), reset), p: barn(1, func(p *Params) {
			flat(p)
			switches(p, true, true)
			p.Outlets = []Outlet{{Follows: []ID{0}, RunOn: 2}}
		})},
		{name: "aside", unknown: true, also: one(asks(AskAside, Page, 0), asks(AskAside, Topic, 0), asks(AskReturn, Console, 0), asks(AskReturn, Page, 0)), p: barn(2, flat)},
		{name: "aside, switches, a main", shown: open, also: one(asks(AskAside, Page, 0), asks(AskAside, Wired, 1), asks(AskReturn, Wired, 0), asks(AskReturn, Console, 1)),
			p: barn(1, func(p *Params) { switches(p, true, false); p.CloseAtRest = true })},
		{name: "aside, both switches, holds, stand-down", full: true, shown: both, also: all(one(asks(AskAside, Page, 0), asks(AskReturn, Console, 0), asks(AskHold, Page, 0), asks(AskRelease, Topic, 0)), down),
			p: barn(1, func(p *Params) { flat(p); switches(p, true, true) })},
		{name: "aside, test moves, output lost", also: all(one(asks(AskAside, Page, 0), asks(AskReturn, Console, 0), asks(AskTestOpen, Page, 0), asks(AskTestShut, Page, 0)), isLost(GateOpen, 0), isLost(GateOpen, 1)), p: barn(1, func(*Params) {})},
		{name: "aside, its own button", also: []Input{InAside(0, Pressed), InAside(0, Released), InAside(0, Unpressed)}, p: barn(1, func(p *Params) { p.Gates[0].Button = true })},
		{name: "reset button, stop", also: all(states(StopIs, Open, Closed, Broken), states(ResetIs, Pressed, Released, Unpressed)), p: barn(1, func(p *Params) { flat(p); p.Stops, p.ResetButton = []Stop{{}}, true })},
		{name: "reset button, no current", also: all(states(CollectorIs, Idle, Running), states(ResetIs, Pressed, Released)), p: barn(1, func(p *Params) {
			flat(p)
			p.Collector.Feedback, p.ResetButton = ByCurrent, true
		})},
		{name: "stored: stop, aside, left", also: all(states(StopIs, Open, Closed), reset, one(asks(AskReturn, Console, 0))), p: barn(2, func(p *Params) {
			p.Stops = []Stop{{}}
			p.Past.Kept = Kept{Stopped: true, Aside: 1, Left: 2}
		})},
		{name: "stored: no current, unreadable", unknown: true, also: all(reset, one(asks(AskReturn, Console, 0))), p: barn(1, func(p *Params) {
			flat(p)
			p.Past.Kept = Unreadable
			p.Past.Kept.Failed = CollectorNoCurrent
		})},
		{name: "current comes and goes", unknown: true, also: one(InCurrent(0, Gone), InCurrent(0, Flows)), p: barn(2, func(p *Params) { flat(p); p.Collector.Confirm, p.Gap = 3, 1 })},
		{name: "gates shut again and again", shown: both, also: reset, p: barn(1, func(p *Params) { flat(p); switches(p, true, true); budget(p); p.Collector.MinOn = 0 })},
		{name: "indicators", slow: true, also: down, p: barn(1, func(p *Params) {
			flat(p)
			p.Indicators = []Indicator{{Shows: Collecting}, {Shows: AnyUncollected, Half: 1}, {Shows: AnyFault}, {Shows: AnyLatch, Half: 2}}
		})},
		{name: "two hoods, one gate by hand", shown: open, p: barn(1, func(p *Params) {
			p.Machines[0].Hoods = []Hood{{Gates: []ID{0}}, {Gates: []ID{1}}}
			p.Gates[0].Downstream = nil
			p.Gates[0].OpenSwitch, p.Gates[0].Actuated = true, false
		})},
		{name: "two hoods and gates to a machine", shown: open, p: barn(2, func(p *Params) {
			p.Machines[0].Hoods = []Hood{{Gates: []ID{0, 2}}, {Gates: []ID{1}}}
			p.Gates[1].Downstream, p.Gates[1].OpenSwitch = nil, true
			p.Machines[1].Hoods[0].Gates = []ID{1}
		})},
		{name: "everything lost", unknown: true, shown: both, p: barn(1, func(p *Params) {
			flat(p)
			switches(p, true, true)
			p.Collector.MinOn = 1
		})},
		// What interacts is walked together: stop with stand-down and with lost sensors
		// or switches at two machines; three machines with each of these alone; a
		// branch's switches with the main's; lost sensors with a switch at another
		// machine; close at rest with the collector's current and with stand-down.
		{name: "full: two machines, a main, stop, stand-down, lost sensors", full: true, skip: 8, unknown: true, also: all(stop, down), p: barn(2, func(p *Params) {
			p.Stops = []Stop{{}}
			p.Gates[0].Travel, p.Gates[2].Travel, p.Collector.Coast = 2, 3, 4
		})},
		{name: "full: three machines, a main, lost sensors", full: true, skip: 8, unknown: true, p: barn(3, func(p *Params) {
			p.Gates[0].Travel, p.Gates[3].Travel, p.Collector.Coast = 2, 3, 4
		})},
		{name: "full: three machines, a main, stop, stand-down", full: true, skip: 8, also: all(stop, down), p: barn(3, func(p *Params) { p.Stops = []Stop{{}} })},
		{name: "full: two machines, a main, stop, stand-down, some open switches", full: true, skip: 8, shown: open, also: all(stop, down), p: barn(2, func(p *Params) {
			p.Stops = []Stop{{}}
			p.Gates[0].OpenSwitch, p.Gates[2].OpenSwitch = true, true
		})},
		{name: "full: three machines, a main, some open switches", full: true, skip: 8, shown: open, p: barn(3, func(p *Params) {
			p.Gates[0].OpenSwitch, p.Gates[3].OpenSwitch = true, true
		})},
		{name: "full: two machines, a main, asides, stop, reset button", full: true, skip: 8, shown: open, also: all(states(StopIs, Open, Closed), states(ResetIs, Pressed, Released),
			one(asks(AskAside, Page, 0), asks(AskReturn, Console, 0), asks(AskAside, Page, 2), asks(AskReturn, Console, 2))), p: barn(2, func(p *Params) {
			p.Stops, p.ResetButton = []Stop{{}}, true
			p.Gates[0].OpenSwitch = true
		})},
		{name: "full: three machines, a main, start budget, stop", full: true, skip: 8, also: stop, p: barn(3, func(p *Params) {
			p.Stops = []Stop{{}}
			budget(p)
		})},
		{name: "full: three machines, limit, holds, ranks", full: true, skip: 8, unknown: true, also: one(asks(AskHold, Wired, 0), asks(AskHold, Page, 1), asks(AskRelease, Topic, 1)), p: barn(3, func(p *Params) {
			p.MaxOpen = 2
			p.Machines[0].Rank, p.Machines[2].Rank = 1, 2
		})},
		{name: "full: two machines, a main, both switches at one and at the main", full: true, skip: 8, shown: both, p: barn(2, func(p *Params) {
			switches(p, true, true)
			p.Gates[1].OpenSwitch, p.Gates[1].ShutSwitch = false, false
		})},
		{name: "full: two machines, both switches at one, lost sensors", full: true, skip: 8, unknown: true, shown: both, p: barn(2, func(p *Params) {
			flat(p)
			p.Gates[0].OpenSwitch, p.Gates[0].ShutSwitch, p.Gates[1].OpenSwitch = true, true, true
		})},
		{name: "full: a main, both switches, lost sensors, stand-down", full: true, skip: 8, unknown: true, shown: both, also: down, p: barn(1, func(p *Params) { switches(p, true, true) })},
		{name: "full: two machines, a main, collector seen, hand off auto, close at rest", full: true, skip: 8, unknown: true,
			also: all(states(CollectorIs, Idle, Running, Unknown), states(SwitchIs, Hand, Off, Auto), reset, down), p: barn(2, func(p *Params) {
				p.Collector.Feedback, p.Collector.Switch, p.CloseAtRest = ByCurrent, true, true
				p.Collector.Within, p.Collector.Coast = 2, 2
			})},
		{name: "full: a main, both switches, close at rest, collector seen", full: true, skip: 8, unknown: true, shown: both,
			also: states(CollectorIs, Idle, Running), p: barn(1, func(p *Params) {
				switches(p, true, true)
				p.CloseAtRest = true
				p.Collector.Feedback = ByContact
				p.Collector.Coast = 2
			})},
		{name: "full: a main, both switches, close at rest, stand-down", full: true, skip: 8, unknown: true, shown: both, also: down, p: barn(1, func(p *Params) {
			switches(p, true, true)
			p.CloseAtRest = true
			p.Collector.Coast = 2
		})},
		{name: "full: two machines, slow drivers, switches", full: true, skip: 8, slow: true, shown: open, also: reset, p: barn(2, func(p *Params) { flat(p); switches(p, true, false); p.Answer = 2 })},
	}
	// Each order of travel, coast, run-on and minimum-off time.
	for _, o := range orders(4) {
		p := barn(1, func(p *Params) {
			p.Gates[0].Travel, p.Gates[1].Travel = time.Duration(o[0]), 1
			p.Collector.Coast, p.Collector.MinOff = time.Duration(o[1]), time.Duration(o[3])
			p.RunOn = func(ID, uint64) time.Duration { return time.Duration(o[2]) }
			p.Collector.Starts, p.Collector.Window = 2, 5
			p.CloseAtRest = true
		})
		vs = append(vs, vector{name: fmt.Sprintf("travel %d coast %d run-on %d min-off %d", o[0], o[1], o[2], o[3]), p: p})
	}
	return vs
}

// orders lists every order of 1 to n.
func orders(n int) (list [][]int) {
	if n == 0 {
		return [][]int{{}}
	}
	for _, o := range orders(n - 1) {
		for at := range n {
			list = append(list, append(append(append([]int{}, o[:at]...), n), o[at:]...))
		}
	}
	return list
}
