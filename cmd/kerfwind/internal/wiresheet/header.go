package wiresheet

import (
	"fmt"
	"slices"
	"strings"

	"kerfwind/config"
)

// header is the 40-pin header of a Raspberry Pi: what each pin is, from pin 1
// on. Numbers are GPIO lines. Source: the board maker's description of the
// header, as also in Zephyr's binding "raspberrypi-40pins-header".
var header = [40]string{
	"3.3 V", "5 V", "2", "5 V", "3", "ground", "4", "14", "ground", "15",
	"17", "18", "27", "ground", "22", "23", "3.3 V", "24", "10", "ground",
	"9", "25", "11", "8", "ground", "7", "0", "1", "5", "ground",
	"6", "12", "13", "ground", "19", "16", "26", "20", "ground", "21",
}

// pinOf is the header's pin for a GPIO line, 0 if there is none.
func pinOf(line int) int { return slices.Index(header[:], fmt.Sprint(line)) + 1 }

// boards are the labels of GPIO chips whose lines are those of the header, and
// the supply that the board's maker asks for, in amperes at 5 V.
var boards = map[string]float64{"pinctrl-bcm2835": 2.5, "pinctrl-bcm2711": 3, "pinctrl-rp1": 5}

// Signals of the buses on the header, by line. SPI 1 and what is beyond I2C 1
// need an overlay.
var (
	spiLines  = map[string][3]int{"0": {10, 9, 11}, "1": {20, 19, 21}} // to the converter, from it, clock
	spiSelect = map[string][]int{"0": {8, 7}, "1": {18, 17, 16}}
	i2cLines  = map[string][2]int{"1": {2, 3}} // data, clock
)

// enable ends what the output-enable line of a servo board is used for.
const enable = ", enable"

// use is one thing that a line is used for.
type use struct {
	line int
	what string
	out  bool // driven by the program
	low  bool // active low
}

// uses lists what the rig does with the lines of the board's own chip: buses
// first, then the order of the file.
func uses(r *config.Rig) []use {
	var out []use
	for _, bus := range spiBuses(r) {
		if l, ok := spiLines[bus]; ok {
			name := "SPI " + bus
			out = append(out, use{line: l[0], what: name + " data to the converter"}, use{line: l[1], what: name + " data from the converter"}, use{line: l[2], what: name + " clock"})
			for i, s := range spiSelect[bus] {
				what := fmt.Sprintf("%s select %d (taken by SPI, not used)", name, i)
				if a := adcAt(r, "/dev/spidev"+bus+"."+fmt.Sprint(i)); a >= 0 {
					what = fmt.Sprintf("%s select of converter %s", name, r.ADCs[a].Name)
				} else if bus != "0" {
					continue // an overlay takes only those that are asked for
				}
				out = append(out, use{line: s, what: what})
			}
		}
	}
	for _, bus := range i2cBuses(r) {
		if l, ok := i2cLines[strings.TrimPrefix(bus, "/dev/i2c-")]; ok {
			out = append(out, use{line: l[0], what: "I2C data (SDA)"}, use{line: l[1], what: "I2C clock (SCL)"})
		}
	}
	for i := range r.Actuators {
		a := &r.Actuators[i]
		switch a.Kind {
		case "relay":
			if onBoard(a.Chip) {
				out = append(out, use{a.Line, "relay " + a.Name, true, a.ActiveLow})
			}
		case "motor":
			if onBoard(a.Chip) {
				out = append(out, use{a.OpenLine, "motor " + a.Name + ", open", true, a.ActiveLow}, use{a.ShutLine, "motor " + a.Name + ", shut", true, a.ActiveLow})
			}
		}
	}
	for i := range r.ServoChips {
		if c := &r.ServoChips[i]; onBoard(c.Chip) {
			out = append(out, use{c.Line, fmt.Sprintf("servo board 0x%02x%s", c.Address, enable), true, true})
		}
	}
	if h := r.Heartbeat; h != nil && onBoard(h.Chip) {
		out = append(out, use{h.Line, "heartbeat", true, false})
	}
	for i := range r.Contacts {
		if c := &r.Contacts[i]; onBoard(c.Chip) {
			out = append(out, use{line: c.Line, what: "contact " + c.Name})
		}
	}
	return out
}

