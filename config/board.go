package config

import (
	"fmt"
	"slices"
	"strings"
)

// What the 40-pin header of a Raspberry Pi carries, and which of its lines the
// rig's buses take.

// Header lists the pins of the header, from pin 1 on. Numbers are GPIO
// lines. Source: the board maker's description of the header, as also in
// Zephyr's binding "raspberrypi-40pins-header".
var Header = [40]string{
	"3.3 V", "5 V", "2", "5 V", "3", "ground", "4", "14", "ground", "15",
	"17", "18", "27", "ground", "22", "23", "3.3 V", "24", "10", "ground",
	"9", "25", "11", "8", "ground", "7", "0", "1", "5", "ground",
	"6", "12", "13", "ground", "19", "16", "26", "20", "ground", "21",
}

// HeaderPin is the header's pin for a GPIO line, 0 if there is none.
func HeaderPin(line int) int { return slices.Index(Header[:], fmt.Sprint(line)) + 1 }

// Board is a computer with that header.
type Board struct {
	Lines  int     // of its GPIO chip, from 0 on
	Supply float64 // A at 5 V, as the board's maker asks for
}

// Boards are the GPIO chips whose lines are those of the header, by label. How
// many lines each has: drivers/pinctrl/bcm/pinctrl-bcm2835.c and
// drivers/pinctrl/pinctrl-rp1.c of Linux, from memory.
var Boards = map[string]Board{"pinctrl-bcm2835": {54, 2.5}, "pinctrl-bcm2711": {58, 3}, "pinctrl-rp1": {54, 5}}

// Signals of the buses on the header, by line. SPI 1 and what is beyond I2C 1
// need an overlay.
var (
	SPILines  = map[string][3]int{"0": {10, 9, 11}, "1": {20, 19, 21}} // to the converter, from it, clock
	SPISelect = map[string][]int{"0": {8, 7}, "1": {18, 17, 16}}
	I2CLines  = map[string][2]int{"1": {2, 3}} // data, clock
)

const (
	spiPort = "/dev/spidev"
	i2cPort = "/dev/i2c-"
)

// SPIPort takes a port apart: "0" and "1" of "/dev/spidev0.1".
func SPIPort(port string) (bus, sel string, ok bool) {
	rest, ok := strings.CutPrefix(port, spiPort)
	bus, sel, dot := strings.Cut(rest, ".")
	return bus, sel, ok && dot && isNumber(bus) && isNumber(sel)
}

// I2CPort is the number of a bus: "1" of "/dev/i2c-1".
func I2CPort(port string) (bus string, ok bool) {
	bus, ok = strings.CutPrefix(port, i2cPort)
	return bus, ok && isNumber(bus)
}

// isNumber reports whether a text is a small number without a sign or a leading zero.
func isNumber(s string) bool {
	return s == "0" || s != "" && len(s) <= 3 && s[0] != '0' && !strings.ContainsFunc(s, func(r rune) bool { return r < '0' || r > '9' })
}

// isPort reports a device file that is none of a bus of the kind.
func (f *file) isPort(path, who string, b bus, port string) {
	_, _, spi := SPIPort(port)
	_, i2c := I2CPort(port)
	switch {
	case port == "": // reported already
	case b == spiBus && !spi:
		f.add(path, fmt.Sprintf("%s: it hangs on SPI, and %q is no SPI device", who, port), `write "/dev/spidev0.0", or "/dev/spidev0.1" for the second select line`)
	case b == i2cBus && !i2c:
		f.add(path, fmt.Sprintf("%s: it hangs on I2C, and %q is no I2C bus", who, port), `write "/dev/i2c-1"`)
	}
}

// SPIBuses lists the SPI buses of converters: "0" for "/dev/spidev0.1".
func (r *Rig) SPIBuses() []string {
	var out []string
	for i := range r.ADCs {
		if bus, _, ok := SPIPort(r.ADCs[i].Port); ok && !slices.Contains(out, bus) {
			out = append(out, bus)
		}
	}
	return out
}

