package mqttlink

import (
	"math"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Air is the computed air for a set of open gates, gate 0 in bit 0: what flows at the
// collector and in each segment of the duct, m³/s. ok is false where it is not known.
// It must not wait.
type Air func(open uint64) (total float64, flow []float64, ok bool)

// meterState is what is measured and counted of a machine or the collector.
type meterState struct {
	Name   string   `json:"name"`
	Amps   *float64 `json:"amps,omitempty"`      // true RMS
	Energy *float64 `json:"kvah,omitempty"`      // apparent, since the program's start
	Hours  *float64 `json:"hours,omitempty"`     // run, ever
	Today  *int     `json:"today,omitempty"`     // runs, or starts
	Flow   *float64 `json:"flow_m3_h,omitempty"` // computed, at its hoods together
}

// upkeepState is what wears and fills.
type upkeepState struct {
	Due   int          `json:"due"`
	Items []upkeepItem `json:"items"`
}

type upkeepItem struct {
	Item  string   `json:"item"`
	Of    string   `json:"of,omitempty"`
	Due   bool     `json:"due"`
	Used  float64  `json:"used"`
	Every float64  `json:"every,omitempty"`
	Unit  string   `json:"unit"`
	Days  *float64 `json:"due_in_days,omitempty"`
}

// Limits of what is said of currents, our own choice: one message a second for all
// together, and one in five seconds for each, when it has changed by a twentieth and
// by 0.2 A, or the energy has changed and a minute is over.
const (
	meterEvery   = time.Second
	meterEach    = 5 * time.Second
	meterPart    = 0.05
	meterAmps    = 0.2
	energyEvery  = time.Minute
	feedLongest  = 2 * time.Second // a gap between two readings that still counts as run through
	flowNoticed  = 0.02            // part of a flow that counts as a change
	secondsPerKV = 3.6e6           // volt-ampere-seconds in a kVAh
)

// dial is one machine, or the collector.
type dial struct {
	channels []int   // of the rig
	volts    float64 // of its circuit; 0: not known
	hoods    []int   // segments of the duct
	air      bool    // it is computed there
	shown    meterState
	at       time.Duration // when shown last changed
	any      bool          // it is shown
}

// wire is what a channel says.
type wire struct {
	amps  float64
	at    time.Duration
	known bool
	sum   float64 // ampere-seconds
}

// meter measures and counts for the topics. Readings come from the loop's goroutine,
// totals from another's, and the pipe's takes what is to be shown.
type meter struct {
	mu     sync.Mutex // held for moments only
	wires  []wire
	beside Around

	dials []dial // the machines, then the collector; of the pipe's goroutine
	last  time.Duration
	air   Air
	tally func() *upkeep.Tally
	mains uint64 // gates that cannot be held
}

func newMeter(s *config.Shop, air Air, tally func() *upkeep.Tally) *meter {
	p := s.Control()
	m := &meter{wires: make([]wire, len(s.Rig.Channels)), air: air, tally: tally, mains: p.Mains()}
	volts := func(circuit int) float64 {
		if circuit < 0 || circuit >= len(s.Circuits) {
			return 0
		}
		return s.Circuits[circuit].Voltage
	}
	net := s.Duct()
	for i := range s.Machines {
		x := &s.Machines[i]
		d := dial{channels: x.Channels, volts: volts(x.Circuit)}
		if net != nil {
			d.hoods = net.Machines[i].Hoods
			d.air = len(d.hoods) > 0
		}
		d.shown.Name = x.Name
		m.dials = append(m.dials, d)
	}
	c := dial{volts: volts(s.Collector.Circuit), air: net != nil}
	if ch := s.Collector.Channel; ch >= 0 {
		c.channels = []int{ch}
	}
	c.shown.Name = "collector"
	m.dials = append(m.dials, c)
	return m
}

// reading takes over what a channel says.
func (m *meter) reading(r sensor.Reading) {
	if r.Channel < 0 || r.Channel >= len(m.wires) {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	w := &m.wires[r.Channel]
	if gap := r.At - w.at; w.known && gap > 0 && gap <= feedLongest {
		w.sum += w.amps * gap.Seconds()
	}
	a := float64(r.Amps)
	w.amps, w.at = a, r.At
	w.known = r.Verdict != sensor.Unknown && a >= 0 && !math.IsInf(a, 0) && !math.IsNaN(a)
}

// round keeps what a person can use of a current: hundredths of an ampere below 10 A,
// tenths above.
func round(a float64) float64 {
	if a < 10 {
		return math.Round(a*100) / 100
	}
	return math.Round(a*10) / 10
}

// measured fills in what the wires of a dial say.
func (m *meter) measured(d *dial, s *meterState) {
	if len(d.channels) == 0 {
		return
	}
	amps, energy, known := 0.0, 0.0, true
	for _, c := range d.channels {
		w := &m.wires[c]
		amps, energy, known = amps+w.amps, energy+w.sum, known && w.known
	}
	if known {
		s.Amps = new(round(amps))
	}
	if d.volts > 0 {
		s.Energy = new(math.Round(energy*d.volts/secondsPerKV*1000) / 1000)
	}
}

// now is what could be said of a dial. flow is nil where the air is not known, t where
// there is no history.
func (m *meter) now(i int, flow []float64, whole *float64, t *upkeep.Tally) meterState {
	d := &m.dials[i]
	s := meterState{Name: d.shown.Name}
	m.measured(d, &s)
	if t != nil {
		c := t.Machines[s.Name]
		if i == len(m.dials)-1 {
			c = t.Collector
		}
		s.Hours, s.Today = new(math.Round(c.Hours*10)/10), new(c.Today)
	}
	if i == len(m.dials)-1 {
		s.Flow = whole
	}
	if flow != nil && d.air && i < len(m.dials)-1 {
		q := 0.0
		for _, h := range d.hoods {
			q += flow[h]
		}
		s.Flow = new(math.Round(max(q, 0) * 3600))
	}
	return s
}

// flows is the air at an instant: in each segment and whole, m³/h.
func (m *meter) flows(s *control.Snapshot) (flow []float64, whole *float64) {
	if m.air == nil {
		return nil, nil
	}
	if c := &s.Collector; !c.Commanded && c.Sensed != control.Running {
		return nil, new(0.0)
	}
	total, flow, ok := m.air(s.Open())
	if !ok {
		return nil, nil
	}
	return flow, new(math.Round(total * 3600))
}

// step chooses what to show: at most one dial a second, the one that has waited
// longest of those that have something new.
func (m *meter) step(s *control.Snapshot, now time.Duration) {
	flow, whole := m.flows(s)
	t := m.tally()
	m.mu.Lock()
	defer m.mu.Unlock()
	first := !m.dials[0].any
	if !first && now-m.last < meterEvery {
		return
	}
	best, next := -1, meterState{}
	for i := range m.dials {
		d := &m.dials[i]
		x := m.now(i, flow, whole, t)
		if first {
			d.shown, d.at, d.any = x, now, true
			continue
		}
		if (best < 0 || d.at < m.dials[best].at) && d.news(&x, now) {
			best, next = i, x
		}
	}
	if best >= 0 {
		m.dials[best].shown, m.dials[best].at = next, now
		m.last = now
	}
}

// shown is what is said of dial i.
func (m *meter) shown(i int) meterState {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.dials[i].shown
}

// news reports whether x is worth a message instead of what is shown.
func (d *dial) news(x *meterState, now time.Duration) bool {
	age := now - d.at
	if age < meterEach {
		return false
	}
	was := &d.shown
	if differ(was.Amps, x.Amps, meterPart, meterAmps) || differ(was.Flow, x.Flow, flowNoticed, 1) || differ(was.Hours, x.Hours, 0, 0.05) {
		return true
	}
	if (was.Today == nil) != (x.Today == nil) || was.Today != nil && *was.Today != *x.Today {
		return true
	}
	return age >= energyEvery && differ(was.Energy, x.Energy, 0, 0.0005)
}

// differ reports whether two amounts differ by more than a part of the larger and
// more than least, or one of them is not known.
func differ(a, b *float64, part, least float64) bool {
	if a == nil || b == nil {
		return a != b
	}
	return math.Abs(*a-*b) > max(part*max(*a, *b), least)
}

// Around is what stands around the shop.
type Around struct {
	Waits string // what a shop that comes next waits for; "": none comes
	Page  string // address of the page; "": there is none
}

func (m *meter) around() Around {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.beside
}

// upkeep is what wears and fills; ok is false where no history tells it.
func (m *meter) upkeep() (u upkeepState, ok bool) {
	t := m.tally()
	if t == nil {
		return u, false
	}
	u.Items = []upkeepItem{}
	for i := range t.Items {
		it := &t.Items[i]
		x := upkeepItem{Item: it.Name, Of: it.Of, Due: it.Due(), Used: math.Round(it.Used*10) / 10, Every: it.Every, Unit: it.Unit.String()}
		if days, ok := it.Days(); ok {
			x.Days = new(math.Ceil(days))
		}
		if x.Due {
			u.Due++
		}
		u.Items = append(u.Items, x)
	}
	return u, true
}
