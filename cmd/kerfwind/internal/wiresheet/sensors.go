package wiresheet

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/control"
)

func (b *builder) names(channels []int) string {
	var out []string
	for _, i := range channels {
		out = append(out, b.rig.Channels[i].Name)
	}
	return strings.Join(out, ", ")
}

func (b *builder) sensors() Section {
	s := Section{Title: "Current sensors"}
	if len(b.rig.Channels) == 0 {
		return s
	}
	s.caution("Clamp each transformer round ONE conductor, on the supply side of an inverter or converter. Round both conductors of a cable it reads nothing.")
	if slices.ContainsFunc(b.fronts, func(f FrontEnd) bool { return f.Millamps > 0 }) {
		s.caution("A transformer with a current output must never be without its burden while its conductor carries current. Fit the burden first and the conductor last; take them off in reverse order.")
	}
	for _, g := range b.biases() {
		text := fmt.Sprintf("Bias for %s: %s from %s to the bias point, %s from there to ground, 10 uF across the lower one. It gives %s.",
			b.names(g.channels), ohms(g.d.Upper), volts(g.d.Top), ohms(g.d.Lower), volts(g.d.Gives))
		if want := b.rig.Channels[g.channels[0]].Bias; math.Abs(g.d.Gives-want) > 0.005*g.d.Top {
			text += fmt.Sprintf(" The rig file says %s: write bias = %q there.", volts(want), volts(g.d.Gives))
		}
		if len(g.channels) >= 8 {
			text += " It feeds eight inputs or more: buffer it with the operational amplifier."
		}
		s.say(text)
	}
	s.say("Each channel: one wire of the transformer to the bias point, the other through 470 ohm to the converter's input, with the diodes at the input.")
	var drawn []Figure
	for i := range b.rig.Channels {
		c, f := &b.rig.Channels[i], b.fronts[i]
		g := Figure{Top: volts(f.Top), Upper: ohms(f.Upper), Lower: ohms(f.Lower), Bias: volts(f.Gives), Ratio: c.Ratio.String()}
		if f.Burden > 0 {
			g.Burden = ohms(f.Burden)
		}
		if !slices.Contains(drawn, g) {
			drawn = append(drawn, g)
			s.add(Block{Kind: Picture, Figure: g})
		}
	}
	var rows [][]string
	for i := range b.rig.Channels {
		c, f := &b.rig.Channels[i], b.fronts[i]
		burden := "inside; add none"
		if f.Burden > 0 {
			burden = ohms(f.Burden)
		}
		turns := "1 turn"
		if c.Turns > 1 {
			turns = fmt.Sprintf("%d turns", c.Turns)
		}
		rows = append(rows, []string{c.Name, fmt.Sprintf("%s, input %d", b.rig.ADCs[c.ADC].Name, c.Input), c.Ratio.String() + ", " + turns, burden,
			fmt.Sprintf("%.3g mV/A", 1e3*f.PerAmp), amps(f.Range), amps(f.Step), amps(f.Noise)})
	}
	s.table([]string{"Channel", "Converter", "Transformer", "Burden", "Gives", "Reads to", "One count", "Noise"}, rows)
	s.say(fmt.Sprintf("\"Reads to\" is the largest sine, RMS, that is not clipped. An inrush may clip; that harms nothing. Noise is with no current: %g counts RMS, seen on rigs of this kind.", noiseCounts))
	if lines := b.burdens(); len(lines) > 0 {
		s.list(lines...)
	}
	if b.shop != nil {
		s.table([]string{"Channel", "Goes round one conductor of"}, b.places())
	}
	for i := range b.rig.Channels {
		if b.rig.Channels[i].Grounded {
			s.say("Jacks with a switch: the switch contact of " + b.names(b.grounded()) + " goes to ground, so that the program sees when the plug is out.")
			break
		}
	}
	return s
}

func (b *builder) grounded() []int {
	var out []int
	for i := range b.rig.Channels {
		if b.rig.Channels[i].Grounded {
			out = append(out, i)
		}
	}
	return out
}

