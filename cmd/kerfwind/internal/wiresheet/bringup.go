package wiresheet

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"kerfwind/config"
)

func (b *builder) boot() Section {
	s := Section{Title: "Boot settings"}
	if b.board == "" {
		return b.otherBoot(s)
	}
	var lines []string
	if len(b.rig.SPIBuses()) > 0 {
		for _, bus := range b.rig.SPIBuses() {
			switch bus {
			case "0":
				lines = append(lines, "dtparam=spi=on")
			default:
				n := 0
				for i := range b.rig.ADCs {
					if at, sel, ok := config.SPIPort(b.rig.ADCs[i].Port); ok && at == bus {
						if k, err := strconv.Atoi(sel); err == nil {
							n = max(n, k+1)
						}
					}
				}
				lines = append(lines, fmt.Sprintf("dtoverlay=spi%s-%dcs", bus, n))
			}
		}
	}
	if len(b.rig.I2CBuses()) > 0 {
		lines = append(lines, "dtparam=i2c_arm=on", "dtparam=i2c_arm_baudrate=400000")
	}
	// Lines of one state together: gpio=17,27=op,dl.
	var high, low, in []string
	for _, u := range b.uses {
		n := fmt.Sprint(u.line)
		switch {
		case u.out && u.low:
			high = append(high, n)
		case u.out:
			low = append(low, n)
		case strings.HasPrefix(u.what, "contact"):
			in = append(in, n)
		}
	}
	for _, x := range []struct {
		list []string
		mode string
	}{{low, "op,dl"}, {high, "op,dh"}, {in, "ip,pu"}} {
		if len(x.list) > 0 {
			lines = append(lines, "gpio="+strings.Join(x.list, ",")+"="+x.mode)
		}
	}
	if len(low)+len(high) > 0 {
		lines = append(lines, "dtparam=strict_gpiod")
	}
	if len(lines) == 0 {
		return s
	}
	s.say("Add to config.txt in the boot partition, then restart:")
	s.add(Block{Kind: Code, Items: lines})
	if len(low)+len(high) > 0 {
		s.say("op,dl drives a line low early in the start, op,dh high; both mean off here. Before that only the resistors hold it.")
	}
	return s
}

// otherBoot says what a board that is no Raspberry Pi must have, since each turns it on
// in its own way.
func (b *builder) otherBoot(s Section) Section {
	var rows [][]string
	need := func(what, how string) { rows = append(rows, []string{what, how}) }
	for i := range b.rig.ADCs {
		if a := &b.rig.ADCs[i]; a.Chip.OnSPI() {
			need(a.Port, "the SPI controller switched on in the device tree, with a node for the driver spidev at that select line")
		}
	}
	for _, bus := range b.rig.I2CBuses() {
		need("/dev/i2c-"+bus, "the I2C controller switched on in the device tree, at 400 kHz; the module i2c-dev loaded")
	}
	if outs := len(b.rig.Actuators) + len(b.rig.ServoChips); outs > 0 {
		need("each output's line", "free of any other function, and off from early in the start: a gpio-hog must not hold it, so set it in the boot loader where that can")
	}
	if len(rows) == 0 {
		return s
	}
	s.say("This sheet knows no boot settings for this board. Its documentation says how to have:")
	s.table([]string{"What", "How"}, rows)
	s.say("Then kerfwind doctor says what is still missing.")
	return s
}

