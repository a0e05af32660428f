package mqttlink

import (
	"math"
	"slices"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/duct"
	"kerfwind/sensor"
)

// Air is the computed air for a set of open gates, gate 0 in bit 0: what flows at the
// collector and in each segment of the duct, m³/s. ok is false where it is not known.
// It must not wait.
type Air func(open uint64) (total float64, flow []float64, ok bool)

// meterState holds what is measured and counted of a machine or the collector.
type meterState struct {
	Name   string   `json:"name"`
	Amps   *float64 `json:"amps,omitempty"`      // true RMS
	Energy *float64 `json:"kvah,omitempty"`      // apparent, since the program's start
	Hours  *float64 `json:"hours,omitempty"`     // run, ever
	Today  *int     `json:"today,omitempty"`     // runs, or starts
	Flow   *float64 `json:"flow_m3_h,omitempty"` // computed, at its hoods together
}

// upkeepState says how far things are worn and filled.
type upkeepState struct {
	Due     int          `json:"due"`
	Items   []upkeepItem `json:"items"`
	Settled []Settled    `json:"settled,omitempty"`
}

// Settled is a duct in which chips probably lie.
type Settled struct {
	Duct    string `json:"duct"`
	Minutes int    `json:"minutes"` // that they came along too slowly
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
	flowNoticed  = 0.02  // part of a flow that counts as a change
	secondsPerKV = 3.6e6 // volt-ampere-seconds in a kVAh
)

// dial is one machine, or the collector.
type dial struct {
	channels []int         // of the rig
	volts    float64       // of its circuit; 0: not known
	machine  *duct.Machine // nil: the collector, or no air is computed there
	air      bool          // it is
	drawn    float64       // ampere-seconds
	shown    meterState
	at       time.Duration // when shown last changed
}

// meter measures and counts for the topics. Readings come from the loop's goroutine,
// totals from another's, and the pipe's takes what is to be shown.
type meter struct {
	mu     sync.Mutex // held for moments only
	loads  upkeep.Loads
	beside Around
	dials  []dial // the machines, then the collector
	begun  bool   // they show something
	last   time.Duration

	air   Air
	tally func() *upkeep.Tally
	mains uint64 // gates that cannot be held
}

func newMeter(s *config.Shop, air Air, tally func() *upkeep.Tally) *meter {
	p := s.Control()
	m := &meter{loads: make(upkeep.Loads, len(s.Rig.Channels)), air: air, tally: tally, mains: p.Mains()}
	net := s.Duct()
	for i := range s.Machines {
		x := &s.Machines[i]
		d := dial{channels: x.Channels, volts: s.Volts(x.Circuit)}
		if net != nil && len(net.Machines[i].Hoods) > 0 {
			d.machine, d.air = &net.Machines[i], true
		}
		d.shown.Name = x.Name
		m.dials = append(m.dials, d)
	}
	c := dial{volts: s.Volts(s.Collector.Circuit), air: net != nil}
	if ch := s.Collector.Channel; ch >= 0 {
		c.channels = []int{ch}
	}
	c.shown.Name = "collector"
	m.dials = append(m.dials, c)
	return m
}

// reading takes over what a channel says.
func (m *meter) reading(r sensor.Reading) {
	m.mu.Lock()
	defer m.mu.Unlock()
	drawn := m.loads.Feed(r.Channel, r.At, float64(r.Amps), r.Verdict != sensor.Unknown)
	for i := range m.dials {
		if d := &m.dials[i]; slices.Contains(d.channels, r.Channel) {
			d.drawn += drawn
		}
	}
}

// round keeps what a person can use of a current: hundredths of an ampere below 10 A,
// tenths above.
func round(a float64) float64 {
	if a < 10 {
		return math.Round(a*100) / 100
	}
	return math.Round(a*10) / 10
}

// now returns what could be said of a dial. t is nil where there is no history.
func (m *meter) now(i int, a *airNow, t *upkeep.Tally) meterState {
	d := &m.dials[i]
	collector := i == len(m.dials)-1
	s := meterState{Name: d.shown.Name}
	if amps, known := m.loads.Amps(d.channels); known {
		s.Amps = new(round(amps))
	}
	if len(d.channels) > 0 && d.volts > 0 {
		s.Energy = new(math.Round(d.drawn*d.volts/secondsPerKV*1000) / 1000)
	}
	if t != nil {
		c := t.Machines[s.Name]
		if collector {
			c = t.Collector
		}
		s.Hours, s.Today = new(math.Round(c.Hours*10)/10), new(c.Today)
	}
	if a != nil && d.air {
		q := a.total
		if !collector {
			q = d.machine.Air(a.flow)
		}
		s.Flow = new(math.Round(max(q, 0) * 3600))
	}
	return s
}

// airNow is the computed air at an instant, m³/s.
type airNow struct {
	total float64
	flow  []float64 // in each segment
}

// flows is the air at an instant; nil where it is not known.
func (m *meter) flows(s *control.Snapshot) *airNow {
	if m.air == nil {
		return nil
	}
	total, flow, ok := m.air(s.Open())
	switch c := &s.Collector; {
	case !ok:
		return nil
	case !c.Commanded && c.Sensed != control.Running: // nothing moves
		return &airNow{flow: make([]float64, len(flow))}
	}
	return &airNow{total, flow}
}

// step chooses what to show: at most one dial a second, the one that has waited
// longest of those that have something new.
func (m *meter) step(s *control.Snapshot, now time.Duration) {
	air, t := m.flows(s), m.tally()
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.begun && now-m.last < meterEvery {
		return
	}
	best, next := -1, meterState{}
	for i := range m.dials {
		d := &m.dials[i]
		x := m.now(i, air, t)
		if !m.begun {
			d.shown, d.at = x, now
			continue
		}
		if (best < 0 || d.at < m.dials[best].at) && d.news(&x, now) {
			best, next = i, x
		}
	}
	m.begun = true
	if best >= 0 {
		m.dials[best].shown, m.dials[best].at = next, now
		m.last = now
	}
}

// shown returns what is said of dial i.
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

// Around holds what is around the shop.
type Around struct {
	Waits string // what a shop that comes next waits for; "": none comes
	Page  string // address of the page; "": there is none

	Settled []Settled
}

func (m *meter) around() Around {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.beside
}

// upkeep returns how far things are worn and filled; ok is false where no history tells it.
func (m *meter) upkeep() (u upkeepState, ok bool) {
	t := m.tally()
	if t == nil {
		return u, false
	}
	u.Items, u.Settled = []upkeepItem{}, m.around().Settled
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
