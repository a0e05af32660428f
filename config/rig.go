package config

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"time"
)

// Rig is what travels: computer, converters, sensors, contacts, actuators.
// Numbers in it index its lists.
type Rig struct {
	File       string
	Name       string
	ADCs       []ADC
	Channels   []Channel
	Contacts   []Contact
	Actuators  []Actuator
	ServoChips []ServoChip
	Heartbeat  *Heartbeat
	MQTT       *MQTT     // nil: no broker
	Broker     *Broker   // nil: none of its own
	Metrics    *Metrics  // nil: not served
	Page       *Page     // nil: none
	IsNode     bool      // it senses and drives for another computer
	Nodes      []Node    // that sense and drive for this one; what is wired there ends the lists above
	Defaults   []Default // what the file leaves out
	Warnings   []Problem // doubts about the rig alone

	amperes bool  // the stand-in rig: channels are amperes, nothing is wired
	src     *file // for the places of warnings; nil for a stand-in
}

// ADC is one analogue-to-digital converter, one source of frames.
type ADC struct {
	Name string
	Chip string  // mcp3208, mcp3008, ads1115
	Port string  // device file
	Rate float64 // scans a second
	Vref float64 // V at full scale
	Node int     // 0: on this computer; n: on Nodes[n-1]
}

// Channel is one current transformer on one input of a converter.
type Channel struct {
	Name     string
	ADC      int
	Input    int
	Ratio    Ratio
	Burden   float64 // ohm; 0 = inside the transformer
	Turns    int     // of the conductor through the window
	Bias     float64 // V at rest
	Enabled  bool
	Grounded bool // the jack's switch grounds the input when the plug is out
	Node     int  // as of its converter
}

// Contact is one dry contact on a line of a chip.
type Contact struct {
	Name     string
	Kind     string // see rigfile.go
	Chip     string
	Line     int
	Closed   string // what a closed contact means
	Active   bool   // closed means that it says what its kind is there to say
	Debounce time.Duration
	Series   bool // a stop contact that also opens the contactor's coil circuit
	Node     int  // 0: wired to this computer; n: to Nodes[n-1]
}

// Actuator is one output: a relay, a servo, a motor with two lines, a topic.
type Actuator struct {
	Name                 string
	Kind                 string
	Chip                 string // relay, motor
	Line                 int    // relay
	OpenLine, ShutLine   int    // motor
	ActiveLow            bool   // relay, motor
	Bus                  string // servo
	Address, Output      int    // servo
	PulseOpen, PulseShut time.Duration
	Slow                 time.Duration // servo: from end to end; 0 is at once
	Release              time.Duration // servo: no pulse this long after it has arrived; 0 keeps it
	Topic                string
	On, Off              string        // topic: what is published to switch on or open, to switch off or shut
	State                string        // topic on which it says where it is; "": it does not
	Stale                time.Duration // where it is is unknown this long after it was last said
	Node                 int           // 0: wired to this computer; n: to Nodes[n-1]
}

// Heartbeat is a line that toggles while the program lives and feeds a timer
// in series with the contactor's coil.
type Heartbeat struct {
	Chip       string
	Line       int
	DropsAfter time.Duration
}

// LoadRig reads a rig file. The error is Errors, or of the file system.
func LoadRig(path string) (*Rig, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	return ParseRig(path, data)
}

// maxFile bounds a file: a shop with every list full is a tenth of it.
const maxFile = 1 << 20

func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() && !info.Mode().IsRegular() {
		return nil, Errors{{File: path, Message: "this is no plain file", Remedy: "name a file"}}
	}
	if info.IsDir() {
		return nil, Errors{{File: path, Message: "this is a folder", Remedy: "name the file itself"}}
	}
	if info.Size() > maxFile {
		return nil, Errors{{File: path, Message: "the file is larger than 1 MiB", Remedy: "this cannot be a rig or shop file: look at the path"}}
	}
	return os.ReadFile(path)
}

