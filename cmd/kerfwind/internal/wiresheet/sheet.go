package wiresheet

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"kerfwind/config"
)

// Make writes the sheet of a rig. shop may be nil; with one, the sheet says
// round which conductor each transformer goes and what is on the coil circuit.
func Make(r *config.Rig, shop *config.Shop) *Sheet {
	b := &builder{rig: r, shop: shop, board: board(r), uses: uses(r)}
	s := &Sheet{Title: fmt.Sprintf("Wiring of %q", r.Name), From: "rig " + r.File}
	if shop != nil {
		s.Title += fmt.Sprintf(" at %q", shop.Name)
		s.From += ", shop " + shop.File
	}
	for i := range r.Channels {
		b.fronts = append(b.fronts, NewFrontEnd(r, i))
	}
	for _, section := range []func() Section{b.first, b.parts, b.supply, b.headerPins, b.converters, b.sensors, b.contacts, b.outputs, b.servos, b.coil, b.boot, b.bringUp} {
		if one := section(); len(one.Blocks) > 0 {
			s.Sections = append(s.Sections, one)
		}
	}
	return s
}

type builder struct {
	rig    *config.Rig
	shop   *config.Shop
	board  string // label of the board's own chip; "" = not a board with the 40-pin header
	uses   []use
	fronts []FrontEnd
}

// Ways to write figures.
func volts(v float64) string { return config.Metric.Format(config.Voltage, math.Round(v*1e3)/1e3) }
func amps(a float64) string  { return config.Metric.Format(config.Current, significant(a, 3)) }
func ohms(r float64) string {
	switch {
	case r >= 1e6:
		return fmt.Sprintf("%g Mohm", significant(r/1e6, 3))
	case r >= 1e3:
		return fmt.Sprintf("%g kohm", significant(r/1e3, 3))
	}
	return fmt.Sprintf("%g ohm", significant(r, 3))
}

// significant rounds to n figures.
func significant(x float64, n int) float64 {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return x
	}
	scale := math.Pow(10, float64(n-1)-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*scale) / scale
}

func (b *builder) first() Section {
	s := Section{Title: "Before you begin"}
	s.say("The program makes this sheet from the rig file. Change the file, then print the sheet again; never let the two differ. Tick each step of the last section and write down what you read.")
	s.caution("The distribution panel and everything at mains voltage is an electrician's work: the contactor, its coil circuit where that is at mains voltage, and putting a transformer round a conductor inside a panel or a machine. Off, locked, tested dead.")
	if slices.ContainsFunc(b.fronts, func(f FrontEnd) bool { return f.Millamps > 0 }) {
		s.caution("Never open the secondary of a current transformer while its conductor carries current: without its burden it makes hundreds of volts or more. Solder the burden to the transformer's own side of the plug, so that pulling the plug opens nothing.")
	}
	s.caution("Feed the computer from another circuit than the collector's: the dip when the motor starts, or its tripped breaker, must not take the computer down.")
	s.caution("kerfwind is no safety device. Emergency stop, overload relay, smoke alarm and the disconnect work without it, by wire.")
	return s
}

// part is a line of the list of parts.
type part struct {
	n          int
	what, note string
}

func (b *builder) parts() Section {
	s := Section{Title: "Parts"}
	var list []part
	add := func(n int, what, note string) {
		if n <= 0 {
			return
		}
		if i := slices.IndexFunc(list, func(p part) bool { return p.what == what && p.note == note }); i >= 0 {
			list[i].n += n
			return
		}
		list = append(list, part{n, what, note})
	}
	r := b.rig
	if b.board != "" {
		add(1, "computer with the 40-pin header", "with its own supply, see the next section")
	}
	for i := range r.ADCs {
		a := &r.ADCs[i]
		for _, p := range a.Chip.Parts() {
			add(p.N, p.What, p.For)
		}
	}
	for _, g := range b.biases() {
		add(1, "resistor "+ohms(g.d.Upper)+", 1 %", "bias divider")
		add(1, "resistor "+ohms(g.d.Lower)+", 1 %", "bias divider")
		add(1, "capacitor 10 uF", "bias to ground")
		if len(g.channels) >= 8 {
			add(1, "rail-to-rail operational amplifier", "buffers a bias that feeds eight inputs or more")
		}
	}
	for i := range r.Channels {
		c, f := &r.Channels[i], b.fronts[i]
		add(1, "split-core current transformer "+c.Ratio.String(), "")
		if f.Burden > 0 {
			add(1, fmt.Sprintf("resistor %s, 1 %%, %g W", ohms(f.Burden), watts(f.Heat)), "burden")
		}
		if c.Grounded {
			add(1, "jack with a switch contact", "one a channel whose plug is seen")
		}
		add(1, "resistor 470 ohm", "in series with a converter's input")
		add(1, "pair of Schottky diodes", "from a converter's input to ground and to the supply")
	}
	for i := range r.Contacts {
		if c := &r.Contacts[i]; c.Kind.Part() != "" {
			add(1, c.Kind.Part(), "")
		}
	}
	add(len(r.Contacts), "pair of screw terminals", "dry contacts")
	if _, there := b.contactor(); there {
		what := "for the collector's motor"
		if b.shop != nil && b.shop.Collector.FullLoad > 0 {
			what = fmt.Sprintf("for a motor of %g A", b.shop.Collector.FullLoad)
		}
		add(1, "contactor with auxiliary contact, rated for motors (AC-3)", what)
		add(1, "overload relay with auxiliary contact", what)
		add(1, "suppressor", "across the contactor's coil")
		if !slices.ContainsFunc(r.Contacts, func(c config.Contact) bool { return c.Kind == config.HandContact }) {
			add(1, "hand/off/auto switch", "at the collector")
		}
	}
	for i := range r.Actuators {
		for _, p := range r.Actuators[i].Parts() {
			add(p.N, p.What, p.For)
		}
	}
	chips := b.servoChips()
	add(len(chips), "PCA9685 servo board", "")
	add(len(r.ServoChips), "resistor 10 kohm", "pull-up of an output line")
	add(len(chips), "capacitor 1000 uF, 10 V", "at the servo board's V+")
	if r.Heartbeat != nil {
		add(1, "retriggerable timer relay", "heartbeat; drops out after "+config.FormatDuration(r.Heartbeat.DropsAfter))
		add(1, "resistor 10 kohm", "pull-down of an output line")
	}
	var rows [][]string
	for _, p := range list {
		rows = append(rows, []string{fmt.Sprint(p.n), p.what, p.note})
	}
	s.table([]string{"", "Part", "For"}, rows)
	if len(rows) > 0 && len(r.Channels) > 0 {
		s.say("Diodes and series resistors hold the peaks of an inrush off the converter. They are common practice; 470 ohm and the transformer stay below the 1 kohm of source that the converters' data sheets ask for.")
	}
	return s
}

