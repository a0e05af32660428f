package duct

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"kerfwind/testdata/peers"
)

var update = flag.Bool("update", false, "store what the water-network solver finds, from KERFWIND_EPANET")

const (
	inch = 0.0254
	cfm  = 4.719474e-4
	inwg = 248.84
)

// referenceNetwork is the network of testdata/ducts/reference.toml, written out.
// A shut gate replaces the loss of its whole branch, as in the solver's file.
func referenceNetwork() *Network {
	n := &Network{
		Air: Air{Density: 1.2041},
		Fan: Fan{Density: 1.2041, Points: []FanPoint{
			{0, 12 * inwg}, {400 * cfm, 11.5 * inwg}, {800 * cfm, 9.5 * inwg},
			{1200 * cfm, 6 * inwg}, {1500 * cfm, 2 * inwg}}},
		Filter: Filter{Now: Exact(inwg / (1000 * cfm))},
	}
	seg := func(name string, to int, d, l, rough, open, loss float64) {
		s := Segment{Name: name, To: to, Diameter: d * inch, Length: l * foot, Roughness: Exact(rough), Gate: NoGate}
		if open > 0 {
			s.Gate = len(n.Gates)
			s.Hood = &Hood{}
			n.Gates = append(n.Gates, Gate{Name: name, Open: Exact(open), Shut: Exact(13000)})
		}
		if loss > 0 {
			s.Pieces = []Piece{{Kind: RawLoss, Loss: Exact(loss)}}
		}
		n.Segments = append(n.Segments, s)
	}
	seg("B1", 4, 4, 13, 0.9e-3, 2.259, 0)
	seg("B2", 4, 4, 6, 0.9e-3, 2.019, 0)
	seg("B3", 5, 5, 12, 0.09e-3, 1.173, 0)
	seg("B4", 6, 4, 10, 0.09e-3, 1.5, 0)
	seg("T1", 5, 6, 15, 0.09e-3, 0, 0.27)
	seg("T2", 6, 6, 10, 0.09e-3, 0, 0)
	seg("T3", Collector, 6, 12, 0.09e-3, 0, 5.5)
	return n
}

// solved is one state as the water-network solver found it.
type solved struct {
	Open uint64             `json:"open"`
	Flow map[string]float64 `json:"flow_m3_s"`
	Head map[string]float64 `json:"pressure_pa"` // at the downstream end of a segment
}

// pipe is a link of the network as epanet.mjs wants it.
type pipe struct {
	Name string  `json:"name"`
	From string  `json:"from"` // the node upstream; "" = the room
	To   string  `json:"to"`
	L    float64 `json:"l"`
	D    float64 `json:"d"`
	E    float64 `json:"e"`
	K    float64 `json:"k"`
}

// posed is a network and its states, as epanet.mjs wants them.
type posed struct {
	Density float64      `json:"density"`
	Fan     [][2]float64 `json:"fan"`
	Filter  float64      `json:"filter"`
	States  [][]pipe     `json:"states"`
	Opens   []uint64     `json:"opens"`
	Repeat  int          `json:"repeat"`
}

// pose writes the network for the water-network solver: same lengths, same
// total loss factors, none of this package's arithmetic on flows.
func pose(n *Network, opens []uint64) posed {
	p := posed{Density: n.Air.Density, Filter: n.Filter.Now.Value, Opens: opens}
	for _, pt := range n.Fan.Points {
		p.Fan = append(p.Fan, [2]float64{pt.Flow, pt.Pressure})
	}
	joined := map[int]bool{}
	for _, s := range n.Segments {
		joined[s.To] = true
	}
	for _, open := range opens {
		var pipes []pipe
		for i, s := range n.Segments {
			q := pipe{Name: s.Name, To: "FIN", L: math.Max(s.Length, 1e-4), D: s.Diameter, E: s.Roughness.Value, K: n.loss(i)}
			if s.To != Collector {
				q.To = "N" + n.Segments[s.To].Name
			}
			if joined[i] {
				q.From = "N" + s.Name
			}
			if s.Gate >= 0 {
				if open>>s.Gate&1 == 1 {
					q.K += n.Gates[s.Gate].Open.Value
				} else {
					q.K += n.Gates[s.Gate].Shut.Value
				}
			}
			pipes = append(pipes, q)
		}
		p.States = append(p.States, pipes)
	}
	return p
}

// runEpanet has the water-network solver work out the states.
func runEpanet(t testing.TB, p posed) ([]solved, float64) {
	node, folder := peers.Epanet(t)
	script, err := os.ReadFile("../../testdata/ducts/epanet.mjs")
	if err != nil {
		t.Fatal(err)
	}
	// An import is looked for from the script's own place on.
	file, err := os.CreateTemp(folder, "epanet-*.mjs")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = os.Remove(file.Name()) }()
	if _, err := file.Write(script); err != nil {
		t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	in, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	input := filepath.Join(t.TempDir(), "network.json")
	if err := os.WriteFile(input, in, 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(node, file.Name(), input)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("the water-network solver: %v\n%s", err, out)
	}
	var answer struct {
		States       []solved `json:"states"`
		Microseconds float64  `json:"microseconds"`
	}
	if err := json.Unmarshal(out, &answer); err != nil {
		t.Fatalf("%v in %s", err, out)
	}
	return answer.States, answer.Microseconds
}

