package doctor

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"kerfwind/sensor/adc"
)

// user reports whether the findings on permissions mean anything.
func (e *exam) user() {
	if e.System.UID == 0 {
		e.warn("user", "this is root, who may open everything: nothing is shown of what the service's user may",
			"run it as the service does: sudo -u kerfwind kerfwind doctor ...; and never run kerfwind itself as root")
	}
}

// holder tells who runs the rig now.
func (e *exam) holder() {
	path := filepath.Join(e.Runtime, "rig.lock")
	switch pid, err := e.System.Holder(path); {
	case err != nil:
		e.busy = true
		e.warn("lock", fmt.Sprintf("cannot tell whether a kerfwind runs: %v", err), "look at the folder "+e.Runtime)
	case pid != "":
		e.busy = true
		e.ok("lock", "a kerfwind runs, process %s (%s)", pid, path)
	default:
		e.ok("lock", "no kerfwind runs now")
	}
}

// device looks at a device file and reports whether it may be used.
func (e *exam) device(path, group, switchOn string) bool {
	err := e.System.Access(e.System.path(path))
	switch {
	case err == nil:
		return true
	case errors.Is(err, os.ErrNotExist):
		e.bad(path, "there is no such device", switchOn)
	case errors.Is(err, os.ErrPermission):
		name, may := e.System.Group(e.System.path(path))
		if may && name != "root" {
			e.bad(path, "this user may not open it",
				fmt.Sprintf("put the user into the group %s (usermod -aG %s USER, then log in again); the service's user has it by SupplementaryGroups=", name, name))
		} else {
			e.bad(path, "only root may open it", "install the udev rule that comes with kerfwind (60-kerfwind.rules), which gives it to the group "+group+", and reboot")
		}
	default:
		e.bad(path, err.Error(), "look at what the kernel says: dmesg")
	}
	return false
}

const (
	spiOn = "switch SPI on (dtparam=spi=on in config.txt) and reboot; the module spidev must be loaded"
	i2cOn = "switch the bus on (dtparam=i2c_arm=on in config.txt) and reboot; the module i2c-dev must be loaded"
)

// converters looks at the converters on SPI; those on I2C are looked at with
// their buses.
func (e *exam) converters() {
	spi := false
	for i := range e.Rig.ADCs {
		if a := &e.Rig.ADCs[i]; a.Chip.OnSPI() && e.device(a.Port, "spi", spiOn) {
			spi = true
			e.ok(a.Port, "may be opened, for converter %s", a.Name)
			e.scan(i)
		}
	}
	if !spi {
		return
	}
	limits, err := adc.ReadLimits(e.System.Root)
	if err != nil {
		e.bad("spidev", err.Error(), spiOn)
		return
	}
	n := limits.Packets(3)
	for i := range e.Rig.ADCs {
		a := &e.Rig.ADCs[i]
		if k := len(e.Rig.Of(i)); a.Chip.OnSPI() && k > n {
			e.warn("spidev", fmt.Sprintf("its buffer of %d bytes takes %d conversions in one call: a scan of converter %s needs %d", limits.Bytes, n, a.Name, k),
				"write spidev.bufsiz=65536 into cmdline.txt and reboot")
			return
		}
	}
	e.ok("spidev", "its buffer of %d bytes takes %d conversions in one call", limits.Bytes, n)
}

// scan reads one scan of a converter by its own driver, unless a kerfwind does
// so now.
func (e *exam) scan(i int) {
	a := &e.Rig.ADCs[i]
	if e.Scan == nil || e.busy {
		return
	}
	about := "converter " + a.Name
	if err := e.Scan(i); err != nil {
		e.bad(about, err.Error(), "look at its supply, its wires and its place in the rig file; kerfwind wiring prints every pin")
		return
	}
	e.ok(about, "the %s answers", a.Chip)
}

// fastI2C is the fast mode of the I2C specification (NXP UM10204), Hz. A move
// of a servo is 5 bytes; at the standard mode's 100 kHz it takes half a millisecond.
const fastI2C = 400_000