// ParseRig reads a rig from data; name goes into messages. The error is Errors.
// Copies of nodes' rig files are read beside it.
func ParseRig(name string, data []byte) (*Rig, error) { return parseRig(name, data, false) }

// parseRig does so; within: it is a node's file, and none is read for it.
func parseRig(name string, data []byte, within bool) (*Rig, error) {
	var raw rawRig
	f := decode(name, data, &raw)
	if f.broken {
		return nil, f.err()
	}
	r := raw.rig(f)
	raw.isNode(f, r)
	if !within && !r.IsNode {
		raw.nodes(f, r)
	}
	if err := f.err(); err != nil {
		return nil, err
	}
	r.Defaults = f.defaults
	return r, nil
}

// checkFormat reports a format other than the one this program reads.
func (f *file) checkFormat(n int) {
	if n > 1 {
		f.add("format", fmt.Sprintf("format = %d is newer than this program", n), "use a newer kerfwind, or write the file for format = 1")
	}
}

// names lists the names of a table list and reports names used twice.
func names[T any](f *file, list string, items []T, name func(*T) string) []string {
	out := make([]string, len(items))
	for i := range items {
		out[i] = name(&items[i])
		if j := slices.Index(out[:i], out[i]); j >= 0 && out[i] != "" {
			first := f.places[fmt.Sprintf("%s[%d]", list, j)]
			f.add(fmt.Sprintf("%s[%d].name", list, i), fmt.Sprintf("the name %q is taken by the %s in line %d", out[i], list, first.line),
				"give each "+list+" a name of its own")
		}
	}
	return out
}

// find looks a name up and reports when nothing has it. It returns -1 then,
// and for a name that is missing altogether.
func (f *file) find(path, name, list string, known []string) int {
	if name == "" {
		return -1
	}
	i := slices.Index(known, name)
	if i < 0 {
		remedy := didYouMean(name, known)
		if len(known) == 0 {
			remedy = "there is no " + list + " at all: add one, or take this key out"
		}
		f.add(path, fmt.Sprintf("%s: there is no %s %q", f.tableOf(path), list, name), remedy)
	}
	return i
}

// user remembers who uses what, and reports a second user.
type users map[string]string

// take reports when the thing is in use already.
func (u users) take(f *file, path, thing, remedy string) {
	who := f.tableOf(path)
	switch other, ok := u[thing]; {
	case ok && other == who:
		f.add(path, fmt.Sprintf("%s is used twice by %s", thing, who), remedy)
		return
	case ok:
		f.add(path, fmt.Sprintf("%s is used twice: by %s and by %s", thing, other, who), remedy)
		return
	}
	u[thing] = who
}

func (raw *rawRig) rig(f *file) *Rig {
	f.checkFormat(raw.Format)
	r := &Rig{File: f.name, Name: raw.Name, src: f}
	adcs := names(f, "adc", raw.ADC, func(a *rawADC) string { return a.Name })
	names(f, "channel", raw.Channel, func(c *rawChannel) string { return c.Name })
	names(f, "contact", raw.Contact, func(c *rawContact) string { return c.Name })
	names(f, "actuator", raw.Actuator, func(a *rawActuator) string { return a.Name })
	ports := users{}
	for i := range raw.ADC {
		a := &raw.ADC[i]
		if a.Port != "" {
			ports.take(f, a.key("port"), a.Port, "one device file serves one converter")
		}
		if a.Chip == "ads1115" && !slices.Contains(pgaRanges, math.Round(a.Vref*1e3)) && a.Vref > 0 {
			f.add(a.key("vref"), fmt.Sprintf("%s: an ads1115 has no range of %s", f.tableName(a.path), Metric.Format(Voltage, a.Vref)),
				`write vref = "4.096 V", or 6.144, 2.048, 1.024, 0.512 or 0.256 V`)
		}
		r.ADCs = append(r.ADCs, ADC{a.Name, a.Chip, a.Port, a.Rate, a.Vref, 0})
	}
	inputs := users{}
	counts := make([]int, len(raw.ADC))
	for i := range raw.Channel {
		c := &raw.Channel[i]
		ch := raw.channel(f, c, adcs)
		if ch.ADC >= 0 {
			counts[ch.ADC]++
			inputs.take(f, c.key("input"), fmt.Sprintf("input %d of adc %q", c.Input, c.ADC), "one input takes one transformer")
		}
		r.Channels = append(r.Channels, ch)
	}
	for i := range raw.ADC {
		raw.ADC[i].busy(f, counts[i])
	}
	lines := users{}
	for i := range raw.Contact {
		r.Contacts = append(r.Contacts, raw.Contact[i].contact(f, lines))
	}
	for i := range raw.Actuator {
		r.Actuators = append(r.Actuators, raw.Actuator[i].actuator(f, lines))
	}
	raw.servoChips(f, r, lines)
	if h := raw.Heartbeat; h != nil {
		lines.take(f, h.key("line"), line(h.Chip, h.Line), oneLine)
		r.Heartbeat = &Heartbeat{h.Chip, h.Line, h.DropsAfter}
	}
	raw.topics(f, r)
	for i := range r.Channels {
		if w, ok := r.doubt(f, i, &raw.Channel[i]); ok {
			r.Warnings = append(r.Warnings, w)
		}
	}
	return r
}