func (b *builder) bringUp() Section {
	s := Section{Title: "Bring-up"}
	s.say("One step after the other; go on only when the reading is right. Nothing at mains voltage is connected before the step that says so.")
	var rows [][]string
	step := func(do, expect string) { rows = append(rows, []string{do, expect}) }
	step("All supplies off, computer unplugged. Meter on resistance: 3.3 V to ground, each supply to ground.", "more than 500 ohm, no short; capacitors may show low for a second")
	if len(b.rig.ADCs) > 0 {
		step("Computer on, no transformer plugged in. Measure the converters' supply.", "3.3 V (3.2 to 3.4 V)")
	}
	outs := b.lines(func(u use) bool { return u.out && !u.low })
	if outs != "" {
		step("Restart the computer and watch these lines from power-on: "+outs+".", "0 V all the time; no relay clicks, no motor moves")
	}
	if lows := b.lines(func(u use) bool { return u.out && u.low }); lows != "" {
		step("Restart the computer and watch these lines from power-on: "+lows+".", "3.3 V all the time; no relay clicks, no motor moves")
	}
	for _, g := range b.biases() {
		f := b.fronts[g.channels[0]]
		step("Measure the bias point of "+b.names(g.channels)+".", fmt.Sprintf("%s (within %s)", volts(g.d.Gives), volts(significant(0.03*g.d.Top, 1))))
		if list := slices.DeleteFunc(slices.Clone(g.channels), func(i int) bool { return !b.rig.Channels[i].Grounded }); len(list) > 0 {
			step(fmt.Sprintf("Plugs out. Look at channels %s with kerfwind watch.", b.names(list)), "code 0, \"bias too low\": the unplugged jack is seen")
		}
		step(fmt.Sprintf("Transformers plugged in, round nothing yet. Look at channels %s with kerfwind watch.", b.names(g.channels)),
			fmt.Sprintf("code about %.0f of %.0f (%.0f to %.0f), healthy; noise about %s", f.Code, f.Codes, f.Code-0.03*f.Codes, f.Code+0.03*f.Codes, b.noises(g.channels)))
	}
	if n := len(b.rig.Contacts); n > 0 {
		step("Each contact by hand, meter between its line and ground.", "open 3.3 V, closed 0 V")
	}
	for _, k := range config.ActuatorKinds() {
		if b.count(k) > 0 {
			for _, x := range k.BringUp() {
				step(x[0], x[1])
			}
		}
	}
	if b.shop != nil && b.drives(b.shop.Collector.Actuator) && b.rig.Actuators[b.shop.Collector.Actuator].Kind.Serves(config.ForContactor) {
		stops := b.stops()
		step("Electrician: coil circuit on, the contactor's mains side disconnected, switch on auto. Nothing runs.", "the coil does not pull in")
		if stops != "" {
			step("Switch to hand; then open each in turn: "+stops+".", "the coil pulls in, and drops out at each")
		}
	}
	if len(b.rig.Channels) > 0 {
		what, expect := b.known()
		step("Electrician: transformers round their conductors. "+what, expect)
		step("Run each machine for a moment and look at kerfwind watch.", "the right channel moves, and only that; another shows 2 % of it at most")
		step("Learn the levels with kerfwind learn, machine by machine.", "each margin \"wide\" or \"fair\"")
	}
	if h := b.rig.Heartbeat; h != nil {
		step("Motor side of the contactor still disconnected, kerfwind running, a machine running so that the coil is in: freeze the program with kill -STOP and its process number.",
			"the coil drops out within "+config.FormatDuration(h.DropsAfter)+"; kill -CONT lets it go on")
	}
	s.add(Block{Kind: Steps, Head: []string{"Do", "Expect", "Read"}, Rows: rows})
	return s
}

// known is a load whose current is known: a heater of 1500 W.
func (b *builder) known() (do, expect string) {
	const watts = 1500.0
	if b.shop == nil || b.shop.Mains.Voltage <= 0 {
		return fmt.Sprintf("Switch on a heater of %g W on one.", watts), fmt.Sprintf("%g divided by the voltage, within a tenth: 6.5 A at 230 V, 12.5 A at 120 V", watts)
	}
	v := b.shop.Mains.Voltage
	for i := range b.shop.Circuits {
		if c := &b.shop.Circuits[i]; c.Voltage < v {
			v = c.Voltage
		}
	}
	return fmt.Sprintf("Switch on a heater of %g W, at %s, on one.", watts, volts(v)),
		fmt.Sprintf("%s, within a tenth; half of it or twice as much: look at ratio, burden and turns", config.Metric.Format(config.Current, math.Round(10*watts/v)/10))
}

func (b *builder) lines(keep func(use) bool) string {
	var out []string
	for _, u := range b.uses {
		if keep(u) {
			out = append(out, fmt.Sprintf("%s (%s)", where(b.board, u.line), u.what))
		}
	}
	return strings.Join(out, ", ")
}

func (b *builder) stops() string {
	var out []string
	for i := range b.rig.Contacts {
		if b.rig.Contacts[i].Kind.InCoil() {
			out = append(out, b.rig.Contacts[i].Name)
		}
	}
	return strings.Join(out, ", ")
}

// noises is the range of noise that channels should show.
func (b *builder) noises(channels []int) string {
	lo, hi := math.Inf(1), 0.0
	for _, i := range channels {
		lo, hi = min(lo, b.fronts[i].Noise), max(hi, b.fronts[i].Noise)
	}
	if hi-lo < 0.05*hi {
		return amps(hi)
	}
	return amps(lo) + " to " + amps(hi)
}
