package sim_test

import (
	"container/heap"
	"math/rand/v2"
	"time"

	"kerfwind/control"
)

// A world is the plant and the people of an odd shop. It acts on the program
// through acts only, which it writes down.
type world struct {
	s     *oddShop
	r     *rand.Rand
	e     *engine
	story []act
	due   dueList
	count int

	gates    []plantGate
	machines []plantMachine
	stops    []control.Contact
	fan      plantFan
	outMood  mood
	sel      control.Selector
	bin      control.Level
	standing control.Contact // the wired stand-down switch; 0: there is none
	trouble  int             // percent of acts that make trouble
	pusher   bool            // somebody pushes gates all the time
}

type plantMachine struct{ on, lost bool }

type plantGate struct {
	pos, from, to int // thousandths open, at begin and at the end of a motion
	t0, takes     time.Duration
	gen           int // of the motion
	mood          mood
	lie           control.Shown // what the switches show instead; 0: the truth
	told          control.Shown
}

type plantFan struct {
	contactor, welded, dead bool
	mood                    mood
	lie                     control.Verdict
	told                    control.Verdict
}

// A mood is how a driver and what it drives behave.
type mood uint8

const (
	well    mood = iota
	silent       // no answer, and nothing happens
	deafish      // no answer, yet it happens
	late         // the answer comes too late
	fails
	twice
	stale // answers an older command
	sticks
	halfway
	slow
	moods
)

type due struct {
	at time.Duration
	n  int
	do func()
}

type dueList []due

func (d dueList) Len() int { return len(d) }
func (d dueList) Less(i, j int) bool {
	return d[i].at < d[j].at || d[i].at == d[j].at && d[i].n < d[j].n
}
func (d dueList) Swap(i, j int) { d[i], d[j] = d[j], d[i] }
func (d *dueList) Push(x any) {
	if v, ok := x.(due); ok {
		*d = append(*d, v)
	}
}
func (d *dueList) Pop() any {
	last := (*d)[len(*d)-1]
	*d = (*d)[:len(*d)-1]
	return last
}

func newWorld(s *oddShop, mk maker, collect bool) *world {
	w := &world{s: s, r: rand.New(rand.NewPCG(s.seed, 2)), sel: control.Auto, bin: control.Room}
	w.trouble = pick(w.r, 0, 10, 40)
	w.pusher = chance(w.r, 10)
	w.gates = make([]plantGate, len(s.p.Gates))
	for i := range w.gates {
		w.gates[i].pos = pick(w.r, 0, 0, 1000, 500)
		if s.p.Midway {
			w.gates[i].pos = 0
		}
		w.gates[i].to = w.gates[i].pos
	}
	w.machines = make([]plantMachine, len(s.p.Machines))
	w.stops = make([]control.Contact, len(s.p.Stops))
	for i := range w.stops {
		w.stops[i] = control.Closed
	}
	if chance(w.r, 30) {
		w.standing = control.Closed
	}
	w.e = newEngine(s, mk, collect)
	w.e.told = w.command
	for _, c := range w.e.out.Commands { // of the first step
		w.command(c)
	}
	w.reportAll()
	return w
}

func (w *world) after(d time.Duration, do func()) {
	w.count++
	heap.Push(&w.due, due{w.e.now + d, w.count, do})
}

// send hands the program one input now.
func (w *world) send(in control.Input) { w.act(act{at: w.e.now, in: in}) }

func (w *world) act(a act) {
	w.story = append(w.story, a)
	w.e.do(a)
}

// play runs the world for so many steps, or until a rule is broken.
func (w *world) play(steps int) {
	person := w.e.now
	for w.e.steps < steps && w.e.c.broken == nil {
		at := person
		if len(w.due) > 0 && w.due[0].at <= at {
			at = w.due[0].at
			// Deadlines give commands, whose answers may come before that.
			if next, ok := w.e.b.Next(); ok && next < at {
				w.e.until(next)
				continue
			}
			d, ok := heap.Pop(&w.due).(due)
			if !ok {
				continue
			}
			w.e.until(d.at)
			d.do()
			continue
		}
		if next, ok := w.e.b.Next(); ok && next < at {
			w.e.until(next)
			continue
		}
		w.e.until(at)
		w.person()
		switch n := w.r.IntN(100); {
		case n < 30:
			person = w.e.now + span(w.r, 0, 300*time.Millisecond)
		case n < 80:
			person = w.e.now + span(w.r, 0, 5*time.Second)
		case n < 97 || w.fan.mood != well || w.outMood != well: // what is not answered is repeated, many times
			person = w.e.now + span(w.r, 0, 40*time.Second)
		default:
			person = w.e.now + span(w.r, 0, 15*time.Minute)
		}
	}
}

