package trace

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Script says what a made recording holds. [ParseScript] reads one; package
// documentation of the text is there.
type Script struct {
	Length    time.Duration
	Rate      float64 // scans per second
	Mains     float64 // hertz, as it is, not as it should be
	Seed      uint64
	Bits      int     // of the converter; 0: the recording is in amperes
	Vref      float64 // volts at the converter's full scale
	channels  []channel
	machines  []*machine
	sensorBad []fault // spikes too
	gaps      []span
}

// channel is one sensor and its input of the converter.
type channel struct {
	name      string
	perVolt   float64 // amperes at one volt, turns included
	noise     float64 // standard deviation, in steps
	offset    float64 // from mid-scale, in steps
	drift     float64 // steps an hour
	crosstalk []leak
}

// leak is the share of another channel's current that a sensor sees too.
type leak struct {
	from  int
	name  string
	share float64
}

// span is a stretch of time in seconds.
type span struct{ from, to float64 }

// fault is something that a sensor does of itself.
type fault struct {
	span
	channel int
	what    string  // spike, unplugged, floating, no signal, frozen
	amps    float64 // of a spike
	every   float64 // seconds between spikes, 0: once
}

// scriptLimit bounds the text of a script.
const scriptLimit = 1 << 20

// ParseScript reads a script. Every line is one statement; "#" begins a
// comment. Names with blanks stand in quotes. Times count from the start of the
// recording and are written 90s, 1m30s, 300ms or 2h. The order of the lines is
// free, except that channels come in the order of the recording.
//
//	length 6m                                   # of the recording
//	rate 1 kHz                                  # scans a second
//	mains 60 Hz off -0.4 %                      # "off" may be left out
//	converter 12 bits, 3.3 V                    # left out: amperes, exact
//	seed 7                                      # another seed, other noise
//
//	channel c0: 30 A : 1 V                      # what the transformer gives
//	channel c1: 30 A : 1 V, 2 turns, noise 1.5 counts, offset -12 counts
//	channel c2: 30 A : 1 V, drift 30 counts, crosstalk 2 % of c0
//	channel c3: 20 A : 1 V
//
// Noise is its standard deviation, offset is from mid-scale, drift is an hour's.
// Without a converter there is no ratio, and noise is in amperes. A machine has
// a name, its conductors and what it is:
//
//	machine "band saw" on c0: induction motor, 2 hp, 240 V, run-up 800ms
//	machine planer on c1, c2: induction motor, 3 hp, 240 V     # both legs
//	machine lathe on c1, c2, c3: induction motor, three-phase, full load 6 A
//	machine router on c3: universal motor, 1500 W, 120 V, soft start
//	machine idler on c0: rotary converter, full load 20 A
//
// The kinds: induction motor, rotary converter (an induction motor that is
// always on), universal motor, vacuum, inverter (its input), heater, charger,
// standby (always on). Options: hp, W and V, "full load" amperes, "idle" per
// cent of them, "inrush" times the rated peak, "run-up" time, "soft start",
// "speed 60 %" (a phase-cut control), "half-wave", "three-phase". Then what
// happens:
//
//	at 10s "band saw" runs 45s                  # without load
//	at 15s "band saw" cuts 20s at 70 %          # of full load, while it runs
//	at 1m c2 spike 25 A                         # shorter than a cycle; "every 7s" repeats it
//	at 2m c3 unplugged 30s                      # the jack grounds the input
//	at 3m c3 floating 30s                       # the input floats
//	at 4m c3 no signal 30s                      # only the bias is left
//	at 5m c3 frozen 2s                          # the converter repeats itself
//	at 5m30s gap 300ms                          # scans are lost, all channels
//
// Every fault found is in the error, with its line; name is the script's
// there.
func ParseScript(name string, r io.Reader) (*Script, error) {
	p := &scriptParser{name: name, s: &Script{Seed: 1}}
	sc := bufio.NewScanner(io.LimitReader(r, scriptLimit+1))
	sc.Buffer(nil, scriptLimit)
	size := 0
	for sc.Scan() {
		p.line++
		if size += len(sc.Bytes()) + 1; size > scriptLimit {
			return nil, fmt.Errorf("%s: longer than a mebibyte: not a script", name)
		}
		toks, err := tokens(sc.Text())
		if err != nil {
			p.fail("%v", err)
			continue
		}
		if len(toks) > 0 {
			p.toks, p.at, p.bad = toks, 0, false
			p.statement()
		}
	}
	if err := sc.Err(); err != nil {
		return nil, fmt.Errorf("%s: cannot be read after line %d: %w", name, p.line, err)
	}
	p.finish()
	if len(p.errs) == 0 {
		return p.s, nil
	}
	slices.SortStableFunc(p.errs, func(a, b scriptError) int { return cmp.Compare(a.line, b.line) })
	var errs []error
	for _, e := range p.errs {
		errs = append(errs, e.err)
	}
	return nil, errors.Join(errs...)
}

