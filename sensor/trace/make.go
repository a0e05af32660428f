package trace

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"kerfwind/sensor"
)

// Maker makes the recording of a script. It is a [sensor.Source]. The same
// script gives the same samples on the same kind of processor; on others a
// sample may differ by one step, since their floating point rounds otherwise.
type Maker struct {
	s       *Script
	amperes bool
	index   uint64
	scans   uint64
	noise   []*rand.Rand // of each channel
	players []*player
	amps    []float64 // of each conductor, now
	last    []float32 // sample of each channel, for "frozen"
	gap     int       // current or next gap
	most    int       // scans a frame
	hand    *Hand     // nil: nobody touches anything
	hertz   float64   // of the mains
	clamps  []int     // the channel whose conductor each channel goes round; -1 none
	ails    []string  // what is wrong with each channel by hand
}

var _ sensor.Source = (*Maker)(nil)

// player is a machine at work.
type player struct {
	*machine
	rnd     *rand.Rand
	run     int // current or next run
	cut     int // current or next cut
	on      bool
	start   float64   // of the run, seconds
	load    float64   // follows the cuts
	last    []float64 // current of each conductor
	flowing []bool    // after the switch has opened: until the current's next zero
	by      Work      // what people have it do, once they have touched it
	touched bool
}

// NewMaker makes a recording. With amperes it gives what the converter would
// show in amperes, middle of the scale taken as zero; otherwise counts. A script
// without a converter always gives amperes.
func NewMaker(s *Script, amperes bool) *Maker {
	m := &Maker{
		s: s, amperes: amperes || s.Bits == 0,
		scans: s.scanAt(s.Length.Seconds()),
		amps:  make([]float64, len(s.channels)),
		last:  make([]float32, len(s.channels)),
		most:  1024, hertz: s.Mains, clamps: make([]int, len(s.channels)), ails: make([]string, len(s.channels)),
	}
	// Each channel and machine has noise of its own, so that one more machine does
	// not change the others.
	for i := range s.channels {
		m.clamps[i] = i
		m.noise = append(m.noise, rand.New(rand.NewPCG(s.Seed, uint64(i))))
	}
	for i, mc := range s.machines {
		m.players = append(m.players, &player{
			machine: mc, rnd: rand.New(rand.NewPCG(s.Seed, 1<<32+uint64(i))), on: mc.always, start: math.Inf(-1),
			last: make([]float64, len(mc.channels)), flowing: make([]bool, len(mc.channels)),
		})
	}
	return m
}

// Layout describes the recording, without a file format.
func (m *Maker) Layout() Layout {
	l := Layout{Channels: len(m.s.channels), Rate: m.s.Rate, Unit: Counts}
	if m.amperes {
		l.Unit = Amperes
	}
	for i := range m.s.channels {
		l.Names = append(l.Names, m.s.channels[i].name)
	}
	return l
}

// Scans is the number of scans, those lost in gaps included.
func (m *Maker) Scans() int64 { return int64(m.scans) }

// Next makes the next scans: 1024 or as many as Obey says, fewer before a gap and at
// the end.
func (m *Maker) Next(f *sensor.Frame) error {
	nch := len(m.s.channels)
	f.Raw = f.Raw[:0]
	for m.gap < len(m.s.gaps) { // a gap that begins now
		g := m.s.gaps[m.gap]
		if m.index < m.s.scanAt(g.from) {
			break
		}
		m.index = max(m.index, m.s.scanAt(g.to))
		m.gap++
	}
	f.Source, f.Channels, f.Rate, f.Err = 0, nch, m.s.Rate, nil
	f.Index, f.At = m.index, Instant(m.index, m.s.Rate)
	for m.index < m.scans && len(f.Raw) < m.most*nch {
		if m.gap < len(m.s.gaps) && m.index >= m.s.scanAt(m.s.gaps[m.gap].from) {
			break
		}
		m.scan()
		f.Raw = append(f.Raw, m.last...)
		m.index++
	}
	if len(f.Raw) == 0 {
		return io.EOF
	}
	return nil
}

// time is the instant of the next scan in seconds.
func (m *Maker) time() float64 { return float64(m.index) / m.s.Rate }

// scanAt is the first scan at or after a time. A millionth of a scan is taken as
// rounding.
func (s *Script) scanAt(t float64) uint64 { return uint64(math.Ceil(t*s.Rate - 1e-6)) }

// phase is the mains phase at a time, from 0 to 2 pi.
func (m *Maker) phase(t float64) float64 {
	cycles := t * m.hertz
	return 2 * math.Pi * (cycles - math.Floor(cycles))
}