// compareSolved holds the solver against a stored or live answer: flows within
// 0.3 %, pressures within 0.5 %.
func compareSolved(t *testing.T, n *Network, want []solved) {
	t.Helper()
	s, err := NewSolver(n)
	if err != nil {
		t.Fatal(err)
	}
	worstQ, worstP := 0.0, 0.0
	for _, w := range want {
		st := s.Solve(w.Open)
		if !st.Converged {
			t.Errorf("%v", st)
		}
		for i, seg := range n.Segments {
			dq := math.Abs(st.Flow[i]/w.Flow[seg.Name] - 1)
			dp := math.Abs(st.Pressure[i]/w.Head[seg.Name] - 1)
			worstQ, worstP = math.Max(worstQ, dq), math.Max(worstP, dp)
			if !(dq <= 0.003) || !(dp <= 0.005) {
				t.Errorf("open %b, %s: flow %.6f against %.6f (%.3f %%), pressure %.2f against %.2f (%.3f %%)",
					w.Open, seg.Name, st.Flow[i], w.Flow[seg.Name], dq*100, st.Pressure[i], w.Head[seg.Name], dp*100)
			}
		}
	}
	t.Logf("%d states: flows within %.3f %%, pressures within %.3f %%", len(want), worstQ*100, worstP*100)
}

// peerNetworks are the networks solved by both, with the states looked at.
func peerNetworks() map[string]struct {
	net   *Network
	opens []uint64
} {
	type entry = struct {
		net   *Network
		opens []uint64
	}
	return map[string]entry{
		"reference": {referenceNetwork(), []uint64{0b0111, 0b0001, 0b0100, 0b0101, 0b1111, 0}},
		"barn":      {barnNetwork(), []uint64{0b000001, 0b000010, 0b100100, 0b000011, 0b110110, 0b111111, 0}},
		"works":     {worksNetwork(), []uint64{1, 1 << 5, 1 << 11, 0b000100010001, 0b111100000000, 1<<12 - 1, 0}},
		"star":      {starNetwork(), []uint64{1, 2, 4, 3, 5, 6, 7, 0}},
	}
}