// fuses are the usual ratings of blade fuses, A.
var fuses = []float64{1, 2, 3, 5, 7.5, 10, 15, 20, 25, 30}

func fuse(a float64) float64 {
	for _, f := range fuses {
		if f >= a {
			return f
		}
	}
	return fuses[len(fuses)-1]
}

// count counts actuators of a kind.
func (b *builder) count(kind config.ActuatorKind) int {
	n := 0
	for i := range b.rig.Actuators {
		if b.rig.Actuators[i].Kind == kind {
			n++
		}
	}
	return n
}

func (b *builder) supply() Section {
	s := Section{Title: "Supplies and fuses"}
	var rows [][]string
	if a, ok := config.Boards[b.board]; ok {
		rows = append(rows, []string{"computer", fmt.Sprintf("5 V, %g A", a.Supply), "its own", "the board maker's figure"})
	}
	for _, k := range config.ActuatorKinds() {
		if n, d := b.count(k), k.Draws(); n > 0 && d != nil {
			load, why := d.Load(n)
			rows = append(rows, []string{d.For, fmt.Sprintf("%s, %.0f A or more", d.Volts, math.Ceil(load)), fmt.Sprintf("%g A", fuse(load)), why})
		}
	}
	s.table([]string{"For", "Supply", "Fuse", "Why"}, rows)
	if len(rows) > 1 {
		s.say("The fuse protects the wire: 1.5 mm2 (AWG 16) at least up to 10 A. Join all grounds at one point, at the converter. Never feed servos, motors or relay coils from the computer's 5 V pins: it restarts when they draw.")
	}
	return s
}

func (b *builder) headerPins() Section {
	s := Section{Title: "The computer's header"}
	if b.board == "" {
		if len(b.rig.ADCs)+len(b.servoChips()) > 0 {
			s.say("The rig file names no chip on a board with the 40-pin header, so this sheet gives signals, not pins.")
		}
		return s
	}
	s.say("Pin 1 is at the corner with the square pad; odd pins on the inner row. GPIO numbers are those of the rig file.")
	cell := func(pin int) string {
		name := config.Header[pin-1]
		if pinOfName := strings.Trim(name, "0123456789"); pinOfName != "" {
			return name
		}
		var what []string
		for _, u := range b.uses {
			if fmt.Sprint(u.line) == name {
				what = append(what, u.what)
			}
		}
		if len(what) == 0 {
			return "GPIO " + name
		}
		return "GPIO " + name + ": " + strings.Join(what, " and ")
	}
	var rows [][]string
	for pin := 1; pin < 40; pin += 2 {
		rows = append(rows, []string{cell(pin), fmt.Sprint(pin), fmt.Sprint(pin + 1), cell(pin + 1)})
	}
	s.add(Block{Kind: Header, Head: []string{"", "pin", "pin", ""}, Rows: rows})
	for _, d := range lineDoubts(b.uses) {
		s.caution(d)
	}
	return s
}

