package sim_test

import (
	"fmt"
	"math/bits"
	"math/rand/v2"
	"strings"
	"time"

	"kerfwind/control"
)

// An oddShop is a made shop with its odd ways, the same for the same seed.
type oddShop struct {
	seed   uint64
	layout string
	p      control.Params

	runOn    []time.Duration // of each machine, with one gate open or none
	runOnPer time.Duration   // and more for each further open gate
	maxRunOn time.Duration   // no run-on is longer
	paths    []uint64        // every way by which air may come in: gates in bits; 0 is always open
	hoods    [][]uint64      // of each machine
	gateRuns []uint64        // of each gate: the gates from it to the collector
	mains    uint64          // gates that lie in another one's way
}

func pick[T any](r *rand.Rand, of ...T) T { return of[r.IntN(len(of))] }

func span(r *rand.Rand, from, to time.Duration) time.Duration {
	return from + time.Duration(r.Int64N(int64((to-from)/time.Millisecond)+1))*time.Millisecond
}

func chance(r *rand.Rand, percent int) bool { return r.IntN(100) < percent }

// makeShop makes the shop of a seed.
func makeShop(seed uint64) *oddShop {
	r := rand.New(rand.NewPCG(seed, 1))
	s := &oddShop{seed: seed, p: control.Defaults()}
	p := &s.p
	s.layout = pick(r, "any", "any", "any", "one main", "one machine", "no gates", "sixteen", "shared gates", "no machines", "by hand")

	gate := func(downstream ...control.ID) control.ID {
		g := control.Gate{
			Name: fmt.Sprint("g", len(p.Gates)), Actuated: true, Downstream: downstream,
			Travel:     pick(r, 0, 300*time.Millisecond, 900*time.Millisecond, 2*time.Second, span(r, 0, 8*time.Second)),
			OpenSwitch: chance(r, 60), ShutSwitch: chance(r, 60),
			RunOn: pick(r, 0, 2*time.Second, span(r, 0, 15*time.Second)),
		}
		if chance(r, 15) {
			g.Answer = pick(r, 50*time.Millisecond, time.Second, 5*time.Second)
		}
		if s.layout == "by hand" || chance(r, 8) {
			g.Actuated, g.OpenSwitch = false, true
		}
		g.Button = chance(r, 25)
		p.Gates = append(p.Gates, g)
		return control.ID(len(p.Gates) - 1)
	}
	// way is the gate and all that lie between it and the collector.
	way := func(g control.ID) []control.ID { return append([]control.ID{g}, p.Gates[g].Downstream...) }

	var mains []control.ID
	n := r.IntN(4)
	switch s.layout {
	case "one main":
		n = 1
	case "no gates":
		n = 0
	}
	for range n {
		if len(mains) > 0 && chance(r, 60) {
			mains = append(mains, gate(way(mains[r.IntN(len(mains))])...))
		} else {
			mains = append(mains, gate())
		}
	}
	branch := func() control.ID {
		if len(mains) > 0 && (s.layout == "one main" || chance(r, 60)) {
			return gate(way(mains[r.IntN(len(mains))])...)
		}
		return gate()
	}
	machines := 1 + r.IntN(5)
	switch s.layout {
	case "sixteen":
		machines = 16
	case "one machine":
		machines = 1
	case "no machines":
		machines = 0
		for range 1 + r.IntN(3) {
			branch()
		}
	}
	for range r.IntN(3) {
		p.Circuits = append(p.Circuits, control.Circuit{Name: fmt.Sprint("c", len(p.Circuits)), Rating: 20})
	}
	circuit := func() control.ID {
		if len(p.Circuits) == 0 || chance(r, 30) {
			return control.NoID
		}
		return control.ID(r.IntN(len(p.Circuits)))
	}
	var branches []control.ID
	for i := range machines {
		m := control.Machine{Name: fmt.Sprint("m", i), Rank: r.IntN(4), Circuit: circuit()}
		if m.Circuit != control.NoID {
			m.Inrush = pick(r, 0, 0, time.Second, 3*time.Second)
		}
		for range 1 + r.IntN(10)/8 {
			var h control.Hood
			switch {
			case s.layout == "no gates" || chance(r, 8):
			case s.layout == "shared gates" && len(branches) > 0 && chance(r, 60):
				h.Gates = way(branches[r.IntN(len(branches))])
			case len(mains) > 0 && chance(r, 10):
				h.Gates = way(mains[r.IntN(len(mains))]) // at the main itself
			default:
				g := branch()
				if chance(r, 10) {
					g = gate(way(g)...) // two in series before the main
				}
				branches = append(branches, g)
				h.Gates = way(g)
			}
			m.Hoods = append(m.Hoods, h)
		}
		p.Machines = append(p.Machines, m)
		s.runOn = append(s.runOn, pick(r, 0, time.Second, 6*time.Second, span(r, 0, 30*time.Second)))
	}
	for range r.IntN(3) {
		o := control.Outlet{Name: fmt.Sprint("o", len(p.Outlets)), RunOn: span(r, 0, 20*time.Second)}
		for i := range p.Machines {
			if chance(r, 50) {
				o.Follows = append(o.Follows, control.ID(i))
			}
		}
		if len(o.Follows) > 0 {
			p.Outlets = append(p.Outlets, o)
		}
	}
	for range pick(r, 0, 0, 1, 3) {
		p.Stops = append(p.Stops, control.Stop{Name: fmt.Sprint("s", len(p.Stops))})
	}

	blinks := chance(r, 10) // many steps and little news
	for range r.IntN(4) {
		p.Indicators = append(p.Indicators, control.Indicator{Name: fmt.Sprint("i", len(p.Indicators)),
			Shows: pick(r, control.Collecting, control.AnyUncollected, control.AnyFault, control.AnyLatch)})
		if blinks {
			p.Indicators[len(p.Indicators)-1].Half = pick(r, control.SlowHalf, control.FastHalf)
		}
	}
	p.ResetButton = chance(r, 50)
	p.ShutWindow = pick(r, 5*time.Minute, time.Hour)
	c := &p.Collector
	c.Name = "fan"
	c.Confirm = pick(r, 0, 100*time.Millisecond, 250*time.Millisecond, 250*time.Millisecond, time.Second)
	c.Coast = pick(r, 0, 5*time.Second, 20*time.Second)
	c.Starts = pick(r, 0, 2, 2, 3, 6)
	c.Window = pick(r, time.Minute, 5*time.Minute, time.Hour)
	c.MinOn = pick(r, 0, 5*time.Second, 60*time.Second)
	c.MinOff = pick(r, 0, 5*time.Second, 90*time.Second)
	c.Feedback = pick(r, control.NoFeedback, control.ByCurrent, control.ByContact)
	c.Within = pick(r, time.Second, 3*time.Second, 3*time.Second, 6*time.Second)
	c.Circuit = circuit()
	c.Switch = chance(r, 40)

	if len(p.Gates) > 0 && chance(r, 30) {
		p.MaxOpen = 1 + r.IntN(3)
		p.RefuseRunning = chance(r, 40)
	}
	p.CloseAtRest = chance(r, 30)
	p.BinBlocks = chance(r, 30)
	p.TopicMayStart = chance(r, 20)
	p.ShopClosed = chance(r, 10)
	p.Midway = chance(r, 5)
	p.UnknownHold = pick(r, 5*time.Second, 40*time.Second, 10*time.Minute)
	p.HoldLongest = pick(r, 0, 10*time.Second, time.Minute, 30*time.Minute)
	p.TestLongest = pick(r, 5*time.Second, 30*time.Second)
	p.PowerUp = pick(r, 0, 2*time.Second, 10*time.Second)
	p.Answer = pick(r, 200*time.Millisecond, time.Second, 3*time.Second)
	p.AllShut = pick(r, time.Second, 3*time.Second, 3*time.Second)
	p.CircuitSettle = pick(r, 500*time.Millisecond, 3*time.Second)
	p.Retries = r.IntN(3)

	// What the solver would say.
	if chance(r, 30) {
		s.runOnPer = span(r, 0, time.Second)
	}
	for _, d := range s.runOn {
		s.maxRunOn = max(s.maxRunOn, d+time.Duration(control.MaxGates)*s.runOnPer)
	}
	p.RunOn = func(m control.ID, open uint64) time.Duration {
		return s.runOn[m] + time.Duration(max(0, bits.OnesCount64(open)-1))*s.runOnPer
	}
	if len(p.Gates) > 1 && chance(r, 25) {
		help := uint64(1) << r.IntN(len(p.Gates))
		p.Helper = func(open uint64) uint64 {
			if bits.OnesCount64(open) == 1 {
				return help &^ open
			}
			return 0
		}
	}
	if len(p.Gates) > 1 && chance(r, 15) {
		purge := uint64(1) << r.IntN(len(p.Gates))
		p.Purge = func(open uint64) uint64 { return purge &^ open }
	}
	s.survey()
	return s
}

