package sim_test

import (
	"slices"
	"testing"
	"time"

	"kerfwind/control"
)

// A wrong brain is the real one with one thing done wrong: other parameters,
// inputs that are changed on their way in, or outputs on their way out.
type wrong struct {
	name  string
	trips []string // checks that must find it
	// Each may be nil.
	params func(*oddShop, *control.Params)
	in     func(*wrongBrain, *control.Input) bool // false: the input is not heard
	out    func(*wrongBrain, control.Input, *control.Out)
	snap   func(*wrongBrain, *control.Snapshot)
	next   func(*wrongBrain, time.Duration) time.Duration
}

type wrongBrain struct {
	brain
	w     *wrong
	s     *oddShop
	now   time.Duration
	first bool
	on    bool // the fan is commanded on
	prev  *control.Snapshot
}

func (w *wrong) maker(s *oddShop) maker {
	return func(p control.Params) (brain, error) {
		if w.params != nil {
			p.Gates, p.Machines = slices.Clone(p.Gates), slices.Clone(p.Machines)
			w.params(s, &p)
		}
		b, err := control.New(p)
		if err != nil {
			return nil, err
		}
		return &wrongBrain{brain: b, w: w, s: s, first: true, prev: b.Snapshot()}, nil
	}
}

func (b *wrongBrain) Step(now time.Duration, in control.Input, out *control.Out) {
	b.now = now
	heard := in
	if b.w.in != nil && !b.w.in(b, &heard) {
		heard = control.Input{Kind: control.Tick}
	}
	b.brain.Step(now, heard, out)
	if b.w.out != nil {
		b.w.out(b, in, out)
	}
	for _, c := range out.Commands {
		switch c.Kind {
		case control.CollectorOn:
			b.on = true
		case control.CollectorOff:
			b.on = false
		default:
		}
	}
	b.first = false
	b.prev = b.brain.Snapshot()
}

func (b *wrongBrain) Snapshot() *control.Snapshot {
	s := b.brain.Snapshot()
	if b.w.snap != nil {
		b.w.snap(b, s)
	}
	return s
}

func (b *wrongBrain) Next() (time.Duration, bool) {
	at, ok := b.brain.Next()
	if b.w.next != nil {
		at = b.w.next(b, at)
	}
	return at, ok
}

// hears changes one state of one kind of input into another.
func hears(kind control.InputKind, as uint8, states ...uint8) func(*wrongBrain, *control.Input) bool {
	return func(_ *wrongBrain, in *control.Input) bool {
		if in.Kind == kind && slices.Contains(states, in.State) {
			in.State = as
		}
		return true
	}
}

// from gives requests of some kinds another origin.
func from(origin control.Origin, kinds ...control.AskKind) func(*wrongBrain, *control.Input) bool {
	return func(_ *wrongBrain, in *control.Input) bool {
		if in.Kind == control.Ask && in.Origin >= control.Wired && in.Origin <= control.Topic && slices.Contains(kinds, control.AskKind(in.State)) {
			in.Origin = origin
		}
		return true
	}
}

// without leaves commands out.
func without(kinds ...control.CommandKind) func(*wrongBrain, control.Input, *control.Out) {
	return func(_ *wrongBrain, _ control.Input, out *control.Out) {
		out.Commands = slices.DeleteFunc(out.Commands, func(c control.Command) bool { return slices.Contains(kinds, c.Kind) })
	}
}

// unsaid leaves events out.
func unsaid(kinds ...control.EventKind) func(*wrongBrain, control.Input, *control.Out) {
	return func(_ *wrongBrain, _ control.Input, out *control.Out) {
		out.Events = slices.DeleteFunc(out.Events, func(e control.Event) bool { return slices.Contains(kinds, e.Kind) })
	}
}

func give(out *control.Out, kind control.CommandKind, id control.ID) {
	out.Commands = append(out.Commands, control.Command{Kind: kind, ID: id})
}

func is(in control.Input, kind control.InputKind, state uint8) bool {
	return in.Kind == kind && in.State == state
}

