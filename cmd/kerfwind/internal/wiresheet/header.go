package wiresheet

import (
	"fmt"
	"strings"

	"kerfwind/config"
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
	for _, l := range r.BusLines() {
		out = append(out, use{line: l.Line, what: l.What})
	}
	for i := range r.Actuators {
		if a := &r.Actuators[i]; onBoard(a.Chip) {
			for _, l := range a.Lines() {
				out = append(out, use{l.Line, l.What, true, a.ActiveLow})
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

func onBoard(chip string) bool { _, ok := config.Boards[chip]; return ok }

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

// where says which line of which chip, with the pin where the header has it.
func where(chip string, line int) string {
	if onBoard(chip) {
		if pin := config.HeaderPin(line); pin > 0 {
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
		case config.HeaderPin(u.line) == 0:
			out = append(out, fmt.Sprintf("GPIO %d (%s) is not on the 40-pin header.", u.line, u.what))
		case u.line <= 1 && (u.out || strings.HasPrefix(u.what, "contact")):
			out = append(out, fmt.Sprintf("GPIO %d (%s) is meant for the identity chip of an add-on board and moves while the computer starts. Choose another line.", u.line, u.what))
		case u.out && (u.line == 14 || u.line == 15):
			out = append(out, fmt.Sprintf("GPIO %d (%s) carries the serial console while the computer starts: whatever is wired to it chatters. Choose another line, 16 to 27 for example.", u.line, u.what))
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