// burdens checks each burden and range against what the transformer and the
// loads need.
func (b *builder) burdens() []string {
	var out []string
	said := map[string]bool{}
	for i := range b.rig.Channels {
		c, f := &b.rig.Channels[i], b.fronts[i]
		if f.Largest > 0 {
			text := fmt.Sprintf("%s across %s: the burden may have %s at most if the peak of %s shall stay inside the range; the next lower E24 value is %s. ",
				ohms(f.Burden), c.Ratio, ohms(f.Largest), amps(f.Rated), ohms(f.Advised))
			switch {
			case f.Burden > f.Largest*(1+1e-9):
				text += fmt.Sprintf("%s clips above %s.", ohms(f.Burden), amps(f.Range))
			case f.Burden < f.Advised/2:
				text += "A larger one would show small currents better."
			default:
				text += "It fits."
			}
			text += fmt.Sprintf(" At the rated current it turns %.0f mW into heat.", 1e3*f.Heat)
			if !said[text] {
				said[text] = true
				out = append(out, text)
			}
		}
		if load, who := b.load(i); load > f.Range {
			out = append(out, fmt.Sprintf("Channel %s reads to %s, and %s draws %s at full load: fit a transformer with a larger ratio, a smaller burden, or fewer turns.", c.Name, amps(f.Range), who, amps(load)))
		}
	}
	return out
}

// load is the full load of what a channel senses in the shop.
func (b *builder) load(channel int) (a float64, who string) {
	if b.shop == nil {
		return 0, ""
	}
	u := b.shop.Channels()[channel]
	switch {
	case u.Machine != control.NoID:
		m := &b.shop.Machines[u.Machine]
		return m.FullLoad, m.Name
	case u.Collector != control.NoID:
		return b.shop.Collector.FullLoad, "the collector"
	}
	return 0, ""
}

// places says what each channel goes round in the shop.
func (b *builder) places() [][]string {
	var out [][]string
	for i, u := range b.shop.Channels()[:len(b.rig.Channels)] { // the rest is at nodes
		place := "nothing in this shop"
		switch {
		case u.Machine != control.NoID:
			place = "the " + b.shop.Machines[u.Machine].Name
			if n := len(b.shop.Machines[u.Machine].Channels); n > 1 {
				place += fmt.Sprintf(" (one of %d: each round another conductor)", n)
			}
		case u.Collector != control.NoID:
			place = "the collector, behind the contactor"
		case len(u.Circuits) > 0:
			var list []string
			for _, c := range u.Circuits {
				list = append(list, b.shop.Circuits[c].Name)
			}
			place = "the circuit " + strings.Join(list, ", ")
		}
		out = append(out, []string{b.rig.Channels[i].Name, place})
	}
	return out
}

func (b *builder) contacts() Section {
	s := Section{Title: "Contacts"}
	if len(b.rig.Contacts) == 0 {
		return s
	}
	s.say("Wire each contact between its line and ground. It is dry: it carries only the computer's 3.3 V. The line has a pull-up: open reads 3.3 V, closed reads 0 V. In a cable of more than 2 m add 1 kohm in series and 100 nF to ground at the computer.")
	var rows [][]string
	wired := false
	for i := range b.rig.Contacts {
		c := &b.rig.Contacts[i]
		note := c.SheetNote()
		wired = wired || c.Kind.InCoil()
		if note == "" && !onBoard(c.Chip) {
			note = "needs 10 kohm to 3.3 V if its chip has no pull-up"
		}
		rows = append(rows, []string{c.Name, c.Kind.String(), where(c.Chip, c.Line), "closed means " + c.Closed, note})
	}
	s.table([]string{"Contact", "Kind", "Line", "Meaning", "Note"}, rows)
	if wired {
		s.caution("Stop contacts are closed while all is well. Wire them in series with the contactor's coil too: software is never the only way.")
	}
	return s
}

// pull says which resistor holds an output line off and how.
func pull(low bool) string {
	if low {
		return "10 kohm to 3.3 V"
	}
	return "10 kohm to ground"
}

