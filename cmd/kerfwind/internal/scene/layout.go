package scene

import (
	"slices"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// Collector as Node.To is the collector's inlet; None is the index of nothing.
const (
	Collector = config.ToCollector
	None      = config.None
)

// Layout is how a shop hangs together: what a scene needs of its file.
type Layout struct {
	Nodes []Node    // those of the shop's ducts first, in their order
	Paths [][][]int // of each machine, one a hood: the gates from there to the collector

	mains  uint64 // gates that others lead through
	blind  bool   // the collector's motor cannot be seen
	within time.Duration
}

// Node is a piece of the way from a hood to the collector: a duct, or a gate or a
// machine of which the file does not say where in the ducts it is.
type Node struct {
	To       int   // the node that it runs into, or Collector
	Duct     int   // of the shop; None: the file does not say
	Gate     int   // in it; None
	Machines []int // whose hood is at its upstream end
	End      bool  // nothing else runs into it: air comes in here
}

// NewLayout reads the layout of a shop.
func NewLayout(s *config.Shop) *Layout {
	p := s.Control()
	l := &Layout{Paths: make([][][]int, len(s.Machines)), mains: p.Mains(), blind: p.Collector.Feedback == control.NoFeedback, within: p.Collector.Within}
	at := make([]int, len(s.Gates)) // the node of each gate
	for i := range at {
		at[i] = None
	}
	for i := range s.Ducts {
		d := &s.Ducts[i]
		l.Nodes = append(l.Nodes, Node{To: d.To, Duct: i, Gate: d.Gate, Machines: slices.Clone(d.Hoods), End: true})
		if d.Gate >= 0 {
			at[d.Gate] = i
		}
	}
	for i := range s.Ducts {
		if to := s.Ducts[i].To; to >= 0 {
			l.Nodes[to].End = false
		}
	}
	for g := range at {
		if at[g] == None {
			at[g] = len(l.Nodes)
			l.Nodes = append(l.Nodes, Node{To: Collector, Duct: None, Gate: g, End: true})
		}
	}
	for i := range s.Machines {
		m := &s.Machines[i]
		l.Paths[i] = m.Paths
		for _, path := range m.Paths[min(len(m.Hoods), len(m.Paths)):] {
			if len(path) == 0 {
				continue
			}
			if n := &l.Nodes[at[path[0]]]; !slices.Contains(n.Machines, i) {
				n.Machines = append(n.Machines, i)
			}
		}
		if !slices.ContainsFunc(l.Nodes, func(n Node) bool { return slices.Contains(n.Machines, i) }) {
			l.Nodes = append(l.Nodes, Node{To: Collector, Duct: None, Gate: None, Machines: []int{i}, End: true})
		}
	}
	return l
}

// Main reports whether a gate is one that others lead through.
func (l *Layout) Main(gate int) bool { return l.mains>>gate&1 == 1 }

// paths are those of a machine; none without a layout.
func (l *Layout) paths(machine int) [][]int {
	if l == nil || machine >= len(l.Paths) {
		return nil
	}
	return l.Paths[machine]
}