// survey derives what checks ask for again and again.
func (s *oddShop) survey() {
	for g := range s.p.Gates {
		run := uint64(1) << g
		for _, d := range s.p.Gates[g].Downstream {
			run |= 1 << d
			s.mains |= 1 << d
		}
		s.gateRuns = append(s.gateRuns, run)
	}
	onHood := uint64(0)
	for m := range s.p.Machines {
		var of []uint64
		for _, h := range s.p.Machines[m].Hoods {
			path := uint64(0)
			for _, g := range h.Gates {
				path |= 1 << g
			}
			onHood |= path
			of = append(of, path)
			s.paths = append(s.paths, path)
		}
		s.hoods = append(s.hoods, of)
	}
	for g, run := range s.gateRuns {
		if onHood&(1<<g) == 0 && s.mains&(1<<g) == 0 {
			s.paths = append(s.paths, run)
		}
	}
}

// gatesOf is the set of all gates on a machine's ways.
func (s *oddShop) gatesOf(m int) (all uint64) {
	for _, h := range s.hoods[m] {
		all |= h
	}
	return all
}

// answer is the longest time in which a gate's driver answers.
func (s *oddShop) answer(g int) time.Duration {
	if a := s.p.Gates[g].Answer; a > 0 {
		return a
	}
	return s.p.Answer
}