// token is a word, a quoted name, or one of ":" and ",".
type token struct {
	text   string
	quoted bool
}

// tokens cuts a line into its words.
func tokens(line string) (out []token, err error) {
	for i := 0; i < len(line); {
		switch c := line[i]; {
		case c == ' ' || c == '\t' || c == '\r':
			i++
		case c == '#':
			return out, nil
		case c == ':' || c == ',':
			out = append(out, token{text: string(c)})
			i++
		case c == '"':
			end := strings.IndexByte(line[i+1:], '"')
			if end < 1 {
				return nil, errors.New("a name in quotes has no end, or is empty")
			}
			out = append(out, token{line[i+1 : i+1+end], true})
			i += end + 2
		default:
			end := strings.IndexAny(line[i:], " \t\r#:,\"")
			if end < 0 {
				end = len(line) - i
			}
			out = append(out, token{text: line[i : i+end]})
			i += end
		}
	}
	return out, nil
}

// scriptError is a fault and its line.
type scriptError struct {
	line int
	err  error
}

// scriptParser holds the statement at hand.
type scriptParser struct {
	name string
	s    *Script
	line int
	toks []token
	at   int
	bad  bool // the statement at hand has a fault
	errs []scriptError
	late []func() // what needs all channels and machines
}

// fail notes a fault of the line at hand. A line has one fault at most, since
// the rest of it is dropped.
func (p *scriptParser) fail(format string, args ...any) {
	err := fmt.Errorf("%s:%d: "+format, append([]any{p.name, p.line}, args...)...)
	p.errs = append(p.errs, scriptError{p.line, err})
	p.bad = true
	p.at = len(p.toks)
}

// later runs f when the script has been read, as if on this line.
func (p *scriptParser) later(f func()) {
	line := p.line
	p.late = append(p.late, func() {
		p.line = line
		f()
	})
}

// peek returns the next word, "" at the end or before a quoted name.
func (p *scriptParser) peek() string {
	if p.at < len(p.toks) && !p.toks[p.at].quoted {
		return p.toks[p.at].text
	}
	return ""
}

// accept takes the given words if they come next.
func (p *scriptParser) accept(words ...string) bool {
	if p.at+len(words) > len(p.toks) {
		return false
	}
	for i, w := range words {
		if t := p.toks[p.at+i]; t.quoted || t.text != w {
			return false
		}
	}
	p.at += len(words)
	return true
}

// done reports whether the statement is at its end, and complains if it is not.
func (p *scriptParser) done() bool {
	if p.at < len(p.toks) {
		p.fail("%q is not understood here", p.toks[p.at].text)
		return false
	}
	return true
}

// title takes a name: a word or a text in quotes.
func (p *scriptParser) title() (string, bool) {
	if p.at == len(p.toks) || !p.toks[p.at].quoted && strings.Contains(":,", p.toks[p.at].text) {
		p.fail("a name is missing")
		return "", false
	}
	p.at++
	return p.toks[p.at-1].text, true
}