// Source of the stored answers: npm epanet-js 0.9.0 (OWA EPANET 2.2), run by
// this test with -update.
func TestWaterNetworkSolver(t *testing.T) {
	for name, e := range peerNetworks() {
		stored := filepath.Join("../../testdata/ducts", name+".epanet.json")
		t.Run(name+"/stored", func(t *testing.T) {
			if *update {
				answer, _ := runEpanet(t, pose(e.net, e.opens))
				b, err := json.MarshalIndent(answer, "", " ")
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(stored, append(b, '\n'), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			b, err := os.ReadFile(stored)
			if err != nil {
				t.Fatal(err)
			}
			var want []solved
			if err := json.Unmarshal(b, &want); err != nil {
				t.Fatal(err)
			}
			if len(want) != len(e.opens) {
				t.Fatalf("%d states stored, want %d", len(want), len(e.opens))
			}
			compareSolved(t, e.net, want)
		})
		t.Run(name+"/live", func(t *testing.T) {
			p := pose(e.net, e.opens)
			p.Repeat = 20
			answer, us := runEpanet(t, p)
			compareSolved(t, e.net, answer)
			t.Logf("the water-network solver took %.0f µs a state", us)
		})
	}
}

// TestSharedResults compares with the six states that came with the reference
// network, written by its own script and file.
func TestSharedResults(t *testing.T) {
	b, err := os.ReadFile(peers.Shared(t, "epanet", "epanet_out.json"))
	if err != nil {
		t.Fatal(err)
	}
	var file map[string]struct{ Q, H map[string]float64 }
	if err := json.Unmarshal(b, &file); err != nil {
		t.Fatal(err)
	}
	opens := map[string]uint64{
		"B1+B2+B3 open, B4 leaks": 0b0111, "only B1 open": 0b0001, "only B3 open": 0b0100,
		"B1+B3 open": 0b0101, "all four open": 0b1111, "all shut, leaks only": 0,
	}
	end := map[string]string{"B1": "J1", "B2": "J1", "B3": "J2", "B4": "J3", "T1": "J2", "T2": "J3", "T3": "FIN"}
	var want []solved
	for name, f := range file {
		open, ok := opens[name]
		if !ok {
			t.Fatalf("unknown state %q", name)
		}
		w := solved{Open: open, Flow: map[string]float64{}, Head: map[string]float64{}}
		for seg, node := range end {
			w.Flow[seg], w.Head[seg] = f.Q[seg]/1000, f.H[node]*inwg
		}
		want = append(want, w)
	}
	if len(want) != 6 {
		t.Fatalf("%d states, want 6", len(want))
	}
	compareSolved(t, referenceNetwork(), want)
}

// barnNetwork is the demo's shop: five branches, two mains in a row, a gate in
// the far main.
func barnNetwork() *Network {
	n := &Network{Air: Air{Density: 1.2041}, Fan: Fan{Density: 1.2041, Points: []FanPoint{
		{0, 9.5 * inwg}, {400 * cfm, 9 * inwg}, {800 * cfm, 7 * inwg}, {1100 * cfm, 4.2 * inwg}, {1400 * cfm, 0.1 * inwg}}},
		Filter: Filter{Now: Exact(1.2 * inwg / (1000 * cfm))}, Expansion: true}
	add := netAdder(n)
	add("B1", 7, 4, 7, 0.9e-3, 2, true)
	add("B2", 6, 5, 6, 0.9e-3, 2.7, true)
	add("B3", 5, 4, 6, 0.9e-3, 1.8, true)
	add("B4", 7, 4, 9, 0.03e-3, 2.4, true)
	add("B5", 5, 4, 11, 0.03e-3, 0.93, true)
	add("T1", 6, 5, 14, 0.09e-3, 0.3, false)
	add("T2", 7, 6, 10, 0.09e-3, 0.25, false)
	add("T3", Collector, 6, 8, 0.09e-3, 3.5, false)
	n.Segments[5].Gate = len(n.Gates)
	n.Gates = append(n.Gates, Gate{Name: "far end", Open: Exact(0.2), Shut: Exact(9000)})
	return n
}

// worksNetwork has 12 branches on three mains that meet ahead of the collector.
func worksNetwork() *Network {
	n := &Network{Air: Air{Density: 1.15}, Fan: Fan{Density: 1.15, Points: []FanPoint{
		{0, 14 * inwg}, {600 * cfm, 13.4 * inwg}, {1200 * cfm, 10.8 * inwg}, {1800 * cfm, 6 * inwg}, {2300 * cfm, 0.2 * inwg}}},
		Filter: Filter{Now: Exact(1.5 * inwg / (1500 * cfm))}, Expansion: true}
	add := netAdder(n)
	for i := range 12 {
		main := 12 + i // four branches along each of three mains
		d := []float64{4, 5, 3, 6}[i%4]
		rough := []float64{0.9e-3, 0.09e-3, 2e-3, 0.03e-3}[i*7%4]
		add(fmt.Sprintf("B%d", i+1), main, d, 4+float64(i*5%11), rough, 1+float64(i%5)*0.6, true)
	}
	for i := range 12 {
		to := 12 + i + 1
		if i%4 == 3 {
			to = 24
		}
		add(fmt.Sprintf("M%d", i+1), to, []float64{5, 6, 6, 7}[i%4], 6+float64(i%3)*4, 0.09e-3, 0.1*float64(i%4), false)
	}
	add("C", Collector, 8, 12, 0.09e-3, 4, false)
	return n
}

// starNetwork is three hoods straight on the collector. The other solver's
// friction formula, Swamee-Jain, is up to 1 % off Colebrook; where a pipe is all
// friction (40 ft of 2.5 in) the flows differ by 0.3 to 0.4 % for that reason
// alone, so none here is that long.
func starNetwork() *Network {
	n := &Network{Air: Air{Density: 1.0}, Fan: Fan{Density: 1.0, Points: []FanPoint{
		{0, 1400}, {0.1, 1370}, {0.2, 1200}, {0.3, 700}, {0.36, 100}}}, Filter: Filter{Now: Exact(900)}}
	add := netAdder(n)
	add("A", Collector, 4, 10, 0.9e-3, 2, true)
	add("B", Collector, 2.5, 15, 0.15e-3, 1.5, true)
	add("C", Collector, 6, 25, 0.15e-3, 0.5, true)
	return n
}

func netAdder(n *Network) func(name string, to int, inches, feet, rough, loss float64, gate bool) {
	return func(name string, to int, inches, feet, rough, loss float64, gate bool) {
		s := Segment{Name: name, To: to, Diameter: inches * inch, Length: feet * foot, Roughness: Exact(rough), Gate: NoGate,
			Pieces: []Piece{{Kind: RawLoss, Loss: Exact(loss)}}}
		if gate {
			s.Hood = &Hood{}
			s.Gate = len(n.Gates)
			n.Gates = append(n.Gates, Gate{Name: name, Open: Exact(0.2), Shut: Exact(LeakLoss(0.015))})
		}
		n.Segments = append(n.Segments, s)
	}
}