var wrongs = []wrong{
	{name: "starts the fan when a gate moves", trips: []string{"start-has-demand"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if in.Kind == control.GateIs && !b.on {
				give(out, control.CollectorOn, 0)
			}
		}},
	{name: "takes every switch for open", trips: []string{"start-has-path"},
		in: hears(control.GateIs, uint8(control.ShownOpen), 1, 3, 4)},
	{name: "stops the fan when any machine stops", trips: []string{"off-in-demand", "run-on-lasts", "min-on", "a-start-is-left"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if is(in, control.MachineIs, uint8(control.Idle)) && b.on {
				give(out, control.CollectorOff, 0)
			}
		}},
	{name: "opens no gate", trips: []string{"path-is-commanded"}, out: without(control.GateOpen)},
	{name: "takes a lost sensor for a stopped machine", trips: []string{"no-shutting-on-a-machine", "sensor-lost-is-said", "all-sensing-lost-is-said"},
		in: hears(control.MachineIs, uint8(control.Idle), uint8(control.Unknown))},
	{name: "refuses machines unasked", trips: []string{"refusing-is-an-option"},
		params: func(_ *oddShop, p *control.Params) { p.RefuseRunning = true }},
	{name: "is silent about weak air", trips: []string{"weak-air-is-said"}, out: unsaid(control.WeakAir)},
	{name: "has no run-on", trips: []string{"own-run-on"},
		params: func(_ *oddShop, p *control.Params) {
			p.RunOn = func(control.ID, uint64) time.Duration { return 0 }
		}},
	{name: "has no run-on and says that it has", trips: []string{"run-on-lasts"},
		params: func(_ *oddShop, p *control.Params) {
			p.RunOn = func(control.ID, uint64) time.Duration { return 0 }
		},
		out: func(b *wrongBrain, _ control.Input, out *control.Out) {
			for i, e := range out.Events {
				if e.Kind == control.MachineStopped && e.Until > 0 {
					out.Events[i].Until = max(e.Until, e.At+b.s.runOn[e.ID])
				}
			}
		}},
	{name: "runs on for ever", trips: []string{"no-longer-than-needed"},
		params: func(_ *oddShop, p *control.Params) { p.Collector.MinOn = 100 * time.Hour }},
	{name: "tells a run-on of an hour", trips: []string{"no-longer-than-needed"},
		params: func(_ *oddShop, p *control.Params) {
			p.RunOn = func(control.ID, uint64) time.Duration { return time.Hour }
		}},
	{name: "shuts held gates and all others as it likes", trips: []string{"held-stays-open", "new-before-old", "no-shutting-on-a-machine"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if in.Kind != control.MachineIs && in.Kind != control.Ask {
				return
			}
			for i := range b.s.p.Gates {
				give(out, control.GateShut, control.ID(i))
			}
		}},
	{name: "closes at rest unasked", trips: []string{"rest-keeps-a-path"}, params: func(_ *oddShop, p *control.Params) { p.CloseAtRest = true }},
	{name: "closes before the fan has coasted down", trips: []string{"coasts-before-closing"}, params: func(_ *oddShop, p *control.Params) { p.Collector.Coast = 0 }},
	{name: "knows no budget", trips: []string{"a-start-is-left", "budget", "budget-is-said"}, params: func(_ *oddShop, p *control.Params) { p.Collector.Starts = 0 }},
	{name: "knows no minimum time on", trips: []string{"min-on"}, params: func(_ *oddShop, p *control.Params) { p.Collector.MinOn = 0 }},
	{name: "knows no minimum time off", trips: []string{"hold-waits-min-off"},
		params: func(_ *oddShop, p *control.Params) { p.Collector.MinOff, p.Past.MinOff = 0, 0 }},
	{name: "starts late", trips: []string{"served-at-once"}, params: func(_ *oddShop, p *control.Params) { p.Collector.Confirm = time.Minute }},
	{name: "is deaf to a stand-down", trips: []string{"stand-down-in-one-step", "stood-down-commands-nothing"},
		in: func(_ *wrongBrain, in *control.Input) bool {
			return in.Kind != control.StandDownIs && !is(*in, control.Ask, uint8(control.AskStandDown))
		}},
	{name: "refuses a late stand-down", trips: []string{"stand-down-in-one-step"},
		in: func(b *wrongBrain, in *control.Input) bool {
			return !is(*in, control.Ask, uint8(control.AskStandDown)) || in.Expires == 0 || b.now <= in.Expires
		}},
	{name: "lets anybody lift a stand-down", trips: []string{"stand-down-lifted-at-shop"}, in: from(control.Console, control.AskLift)},
	{name: "forgets a stored stand-down", trips: []string{"stored-forbids"}, params: func(_ *oddShop, p *control.Params) { p.StoodDown = false }},
	{name: "is silent about faults", trips: []string{"each-fault-is-said"}, out: unsaid(control.FaultRaised)},
	{name: "clears faults unsaid", trips: []string{"each-fault-is-said"}, out: unsaid(control.FaultCleared)},
	{name: "lets a topic start the fan", trips: []string{"topic-starts-nothing"}, params: func(_ *oddShop, p *control.Params) { p.TopicMayStart = true }},
	{name: "holds too long", trips: []string{"hold-has-an-end"}, params: func(_ *oddShop, p *control.Params) { p.HoldLongest = 5 * time.Hour }},
	{name: "forgets when a request ends", trips: []string{"hold-is-asked", "too-old-is-refused"},
		in: func(_ *wrongBrain, in *control.Input) bool { in.Expires = 0; return true }},
	{name: "tests for an hour", trips: []string{"tests-at-rest"}, params: func(_ *oddShop, p *control.Params) { p.TestLongest = time.Hour }},
	{name: "gives up after one try", trips: []string{"all-tries"}, params: func(_ *oddShop, p *control.Params) { p.Retries = 0 }},
	{name: "takes each gate for arrived", trips: []string{"gate-not-shut-is-said", "gate-not-open-is-said"},
		params: func(_ *oddShop, p *control.Params) {
			for i := range p.Gates {
				if p.Gates[i].Actuated {
					p.Gates[i].OpenSwitch, p.Gates[i].ShutSwitch = false, false
				}
			}
		}},
	{name: "does not hear of a lost output", trips: []string{"lost-output-is-said"},
		in: func(_ *wrongBrain, in *control.Input) bool { return !is(*in, control.OutputIs, uint8(control.Lost)) }},
	{name: "lets holds wait for an hour", trips: []string{"hold-is-served"}, params: func(_ *oddShop, p *control.Params) { p.Collector.MinOff = time.Hour }},
	{name: "gives up a lost sensor at once", trips: []string{"off-in-demand"}, params: func(_ *oddShop, p *control.Params) { p.UnknownHold = time.Millisecond }},
	{name: "tries for ever", trips: []string{"tries"}, params: func(_ *oddShop, p *control.Params) { p.Retries = 7 }},
	{name: "does not see a confirmation go", trips: []string{"lost-confirmation-is-said"},
		in: func(b *wrongBrain, in *control.Input) bool {
			return !(in.Kind == control.GateIs && in.State != uint8(control.ShownOpen) && b.on)
		}},
	{name: "opens again what has lost its confirmation", trips: []string{"lost-confirmation-moves-nothing"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if in.Kind == control.GateIs && b.on && int(in.ID) < len(b.s.p.Gates) {
				give(out, control.GateOpen, in.ID)
			}
		}},
	{name: "runs against shut gates", trips: []string{"every-path-shut"}, params: func(_ *oddShop, p *control.Params) { p.AllShut = time.Hour }},
	{name: "stops too early at shut gates", trips: []string{"shown-shut-only"}, params: func(_ *oddShop, p *control.Params) { p.AllShut = 50 * time.Millisecond }},
	{name: "waits for current for ever", trips: []string{"no-current", "still-on-is-said"}, params: func(_ *oddShop, p *control.Params) { p.Collector.Within = time.Hour }},
	{name: "shows no latch", trips: []string{"no-current-latches", "stop-latches"},
		snap: func(_ *wrongBrain, s *control.Snapshot) { s.Kept = control.Kept{} }},
	{name: "does not see that the fan runs uncommanded", trips: []string{"one-path-for-a-running-fan"},
		in: func(b *wrongBrain, in *control.Input) bool {
			if !b.on {
				hears(control.CollectorIs, uint8(control.Idle), uint8(control.Running))(b, in)
			}
			hears(control.SwitchIs, uint8(control.Auto), uint8(control.Hand))(b, in)
			return true
		}},
	{name: "shows the fan off", trips: []string{"the-screen-says-it"},
		snap: func(_ *wrongBrain, s *control.Snapshot) { s.Collector.Sensed = control.Idle }},
	{name: "is deaf to stops", trips: []string{"stop-at-once", "stop-latches", "stop-forbids-starts", "stop-moves-no-gate", "stops-outlets-too"},
		in: hears(control.StopIs, uint8(control.Closed), uint8(control.Open), uint8(control.Broken))},
	{name: "lets anybody reset", trips: []string{"latch-lifted-at-shop"}, in: from(control.Console, control.AskReset)},
	{name: "starts with a full bin", trips: []string{"full-bin-blocks"}, params: func(_ *oddShop, p *control.Params) { p.BinBlocks = false }},
	{name: "sees no full bin", trips: []string{"full-bin-is-said"}, in: hears(control.BinIs, uint8(control.Room), uint8(control.Full))},
	{name: "sees no overload", trips: []string{"breaker-is-said"}, in: hears(control.CircuitIs, uint8(control.Fits), uint8(control.Over))},
	{name: "leaves outputs as they are at the start", trips: []string{"power-up-off"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if b.first {
				without(control.CollectorOff, control.OutletOff)(b, in, out)
			}
		}},
	{name: "does not wait at power-up", trips: []string{"power-up-waits"}, params: func(_ *oddShop, p *control.Params) { p.PowerUp = 0 }},
	{name: "homes without travel times", trips: []string{"homed-one-by-one"},
		params: func(_ *oddShop, p *control.Params) {
			for i := range p.Gates {
				p.Gates[i].Travel, p.Gates[i].OpenSwitch, p.Gates[i].ShutSwitch = 0, p.Gates[i].OpenSwitch && !p.Gates[i].Actuated, false
			}
		}},
	{name: "homes at once what it has lost", trips: []string{"homed-at-rest", "homed-after-a-wait"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if is(in, control.OutputIs, uint8(control.Lost)) && (in.What == control.GateOpen || in.What == control.GateShut) && int(in.ID) < len(b.s.p.Gates) {
				give(out, control.GateShut, in.ID)
				out.Events = append(out.Events, control.Event{At: b.now, Kind: control.GateClosing, Cause: control.ByHoming, ID: in.ID})
			}
		}},
	{name: "does not say that a machine was found running", trips: []string{"found-running-is-said"},
		out: func(_ *wrongBrain, _ control.Input, out *control.Out) {
			for i := range out.Events {
				if out.Events[i].Cause == control.ByFoundRunning {
					out.Events[i].Cause = control.BySensor
				}
			}
		}},
	{name: "does not see the switch in off", trips: []string{"off-switch-locks"}, in: hears(control.SwitchIs, uint8(control.Auto), uint8(control.Off))},
	{name: "leaves outlets on", trips: []string{"outlet-follows", "stops-outlets-too"}, out: without(control.OutletOff)},
	{name: "knows no hours", trips: []string{"closed-shop-rests", "tests-at-rest"},
		params: func(_ *oddShop, p *control.Params) { p.ShopClosed = false },
		in:     hears(control.ShopIs, uint8(control.ShopOpen), uint8(control.ShopClosed))},
	{name: "knows no inrush", trips: []string{"inrush"},
		params: func(_ *oddShop, p *control.Params) {
			for i := range p.Machines {
				p.Machines[i].Inrush = 0
			}
		}},
	{name: "drives gates that have no actuator", trips: []string{"by-hand-is-by-hand"},
		params: func(_ *oddShop, p *control.Params) {
			for i := range p.Gates {
				p.Gates[i].Actuated = true
			}
		}},
	{name: "takes two switches for none", trips: []string{"lying-switches-are-said"}, in: hears(control.GateIs, uint8(control.ShownBetween), uint8(control.ShownBoth))},
	{name: "trusts a lost feedback", trips: []string{"fan-sensor-is-said"}, in: hears(control.CollectorIs, uint8(control.Running), uint8(control.Unknown))},
	{name: "says nothing of dust that goes nowhere", trips: []string{"uncollected-is-said"},
		snap: func(_ *wrongBrain, s *control.Snapshot) {
			s.Faults = slices.DeleteFunc(s.Faults, func(f control.FaultView) bool { return f.Fault == control.Uncollected })
		}},
	{name: "always says that dust goes nowhere", trips: []string{"collected-is-not-said-uncollected"},
		snap: func(_ *wrongBrain, s *control.Snapshot) {
			for i := range s.Machines {
				s.Faults = append(s.Faults, control.FaultView{Fault: control.Uncollected, ID: control.ID(i)})
			}
		}},
	{name: "moves a gate at a person's act", trips: []string{"a-hand-starts-nothing"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if (is(in, control.StopIs, uint8(control.Closed)) || is(in, control.BinIs, uint8(control.Room)) || is(in, control.Ask, uint8(control.AskReset))) && len(b.s.p.Gates) > 0 {
				give(out, control.GateOpen, 0)
			}
		}},
	{name: "takes running machines for started anew after a person's act", trips: []string{"left-stays-left"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if !is(in, control.StopIs, uint8(control.Closed)) && !is(in, control.BinIs, uint8(control.Room)) && !is(in, control.SwitchIs, uint8(control.Auto)) && !is(in, control.Ask, uint8(control.AskReset)) {
				return
			}
			for i, m := range b.prev.Machines {
				if m.Sensed == control.Running {
					b.brain.Step(b.now, control.Input{Kind: control.MachineIs, ID: control.ID(i), State: uint8(control.Idle)}, out)
					b.brain.Step(b.now, control.Input{Kind: control.MachineIs, ID: control.ID(i), State: uint8(control.Running)}, out)
				}
			}
		}},
	{name: "forgets what is kept", trips: []string{"stored-forbids"}, params: func(_ *oddShop, p *control.Params) { p.Past.Kept = control.Kept{} }},
	{name: "is deaf to hands in a gate", trips: []string{"aside-at-once"},
		in: func(_ *wrongBrain, in *control.Input) bool { return !is(*in, control.Ask, uint8(control.AskAside)) }},
	{name: "refuses a late aside", trips: []string{"aside-at-once"},
		in: func(b *wrongBrain, in *control.Input) bool {
			return !is(*in, control.Ask, uint8(control.AskAside)) || in.Expires == 0 || b.now <= in.Expires
		}},
	{name: "lets a topic set aside", trips: []string{"aside-is-asked"}, in: from(control.Console, control.AskAside)},
	{name: "lets anybody take back", trips: []string{"aside-taken-back-at-shop"}, in: from(control.Console, control.AskReturn)},
	{name: "takes all back at a reset", trips: []string{"aside-taken-back-at-shop"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			if is(in, control.Ask, uint8(control.AskReset)) {
				for i := range b.s.p.Gates {
					b.brain.Step(b.now, control.InAsk(control.AskReturn, control.Console, control.ID(i)), out)
				}
			}
		}},
	{name: "moves gates that are set aside", trips: []string{"aside-is-not-moved"},
		out: func(b *wrongBrain, in control.Input, out *control.Out) {
			for i, g := range b.prev.Gates {
				if g.Aside && in.Kind == control.MachineIs {
					give(out, control.GateOpen, control.ID(i))
				}
			}
		}},
	{name: "does not end the motion of what is set aside", trips: []string{"aside-is-not-moved"}, out: without(control.GateStop)},
	{name: "stores nothing", trips: []string{"kept-says-all"}, snap: func(_ *wrongBrain, s *control.Snapshot) { s.Kept = control.Kept{} }},
	{name: "does not see another mains", trips: []string{"other-mains-is-said"}, in: hears(control.MainsIs, uint8(control.AsFiled), uint8(control.OtherThanFiled))},
	{name: "lets a button stick", trips: []string{"stuck-button-is-said"}, params: func(_ *oddShop, p *control.Params) { p.Stuck = time.Hour }},
	{name: "has no lamps", trips: []string{"lamps-follow"}, out: without(control.IndicatorOn)},
	{name: "never blinks", trips: []string{"lamps-follow"},
		params: func(_ *oddShop, p *control.Params) {
			p.Indicators = slices.Clone(p.Indicators)
			for i := range p.Indicators {
				p.Indicators[i].Half = 0
			}
		}},
	{name: "does not wait for confirm", trips: []string{"current-lasts-confirm"}, params: func(_ *oddShop, p *control.Params) { p.Collector.Confirm = 0 }},
	{name: "names deadlines that never pass", trips: []string{"deadlines-pass"},
		next: func(b *wrongBrain, at time.Duration) time.Duration { return min(at, b.now) }},
	{name: "is silent about a limit", trips: []string{"limit-is-said"},
		out: func(b *wrongBrain, _ control.Input, out *control.Out) {
			for i := range out.Events {
				if e := &out.Events[i]; e.Kind == control.MachineStopped {
					e.Cause = control.BySensor
					e.Until = max(e.Until, e.At+b.s.runOn[e.ID])
				}
			}
		}},
	{name: "blames the limit", trips: []string{"limit-needs-another"},
		out: func(_ *wrongBrain, _ control.Input, out *control.Out) {
			for i := range out.Events {
				if e := &out.Events[i]; e.Kind == control.MachineStopped {
					e.Cause = control.ByLimit
				}
			}
		}},
	{name: "latches what it cannot read", trips: []string{"latches-only-if-told-open"}, in: hears(control.StopIs, uint8(control.Open), uint8(control.Broken))},
	{name: "does not say that it cannot read", trips: []string{"unread-stop-is-said"},
		snap: func(_ *wrongBrain, s *control.Snapshot) {
			s.Faults = slices.DeleteFunc(s.Faults, func(f control.FaultView) bool { return f.Fault == control.StopUnread })
		}},
	{name: "does not latch at the third stop against shut gates", trips: []string{"third-shut-stop-latches"},
		snap: func(b *wrongBrain, s *control.Snapshot) {
			if has(s, control.EveryPathShut, control.NoID) {
				s.Kept = control.Kept{}
			}
		}},
}

// TestOddWrong lets wrong brains play odd shops: the checker must find each,
// and each of its checks must find one at least.
func TestOddWrong(t *testing.T) {
	if testing.Short() {
		t.Skip("short: many shops")
	}
	found := map[string]bool{}
	caught := 0
	for i := range wrongs {
		w := &wrongs[i]
		missing := slices.Clone(w.trips)
		for seed := uint64(1); seed <= 400 && len(missing) > 0; seed++ {
			s := makeShop(seed)
			world := newWorld(s, w.maker(s), true)
			world.play(700)
			trips := world.e.c.trips
			if v := world.e.c.broken; v != nil {
				trips[v.check] = true
			}
			missing = slices.DeleteFunc(missing, func(name string) bool {
				if trips[name] {
					found[name] = true
				}
				return trips[name]
			})
		}
		if len(missing) > 0 {
			t.Errorf("the brain that %s is not found by %v", w.name, missing)
		} else {
			caught++
		}
	}
	for _, c := range checks {
		if !found[c.name] {
			t.Errorf("no wrong brain is found by %s", c.name)
		}
	}
	t.Logf("%d of %d wrong brains found by %d of %d checks", caught, len(wrongs), len(found), len(checks))
}