// quantity takes a number and one of the units, which may stand apart. scale
// has a factor for each unit; the unit "" is a plain number.
func (p *scriptParser) quantity(what string, scale map[string]float64) (float64, bool) {
	units := make([]string, 0, len(scale))
	for u := range scale {
		units = append(units, u)
	}
	slices.Sort(units)
	text := p.peek()
	end := 0
	for end < len(text) && strings.IndexByte("+-.0123456789", text[end]) >= 0 {
		end++
	}
	v, err := strconv.ParseFloat(text[:end], 64)
	if err != nil {
		p.fail("%s: a number with one of the units %q is missing", what, units)
		return 0, false
	}
	p.at++
	unit := text[end:]
	if unit == "" && p.at < len(p.toks) {
		if _, ok := scale[p.peek()]; ok && p.peek() != "" {
			unit = p.peek()
			p.at++
		}
	}
	f, ok := scale[unit]
	if !ok {
		p.fail("%s: %s has not one of the units %q", what, text, units)
	}
	return v * f, ok
}

// unitIs reports whether a number with the given unit comes next.
func (p *scriptParser) unitIs(unit string) bool {
	text := strings.TrimLeft(p.peek(), "+-.0123456789")
	if text == "" && p.at+1 < len(p.toks) {
		text = p.toks[p.at+1].text
	}
	return text == unit
}

// Units of the script.
var (
	unitHz      = map[string]float64{"Hz": 1, "kHz": 1000}
	unitPercent = map[string]float64{"%": 0.01}
	unitAmperes = map[string]float64{"A": 1, "mA": 0.001}
	unitVolts   = map[string]float64{"V": 1, "mV": 0.001}
	unitWatts   = map[string]float64{"W": 1, "kW": 1000}
	unitHP      = map[string]float64{"hp": 1}
	unitNone    = map[string]float64{"": 1}
	unitTimes   = map[string]float64{"": 1, "x": 1}
	unitBits    = map[string]float64{"bits": 1, "bit": 1}
	unitTurns   = map[string]float64{"turns": 1, "turn": 1}
	unitCounts  = map[string]float64{"counts": 1, "count": 1}
)

// longest is the longest recording that a script may ask for.
const longest = 366 * 24 * time.Hour

// seconds takes a time such as 1m30s or "90 s".
func (p *scriptParser) seconds(what string) (float64, bool) {
	text := p.peek()
	d, err := time.ParseDuration(text)
	if err != nil && p.at+1 < len(p.toks) {
		if d, err = time.ParseDuration(text + p.toks[p.at+1].text); err == nil {
			p.at++
		}
	}
	if err != nil || d < 0 || d > longest {
		p.fail("%s: a time such as 90s, 1m30s or 300ms is missing", what)
		return 0, false
	}
	p.at++
	return d.Seconds(), true
}

// statement takes one line.
func (p *scriptParser) statement() {
	s := p.s
	switch {
	case p.accept("length"):
		if v, ok := p.seconds("length"); ok && p.done() {
			s.Length = time.Duration(math.Round(v * 1e9))
		}
	case p.accept("rate"):
		if v, ok := p.quantity("rate", unitHz); ok && p.done() {
			s.Rate = v
		}
	case p.accept("mains"):
		v, ok := p.quantity("mains", unitHz)
		if ok && p.accept("off") {
			var off float64
			off, ok = p.quantity("off", unitPercent)
			v *= 1 + off
		}
		if ok && p.done() {
			s.Mains = v
		}
	case p.accept("converter"):
		p.converter()
	case p.accept("seed"):
		if v, ok := p.quantity("seed", unitNone); ok && p.done() {
			if v < 0 || v > 1<<53 || v != math.Trunc(v) {
				p.fail("seed: a whole number from 0 is wanted")
				return
			}
			s.Seed = uint64(v)
		}
	case p.accept("channel"):
		p.channel()
	case p.accept("machine"):
		p.machine()
	case p.accept("at"):
		p.event()
	default:
		p.fail("%q begins no statement: length, rate, mains, converter, seed, channel, machine or at", p.toks[0].text)
	}
}

func (p *scriptParser) converter() {
	bits, ok := p.quantity("converter", unitBits)
	if !ok {
		return
	}
	p.accept(",")
	vref, ok := p.quantity("converter", unitVolts)
	if !ok || !p.done() {
		return
	}
	if bits < 4 || bits > 24 || bits != math.Trunc(bits) || vref <= 0 {
		p.fail("converter: from 4 to 24 bits and more than 0 V are wanted")
		return
	}
	p.s.Bits, p.s.Vref = int(bits), vref
}