func (b *builder) outputs() Section {
	s := Section{Title: "Relays, motors, heartbeat"}
	var rows [][]string
	for i := range b.rig.Actuators {
		a := &b.rig.Actuators[i]
		state := "high = on"
		if a.ActiveLow {
			state = "low = on"
		}
		for _, l := range a.Lines() {
			rows = append(rows, []string{l.What, where(a.Chip, l.Line), state, pull(a.ActiveLow), b.purpose(i)})
		}
	}
	if h := b.rig.Heartbeat; h != nil {
		rows = append(rows, []string{"heartbeat", where(h.Chip, h.Line), "toggles", pull(false), "timer in series with the contactor's coil, drops after " + config.FormatDuration(h.DropsAfter)})
	}
	if len(rows) == 0 {
		return s
	}
	s.table([]string{"Output", "Line", "Level", "Resistor at the board", "For"}, rows)
	s.say("The resistor holds the output off while the computer starts. Use the normally open contact of each relay.")
	s.say(b.holds())
	for _, k := range config.ActuatorKinds() {
		if b.count(k) > 0 {
			for _, note := range k.SheetNotes() {
				s.caution(note)
			}
		}
	}
	return s
}

// holds says what holds an output off once nobody drives its line. Raspberry Pi's
// kernels leave a line as it was unless the parameter persist_gpio_outputs of
// pinctrl_bcm2835, or on the Pi 5 of pinctrl_rp1, says no, which dtparam=strict_gpiod
// makes it (Raspberry Pi's overlays/README, "strict_gpiod").
func (b *builder) holds() string {
	const after = "What nothing holds off is a computer that hangs: only a heartbeat's timer or the stop contacts in the coil circuit do."
	if b.board == "" {
		return "Whether the resistor holds it off after the program was killed depends on the driver of the board's chip. Try it without load: switch an output on with kerfwind jog, kill that program with kill -9, and measure the line. If it stays, only kerfwind halt, which the service runs at every end, switches it off. " + after
	}
	return "When the program is killed, the kernel of a Raspberry Pi leaves each line as it was, and kerfwind halt, which the service runs at every end, switches it off. With dtparam=strict_gpiod, among the boot settings, the kernel lets go of the line and the resistor holds it off without anybody's doing. " + after
}

// drives reports whether an actuator is on this computer.
func (b *builder) drives(a int) bool { return a >= 0 && a < len(b.rig.Actuators) }

// purpose returns what an actuator does in the shop.
func (b *builder) purpose(a int) string {
	if b.shop == nil {
		return ""
	}
	if b.shop.Collector.Actuator == a {
		return "the contactor's coil"
	}
	for i := range b.shop.Gates {
		if b.shop.Gates[i].Actuator == a {
			return "gate " + b.shop.Gates[i].Name
		}
	}
	for i := range b.shop.Outlets {
		if b.shop.Outlets[i].Actuator == a {
			return "outlet " + b.shop.Outlets[i].Name
		}
	}
	for i := range b.shop.Indicators {
		if b.shop.Indicators[i].Actuator == a {
			return "indicator " + b.shop.Indicators[i].Name
		}
	}
	return "nothing in this shop"
}

// servoChip is one servo board.
type servoChip struct {
	bus     string
	address int
}

func (b *builder) servoChips() []servoChip {
	var out []servoChip
	for i := range b.rig.Actuators {
		if a := &b.rig.Actuators[i]; a.Kind.OnChip() {
			if c := (servoChip{a.Bus, a.Address}); !slices.Contains(out, c) {
				out = append(out, c)
			}
		}
	}
	return out
}

// enableOf says on which line the output-enable pin of a servo board is; ""
// on none.
func (b *builder) enableOf(c servoChip) string {
	for i := range b.rig.ServoChips {
		if e := &b.rig.ServoChips[i]; e.Bus == c.bus && e.Address == c.address {
			return where(e.Chip, e.Line)
		}
	}
	return ""
}