// reportAll is what the program hears at its start.
func (w *world) reportAll() {
	soon := func(do func()) {
		if chance(w.r, 97) { // some are never heard of until they change
			w.after(span(w.r, 0, pick(w.r, 0, 100*time.Millisecond, 3*time.Second)), do)
		}
	}
	for g := range w.gates {
		w.gates[g].told = 0
		soon(func() { w.show(g) })
	}
	for m := range w.machines {
		soon(func() { w.sense(m) })
	}
	for i := range w.stops {
		soon(func() { w.send(control.Input{Kind: control.StopIs, ID: control.ID(i), State: uint8(w.stops[i])}) })
	}
	for c := range w.s.p.Circuits {
		soon(func() { w.send(control.Input{Kind: control.CircuitIs, ID: control.ID(c), State: uint8(control.Fits)}) })
	}
	if w.s.p.ResetButton {
		soon(func() { w.send(control.InReset(control.Released)) })
	}
	for g := range w.gates {
		if w.s.p.Gates[g].Button {
			soon(func() { w.send(control.InAside(control.ID(g), control.Released)) })
		}
	}
	w.fan.told = 0
	soon(w.feel)
	if w.s.p.Collector.Switch {
		soon(func() { w.send(control.Input{Kind: control.SwitchIs, State: uint8(w.sel)}) })
	}
	soon(func() { w.send(control.Input{Kind: control.BinIs, State: uint8(w.bin)}) })
	if w.standing != 0 {
		soon(func() { w.send(control.Input{Kind: control.StandDownIs, State: uint8(w.standing)}) })
	}
}

// --- gates ---------------------------------------------------------------

// at is where a gate stands.
func (g *plantGate) at(now time.Duration) int {
	switch passed := now - g.t0; {
	case g.takes <= 0 || passed >= g.takes:
		return g.to
	default:
		return g.from + int(int64(g.to-g.from)*int64(passed)/int64(g.takes))
	}
}

// show reports what a gate's switches show, where that has changed.
func (w *world) show(i int) {
	g, has := &w.gates[i], w.s.p.Gates[i]
	if !has.OpenSwitch && !has.ShutSwitch {
		return
	}
	pos := g.at(w.e.now)
	shown := control.ShownBetween
	switch {
	case g.lie != 0:
		shown = g.lie
	case pos >= 990 && has.OpenSwitch:
		shown = control.ShownOpen
	case pos <= 10 && has.ShutSwitch:
		shown = control.ShownShut
	}
	if shown == control.ShownOpen && !has.OpenSwitch || shown == control.ShownShut && !has.ShutSwitch ||
		shown == control.ShownBoth && !(has.OpenSwitch && has.ShutSwitch) {
		shown = control.ShownUnknown
	}
	if shown != g.told {
		g.told = shown
		w.send(control.Input{Kind: control.GateIs, ID: control.ID(i), State: uint8(shown)})
	}
}

// move sets a gate in motion.
func (w *world) move(i, to int, takes time.Duration) {
	g := &w.gates[i]
	g.pos = g.at(w.e.now)
	g.from, g.to, g.t0 = g.pos, to, w.e.now
	g.takes = time.Duration(int64(takes) * int64(abs(to-g.pos)) / 1000)
	g.gen++
	gen := g.gen
	look := func() {
		if w.gates[i].gen == gen {
			w.show(i)
		}
	}
	if g.takes > 0 {
		w.after(g.takes/20+1, look)
	}
	w.after(g.takes, look)
}

func abs(n int) int {
	if n < 0 {
		return -n
	}
	return n
}

// --- drivers -------------------------------------------------------------