// buses looks at the I2C buses of servos and converters.
func (e *exam) buses() {
	var buses []string
	use := map[string]string{}
	add := func(bus, what string) {
		if use[bus] == "" {
			buses = append(buses, bus)
			use[bus] = what
		} else if !strings.Contains(use[bus], what) {
			use[bus] += " and " + what
		}
	}
	for i := range e.Rig.Actuators {
		if a := &e.Rig.Actuators[i]; a.Kind.OnChip() {
			add(a.Bus, a.Kind.String()+"s")
		}
	}
	for i := range e.Rig.ADCs {
		if a := &e.Rig.ADCs[i]; a.Chip.OnI2C() {
			add(a.Port, "converter "+a.Name)
		}
	}
	for _, bus := range buses {
		if !e.device(bus, "i2c", i2cOn) {
			continue
		}
		hz, known := e.i2cClock(filepath.Base(bus))
		switch {
		case !known:
			e.ok(bus, "may be opened, for %s; its clock cannot be seen here", use[bus])
		case hz < fastI2C && strings.Contains(use[bus], "converter"):
			e.warn(bus, fmt.Sprintf("its clock is %d kHz, slow for a converter", hz/1000), "write dtparam=i2c_arm_baudrate=400000 into config.txt and reboot")
		default:
			e.ok(bus, "may be opened, for %s; its clock is %d kHz", use[bus], hz/1000)
		}
		for i := range e.Rig.ADCs {
			if a := &e.Rig.ADCs[i]; a.Chip.OnI2C() && a.Port == bus {
				e.scan(i)
			}
		}
		e.servoChips(bus)
	}
}

// servoChips asks each servo chip on a bus for an answer, unless a kerfwind
// speaks with it now. Nothing is written to it.
func (e *exam) servoChips(bus string) {
	if e.Ask == nil || e.busy {
		return
	}
	asked := map[int]bool{}
	for i := range e.Rig.Actuators {
		a := &e.Rig.Actuators[i]
		if !a.Kind.OnChip() || a.Bus != bus || asked[a.Address] {
			continue
		}
		asked[a.Address] = true
		if err := e.Ask(bus, a.Address); err != nil {
			e.bad(bus, err.Error(), "look at the board's logic supply, its wires and its address jumpers")
			continue
		}
		e.ok(bus, "servo chip 0x%02x answers", a.Address)
	}
}

// i2cClock is the clock of a bus as its node in the device tree says.
func (e *exam) i2cClock(name string) (hz uint32, ok bool) {
	b, err := os.ReadFile(e.System.path("/sys/bus/i2c/devices/" + name + "/of_node/clock-frequency"))
	if err != nil || len(b) != 4 {
		return 0, false
	}
	return binary.BigEndian.Uint32(b), true
}

// wanted is a line that the rig uses.
type wanted struct {
	chip  string
	line  int
	names []string
}

// wantedLines lists the lines of the rig in the order of the file.
func (e *exam) wantedLines() []wanted {
	var list []wanted
	add := func(chip string, line int, name string) {
		if i := slices.IndexFunc(list, func(w wanted) bool { return w.chip == chip && w.line == line }); i >= 0 {
			list[i].names = append(list[i].names, name)
			return
		}
		list = append(list, wanted{chip, line, []string{name}})
	}
	for i := range e.Rig.Contacts {
		c := &e.Rig.Contacts[i]
		add(c.Chip, c.Line, c.Name)
	}
	for i := range e.Rig.Actuators {
		a := &e.Rig.Actuators[i]
		for _, l := range a.Lines() {
			add(a.Chip, l.Line, a.Name)
		}
	}
	for i := range e.Rig.ServoChips {
		c := &e.Rig.ServoChips[i]
		add(c.Chip, c.Line, fmt.Sprintf("enable of servo chip 0x%02x", c.Address))
	}
	if h := e.Rig.Heartbeat; h != nil {
		add(h.Chip, h.Line, "heartbeat")
	}
	return list
}

