package drive

import (
	"errors"
	"fmt"
	"os"
	"os/user"
	"strconv"
	"strings"
	"syscall"

	"github.com/warthog618/go-gpiocdev/uapi"
	"golang.org/x/sys/unix"
)

// refused says why the kernel does not hand out a line, and what to do.
func (k kernel) refused(chip *os.File, l Line, err error) error {
	switch {
	case errors.Is(err, unix.EBUSY):
		who := "another program or driver"
		if info, e := uapi.GetLineInfoV2(chip.Fd(), l.Offset); e == nil && info.Flags.IsUsed() {
			if name := uapi.BytesToString(info.Consumer[:]); name != "" {
				who = strconv.Quote(name)
			}
		}
		return fmt.Errorf("%v is in use by %s: %s", l, who, freeing(who))
	case errors.Is(err, unix.ENXIO), errors.Is(err, unix.ENODEV):
		return fmt.Errorf("%v cannot tell of changes: the chip needs its interrupt line wired and named in its overlay, or use another line (%w)", l, err)
	case errors.Is(err, unix.EINVAL), errors.Is(err, unix.ENOTTY):
		return fmt.Errorf("%v: the kernel refuses the request; it must be Linux 5.10 or newer, and the line must be able to do this (%w)", l, err)
	case errors.Is(err, os.ErrPermission):
		return forbidden(&os.PathError{Op: "open", Path: chip.Name(), Err: err}, "gpio")
	}
	return fmt.Errorf("%v: %w", l, err)
}

// freeing says how a line that is in use becomes free.
func freeing(who string) string {
	w := strings.ToLower(who)
	has := func(words ...string) bool {
		for _, x := range words {
			if strings.Contains(w, x) {
				return true
			}
		}
		return false
	}
	switch {
	case has("kerfwind"):
		return "another kerfwind holds it; stop that one (systemctl stop kerfwind)"
	case has("spi") && has("cs"):
		return "it is a chip select of SPI; use another line, or have one chip select less (dtoverlay=spi0-1cs in config.txt, then reboot)"
	case has("led", "act", "pwr"):
		return "it drives a light of the board; use another line"
	case has("w1", "onewire"):
		return "the 1-wire overlay has it (dtoverlay=w1-gpio in config.txt); take that out and reboot, or use another line"
	case has("sysfs"):
		return "it was exported through /sys/class/gpio; write its number into /sys/class/gpio/unexport"
	}
	return "stop what holds it, or use another line (gpioinfo lists who holds what)"
}

// forbidden says which group opens a device file.
func forbidden(err error, usual string) error {
	path := ""
	var pe *os.PathError
	if errors.As(err, &pe) {
		path = pe.Path
	}
	group := usual
	note := "; if there is no such group, install the udev rule that comes with kerfwind"
	if st, e := os.Stat(path); e == nil {
		if sys, ok := st.Sys().(*syscall.Stat_t); ok && sys.Gid != 0 {
			if g, e := user.LookupGroupId(strconv.Itoa(int(sys.Gid))); e == nil {
				group, note = g.Name, ""
			}
		}
	}
	return fmt.Errorf("%s may not be opened: the user must be in the group %q (usermod -aG %s USER, and SupplementaryGroups= in the unit)%s: %w", path, group, group, note, errors.Unwrap(err))
}

// noBus says why an I2C bus cannot be had, and what to do.
func noBus(device string, err error) error {
	switch {
	case errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("%s is missing: switch the bus on (dtparam=i2c_arm=on in config.txt), load the module i2c-dev, reboot", device)
	case errors.Is(err, os.ErrPermission):
		return forbidden(err, "i2c")
	}
	return fmt.Errorf("%s: %w", device, err)
}

// silent says why a transfer on an I2C bus failed. periph hides the kernel's
// error number, so the words are looked at.
func silent(bus int, addr uint16, err error) error {
	text := err.Error()
	is := func(errs ...syscall.Errno) bool {
		for _, e := range errs {
			if strings.Contains(text, e.Error()) {
				return true
			}
		}
		return false
	}
	switch {
	case is(syscall.EREMOTEIO, syscall.ENXIO):
		if driver, e := os.Readlink(fmt.Sprintf("/sys/bus/i2c/devices/%d-%04x/driver", bus, addr)); e == nil {
			return fmt.Errorf("no answer, and the kernel's driver %q has the chip: take its overlay out of config.txt and reboot", driver[strings.LastIndex(driver, "/")+1:])
		}
		return fmt.Errorf("no answer: look at its supply, its wires and its address jumpers (i2cdetect -y %d shows who answers)", bus)
	case is(syscall.ETIMEDOUT):
		return fmt.Errorf("the bus hangs: a chip or a wire holds it; take the supply of the chips away and give it back (%s)", text)
	case is(syscall.EAGAIN):
		return fmt.Errorf("the bus is never free: another master, or no pull-ups (%s)", text)
	}
	return err
}