func (b *builder) servos() Section {
	s := Section{Title: "Servos"}
	for _, c := range b.servoChips() {
		data, clock := b.i2c(c.bus)
		jumpers := "no address jumper"
		if c.address >= 0x40 && c.address <= 0x7f {
			var closed []string
			for bit := range 6 {
				if (c.address-0x40)&(1<<bit) != 0 {
					closed = append(closed, fmt.Sprintf("A%d", bit))
				}
			}
			if len(closed) > 0 {
				jumpers = "address jumpers closed: " + strings.Join(closed, ", ")
			}
		}
		s.say(fmt.Sprintf("Servo board at address 0x%02x on %s, %s.", c.address, c.bus, jumpers))
		oe := "ground, as most boards come: outputs enabled; the program switches pulses off by the chip itself"
		if line := b.enableOf(c); line != "" {
			oe = line + ", with 10 kohm to 3.3 V at the board: pulses only while the line is low; cut the board's own tie to ground"
		}
		s.table([]string{"Terminal", "Goes to"}, [][]string{
			{"VCC", "3.3 V (the logic, not the servos)"}, {"GND", "ground"}, {"SDA", data}, {"SCL", clock},
			{"OE", oe},
			{"V+", "the servo supply through its fuse, 1000 uF at the terminals"},
		})
		if c.address == 0x70 {
			s.caution("0x70 is the address to which every PCA9685 answers from power-on: choose another.")
		}
		var rows [][]string
		for i := range b.rig.Actuators {
			if a := &b.rig.Actuators[i]; a.Kind.OnChip() && a.Bus == c.bus && a.Address == c.address {
				rows = append(rows, []string{fmt.Sprint(a.Output), a.Name, config.FormatDuration(a.PulseOpen), config.FormatDuration(a.PulseShut), b.purpose(i)})
			}
		}
		slices.SortStableFunc(rows, func(x, y []string) int { return len(x[0])*100 - len(y[0])*100 + strings.Compare(x[0], y[0]) })
		s.table([]string{"Output", "Servo", "Pulse open", "Pulse shut", "For"}, rows)
	}
	switch {
	case len(s.Blocks) == 0:
	case len(b.rig.ServoChips) == len(b.servoChips()):
		s.caution("The resistor at OE ends the pulses whenever the line is not driven: from power-on until the program runs, and after a crash where the kernel lets go of the line. A program that hangs keeps the line low, and each servo its last pulse: put a switch in the servo supply.")
	default:
		s.caution("The servo board does not see the computer restart: after a hang or a crash each servo keeps its last pulse until the program runs again or the servo supply is cut. Put a switch in the servo supply. Better: lift OE from ground, pull it up with 10 kohm to 3.3 V, lead it to a line of the computer, and name that as a servo_chip in the rig file.")
	}
	return s
}

// contactor reports whether the program drives a contactor, and by which relay; "" as long
// as no shop says so.
func (b *builder) contactor() (relay string, there bool) {
	if b.shop == nil {
		return "", slices.ContainsFunc(b.rig.Actuators, func(a config.Actuator) bool { return a.Kind.Serves(config.ForContactor) })
	}
	if at := b.shop.Collector.Actuator; b.drives(at) && b.rig.Actuators[at].Kind.Serves(config.ForContactor) {
		return b.rig.Actuators[at].Name, true
	}
	return "", false
}

func (b *builder) coil() Section {
	s := Section{Title: "The contactor's coil circuit"}
	relay, there := b.contactor()
	if !there {
		return s
	}
	chain := []string{"coil supply, fused"}
	for i := range b.rig.Contacts {
		if c := &b.rig.Contacts[i]; c.Kind.InCoil() {
			text := c.Name + " (normally closed"
			if !c.Series {
				text += "; the rig file does not say that it is wired here"
			}
			chain = append(chain, text+")")
		}
	}
	chain = append(chain, "overload relay's auxiliary (normally closed)", "hand/off/auto switch, auto")
	if b.rig.Heartbeat != nil {
		chain = append(chain, "contact of the heartbeat's timer")
	}
	if relay == "" {
		chain = append(chain, "normally open contact of the collector's relay")
	} else {
		chain = append(chain, "normally open contact of relay "+relay)
	}
	chain = append(chain, "coil of the contactor, with a suppressor across it", "back to the coil supply")
	s.say("In series, in this order:")
	s.add(Block{Kind: Code, Items: []string{strings.Join(chain, "\n  -> ")}})
	s.say("The hand position bypasses the relay and the timer, never the stop contacts and the overload relay.")
	s.caution("A coil at mains voltage is not low voltage: then this whole circuit, relay board included, is mains wiring in a listed enclosure, and an electrician's work. A 24 V coil fed by a small safety transformer (class 2 or SELV) keeps it out of the rig.")
	if b.rig.Heartbeat == nil {
		s.caution("This rig has no heartbeat: when the program hangs, the contactor stays as it is until somebody notices.")
	}
	return s
}