// lines looks whether each GPIO line is there and free.
func (e *exam) lines() {
	list := e.wantedLines()
	if len(list) == 0 {
		return
	}
	chips, denied := e.System.Chips()
	free := map[string]int{} // lines that are free, by chip
	ours := map[string]int{} // lines that kerfwind holds
	var order, missing []string
	for _, w := range list {
		about := fmt.Sprintf("line %d of %s (%s)", w.line, w.chip, strings.Join(w.names, ", "))
		var match []Chip
		for _, c := range chips {
			if w.chip == c.Label || w.chip == c.Device || w.chip == "/dev/"+c.Device {
				match = append(match, c)
			}
		}
		if len(match) != 1 {
			if !slices.Contains(missing, w.chip) {
				missing = append(missing, w.chip)
				e.noChip(w.chip, match, chips, denied)
			}
			continue
		}
		c := match[0]
		if w.line < 0 || w.line >= len(c.Lines) {
			e.bad(about, fmt.Sprintf("the chip has lines 0 to %d", len(c.Lines)-1), "correct the number in the rig file")
			continue
		}
		if !slices.Contains(order, w.chip) {
			order = append(order, w.chip)
		}
		switch l := c.Lines[w.line]; {
		case !l.Used:
			free[w.chip]++
		case strings.HasPrefix(l.Consumer, "kerfwind"):
			ours[w.chip]++
		default:
			who := "another program or driver"
			if l.Consumer != "" {
				who = strconv.Quote(l.Consumer)
			}
			e.bad(about, "it is held by "+who, "stop what holds it, take its overlay out of config.txt, or use another line")
		}
	}
	for _, chip := range order {
		switch f, o := free[chip], ours[chip]; {
		case o > 0:
			e.ok(chip, "lines of the rig: %d free, %d held by kerfwind", f, o)
		case f > 0:
			e.ok(chip, "lines of the rig: %d, all free", f)
		}
	}
}

// noChip says that a chip is missing, or that its name fits several.
func (e *exam) noChip(name string, match, chips []Chip, denied bool) {
	var have []string
	for _, c := range chips {
		have = append(have, fmt.Sprintf("%q (%s)", c.Label, c.Device))
	}
	switch {
	case len(match) > 1:
		e.bad(name, "several GPIO chips are called so", "name one in the rig file by its device: "+match[0].Device+" or "+match[1].Device)
	case denied:
		e.bad(name, "a GPIO chip may not be opened by this user", "put the user into the group gpio; if there is no such group, install the udev rule that comes with kerfwind (60-kerfwind.rules)")
	case len(have) > 0:
		e.bad(name, "there is no such GPIO chip; this computer has "+strings.Join(have, ", "), "correct the name in the rig file, or load the overlay of the chip")
	default:
		e.bad(name, "this computer has no GPIO chip at all", "run it on the computer that the rig is plugged into")
	}
}

// persistence tells what becomes of outputs when the program dies. The
// parameters are of Raspberry Pi's kernels, one a family of boards; by their
// default outputs keep their level (Raspberry Pi documentation, "GPIO", on
// strict_gpiod).
func (e *exam) persistence() {
	driver := "pinctrl_bcm2835"
	chips, _ := e.System.Chips()
	if slices.ContainsFunc(chips, func(c Chip) bool { return c.Label == "pinctrl-rp1" }) {
		driver = "pinctrl_rp1"
	}
	text, ok := e.System.read("/sys/module/" + driver + "/parameters/persist_gpio_outputs")
	switch {
	case !ok:
	case text == "Y" || text == "1":
		e.warn("outputs", "the kernel keeps them as they are when the program dies: a relay that is on stays on until \"kerfwind halt\"",
			"write dtparam=strict_gpiod into config.txt and reboot; each relay input needs a resistor that holds it off besides")
	default:
		e.ok("outputs", "the kernel lets them go when the program dies; a resistor at each relay input must hold it off")
	}
}
