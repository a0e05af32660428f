package doctor

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Room on the disk of the state folder. A year of runs is some ten megabytes,
// with seven backups and room to rebuild one (our own estimate).
const (
	littleDisk = 300 << 20
	noDisk     = 30 << 20
)

// disk looks at the state folder, or at what it would be made in.
func (e *exam) disk() {
	dir, path := e.State, ""
	free, readOnly, err := uint64(0), false, error(nil)
	for {
		path = e.System.path(dir)
		free, readOnly, err = e.System.Space(path)
		if !errors.Is(err, fs.ErrNotExist) || dir == filepath.Dir(dir) {
			break
		}
		dir = filepath.Dir(dir)
	}
	switch {
	case err != nil:
		e.bad(dir, err.Error(), "look at the folder and at who may read it")
		return
	case readOnly:
		e.bad(dir, "the disk is read-only: nothing is learned or remembered", "mount it read-write; after a power cut look at dmesg for errors of the card")
		return
	case free < noDisk:
		e.bad(dir, fmt.Sprintf("only %d MB are free", free>>20), "make room: journalctl --vacuum-size=50M, apt-get clean")
	case free < littleDisk:
		e.warn(dir, fmt.Sprintf("only %d MB are free", free>>20), "make room: journalctl --vacuum-size=50M, apt-get clean")
	default:
		e.ok(dir, "%d MB are free", free>>20)
	}
	switch {
	case dir != e.State:
		e.warn(e.State, "the state folder does not exist yet", "nothing, if the service makes it (StateDirectory=); else make it and give it to the user kerfwind")
	case e.System.Access(path) != nil:
		e.bad(e.State, "this user may not write to the state folder", "chown -R kerfwind: "+e.State+", or run this as the user kerfwind")
	}
}

// Memory that should be left for everything else. The daemon is to stay below
// 40 MB (our own limit).
const (
	littleMemory = 64 << 10 // kB
	noMemory     = 24 << 10
)

func (e *exam) memory() {
	text, _ := e.System.read("/proc/meminfo")
	_, rest, ok := strings.Cut(text, "MemAvailable:")
	if !ok {
		return
	}
	f := strings.Fields(rest)
	if len(f) == 0 {
		return
	}
	kb, err := strconv.ParseInt(f[0], 10, 64)
	const do = "stop what else runs here: a desktop, a browser"
	switch says := fmt.Sprintf("%d MB are available", kb>>10); {
	case err != nil:
	case kb < noMemory:
		e.bad("memory", says+": the kernel may end kerfwind", do)
	case kb < littleMemory:
		e.warn("memory", says, do)
	default:
		e.ok("memory", "%s", says)
	}
}

func (e *exam) clock() {
	switch ok, err := e.System.Synced(); {
	case err != nil:
		e.warn("clock", fmt.Sprintf("cannot tell whether it is right: %v", err), "look at timedatectl")
	case !ok:
		e.warn("clock", "nobody keeps it right. Control does not need it; the history's dates do",
			"give the computer a way to a time server (timedatectl set-ntp true), or a battery-backed clock")
	default:
		e.ok("clock", "it is kept right")
	}
}

// watchdog looks at the board's own timer, which resets the computer when even
// the kernel hangs.
func (e *exam) watchdog() {
	const dir = "/sys/class/watchdog/watchdog0/"
	state, ok := e.System.read(dir + "state")
	switch name, _ := e.System.read(dir + "identity"); {
	case !ok:
		e.warn("watchdog", "no hardware watchdog is to be seen: a hung computer leaves its outputs as they are",
			"use a board that has one, or a heartbeat line in the rig")
	case state == "active":
		seconds, _ := e.System.read(dir + "timeout")
		e.ok("watchdog", "%s is armed, %s s", name, seconds)
	default:
		e.warn("watchdog", name+" is there and not armed: a hung computer leaves its outputs as they are",
			"copy /usr/share/doc/kerfwind/examples/watchdog.conf into /etc/systemd/system.conf.d and reboot")
	}
}