func (b *builder) converters() Section {
	s := Section{Title: "Converters"}
	for i := range b.rig.ADCs {
		a := &b.rig.ADCs[i]
		used := b.inputs(i)
		address := ""
		if a.Chip.Addresses() > 0 {
			address = fmt.Sprintf(", address 0x%02x", a.Address)
		}
		s.say(fmt.Sprintf("Converter %s: %s at %s%s, %s %s.", a.Name, strings.ToUpper(a.Chip.String()), a.Port, address, map[bool]string{true: "range", false: "reference"}[a.Chip.Ranged()], volts(a.Vref)))
		var rows [][]string
		head := []string{"Terminal", "Goes to"}
		for _, pin := range a.Chip.Pins() {
			row := []string{pin.Name, b.pin(a, pin, used)}
			if pin.Number > 0 {
				head, row = []string{"Pin", "Name", "Goes to"}, append([]string{fmt.Sprint(pin.Number)}, row...)
			}
			rows = append(rows, row)
		}
		s.table(head, rows)
		if note := a.Chip.SheetNote(); note != "" {
			s.say(note)
		}
		if !a.Chip.Ranged() && a.Vref > boardSupply*1.01 {
			s.caution(fmt.Sprintf("At a supply of %s the converter answers with %s: fit a level shifter between DOUT and the computer, which takes 3.3 V at most.", volts(a.Vref), volts(a.Vref)))
		}
	}
	var numbered []string
	for i := range b.rig.ADCs {
		if text := b.rig.ADCs[i].Chip.Numbered(); text != "" && !slices.Contains(numbered, text) {
			numbered = append(numbered, text)
		}
	}
	if len(b.rig.ADCs) > 0 {
		s.say(strings.Join(append(numbered, "Wires to the computer: 20 cm at most."), " "))
	}
	return s
}

// pin says where a pin of a converter goes; used are its inputs in use.
func (b *builder) pin(a *config.ADC, pin config.Pin, used map[int]int) string {
	bus, sel, _ := config.SPIPort(a.Port)
	data, clock := b.i2c(a.Port)
	own := !a.Chip.Ranged() && a.Vref >= boardSupply // its reference is its supply
	switch pin.Signal {
	case config.ToText:
		return pin.Text
	case config.ToInput:
		if ch, ok := used[pin.Input]; ok {
			return "channel " + b.rig.Channels[ch].Name
		}
		return "ground (unused)"
	case config.ToSelect:
		return b.spi(bus, -1, sel)
	case config.ToData:
		return b.spi(bus, 0, "")
	case config.FromData:
		return b.spi(bus, 1, "")
	case config.ToClock:
		return b.spi(bus, 2, "")
	case config.ToSDA:
		return data
	case config.ToSCL:
		return clock
	case config.ToAddress:
		return fmt.Sprintf("%s (address 0x%02x)", a.Chip.AddressPin(a.Address), a.Address)
	case config.ToReference:
		if own {
			return volts(a.Vref) + ", through 10 ohm, 10 uF and 100 nF to ground"
		}
		return "a reference of " + volts(a.Vref) + ", 10 uF to ground"
	case config.ToSupply:
		if own {
			return "as VREF"
		}
		return volts(boardSupply) + ", 100 nF to ground"
	}
	return ""
}

// inputs maps the inputs of a converter to channels.
func (b *builder) inputs(adc int) map[int]int {
	out := map[int]int{}
	for _, ch := range b.rig.Of(adc) {
		out[b.rig.Channels[ch].Input] = ch
	}
	return out
}

// spi names a signal of an SPI bus: 0 to the converter, 1 from it, 2 clock, -1
// select.
func (b *builder) spi(bus string, signal int, sel string) string {
	name := map[int]string{0: "data to the converter (MOSI)", 1: "data from the converter (MISO)", 2: "clock (SCLK)", -1: "select " + sel + " (CE" + sel + ")"}[signal]
	name = "SPI " + bus + " " + name
	if b.board == "" {
		return name
	}
	n := -1
	if l, ok := config.SPILines[bus]; ok && signal >= 0 {
		n = l[signal]
	}
	for i, l := range config.SPISelect[bus] {
		if signal < 0 && fmt.Sprint(i) == sel {
			n = l
		}
	}
	if n < 0 {
		return name
	}
	return name + ", " + where(b.board, n)
}

// i2c names the two signals of an I2C bus.
func (b *builder) i2c(bus string) (data, clock string) {
	data, clock = bus+" data (SDA)", bus+" clock (SCL)"
	n, _ := config.I2CPort(bus)
	if l, ok := config.I2CLines[n]; ok && b.board != "" {
		data, clock = data+", "+where(b.board, l[0]), clock+", "+where(b.board, l[1])
	}
	return data, clock
}

// bias is one resting point that channels share.
type bias struct {
	adc      int
	d        Divider
	channels []int
}

func (b *builder) biases() []bias {
	var out []bias
	for i := range b.rig.Channels {
		c := &b.rig.Channels[i]
		j := slices.IndexFunc(out, func(g bias) bool { return g.adc == c.ADC && g.d == b.fronts[i].Divider })
		if j < 0 {
			out = append(out, bias{adc: c.ADC, d: b.fronts[i].Divider})
			j = len(out) - 1
		}
		out[j].channels = append(out[j].channels, i)
	}
	return out
}
