package panel

import (
	"cmp"
	"fmt"
	"slices"

	"kerfwind/cmd/kerfwind/internal/scene"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// Measures of the picture. At 360 px of width a unit is a pixel.
const (
	pictureWide = 336
	fanHigh     = 58
	rowHigh     = 60 // a branch, or a gate in a main
	linkHigh    = 24 // a piece of main without a gate
	boxHigh     = 52
	column      = 26  // from a main to one that joins it
	firstX      = 18  // of the first main
	gateOff     = 50  // from the last main to the gates
	boxOff      = 44  // from the gates to the machines
	leastBox    = 150 // as wide
	mainHalf    = 7   // of a main's width
	onPipe      = 22  // from the top of a row to the pipe
)

// picture is the way of the air, laid out: what does not change with the state. What
// does change is put in by the keys.
type picture struct {
	Wide, High int
	Pipes      []picturePipe
	Rows       []pictureRow
	Mains      []pictureMain
	Fan        pictureFan
	joints     [][]int // of each joint: the nodes whose air passes it
}

// sketch is a picture with the states of a moment. Links says whether its gates and
// machines lead to what is known of them.
type sketch struct {
	*picture
	*cells
	Links bool
	Shop  string
}

// State and Text are what stands at a key.
func (d *sketch) State(key string) string { return d.state["p"+key] }
func (d *sketch) Text(key string) string  { return d.text["p"+key] }

// draw is the picture as it is now.
func (s *Shop) draw(v *nowView, links bool) *sketch {
	d := &sketch{s.picture(), newCells(), links, s.Name}
	d.put(d.cells, v)
	return d
}

// picture is the layout, made when it is first looked at.
func (s *Shop) picture() *picture {
	s.layOut.Do(func() { s.drawing = newPicture(s) })
	return s.drawing
}

// picturePipe is a line. Its state is that of a node ("d3") or of a joint ("j3").
type picturePipe struct {
	Key, Path string
	Main      bool
}

// pictureRow is the end of a branch: a gate, a machine, or both.
type pictureRow struct {
	Y, GateX, GateY, BoxX, BoxWide int
	Gate                           int // -1 none
	GateKey, GateName              string
	Machine                        int // -1 none
	MachineKey, Name, Short        string
	Duct                           string // key of the pipe; "" is none
}

// pictureMain is a piece of main with its name, and its gate if it has one.
type pictureMain struct {
	X, Y, TextX int
	Name, Duct  string
	Gate        int
	GateKey     string
}

type pictureFan struct{ Name string }

// draftsman lays a picture out from the collector down.
type draftsman struct {
	*scene.Layout
	names   *timeline.Names
	ducts   func(int) string // the name of a duct
	joining map[int][]int
	behind  []int
	y       int
	gateX   int
	out     *picture
}

// newPicture lays a shop out.
func newPicture(s *Shop) *picture {
	d := &draftsman{Layout: s.plan, names: s.Names, ducts: func(i int) string { return s.Ducts[i].Name }, joining: map[int][]int{}, out: &picture{Wide: pictureWide}}
	d.order()
	deep := d.columns(scene.Collector, 0)
	d.gateX = firstX + deep*column + gateOff
	d.out.Wide = max(pictureWide, d.gateX+boxOff+leastBox)
	d.out.Fan.Name = s.Names.Name(control.ACollector, 0)
	d.y = fanHigh + 6
	d.down(scene.Collector, firstX, fanHigh)
	d.out.High = d.y + 4
	return d.out
}

// order sorts what joins each node: branches first, mains last, and the one with the
// most behind it at the very end, where it goes straight on.
func (d *draftsman) order() {
	for i := range d.Nodes {
		d.joining[d.Nodes[i].To] = append(d.joining[d.Nodes[i].To], i)
	}
	d.behind = make([]int, len(d.Nodes))
	var weigh func(i int) int
	weigh = func(i int) (sum int) {
		sum = 1
		for _, k := range d.joining[i] {
			sum += weigh(k)
		}
		if i >= 0 {
			d.behind[i] = sum
		}
		return sum
	}
	weigh(scene.Collector)
	for _, list := range d.joining {
		slices.SortStableFunc(list, func(a, b int) int {
			return cmp.Or(cmp.Compare(d.main(a), d.main(b)), d.main(a)*cmp.Compare(d.behind[a], d.behind[b]))
		})
	}
}

// main is 1 of a node into which others run.
func (d *draftsman) main(node int) int {
	if d.Nodes[node].End {
		return 0
	}
	return 1
}

// columns is how many columns there are beside that of what joins a node.
func (d *draftsman) columns(node, at int) int {
	deep, list := at, d.joining[node]
	for i, k := range list {
		if d.Nodes[k].End {
			continue
		}
		next := at + 1
		if i == len(list)-1 {
			next = at
		}
		deep = max(deep, d.columns(k, next))
	}
	return deep
}

// down draws what joins a node along the line at x, which begins at from.
func (d *draftsman) down(node, x, from int) {
	list := slices.Clone(d.joining[node])
	if node >= 0 && len(d.Nodes[node].Machines) > 0 && !d.Nodes[node].End {
		d.rows(node, x, false) // a machine at the main itself
	}
	for at, k := range list {
		last := at == len(list)-1
		switch {
		case d.Nodes[k].End:
			y := d.y + onPipe
			if last {
				y += 5 // the end is round the branch
			}
			d.joint(list[at:], x, from, y)
			from = y
			d.rows(k, x, true)
		case last:
			d.stretch(k, x, from)
		default:
			y := d.y + linkHigh/2
			d.joint(list[at:], x, from, y)
			from = y
			d.pipe(key("d", k), fmt.Sprintf("M%d %dH%d", x+mainHalf-2, y, x+column+mainHalf), true)
			d.stretch(k, x+column, y)
		}
	}
}

// stretch draws main k along x from a height on, its name and gate, and what joins it.
func (d *draftsman) stretch(k, x, from int) {
	n := &d.Nodes[k]
	m := pictureMain{X: x, Y: d.y + linkHigh/2, TextX: x + 16, Duct: key("d", k), Gate: n.Gate}
	if n.Duct >= 0 {
		m.Name = d.ducts(n.Duct)
	}
	high := linkHigh
	if n.Gate >= 0 {
		high, m.Y, m.TextX, m.GateKey = rowHigh, d.y+rowHigh/2-5, x+30, key("g", n.Gate)
		m.Name = d.names.Name(control.AGate, control.ID(n.Gate))
	}
	m.Name = short(m.Name, 22)
	d.out.Mains = append(d.out.Mains, m)
	d.y += high
	d.pipe(key("d", k), fmt.Sprintf("M%d %dV%d", x, from, d.y), true)
	d.down(k, x, d.y)
}

// joint draws the line at x between two heights, through which all these nodes' air
// goes.
func (d *draftsman) joint(nodes []int, x, from, to int) {
	if to > from {
		d.pipe(key("j", len(d.out.joints)), fmt.Sprintf("M%d %dV%d", x, from, to), true)
		d.out.joints = append(d.out.joints, nodes)
	}
}

func (d *draftsman) pipe(k, path string, main bool) {
	d.out.Pipes = append(d.out.Pipes, picturePipe{k, path, main})
}

// rows draws the end of a branch: a row for each machine there, or one for its gate.
func (d *draftsman) rows(k, x int, own bool) {
	n := &d.Nodes[k]
	machines := n.Machines
	if len(machines) == 0 {
		machines = []int{-1}
	}
	for i, m := range machines {
		r := pictureRow{Y: d.y, GateX: d.gateX, GateY: d.y + onPipe, BoxX: d.gateX + boxOff, Gate: -1, Machine: m, Duct: key("d", k)}
		r.BoxWide = d.out.Wide - r.BoxX - 1
		from := x + mainHalf - 2
		switch {
		case own && i == 0 && n.Gate >= 0:
			r.Gate, r.GateKey, r.GateName = n.Gate, key("g", n.Gate), d.names.Name(control.AGate, control.ID(n.Gate))
		case i > 0:
			from = d.gateX + 24
			d.pipe(key("d", k), fmt.Sprintf("M%d %dV%d", from, r.GateY-rowHigh, r.GateY), false)
		}
		d.pipe(key("d", k), fmt.Sprintf("M%d %dH%d", from, r.GateY, r.BoxX), false)
		switch {
		case m >= 0:
			r.MachineKey, r.Name = key("m", m), d.names.Name(control.AMachine, control.ID(m))
		case r.Gate >= 0:
			r.Name = r.GateName
		default:
			r.Name = "open end"
		}
		r.Short = short(r.Name, (r.BoxWide-44)/10)
		d.out.Rows = append(d.out.Rows, r)
		d.y += rowHigh
	}
}

// short cuts a name to so many letters.
func short(name string, letters int) string {
	if r := []rune(name); len(r) > letters {
		return string(r[:max(letters-1, 1)]) + "…"
	}
	return name
}

// put gives the picture the states of a scene. Its keys are those of the things with
// a p before them.
func (p *picture) put(c *cells, v *nowView) {
	s := v.Scene
	c.state["tone"], c.text["say"], c.text["do"] = s.Tone.String(), s.Say, s.Do
	c.state["pk"], c.text["pk.w"], c.text["pk.a"] = s.Fan.State.String(), s.Fan.Word, v.Air
	for i, m := range s.Machines {
		k := key("pm", i)
		c.state[k], c.text[k+".w"] = m.State.String(), m.Word
	}
	for i, g := range s.Gates {
		k := key("pg", i)
		c.state[k], c.text[k+".w"] = g.State.String(), g.Word
	}
	for i, x := range s.Pipes {
		k := key("pd", i)
		c.state[k], c.text[k+".w"] = x.Class(), chipWords[x.Class()]
	}
	for i, nodes := range p.joints {
		c.state[key("pj", i)] = joint(s.Pipes, nodes)
	}
}

// chipWords are what is said beside a pipe.
var chipWords = map[string]string{"settles": "chips settle here", "doubtful": "slow air", "lies": "chips lie here"}

// joint is the state of a line through which the air of several nodes goes.
func joint(pipes []scene.Pipe, nodes []int) string {
	best := scene.PipeShut
	for _, n := range nodes {
		if n < len(pipes) {
			best = both(best, pipes[n].State)
		}
	}
	return best.String()
}

// both is the state of what carries the air of both.
func both(a, b scene.PipeState) scene.PipeState {
	rank := [...]int{scene.PipeShut: 0, scene.PipeUnsure: 1, scene.PipeWould: 2, scene.PipeFlows: 3}
	if rank[b] > rank[a] {
		return b
	}
	return a
}

// FanWide is the width of the collector's box.
func (p *picture) FanWide() int { return p.Wide - 2 }

// Where the parts of a row are.
func (r *pictureRow) TapX() int  { return r.GateX - 33 }
func (r *pictureRow) SignX() int { return r.BoxX + 22 }
func (r *pictureRow) TextX() int { return r.BoxX + 42 }
func (r *pictureRow) NameY() int { return r.Y + 21 }
func (r *pictureRow) WordY() int { return r.Y + 38 }
func (r *pictureRow) Low() int   { return r.Y + 49 }

// Where the parts of a main are.
func (m *pictureMain) TapX() int  { return m.X - 17 }
func (m *pictureMain) TapY() int  { return m.Y - 25 }
func (m *pictureMain) Under() int { return m.Y + 18 }
func (m *pictureMain) Base() int  { return m.Y + 5 }

// ChipX and ChipY are where it stands what the air does to chips: beside the name,
// or beside the word of the gate.
func (m *pictureMain) ChipX() int {
	if m.GateKey != "" {
		return m.TextX + 84
	}
	return m.TextX + 10*len([]rune(m.Name)) + 8
}

func (m *pictureMain) ChipY() int {
	if m.GateKey != "" {
		return m.Under()
	}
	return m.Base()
}