func (raw *rawRig) channel(f *file, c *rawChannel, adcs []string) Channel {
	ch := Channel{Name: c.Name, ADC: f.find(c.key("adc"), c.ADC, "adc", adcs), Input: c.Input, Ratio: c.Ratio,
		Turns: c.Turns, Enabled: c.Enabled, Grounded: c.Unplugged == "grounded"}
	if c.Burden != nil {
		ch.Burden = *c.Burden
	}
	switch {
	case c.Ratio.IsCurrent && c.Burden == nil:
		f.add(c.key("ratio"), fmt.Sprintf("%s: %s is a current output, and no burden is given", f.tableName(c.path), c.Ratio),
			`add the resistor across the secondary: burden = "22 ohm"; never run such a transformer without it`)
	case !c.Ratio.IsCurrent && c.Ratio.Primary > 0 && c.Burden != nil:
		f.add(c.key("burden"), fmt.Sprintf("%s: %s is a voltage output, which has its burden inside", f.tableName(c.path), c.Ratio),
			`take the burden out; a second one would halve the reading, or write the ratio as a current: "100 A : 50 mA"`)
	}
	if ch.ADC < 0 {
		return ch
	}
	a := &raw.ADC[ch.ADC]
	if k, ok := chips[a.Chip]; ok && c.Input >= k.inputs && c.Input < 8 {
		f.add(c.key("input"), fmt.Sprintf("%s: the %s has inputs 0 to %d", f.tableName(c.path), a.Chip, k.inputs-1), "write one of them")
	}
	ch.Bias = a.Vref / 2
	switch {
	case c.Bias != nil:
		ch.Bias = *c.Bias
	case a.Chip == "ads1115":
		f.add(c.path, f.tableName(c.path)+": the range of an ads1115 does not tell the bias", `add it: bias = "1.65 V"`)
	default:
		f.defaulted(c.key("bias"), strconv.Quote(Metric.Format(Voltage, ch.Bias)))
	}
	if a.Vref > 0 && (ch.Bias <= 0 || ch.Bias >= a.Vref) {
		f.add(c.key("bias"), fmt.Sprintf("%s: a bias of %s leaves no room below %s", f.tableName(c.path), Metric.Format(Voltage, ch.Bias), Metric.Format(Voltage, a.Vref)),
			"half the reference is best: "+Metric.Format(Voltage, a.Vref/2))
	}
	return ch
}

// busy reports a converter that cannot keep its rate, or has nothing to do.
func (a *rawADC) busy(f *file, channels int) {
	k, ok := chips[a.Chip]
	if channels == 0 {
		f.add(a.path, f.tableName(a.path)+": no channel is on it", "add one, or take the adc out")
	}
	if !ok || channels == 0 || a.Rate == 0 {
		return
	}
	most := 0.95 / (k.busy * float64(channels))
	if a.Rate > most {
		f.add(a.key("rate"), fmt.Sprintf("%s: the %s with %s cannot scan at %s", f.tableName(a.path), a.Chip, count(channels, "channel"), Metric.Format(Rate, a.Rate)),
			"write at most "+Metric.Format(Rate, math.Floor(most))+", or use fewer channels")
	}
}