// I2CBuses lists the device files of I2C buses.
func (r *Rig) I2CBuses() []string {
	var out []string
	add := func(bus string) {
		if _, ok := I2CPort(bus); ok && !slices.Contains(out, bus) {
			out = append(out, bus)
		}
	}
	for i := range r.ADCs {
		add(r.ADCs[i].Port)
	}
	for i := range r.Actuators {
		add(r.Actuators[i].Bus)
	}
	return out
}

// BusLine is a line of the header that a bus takes.
type BusLine struct {
	Line int
	What string
	Idle bool // the kernel takes it with the bus; nothing of the rig hangs on it
}

// BusLines lists the lines of the header that the rig's buses take.
func (r *Rig) BusLines() []BusLine {
	var out []BusLine
	for _, bus := range r.SPIBuses() {
		l, ok := SPILines[bus]
		if !ok {
			continue
		}
		name := "SPI " + bus
		out = append(out, BusLine{l[0], name + " data to the converter", false}, BusLine{l[1], name + " data from the converter", false}, BusLine{l[2], name + " clock", false})
		for i, s := range SPISelect[bus] {
			a := slices.IndexFunc(r.ADCs, func(a ADC) bool { return a.Port == fmt.Sprintf("%s%s.%d", spiPort, bus, i) })
			switch {
			case a >= 0:
				out = append(out, BusLine{s, fmt.Sprintf("%s select of converter %s", name, r.ADCs[a].Name), false})
			case bus == "0": // an overlay takes only those that are asked for
				out = append(out, BusLine{s, fmt.Sprintf("%s select %d (taken by SPI, not used)", name, i), true})
			}
		}
	}
	for _, bus := range r.I2CBuses() {
		n, _ := I2CPort(bus)
		if l, ok := I2CLines[n]; ok {
			out = append(out, BusLine{l[0], "I2C data (SDA)", false}, BusLine{l[1], "I2C clock (SCL)", false})
		}
	}
	return out
}

// wires are the lines, ports and outputs of a rig that are in use, and by whom.
type wires struct {
	users
	used []usedLine
}

type usedLine struct {
	path, chip string
	n          int
}

// line takes a line of a GPIO chip.
func (w *wires) line(f *file, path, chip string, n int) {
	if chip == "" {
		return // reported already
	}
	w.take(f, path, fmt.Sprintf("line %d of %q", n, chip), "one line serves one thing")
	w.used = append(w.used, usedLine{path, chip, n})
}

// onBoard reports lines that the board does not have, or that its buses take.
func (w *wires) onBoard(f *file, r *Rig) {
	taken := r.BusLines()
	for _, u := range w.used {
		b, ok := Boards[u.chip]
		if !ok {
			continue
		}
		if u.n >= b.Lines {
			f.add(u.path, fmt.Sprintf("%s: %q has lines 0 to %d", f.tableOf(u.path), u.chip, b.Lines-1), "write a line that is on the header, 16 to 27 for example")
			continue
		}
		if HeaderPin(u.n) == 0 {
			r.Warnings = append(r.Warnings, f.problem(u.path, fmt.Sprintf("%s: line %d of %q is not on the 40-pin header", f.tableOf(u.path), u.n, u.chip), "use a line from 2 to 27"))
		}
		i := slices.IndexFunc(taken, func(t BusLine) bool { return t.Line == u.n })
		switch {
		case i < 0:
		case taken[i].Idle:
			r.Warnings = append(r.Warnings, f.problem(u.path, fmt.Sprintf("%s: line %d of %q is %s", f.tableOf(u.path), u.n, u.chip, taken[i].What), "use another line, or have SPI take one select line only (dtoverlay=spi0-1cs in config.txt)"))
		default:
			f.add(u.path, fmt.Sprintf("%s: line %d of %q carries %s", f.tableOf(u.path), u.n, u.chip, taken[i].What), "use another line")
		}
	}
}