func (p *scriptParser) channel() {
	name, ok := p.title()
	if !ok {
		return
	}
	c := channel{name: name}
	for _, other := range p.s.channels {
		if other.name == name {
			p.fail("a second channel %q", name)
			return
		}
	}
	if len(p.s.channels) == maxChannels {
		p.fail("more than %d channels", maxChannels)
		return
	}
	turns := 1.0
	var noiseAmps float64
	index := len(p.s.channels)
	for sep := ":"; p.at < len(p.toks); sep = "," {
		if !p.accept(sep) {
			p.done()
			return
		}
		var ok bool
		switch {
		case p.accept("noise"):
			if p.unitIs("A") || p.unitIs("mA") {
				noiseAmps, ok = p.quantity("noise", unitAmperes)
				c.noise = noiseAmps
			} else {
				c.noise, ok = p.quantity("noise", unitCounts)
			}
			if ok && c.noise < 0 {
				p.fail("noise: cannot be below 0")
			}
		case p.accept("offset"):
			c.offset, ok = p.quantity("offset", unitCounts)
		case p.accept("drift"):
			c.drift, ok = p.quantity("drift", unitCounts)
		case p.accept("crosstalk"):
			var l leak
			if l.share, ok = p.quantity("crosstalk", unitPercent); !ok {
				return
			}
			if !p.accept("of") {
				p.fail("crosstalk: wanted is \"crosstalk 2 %% of c0\"")
				return
			}
			if l.name, ok = p.title(); !ok {
				return
			}
			if math.Abs(l.share) > 0.2 {
				p.fail("crosstalk: more than 20 %% is no crosstalk")
				return
			}
			c.crosstalk = append(c.crosstalk, l)
		case p.unitIs("turns") || p.unitIs("turn"):
			turns, ok = p.quantity("turns", unitTurns)
		default:
			var amps, volts float64
			if amps, ok = p.quantity("ratio", unitAmperes); !ok {
				return
			}
			if !p.accept(":") {
				p.fail("ratio: wanted is \"30 A : 1 V\"")
				return
			}
			volts, ok = p.quantity("ratio", unitVolts)
			c.perVolt = amps / volts
		}
		if !ok {
			return
		}
	}
	if p.bad {
		return
	}
	p.s.channels = append(p.s.channels, c)
	p.later(func() {
		c := &p.s.channels[index]
		c.perVolt /= turns
		counts := p.s.Bits > 0
		switch {
		case counts && !(c.perVolt > 0 && c.perVolt < 1e6 && turns >= 1):
			p.fail("channel %s: its ratio is missing, since there is a converter: write \"channel %[1]s: 30 A : 1 V\"", name)
		case counts && noiseAmps > 0:
			c.noise = noiseAmps / p.s.step(index)
		case !counts && (c.perVolt != 0 || c.offset != 0 || c.drift != 0 || c.noise != noiseAmps):
			p.fail("channel %s: without a converter there are no counts and no ratio; noise is in amperes", name)
		}
		for i := range c.crosstalk {
			c.crosstalk[i].from = p.channelIndex(c.crosstalk[i].name)
			if c.crosstalk[i].from == index {
				p.fail("channel %s: crosstalk from itself", name)
			}
		}
	})
}

// step is one step of a channel in amperes.
func (s *Script) step(ch int) float64 {
	if s.Bits == 0 {
		return 1
	}
	return s.channels[ch].perVolt * s.Vref / math.Ldexp(1, s.Bits)
}

// channelIndex finds a channel and complains if there is none.
func (p *scriptParser) channelIndex(name string) int {
	for i := range p.s.channels {
		if p.s.channels[i].name == name {
			return i
		}
	}
	p.fail("no channel is named %q", name)
	return 0
}