const oneLine = "one line serves one thing"

func line(chip string, n int) string { return fmt.Sprintf("line %d of %q", n, chip) }

func (c *rawContact) contact(f *file, lines users) Contact {
	out := Contact{Name: c.Name, Kind: c.Kind, Chip: c.Chip, Line: c.Line, Closed: c.Closed, Debounce: c.Debounce}
	if c.Chip != "" {
		lines.take(f, c.key("line"), line(c.Chip, c.Line), oneLine)
	}
	words, ok := closedWords[c.Kind]
	if !ok {
		return out
	}
	out.Active = c.Closed == words[0]
	switch {
	case c.Closed == "":
		f.add(c.path, f.tableName(c.path)+": nothing says what a closed contact means", fmt.Sprintf("add closed = %q or %q", words[0], words[1]))
	case !slices.Contains(words[:], c.Closed):
		f.add(c.key("closed"), fmt.Sprintf("%s: closed = %q has no meaning for a %s contact", f.tableName(c.path), c.Closed, c.Kind),
			fmt.Sprintf("write %q or %q", words[0], words[1]))
	}
	if c.Kind == "stop" && c.Closed == "act" {
		f.add(c.key("closed"), f.tableName(c.path)+`: a stop contact must be closed while all is well, or a broken wire stops nothing`,
			`use its normally closed side and write closed = "ok"`)
	}
	if c.Series != nil {
		out.Series = *c.Series
		if c.Kind != "stop" {
			f.add(c.key("series"), f.tableName(c.path)+`: "series" is for stop contacts`, "take it out")
		}
	}
	return out
}

func (a *rawActuator) actuator(f *file, lines users) Actuator {
	out := Actuator{Name: a.Name, Kind: a.Kind, Address: defAddress, PulseOpen: defPulseOpen, PulseShut: defPulseShut, Release: defRelease}
	keys, ok := keysOf[a.Kind]
	if !ok {
		return out
	}
	have := map[string]bool{"chip": a.Chip != nil, "line": a.Line != nil, "open_line": a.OpenLine != nil, "shut_line": a.ShutLine != nil,
		"active": a.Active != nil, "bus": a.Bus != nil, "address": a.Address != nil, "output": a.Output != nil,
		"pulse_open": a.PulseOpen != nil, "pulse_shut": a.PulseShut != nil, "slow": a.Slow != nil, "release": a.Release != nil,
		"topic": a.Topic != nil, "on": a.On != nil, "off": a.Off != nil, "state": a.State != nil, "stale": a.Stale != nil}
	for _, key := range sortedKeys(have) {
		needed := slices.Contains(keys.need, key)
		allowed := needed || slices.Contains(keys.may, key)
		switch {
		case needed && !have[key]:
			f.add(a.path, fmt.Sprintf("%s: a %s needs the key %q", f.tableName(a.path), a.Kind, key), "add it: "+key+" = "+keyExamples[key])
		case have[key] && !allowed:
			f.add(a.key(key), fmt.Sprintf("%s: a %s has no %q", f.tableName(a.path), a.Kind, key),
				"take it out; a "+a.Kind+" has "+list(append(slices.Clone(keys.need), keys.may...)))
		case key == "state", key == "slow", key == "stale" && a.State == nil: // no default
		case allowed && !have[key]:
			f.defaulted(a.key(key), map[string]string{"on": strconv.Quote(defOn), "off": strconv.Quote(defOff), "stale": strconv.Quote(FormatDuration(defStale)),
				"active": `"high"`, "address": "0x40", "pulse_open": `"2 ms"`, "pulse_shut": `"1 ms"`, "release": strconv.Quote(FormatDuration(defRelease))}[key])
		}
	}
	set(&out.Chip, a.Chip)
	set(&out.Line, a.Line)
	set(&out.OpenLine, a.OpenLine)
	set(&out.ShutLine, a.ShutLine)
	set(&out.Bus, a.Bus)
	set(&out.Address, a.Address)
	set(&out.Output, a.Output)
	set(&out.PulseOpen, a.PulseOpen)
	set(&out.PulseShut, a.PulseShut)
	set(&out.Slow, a.Slow)
	set(&out.Release, a.Release)
	set(&out.Topic, a.Topic)
	out.ActiveLow = a.Active != nil && *a.Active == "low"
	for _, l := range []struct {
		key string
		n   *int
	}{{"line", a.Line}, {"open_line", a.OpenLine}, {"shut_line", a.ShutLine}} {
		if l.n != nil && a.Chip != nil && slices.Contains(keys.need, l.key) {
			lines.take(f, a.key(l.key), line(*a.Chip, *l.n), oneLine)
		}
	}
	if a.Kind == "servo" && a.Bus != nil && a.Output != nil {
		lines.take(f, a.key("output"), fmt.Sprintf("output %d of chip 0x%02x on %s", out.Output, out.Address, out.Bus), "one output drives one servo")
		if d := out.PulseOpen - out.PulseShut; out.PulseOpen > 0 && out.PulseShut > 0 && d > -200*time.Microsecond && d < 200*time.Microsecond {
			f.add(a.path, f.tableName(a.path)+": pulse_open and pulse_shut are almost the same", "the servo would hardly move: write its two ends")
		}
	}
	if a.Kind == "topic" {
		a.topic(f, &out, lines)
	}
	return out
}