// command is what becomes of a command.
func (w *world) command(c control.Command) {
	var m mood
	answer := w.s.p.Answer
	switch c.Kind {
	case control.GateOpen, control.GateShut, control.GateStop:
		m, answer = w.gates[c.ID].mood, w.s.answer(int(c.ID))
	case control.CollectorOn, control.CollectorOff:
		m = w.fan.mood
	default:
		m = w.outMood
	}
	reply := control.Input{Kind: control.OutputIs, What: c.Kind, ID: c.ID, State: uint8(control.Done)}
	say := func(a act) { w.act(a) }
	delay := pick(w.r, 0, 0, 5*time.Millisecond, span(w.r, 0, answer/2))
	switch m {
	case silent:
	case deafish:
		w.after(delay, func() { w.obey(c) })
	case fails:
		reply.State = uint8(control.Failed)
		w.after(delay, func() { say(act{at: w.e.now, in: reply, ref: refLast}) })
	case late:
		w.after(answer+span(w.r, 0, answer*2), func() {
			w.obey(c)
			say(act{at: w.e.now, in: reply, ref: refLast})
		})
	case twice:
		w.after(delay, func() { w.obey(c); say(act{at: w.e.now, in: reply, ref: refLast}) })
		w.after(delay+span(w.r, 0, time.Second), func() { say(act{at: w.e.now, in: reply, ref: refLast}) })
	case stale:
		w.after(delay, func() { say(act{at: w.e.now, in: reply, ref: refOld}) })
		w.after(delay+5*time.Millisecond, func() { w.obey(c); say(act{at: w.e.now, in: reply, ref: refLast}) })
	default:
		w.after(delay, func() {
			w.obey(c)
			say(act{at: w.e.now, in: reply, ref: refLast})
		})
	}
}

// obey does what a command says, as well as the thing can.
func (w *world) obey(c control.Command) {
	switch c.Kind {
	case control.GateOpen, control.GateShut:
		g := &w.gates[c.ID]
		to := 0
		if c.Kind == control.GateOpen {
			to = 1000
		}
		takes := w.s.p.Gates[c.ID].Travel
		takes = span(w.r, takes/3, takes)
		switch g.mood {
		case sticks:
			return
		case halfway:
			to = (to + g.at(w.e.now)) / 2
		case slow:
			takes = w.s.p.Gates[c.ID].Travel + span(w.r, 0, 4*time.Second)
		default:
		}
		w.move(int(c.ID), to, takes)
	case control.GateStop:
		w.move(int(c.ID), w.gates[c.ID].at(w.e.now), 0)
	case control.CollectorOn:
		w.fan.contactor = true
		w.after(pick(w.r, 0, 50*time.Millisecond, w.s.p.Collector.Within/2), w.feel)
	case control.CollectorOff:
		w.fan.contactor = false
		w.after(pick(w.r, 0, 50*time.Millisecond, w.s.p.Collector.Within/2), w.feel)
	default:
	}
}

// feel reports the fan's feedback, where it has changed.
func (w *world) feel() {
	if w.s.p.Collector.Feedback == control.NoFeedback {
		return
	}
	f := &w.fan
	v := control.Idle
	if (f.contactor || f.welded) && !f.dead && w.sel != control.Off || w.sel == control.Hand {
		v = control.Running
	}
	if f.lie != 0 {
		v = f.lie
	}
	if v != f.told {
		f.told = v
		w.send(control.Input{Kind: control.CollectorIs, State: uint8(v)})
	}
}

// sense reports what a machine's sensor says.
func (w *world) sense(m int) {
	v := control.Idle
	switch {
	case w.machines[m].lost:
		v = control.Unknown
	case w.machines[m].on:
		v = control.Running
	}
	w.send(control.Input{Kind: control.MachineIs, ID: control.ID(m), State: uint8(v)})
}

// --- people and bad luck -------------------------------------------------