// event takes what follows "at".
func (p *scriptParser) event() {
	from, ok := p.seconds("at")
	if !ok {
		return
	}
	if p.accept("gap") {
		if d, ok := p.seconds("gap"); ok && p.done() {
			p.s.gaps = append(p.s.gaps, span{from, from + d})
		}
		return
	}
	name, ok := p.title()
	if !ok {
		return
	}
	f := fault{span: span{from, from}}
	var d, load float64
	what := ""
	switch {
	case p.accept("runs"):
		what = "runs"
		d, ok = p.seconds(what)
	case p.accept("cuts"):
		what = "cuts"
		if d, ok = p.seconds(what); !ok {
			return
		}
		if !p.accept("at") {
			p.fail("cuts: wanted is \"cuts 20s at 70 %%\"")
			return
		}
		load, ok = p.quantity("load", unitPercent)
	case p.accept("spike"):
		f.what = "spike"
		if f.amps, ok = p.quantity("spike", unitAmperes); ok && p.accept("every") {
			f.every, ok = p.seconds("every")
			if ok && f.every < 0.1 {
				p.fail("every: at least 100ms")
				return
			}
		}
	case p.accept("no", "signal"):
		f.what = "no signal"
		d, ok = p.seconds(f.what)
	case p.accept("unplugged"), p.accept("floating"), p.accept("frozen"):
		f.what = p.toks[p.at-1].text
		d, ok = p.seconds(f.what)
	default:
		p.fail("what happens to %s: runs, cuts, spike, unplugged, floating, no signal or frozen?", name)
		return
	}
	if !ok || !p.done() {
		return
	}
	f.to = from + d
	if what != "" {
		p.later(func() { p.use(name, what, f.span, load) })
		return
	}
	p.later(func() {
		f.channel = p.channelIndex(name)
		if f.what != "spike" && f.what != "frozen" && p.s.Bits == 0 {
			p.fail("%s: needs a converter, since it is something that counts show", f.what)
		}
		p.s.sensorBad = append(p.s.sensorBad, f)
	})
}

// use adds a run or a cut to a machine.
func (p *scriptParser) use(name, what string, sp span, load float64) {
	for _, m := range p.s.machines {
		if m.name != name {
			continue
		}
		switch {
		case m.always && what == "runs":
			p.fail("%s is always on: leave out \"runs\"", name)
		case what == "runs":
			m.runs = append(m.runs, sp)
		case m.kind == heater || m.kind == charger || m.kind == standby || m.kind == vacuum:
			p.fail("%s draws the same whatever it does: leave out \"cuts\"", name)
		case load < 0 || load > 3:
			p.fail("%s: a load from 0 to 300 %% is wanted", name)
		default:
			m.cuts = append(m.cuts, cut{sp, load})
		}
		return
	}
	p.fail("no machine is named %q", name)
}

// finish checks what needs the whole script.
func (p *scriptParser) finish() {
	last := p.line
	for _, f := range p.late {
		p.toks, p.at = nil, 0
		f()
	}
	p.line = last
	s := p.s
	if s.Length <= 0 {
		p.fail("no length: a line \"length 5m\" is missing")
	}
	if !goodRate(s.Rate) || s.Rate != math.Trunc(s.Rate) {
		p.fail("no usable rate: a line \"rate 1 kHz\" with a whole number of scans a second is missing")
	}
	if !(s.Mains >= 10 && s.Mains <= 1000) {
		p.fail("no usable mains frequency: a line \"mains 60 Hz\" is missing")
	}
	if len(s.channels) == 0 {
		p.fail("no channel: a line \"channel c0: 30 A : 1 V\" is missing")
	}
	byStart := func(a, b span) int { return cmp.Compare(a.from, b.from) }
	for _, m := range s.machines {
		p.line = m.line
		slices.SortStableFunc(m.runs, byStart)
		slices.SortStableFunc(m.cuts, func(a, b cut) int { return byStart(a.span, b.span) })
		for i := 1; i < len(m.runs); i++ {
			if m.runs[i].from < m.runs[i-1].to {
				p.fail("%s: the run at %v s begins before the run at %v s has ended", m.name, m.runs[i].from, m.runs[i-1].from)
			}
		}
		for i, c := range m.cuts {
			inside := m.always
			for _, r := range m.runs {
				inside = inside || c.from >= r.from && c.to <= r.to
			}
			if !inside {
				p.fail("%s: the cut at %v s is not within a run", m.name, c.from)
			}
			if i > 0 && c.from < m.cuts[i-1].to {
				p.fail("%s: the cuts at %v s and %v s overlap", m.name, m.cuts[i-1].from, c.from)
			}
		}
	}
	slices.SortStableFunc(s.gaps, byStart)
	slices.SortStableFunc(s.sensorBad, func(a, b fault) int { return byStart(a.span, b.span) })
}
