package config

import (
	"fmt"
	"slices"
	"strings"
)

// Everything about air. The rest of a shop works without it.

// rawDuct is one piece of the tree: from its hood or the pieces that join it
// to the upstream end of another.
type rawDuct struct {
	at
	Name     string   `toml:"name" need:"1"`
	To       string   `toml:"to" need:"1"` // another duct, or "collector"
	Diameter float64  `toml:"diameter" need:"1" q:"length" min:"20 mm" max:"1 m"`
	Length   float64  `toml:"length" need:"1" q:"length" min:"0" max:"100 m"`
	Rise     *float64 `toml:"rise" q:"length" min:"0" max:"30 m"` // the part of it that leads straight up
	Kind     string   `toml:"kind" need:"1" one:"smooth,spiral,hose"`
	Elbows   int      `toml:"elbows" def:"0" min:"0" max:"20"` // smooth, of 90 degrees, radius 1.5 diameters
	Wye      *float64 `toml:"wye" q:"angle" min:"0" max:"90 deg"`
	Loss     *float64 `toml:"loss" min:"0" max:"100"` // further pieces, velocity pressures
	rawDuctAir
}

// rawGateAir says what a gate does to the air, in velocity pressures of its bore.
type rawGateAir struct {
	LossOpen *float64 `toml:"loss_open" min:"0" max:"100"`
	LossShut *float64 `toml:"loss_shut" min:"1"`
	Leak     *float64 `toml:"leak" q:"share" min:"0" max:"30 %"`       // of the bore, when shut
	Opening  *float64 `toml:"opening" q:"share" min:"1 %" max:"100 %"` // of the bore, when open
}

// Duct is one piece of the duct tree. Lengths in metres, the angle in radians;
// what the file leaves out is nil.
type Duct struct {
	Name             string
	To               int // index of a duct, or ToCollector
	Diameter, Length float64
	Rise             float64
	Kind             string // smooth, spiral, hose
	Elbows           int
	Wye              *float64
	Loss             float64
	Gate             int   // index of the gate in it, or -1
	Hoods            []int // machines whose hood is its upstream end
}

// ToCollector as Duct.To is the collector's inlet.
const ToCollector = -1

// collectorName is the name of the root of the tree in "to".
const collectorName = "collector"

// ducts checks the tree and returns it. Ducts whose "to" is wrong lead to the
// collector, so that later checks go on.
func (raw *rawShop) ducts(f *file) []Duct {
	known := names(f, "duct", raw.Duct, func(d *rawDuct) string { return d.Name })
	out := make([]Duct, len(raw.Duct))
	for i := range raw.Duct {
		d := &raw.Duct[i]
		out[i] = Duct{Name: d.Name, To: ToCollector, Diameter: d.Diameter, Length: d.Length, Kind: d.Kind, Elbows: d.Elbows, Wye: d.Wye, Gate: -1}
		set(&out[i].Rise, d.Rise)
		set(&out[i].Loss, d.Loss)
		if d.Name == collectorName {
			f.add(d.key("name"), `a duct cannot be called "collector"`, `the last duct runs to the collector: to = "collector"`)
		}
		if d.Rise != nil && *d.Rise > d.Length {
			f.add(d.key("rise"), f.tableName(d.path)+": it rises more than it is long", "length includes the rise")
		}
		if d.To != "" && d.To != collectorName {
			if out[i].To = slices.Index(known, d.To); out[i].To < 0 {
				out[i].To = ToCollector
				f.add(d.key("to"), fmt.Sprintf("%s runs to %q, which does not exist", f.tableName(d.path), d.To), didYouMean(d.To, append(known, collectorName)))
			}
		}
	}
	raw.loops(f, out)
	return out
}

// loops reports each loop once and cuts it open.
func (raw *rawShop) loops(f *file, ducts []Duct) {
	state := make([]int, len(ducts)) // 0 unseen, else the walk that saw it
	for i := range ducts {
		var way []int
		for j := i; j != ToCollector && state[j] == 0; j = ducts[j].To {
			state[j] = i + 1
			way = append(way, j)
			to := ducts[j].To
			if to == ToCollector || state[to] != i+1 {
				continue
			}
			around := way[slices.Index(way, to):]
			words := make([]string, 0, len(around)+1)
			for _, k := range around {
				words = append(words, fmt.Sprintf("%q", ducts[k].Name))
			}
			words = append(words, words[0])
			f.add(raw.Duct[j].key("to"), "the ducts run in a loop: "+strings.Join(words, " to "), `one of them must run on to the collector: to = "collector"`)
			ducts[j].To = ToCollector
		}
	}
}

// way lists the ducts from i to the collector, i first.
func (s *Shop) way(i int) []int {
	var out []int
	for i != ToCollector {
		out = append(out, i)
		i = s.Ducts[i].To
	}
	return out
}

// gatesOn lists the gates from duct i to the collector, in that order.
func (s *Shop) gatesOn(i int) []int {
	var out []int
	for _, d := range s.way(i) {
		if g := s.Ducts[d].Gate; g >= 0 {
			out = append(out, g)
		}
	}
	return out
}

// joined reports whether another duct runs into duct i.
func (s *Shop) joined(i int) bool {
	return slices.ContainsFunc(s.Ducts, func(d Duct) bool { return d.To == i })
}
