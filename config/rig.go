package config

import (
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Rig holds all that travels: computer, converters, sensors, contacts, actuators.
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
	Name    string
	Chip    ChipKind
	Port    string  // device file
	Address int     // on an I2C bus
	Rate    float64 // scans a second
	Vref    float64 // V at full scale
	Node    int     // 0: on this computer; n: on Nodes[n-1]
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
	Kind     ContactKind
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
	Kind                 ActuatorKind
	Chip                 string // relay, motor
	Line                 int    // relay
	OpenLine, ShutLine   int    // motor
	ActiveLow            bool   // relay, motor
	Shuts                bool   // relay: its gate is shut while it is on; set by Turned
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
	lines := &wires{users: users{}}
	for i := range raw.ADC {
		r.ADCs = append(r.ADCs, raw.ADC[i].adc(f, lines))
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
	for i := range raw.Contact {
		r.Contacts = append(r.Contacts, raw.Contact[i].contact(f, lines))
	}
	for i := range raw.Actuator {
		r.Actuators = append(r.Actuators, raw.Actuator[i].actuator(f, lines))
	}
	raw.servoChips(f, r, lines)
	if h := raw.Heartbeat; h != nil {
		lines.line(f, h.key("line"), h.Chip, h.Line)
		r.Heartbeat = &Heartbeat{h.Chip, h.Line, h.DropsAfter}
	}
	raw.oneReset(f, r)
	raw.onOneBus(f, r)
	lines.onBoard(f, r)
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
	if n := a.Chip.Inputs(); a.Chip != 0 && c.Input >= n && c.Input < 8 {
		f.add(c.key("input"), fmt.Sprintf("%s: the %s has inputs 0 to %d", f.tableName(c.path), a.Chip, n-1), "write one of them")
	}
	ch.Bias = a.Vref / 2
	switch {
	case c.Bias != nil:
		ch.Bias = *c.Bias
	case a.Chip.Ranged():
		f.add(c.path, f.tableName(c.path)+": the range of an "+a.Chip.String()+" does not tell the bias", `add it: bias = "1.65 V"`)
	default:
		f.defaulted(c.key("bias"), strconv.Quote(Metric.Format(Voltage, ch.Bias)))
	}
	if a.Vref > 0 && (ch.Bias <= 0 || ch.Bias >= a.Vref) {
		f.add(c.key("bias"), fmt.Sprintf("%s: a bias of %s leaves no room below %s", f.tableName(c.path), Metric.Format(Voltage, ch.Bias), Metric.Format(Voltage, a.Vref)),
			"half the reference is best: "+Metric.Format(Voltage, a.Vref/2))
	}
	return ch
}

// adc checks what a converter is and where it hangs.
func (a *rawADC) adc(f *file, lines *wires) ADC {
	out := ADC{Name: a.Name, Chip: a.Chip, Port: a.Port, Rate: a.Rate, Vref: a.Vref}
	if a.Chip == 0 {
		return out // reported already
	}
	who, k := f.tableName(a.path), a.Chip.facts()
	f.isPort(a.key("port"), who, k.bus, a.Port)
	where := a.Port
	switch {
	case k.addresses == nil && a.Address != nil:
		f.add(a.key("address"), fmt.Sprintf("%s: an %s has no address", who, a.Chip), "take it out; its port tells its select line")
	case k.addresses != nil:
		first, last := k.addresses[0].n, k.addresses[len(k.addresses)-1].n
		if out.Address = first; a.Address != nil {
			out.Address = *a.Address
		} else {
			f.defaulted(a.key("address"), fmt.Sprintf("0x%02x", first))
		}
		if out.Address < first || out.Address > last {
			f.add(a.key("address"), fmt.Sprintf("%s: an %s has no address 0x%02x", who, a.Chip, out.Address), fmt.Sprintf("write address = %d to %d (0x%02x to 0x%02x)", first, last, first, last))
		}
		where = fmt.Sprintf("address 0x%02x on %s", out.Address, a.Port)
	}
	if a.Port != "" {
		lines.take(f, a.key("port"), where, "one port, or one address on it, serves one converter")
	}
	if k.ranges != nil && a.Vref > 0 && !slices.ContainsFunc(k.ranges, func(v float64) bool { return math.Abs(v-a.Vref) < 0.5e-3 }) {
		var others []string
		for _, v := range k.ranges {
			others = append(others, number(v))
		}
		f.add(a.key("vref"), fmt.Sprintf("%s: an %s has no range of %s", who, a.Chip, Metric.Format(Voltage, a.Vref)),
			"write vref as one of its ranges: "+strings.Join(others, ", ")+" V")
	}
	return out
}

// oneReset reports a second reset button, and one that is a stop as well.
func (raw *rawRig) oneReset(f *file, r *Rig) {
	resets := r.ofKind(ResetContact)
	for i, c := range resets {
		if i > 0 {
			f.add(raw.Contact[c].key("kind"), fmt.Sprintf("%s: %q is a reset button already", f.tableName(raw.Contact[c].path), r.Contacts[resets[0]].Name), "keep one; two buttons in parallel are one contact")
		}
		for _, s := range r.ofKind(StopContact) {
			if x := &r.Contacts[s]; x.Chip == r.Contacts[c].Chip && x.Line == r.Contacts[c].Line {
				f.add(raw.Contact[c].key("line"), fmt.Sprintf("%s is on the line of the stop contact %q: what stops must not reset", f.tableName(raw.Contact[c].path), x.Name), "wire the reset button to a line of its own")
			}
		}
	}
}

// onOneBus reports a converter and a servo chip at one address of a bus.
func (raw *rawRig) onOneBus(f *file, r *Rig) {
	for i := range r.ADCs {
		a := &r.ADCs[i]
		j := slices.IndexFunc(r.Actuators, func(x Actuator) bool { return x.Kind.OnChip() && x.Bus == a.Port && x.Address == a.Address })
		if a.Chip.OnI2C() && j >= 0 {
			f.add(raw.ADC[i].path, fmt.Sprintf("%s and the chip of servo %q are both at address 0x%02x on %s", f.tableName(raw.ADC[i].path), r.Actuators[j].Name, a.Address, a.Port), "set one to another address by its jumpers, and write that")
		}
	}
}

// busy reports a converter that cannot keep its rate, or has nothing to do.
func (a *rawADC) busy(f *file, channels int) {
	if channels == 0 {
		f.add(a.path, f.tableName(a.path)+": no channel is on it", "add one, or take the adc out")
	}
	if a.Chip == 0 || channels == 0 || a.Rate == 0 {
		return
	}
	least, _ := limits(Rate, rateTag)
	most := math.Floor(a.Chip.MostScans(channels))
	switch {
	case a.Rate <= most:
	case most < least:
		f.add(a.path, fmt.Sprintf("%s: an %s is too slow for %s", f.tableName(a.path), a.Chip, count(channels, "channel")), a.Chip.facts().many)
	default:
		f.add(a.key("rate"), fmt.Sprintf("%s: the %s with %s cannot scan at %s", f.tableName(a.path), a.Chip, count(channels, "channel"), Metric.Format(Rate, a.Rate)),
			"write at most "+Metric.Format(Rate, most)+", or use fewer channels")
	}
}

// rateTag holds the least rate that a file may ask for.
var rateTag = tagOf[rawADC]("Rate")

func (c *rawContact) contact(f *file, lines *wires) Contact {
	out := Contact{Name: c.Name, Kind: c.Kind, Chip: c.Chip, Line: c.Line, Closed: c.Closed, Debounce: c.Debounce}
	lines.line(f, c.key("line"), c.Chip, c.Line)
	if c.Kind == 0 {
		return out // reported already
	}
	k := c.Kind.facts()
	out.Active = c.Closed == k.words[0]
	switch {
	case c.Closed == "":
		f.add(c.path, f.tableName(c.path)+": nothing says what a closed contact means", fmt.Sprintf("add closed = %q or %q", k.words[0], k.words[1]))
	case !slices.Contains(k.words[:], c.Closed):
		f.add(c.key("closed"), fmt.Sprintf("%s: closed = %q has no meaning for a %s contact", f.tableName(c.path), c.Closed, c.Kind),
			fmt.Sprintf("write %q or %q", k.words[0], k.words[1]))
	}
	if k.rule != nil {
		k.rule(c, f)
	}
	if c.Series != nil {
		out.Series = *c.Series
		if !k.series {
			f.add(c.key("series"), f.tableName(c.path)+`: "series" is for stop contacts`, "take it out")
		}
	}
	return out
}

func (a *rawActuator) actuator(f *file, lines *wires) Actuator {
	out := Actuator{Name: a.Name, Kind: a.Kind}
	if a.Kind == 0 {
		return out // reported already
	}
	if a.Kind.OnChip() {
		out.Address, out.PulseOpen, out.PulseShut, out.Release = defAddress, defPulseOpen, defPulseShut, defRelease
	}
	if !a.Kind.Wired() {
		out.On, out.Off, out.Stale = defOn, defOff, defStale
	}
	keys := a.Kind.facts()
	have := written(a)
	for _, key := range sortedKeys(have) {
		needed, allowed := slices.Contains(keys.need, key), slices.Contains(keys.may, key)
		def, ok := keys.defaults[key]
		switch {
		case needed && !have[key]:
			f.add(a.path, fmt.Sprintf("%s: a %s needs the key %q", f.tableName(a.path), a.Kind, key), "add it: "+key+" = "+keyExamples[key])
		case have[key] && !allowed && !needed:
			f.add(a.key(key), fmt.Sprintf("%s: a %s has no %q", f.tableName(a.path), a.Kind, key),
				"take it out; a "+a.Kind.String()+" has "+list(append(slices.Clone(keys.need), keys.may...)))
		case !ok || have[key] || key == "stale" && a.State == nil: // nothing is taken for granted
		default:
			f.defaulted(a.key(key), def)
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
	set(&out.On, a.On)
	set(&out.Off, a.Off)
	set(&out.State, a.State)
	set(&out.Stale, a.Stale)
	out.ActiveLow = a.Active != nil && *a.Active == "low"
	for _, l := range out.Lines() {
		if have[l.Key] {
			lines.line(f, a.key(l.Key), out.Chip, l.Line)
		}
	}
	keys.check(a, f, &out, lines)
	return out
}

// written lists the keys of an actuator that depend on its kind, and whether the
// file has them.
func written(a *rawActuator) map[string]bool {
	out := map[string]bool{}
	v := reflect.ValueOf(a).Elem()
	for i := range v.NumField() {
		if key := v.Type().Field(i).Tag.Get("toml"); key != "" && v.Field(i).Kind() == reflect.Pointer {
			out[key] = !v.Field(i).IsNil()
		}
	}
	return out
}

// tagOf is the tag of a field of a raw struct.
func tagOf[T any](field string) reflect.StructTag {
	x, _ := reflect.TypeFor[T]().FieldByName(field)
	return x.Tag
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

// Step is the current of one count of the converter, in amperes.
func (r *Rig) Step(channel int) float64 {
	if r.amperes {
		return 1
	}
	c := &r.Channels[channel]
	a := &r.ADCs[c.ADC]
	return c.PerVolt() * a.Vref / a.Chip.facts().codes
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

// doubt reports what looks wrong with a channel but may be right.
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