// supply looks for signs of a weak supply on boards that can tell. Bits of the
// firmware's answer: 0 under-voltage now, 2 throttled now, 16 under-voltage
// since boot, 18 throttled since boot (Raspberry Pi documentation, vcgencmd
// get_throttled).
func (e *exam) supply() {
	const do = "use a stronger supply and a short thick cable; servos and relays need a supply of their own"
	seen := false
	for _, name := range e.System.glob("/sys/class/hwmon/hwmon*/name") {
		if text, _ := e.System.read(name); text != "rpi_volt" {
			continue
		}
		alarm, ok := e.System.number(filepath.Join(filepath.Dir(name), "in0_lcrit_alarm"))
		if seen = seen || ok; ok && alarm != 0 {
			e.bad("supply", "the board's voltage is too low now", do)
			return
		}
	}
	for _, name := range e.System.glob("/sys/devices/platform/soc*/soc*:firmware/get_throttled") {
		// The kernel writes it as hexadecimal, with no prefix.
		text, _ := e.System.read(name)
		bits, err := strconv.ParseUint(strings.TrimPrefix(text, "0x"), 16, 32)
		if err != nil {
			continue
		}
		seen = true
		switch {
		case bits&1 != 0:
			e.bad("supply", "the board's voltage is too low now", do)
			return
		case bits&(1<<16) != 0:
			e.warn("supply", "the board's voltage was too low since it started", do)
			return
		}
	}
	if seen {
		e.ok("supply", "the board's voltage is high enough")
	}
}

// Temperatures of the processor in thousandths of a degree Celsius. A
// Raspberry Pi slows down from 80 °C and more from 85 °C (its documentation,
// "Frequency management and thermal control").
const (
	warm = 75_000
	hot  = 85_000
)

func (e *exam) heat() {
	worst, found := int64(0), false
	for _, name := range e.System.glob("/sys/class/thermal/thermal_zone*/temp") {
		if t, ok := e.System.number(name); ok && (!found || t > worst) {
			worst, found = t, true
		}
	}
	if !found {
		return
	}
	const do = "clear the vents of sawdust, give the case air, keep it out of the sun"
	switch says := fmt.Sprintf("the processor has %d °C", (worst+500)/1000); {
	case worst >= hot:
		e.bad("heat", says+" and slows down: samples are missed", do)
	case worst >= warm:
		e.warn("heat", says+" and will soon slow down", do)
	default:
		e.ok("heat", "%s", says)
	}
}

// notices tries the way to each address that gets news. Nothing is sent,
// and no finding holds more of an address than its host.
func (e *exam) broker() {
	m := e.Rig.MQTT
	if m == nil || e.Echo == nil {
		return
	}
	took, err := e.Echo()
	if err != nil {
		e.warn("broker", err.Error(), "see that the broker runs, and that its users and access list are as the rig file's; control goes on without it")
		return
	}
	e.ok("broker", "a message under %s came back from %s after %v", m.Topic, m.Broker, took.Round(time.Millisecond))
}

func (e *exam) notices() {
	if e.Shop == nil {
		return
	}
	for i := range e.Shop.Notices {
		n := &e.Shop.Notices[i]
		u, err := url.Parse(n.URL)
		if err != nil {
			continue // config has looked at it
		}
		port := u.Port()
		if port == "" {
			port = map[string]string{"http": "80", "https": "443"}[u.Scheme]
		}
		if err := e.System.Reach(net.JoinHostPort(u.Hostname(), port)); err != nil {
			e.warn("notice "+n.Name, fmt.Sprintf("%s cannot be reached: %v", u.Hostname(), err), "look at the network, and at the name in the shop file; control goes on without it")
		} else {
			e.ok("notice "+n.Name, "%s can be reached", u.Hostname())
		}
	}
}