// scan makes the samples of one instant.
func (m *Maker) scan() {
	s, t := m.s, m.time()
	clear(m.amps)
	for _, p := range m.players {
		m.play(p, t)
	}
	for i := range s.channels {
		c := &s.channels[i]
		amps := 0.0
		if m.clamps[i] >= 0 {
			amps = m.amps[m.clamps[i]]
		}
		for _, l := range c.crosstalk {
			amps += l.share * m.amps[l.from]
		}
		noise := c.noise * m.noise[i].NormFloat64()
		v := noise
		if s.Bits == 0 {
			v += amps
		}
		steps := math.Ldexp(1, s.Bits)
		mid := steps/2 + c.offset + c.drift*t/3600
		what := m.ails[i]
		if what == "floating" {
			mid += (steps - mid) + 0.02*steps*math.Sin(m.phase(t)) // it has wandered there
		}
		for _, f := range s.sensorBad {
			if t < f.from {
				break // they are in order of time
			}
			switch {
			case f.channel != i:
			case f.what == "spike":
				amps += spike(t-f.from, f)
				if s.Bits == 0 {
					v = amps + noise
				}
			case t < f.to:
				what = f.what
				if what == "floating" {
					// Picks up the mains and wanders to a rail; from memory.
					mid += (steps-mid)*(1-math.Exp(-(t-f.from)/0.5)) + 0.02*steps*math.Sin(m.phase(t))
				}
			}
		}
		switch what {
		case "frozen":
			continue // m.last holds
		case "no signal", "floating":
			amps = 0
		}
		if s.Bits > 0 {
			v = math.RoundToEven(mid + amps/s.step(i) + noise)
			if what == "unplugged" { // the jack grounds the input
				v = math.RoundToEven(noise)
			}
			v = max(0, min(v, steps-1))
			if m.amperes {
				v = (v - steps/2) * s.step(i)
			}
		}
		m.last[i] = float32(v)
	}
}

// spike is a pulse that electronics switching nearby give: a steep front and a
// fall with 1 ms, over within a third of a cycle. The shape is from memory.
func spike(since float64, f fault) float64 {
	if f.every > 0 {
		since = math.Mod(since, f.every)
	}
	if since > 0.005 {
		return 0
	}
	return f.amps * math.Exp(-since/0.001)
}

// play adds a machine's currents at time t.
func (m *Maker) play(p *player, t float64) {
	for p.run < len(p.runs) && t >= p.runs[p.run].to {
		p.run++
		if !p.touched {
			p.turn(false, t)
		}
	}
	switch {
	case p.touched:
		p.turn(p.by.On, t)
	case p.always:
		p.turn(true, t)
	case p.run < len(p.runs) && t >= p.runs[p.run].from:
		p.turn(true, p.runs[p.run].from)
	}
	if !p.on && !slices.Contains(p.flowing, true) {
		return
	}
	for p.cut < len(p.cuts) && t >= p.cuts[p.cut].to {
		p.cut++
	}
	want := p.by.Load
	if !p.touched && p.cut < len(p.cuts) && t >= p.cuts[p.cut].from {
		want = p.cuts[p.cut].load
	}
	p.load += (want - p.load) * min(1/(m.s.Rate*loadFollow), 1)

	at := moment{omega: 2 * math.Pi * m.hertz, since: t - p.start, load: p.load}
	var first float64
	for k, ch := range p.channels {
		shift := 0.0
		if p.three {
			shift = float64(k) * 2 * math.Pi / 3
		}
		i := -first // the other leg is the same current on its way back
		if k == 0 || p.three {
			began := 0.0
			if !p.always {
				began = m.phase(p.start) - shift
			}
			i = p.current(math.Mod(m.phase(t)-shift+2*math.Pi, 2*math.Pi), began, at, p.rnd)
		}
		if k == 0 {
			first = i
		}
		if !p.on && p.flowing[k] && (i == 0 || i*p.last[k] < 0) {
			p.flowing[k] = false
		}
		if p.on || p.flowing[k] {
			m.amps[ch] += i
		}
		p.last[k] = i
	}
}

// Label says what a made recording holds from Start to End.
type Label struct {
	Start, End time.Duration
	What       string // run, cut, always on; spike, unplugged, floating, no signal, frozen; gap
	Machine    string // empty for a sensor's own faults
	Channels   string // separated by blanks; empty for a gap
}

// Labels lists what happens in the script, in order of time.
func (s *Script) Labels() []Label {
	var out []Label
	instant := func(t float64) time.Duration {
		return min(time.Duration(math.Round(t*1e9)), s.Length)
	}
	add := func(sp span, what, machine, channels string) {
		if from := instant(sp.from); from < s.Length {
			out = append(out, Label{from, instant(sp.to), what, machine, channels})
		}
	}
	for _, m := range s.machines {
		names := strings.Join(m.names, " ")
		if m.always {
			add(span{0, s.Length.Seconds()}, "always on", m.name, names)
		}
		for _, r := range m.runs {
			add(r, "run", m.name, names)
		}
		for _, c := range m.cuts {
			add(c.span, "cut", m.name, names)
		}
	}
	for _, f := range s.sensorBad {
		name := s.channels[f.channel].name
		for i := 0; i == 0 || f.every > 0 && instant(f.from) < s.Length; i++ {
			sp := f.span
			if f.what == "spike" {
				sp.to = sp.from + 0.005
			}
			add(sp, f.what, "", name)
			f.from += f.every
		}
	}
	for _, g := range s.gaps {
		add(g, "gap", "", "")
	}
	slices.SortStableFunc(out, func(a, b Label) int { return cmp.Compare(a.Start, b.Start) })
	return out
}

// WriteLabels writes labels as CSV with a header: start and end in seconds, what
// happens, the machine, the channels.
func WriteLabels(w io.Writer, labels []Label) error {
	b := bufio.NewWriter(w)
	quote := func(s string) string {
		if strings.Contains(s, ",") {
			return `"` + s + `"` // a script's name holds no quotes
		}
		return s
	}
	if _, err := b.WriteString("start,end,what,machine,channels\n"); err != nil {
		return err
	}
	for _, l := range labels {
		if _, err := fmt.Fprintf(b, "%.6f,%.6f,%s,%s,%s\n", l.Start.Seconds(), l.End.Seconds(), l.What, quote(l.Machine), quote(l.Channels)); err != nil {
			return err
		}
	}
	return b.Flush()
}