func (w *world) person() {
	r := w.r
	if chance(r, 20) {
		w.fan.mood, w.outMood = well, well
	}
	if w.pusher && chance(r, 50) {
		to := pick(r, 0, 1000)
		for i := range w.gates {
			w.move(i, to, 0)
		}
		return
	}
	if !chance(r, w.trouble) {
		switch n := r.IntN(100); {
		case n < 70 && len(w.machines) > 0:
			m := r.IntN(len(w.machines))
			if chance(r, 60) { // rather end what runs than start more
				for i := range w.machines {
					if w.machines[i].on {
						m = i
					}
				}
			}
			w.machines[m].on = !w.machines[m].on
			w.sense(m)
		case n < 95:
			w.ask()
		case n < 98:
			w.send(control.Input{Kind: control.Tick})
		default:
			w.bin = pick(r, control.Room, control.Room, control.Full)
			w.send(control.Input{Kind: control.BinIs, State: uint8(w.bin)})
		}
		return
	}
	switch n := r.IntN(44); {
	case n < 4 && len(w.machines) > 0: // a sensor is lost or comes back
		m := r.IntN(len(w.machines))
		w.machines[m].lost = !w.machines[m].lost
		w.sense(m)
	case n < 6 && len(w.machines) > 0: // a sensor chatters
		m := r.IntN(len(w.machines))
		at := time.Duration(0)
		for range 2 * (1 + r.IntN(6)) {
			at += pick(r, 5*time.Millisecond, 35*time.Millisecond, 45*time.Millisecond, span(r, 0, 400*time.Millisecond))
			w.after(at, func() {
				w.machines[m].on = !w.machines[m].on
				w.sense(m)
			})
		}
	case n < 12 && len(w.gates) > 0:
		w.gateTrouble(r.IntN(len(w.gates)))
	case n < 15:
		switch r.IntN(4) {
		case 0:
			w.fan.mood = mood(r.IntN(int(sticks)))
		case 1:
			w.fan.dead, w.fan.welded, w.fan.lie, w.fan.mood = false, false, 0, well
		case 2:
			w.fan.dead, w.fan.welded = chance(r, 50), chance(r, 50)
		case 3:
			w.fan.lie = pick(r, 0, control.Unknown, control.Idle, control.Running)
		}
		w.feel()
	case n < 16:
		w.outMood = mood(r.IntN(int(sticks)))
	case n < 19 && len(w.stops) > 0:
		i := r.IntN(len(w.stops))
		c := pick(r, control.Open, control.Open, control.Broken)
		if w.stops[i] != control.Closed {
			c = control.Closed
		}
		w.stops[i] = c
		w.send(control.Input{Kind: control.StopIs, ID: control.ID(i), State: uint8(c)})
	case n < 21:
		if w.standing != 0 && chance(r, 50) {
			w.standing = pick(r, control.Closed, control.Closed, control.Open, control.Broken)
			w.send(control.Input{Kind: control.StandDownIs, State: uint8(w.standing)})
		} else {
			w.request(pick(r, control.AskStandDown, control.AskLift, control.AskLift))
		}
	case n < 24 && w.s.p.Collector.Switch:
		w.sel = pick(r, control.Auto, control.Hand, control.Off)
		w.send(control.Input{Kind: control.SwitchIs, State: uint8(w.sel)})
		w.after(pick(r, 0, 100*time.Millisecond), w.feel)
	case n < 26:
		w.bin = pick(r, control.Room, control.Full, control.LevelUnknown)
		w.send(control.Input{Kind: control.BinIs, State: uint8(w.bin)})
	case n < 27 && len(w.s.p.Circuits) > 0:
		c := control.ID(r.IntN(len(w.s.p.Circuits)))
		if chance(r, 40) {
			w.breaker(c)
			return
		}
		w.send(control.Input{Kind: control.CircuitIs, ID: c, State: uint8(pick(r, control.Fits, control.Near, control.Over, control.Over, control.LoadUnknown))})
	case n < 28:
		w.send(control.Input{Kind: control.ShopIs, State: uint8(pick(r, control.ShopOpen, control.ShopOpen, control.ShopClosed))})
	case n < 29:
		w.send(control.InMains(pick(r, control.AsFiled, control.OtherThanFiled)))
	case n < 30:
		w.request(control.AskReset)
	case n < 31: // an output resets itself
		in := control.Input{Kind: control.OutputIs, State: uint8(control.Lost), What: control.CollectorOn}
		switch n := len(w.gates); {
		case n > 0 && chance(r, 75):
			in.ID, in.What = control.ID(r.IntN(n)), pick(r, control.GateOpen, control.GateShut)
			w.move(int(in.ID), w.gates[in.ID].at(w.e.now), 0)
		case len(w.s.p.Outlets) > 0 && chance(r, 50):
			in.ID, in.What = control.ID(r.IntN(len(w.s.p.Outlets))), control.OutletOn
		default:
			w.fan.contactor = false
			w.after(20*time.Millisecond, w.feel)
		}
		w.send(in)
	case n < 32: // nonsense
		w.send(control.Input{Kind: control.InputKind(r.IntN(30)), ID: pick(r, control.ID(200), control.NoID), State: uint8(100 + r.IntN(100)),
			What: control.CommandKind(r.IntN(9)), Origin: control.Origin(r.IntN(7))})
	case n < 33 && chance(r, 40):
		w.fan.contactor = false
		for i := range w.gates {
			w.move(i, w.gates[i].at(w.e.now), 0)
		}
		w.due = w.due[:0]
		w.act(act{at: w.e.now, cut: true, bad: chance(r, 20)})
		w.reportAll()
	case n < 37 && len(w.gates) > 0: // hands in a gate
		g := control.ID(r.IntN(len(w.gates)))
		for j := range w.gates { // rather take one back than set aside more
			if w.e.b.Snapshot().Gates[j].Aside && chance(r, 60) {
				g = control.ID(j)
			}
		}
		if w.s.p.Gates[g].Button && chance(r, 60) {
			w.push(func(p control.Press) control.Input { return control.InAside(g, p) })
			return
		}
		in := control.InAsk(pick(r, control.AskAside, control.AskReturn, control.AskReturn), pick(r, control.Wired, control.Console, control.Page, control.Topic), g)
		if chance(r, 20) {
			in.Expires = w.e.now / 2
		}
		w.send(in)
	case n < 40:
		w.push(control.InReset)
	case n < 42 && len(w.machines) > 0: // a current that comes and goes
		m := control.ID(r.IntN(len(w.machines)))
		at := time.Duration(0)
		for range 1 + r.IntN(5) {
			at += pick(r, 5*time.Millisecond, span(r, 0, 300*time.Millisecond))
			w.after(at, func() { w.send(control.InCurrent(m, control.Gone)) })
			at += pick(r, 10*time.Millisecond, 39*time.Millisecond, 41*time.Millisecond, span(r, 0, 500*time.Millisecond))
			w.after(at, func() { w.send(control.InCurrent(m, control.Flows)) })
		}
	default:
		w.ask()
	}
}