// set copies what is there.
func set[T any](to *T, from *T) {
	if from != nil {
		*to = *from
	}
}

// PerVolt is how many amperes through the conductor make one volt at the input.
func (c *Channel) PerVolt() float64 {
	v := c.Ratio.Secondary
	if c.Ratio.IsCurrent {
		v *= c.Burden
	}
	return c.Ratio.Primary / v / float64(c.Turns)
}

// Step is the current that one count of the converter stands for, in amperes.
func (r *Rig) Step(channel int) float64 {
	if r.amperes {
		return 1
	}
	c := &r.Channels[channel]
	a := &r.ADCs[c.ADC]
	return c.PerVolt() * a.Vref / chips[a.Chip].codes
}

// Range is the largest sine current that is not clipped, in amperes RMS.
func (r *Rig) Range(channel int) float64 {
	if r.amperes {
		return math.Inf(1)
	}
	c := &r.Channels[channel]
	return c.PerVolt() * min(c.Bias, r.ADCs[c.ADC].Vref-c.Bias) / math.Sqrt2
}

// Of lists the channels of one converter in the order of a scan: the order of
// the file.
func (r *Rig) Of(adc int) []int {
	var out []int
	for i := range r.Channels {
		if r.Channels[i].ADC == adc {
			out = append(out, i)
		}
	}
	return out
}

// doubt is what looks wrong with a channel but may be right.
func (r *Rig) doubt(f *file, i int, raw *rawChannel) (Problem, bool) {
	c := &r.Channels[i]
	if c.ADC < 0 || c.PerVolt() <= 0 || math.IsNaN(c.PerVolt()) {
		return Problem{}, false
	}
	full := r.Range(i)
	switch {
	case full < c.Ratio.Primary/float64(c.Turns)/4:
		return f.problem(raw.path, fmt.Sprintf("%s clips above %s, far below what the transformer is made for", f.tableName(raw.path), amps(full)),
			"look at burden, reference and bias"), true
	case full > 400:
		return f.problem(raw.path, fmt.Sprintf("%s reaches to %s: small currents drown", f.tableName(raw.path), amps(full)),
			"look at ratio and burden, or take more turns through the window"), true
	}
	return Problem{}, false
}

// amps writes a current for people.
func amps(x float64) string { return Metric.Format(Current, x) }

// count writes "1 gate", "2 gates".
func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