func onBoard(chip string) bool { _, ok := boards[chip]; return ok }

// board is the label of the board's own chip, "" if the rig names none.
func board(r *config.Rig) string {
	var chips []string
	for i := range r.Contacts {
		chips = append(chips, r.Contacts[i].Chip)
	}
	for i := range r.Actuators {
		chips = append(chips, r.Actuators[i].Chip)
	}
	for i := range r.ServoChips {
		chips = append(chips, r.ServoChips[i].Chip)
	}
	if r.Heartbeat != nil {
		chips = append(chips, r.Heartbeat.Chip)
	}
	for _, c := range chips {
		if onBoard(c) {
			return c
		}
	}
	return ""
}

// spiBuses lists the SPI buses of converters: "0" for "/dev/spidev0.1".
func spiBuses(r *config.Rig) []string {
	var out []string
	for i := range r.ADCs {
		if rest, ok := strings.CutPrefix(r.ADCs[i].Port, "/dev/spidev"); ok {
			bus, _, _ := strings.Cut(rest, ".")
			if !slices.Contains(out, bus) {
				out = append(out, bus)
			}
		}
	}
	return out
}

// i2cBuses lists the device files of I2C buses.
func i2cBuses(r *config.Rig) []string {
	var out []string
	add := func(bus string) {
		if strings.HasPrefix(bus, "/dev/i2c-") && !slices.Contains(out, bus) {
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

func adcAt(r *config.Rig, port string) int {
	return slices.IndexFunc(r.ADCs, func(a config.ADC) bool { return a.Port == port })
}

// where says which line of which chip, with the pin where the header has it.
func where(chip string, line int) string {
	if onBoard(chip) {
		if pin := pinOf(line); pin > 0 {
			return fmt.Sprintf("pin %d (GPIO %d)", pin, line)
		}
		return fmt.Sprintf("GPIO %d: not on the header", line)
	}
	return fmt.Sprintf("line %d of %s", line, chip)
}

// lineDoubts says what is wrong with the use of lines on the header.
func lineDoubts(list []use) []string {
	var out []string
	first := map[int]use{}
	for _, u := range list {
		if other, ok := first[u.line]; ok {
			out = append(out, fmt.Sprintf("GPIO %d is used twice: for %s and for %s. Choose another line for one of them in the rig file.", u.line, other.what, u.what))
			continue
		}
		first[u.line] = u
		switch {
		case pinOf(u.line) == 0:
			out = append(out, fmt.Sprintf("GPIO %d (%s) is not on the 40-pin header.", u.line, u.what))
		case u.line <= 1 && (u.out || strings.HasPrefix(u.what, "contact")):
			out = append(out, fmt.Sprintf("GPIO %d (%s) is meant for the identity chip of an add-on board and moves while the computer starts. Choose another line.", u.line, u.what))
		case u.out && (u.line == 14 || u.line == 15):
			out = append(out, fmt.Sprintf("GPIO %d (%s) carries the serial console while the computer starts: what hangs on it chatters. Choose another line, 16 to 27 for example.", u.line, u.what))
		case u.out && !u.low && u.line <= 8:
			out = append(out, fmt.Sprintf("GPIO %d (%s) is pulled up from power-on until the program runs; the output is active high, so the pull-down resistor must win against about 50 kohm. Better choose a line from 9 to 27.", u.line, u.what))
		case u.out && u.low && u.line >= 9 && strings.HasSuffix(u.what, enable):
			out = append(out, fmt.Sprintf("GPIO %d (%s) is pulled down from power-on until the program runs, and low lets pulses out: the pull-up resistor must win against about 50 kohm. Better choose a line from 4 to 8.", u.line, u.what))
		case u.out && u.low && u.line >= 9:
			out = append(out, fmt.Sprintf("GPIO %d (%s) is pulled down from power-on until the program runs; the output is active low, so it would be on. The pull-up resistor must win against about 50 kohm; better use active-high boards.", u.line, u.what))
		}
	}
	return out
}