// push presses a button and lets it go, mostly.
func (w *world) push(in func(control.Press) control.Input) {
	w.send(in(control.Pressed))
	switch w.r.IntN(10) {
	case 0: // stuck
		w.after(w.s.p.Stuck+span(w.r, 0, 20*time.Second), func() { w.send(in(control.Released)) })
	case 1:
		w.after(time.Second, func() { w.send(in(control.Unpressed)) })
	case 2: // it bounces
		for i := range 4 {
			w.after(time.Duration(i+1)*3*time.Millisecond, func() { w.send(in(pick(w.r, control.Pressed, control.Released))) })
		}
		w.after(200*time.Millisecond, func() { w.send(in(control.Released)) })
	default:
		w.after(span(w.r, 20*time.Millisecond, 2*time.Second), func() { w.send(in(control.Released)) })
	}
}

// breaker overloads a circuit until its breaker trips.
func (w *world) breaker(c control.ID) {
	w.send(control.Input{Kind: control.CircuitIs, ID: c, State: uint8(control.Over)})
	trips := w.s.p.CircuitSettle + span(w.r, 0, 2*time.Second)
	w.after(trips, func() { w.send(control.Input{Kind: control.CircuitIs, ID: c, State: uint8(control.Fits)}) })
	for m := range w.machines {
		if w.s.p.Machines[m].Circuit == c {
			w.after(trips+span(w.r, 0, 2*w.s.p.Breaker), func() {
				w.machines[m].on = false
				w.sense(m)
			})
		}
	}
}

func (w *world) gateTrouble(i int) {
	g := &w.gates[i]
	switch r := w.r; r.IntN(7) {
	case 0: // pushed by hand
		w.move(i, pick(r, 0, 1000, 1000, 500), 0)
	case 1: // its switch chatters
		at := time.Duration(0)
		for range 2 * (1 + r.IntN(5)) {
			at += pick(r, 5*time.Millisecond, 50*time.Millisecond, span(r, 0, 4*time.Second))
			w.after(at, func() {
				if g.lie != 0 {
					g.lie = 0
				} else {
					g.lie = pick(r, control.ShownBetween, control.ShownShut, control.ShownOpen)
				}
				w.show(i)
			})
		}
	case 2:
		g.lie = pick(r, 0, control.ShownUnknown, control.ShownOpen, control.ShownShut, control.ShownBetween, control.ShownBoth)
		w.show(i)
	case 3, 4:
		g.mood = mood(r.IntN(int(moods)))
	case 5:
		for j := range w.gates { // somebody puts all in order
			w.gates[j].mood, w.gates[j].lie = well, 0
			w.show(j)
		}
	case 6: // all are pushed shut
		for j := range w.gates {
			if chance(r, 80) {
				w.move(j, 0, 0)
			}
		}
	}
}

func (w *world) ask() {
	w.request(pick(w.r, control.AskHold, control.AskHold, control.AskHold, control.AskRelease, control.AskTestOpen, control.AskTestShut, control.AskTestEnd))
}

func (w *world) request(kind control.AskKind) {
	r := w.r
	in := control.Input{Kind: control.Ask, State: uint8(kind), ID: control.NoID, Origin: pick(r, control.Wired, control.Console, control.Page, control.Topic)}
	if n := len(w.gates); n > 0 {
		in.ID = control.ID(r.IntN(n))
	}
	in.For = pick(r, 0, span(r, 0, 20*time.Second), 10*time.Minute)
	switch r.IntN(10) {
	case 0:
		in.Expires = w.e.now / 2
	case 1, 2:
		in.Expires = w.e.now + span(r, 0, 5*time.Second)
	}
	w.send(in)
	if chance(r, 10) {
		w.send(in)
	}
}