// tries is how long opening a gate may take with every try.
func (s *oddShop) tries(g int) time.Duration {
	return time.Duration(1+s.p.Retries) * (s.answer(g) + 2*s.p.Gates[g].Travel)
}

func set(gates uint64) string {
	var b strings.Builder
	for ; gates != 0; gates &= gates - 1 {
		fmt.Fprintf(&b, "g%d ", bits.TrailingZeros64(gates))
	}
	return "{" + strings.TrimSpace(b.String()) + "}"
}

// String describes the whole shop.
func (s *oddShop) String() string { return s.describe(^uint64(0), ^uint64(0)) }

// describe describes the shop to a person, with these gates and machines.
func (s *oddShop) describe(gates, machines uint64) string {
	var b strings.Builder
	p := &s.p
	fmt.Fprintf(&b, "shop of seed %d (%s), %d gates, %d machines; of these\n", s.seed, s.layout, len(p.Gates), len(p.Machines))
	for i, g := range p.Gates {
		if gates&(1<<i) == 0 {
			continue
		}
		fmt.Fprintf(&b, "  gate g%d: travel %v, answer %v, switches %s, way %s, run-on after a hold %v\n", i, g.Travel, s.answer(i),
			map[[2]bool]string{{false, false}: "none", {true, false}: "open", {false, true}: "shut", {true, true}: "both"}[[2]bool{g.OpenSwitch, g.ShutSwitch}]+
				map[bool]string{false: ", moved by hand"}[g.Actuated], set(s.gateRuns[i]), g.RunOn)
	}
	for i, m := range p.Machines {
		if machines&(1<<i) == 0 {
			continue
		}
		fmt.Fprintf(&b, "  machine m%d: run-on %v, rank %d, circuit %d, inrush %v, hoods", i, s.runOn[i], m.Rank, int8(m.Circuit), m.Inrush)
		for _, h := range s.hoods[i] {
			fmt.Fprint(&b, " ", set(h))
		}
		fmt.Fprintln(&b)
	}
	for i, o := range p.Outlets {
		fmt.Fprintf(&b, "  outlet o%d: follows %v, run-on %v\n", i, o.Follows, o.RunOn)
	}
	c := p.Collector
	fmt.Fprintf(&b, "  fan: confirm %v, coast %v, %d starts in %v, min on %v, min off %v, feedback %d within %v, circuit %d, switch %v\n",
		c.Confirm, c.Coast, c.Starts, c.Window, c.MinOn, c.MinOff, c.Feedback, c.Within, int8(c.Circuit), c.Switch)
	fmt.Fprintf(&b, "  stops %d, max open %d, refuse %v, close at rest %v, bin blocks %v, topic may start %v, closed %v, midway %v\n",
		len(p.Stops), p.MaxOpen, p.RefuseRunning, p.CloseAtRest, p.BinBlocks, p.TopicMayStart, p.ShopClosed, p.Midway)
	fmt.Fprintf(&b, "  unknown hold %v, longest hold %v, longest test %v, power-up %v, answer %v, all shut %v, circuit settles %v, retries %d, run-on per gate %v, helper %v, purge %v\n",
		p.UnknownHold, p.HoldLongest, p.TestLongest, p.PowerUp, p.Answer, p.AllShut, p.CircuitSettle, p.Retries, s.runOnPer, p.Helper != nil, p.Purge != nil)
	fmt.Fprintf(&b, "  reset button %v, shut window %v, %d indicators\n", p.ResetButton, p.ShutWindow, len(p.Indicators))
	return b.String()
}
