package drive

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/warthog618/go-gpiocdev/uapi"
	"golang.org/x/sys/unix"
	"periph.io/x/host/v3/sysfs"
)

// kernel is the hardware behind Linux's character devices. Lines go through
// the second version of the GPIO interface (Linux 5.10). The gpiocdev package
// on top of it is not used: the goroutine in which it waits for events panics
// when the wait fails and passes over events that it cannot read.
type kernel struct{ dev string }

// Kernel returns the hardware of this computer.
func Kernel() Hardware { return kernel{"/dev"} }

// request asks for one line.
func (k kernel) request(l Line, user string, flags uapi.LineFlagV2, attrs ...uapi.LineAttribute) (*os.File, error) {
	chip, err := k.chip(l.Chip)
	if err != nil {
		return nil, err
	}
	defer func() { _ = chip.Close() }() // only asked
	info, err := uapi.GetChipInfo(chip.Fd())
	if err != nil {
		return nil, fmt.Errorf("%s: %w", chip.Name(), err)
	}
	if l.Offset < 0 || l.Offset >= int(info.Lines) {
		return nil, fmt.Errorf("there is no %v: the chip has lines 0 to %d", l, info.Lines-1)
	}
	req := uapi.LineRequest{Lines: 1}
	req.Offsets[0] = uint32(l.Offset)
	copy(req.Consumer[:len(req.Consumer)-1], "kerfwind "+user)
	req.Config.Flags = flags
	for _, a := range attrs {
		req.Config.AddAttribute(uapi.LineConfigAttribute{Attr: a, Mask: 1})
	}
	if err := uapi.GetLine(chip.Fd(), &req); err != nil {
		return nil, k.refused(chip, l, err)
	}
	if err := unix.SetNonblock(int(req.Fd), true); err != nil { // so that Close ends a read
		_ = unix.Close(int(req.Fd)) // the first error tells more
		return nil, err
	}
	return os.NewFile(uintptr(req.Fd), l.String()), nil
}

// Output implements Hardware. The level off goes to the kernel together with
// the direction, so the line never shows the other one.
func (k kernel) Output(l Line, activeLow bool, user string) (Output, error) {
	flags := uapi.LineFlagV2Output
	if activeLow {
		flags |= uapi.LineFlagV2ActiveLow
	}
	f, err := k.request(l, user, flags, uapi.OutputValues(0).Encode())
	if err != nil {
		return nil, err
	}
	return (*kernelOutput)(f), nil
}

type kernelOutput os.File

func (o *kernelOutput) Set(on bool) error {
	v := uapi.LineValues{Mask: 1}
	if on {
		v.Bits = 1
	}
	return withFD((*os.File)(o), func(fd uintptr) error { return uapi.SetLineValuesV2(fd, v) })
}

func (o *kernelOutput) Close() error { return (*os.File)(o).Close() }

// withFD runs do with f's descriptor, which File.Fd would make blocking.
func withFD(f *os.File, do func(fd uintptr) error) error {
	c, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := c.Control(func(fd uintptr) { inner = do(fd) }); err != nil {
		return err
	}
	return inner
}

// Input implements Hardware. The contact pulls the line to ground, so closed
// is low; the chip's pull-up is asked for where it has one.
func (k kernel) Input(l Line, debounce time.Duration, user string) (Input, error) {
	flags := uapi.LineFlagV2Input | uapi.LineFlagV2ActiveLow | uapi.LineFlagV2EdgeBoth | uapi.LineFlagV2BiasPullUp
	var attrs []uapi.LineAttribute
	if debounce > 0 {
		attrs = append(attrs, uapi.DebouncePeriod(debounce).Encode())
	}
	f, err := k.request(l, user, flags, attrs...)
	if err != nil {
		return nil, err
	}
	return &kernelInput{f: f}, nil
}

type kernelInput struct {
	f    *os.File
	last uint32 // number of the last event
}

func (i *kernelInput) Closed() (bool, error) {
	v := uapi.LineValues{Mask: 1}
	err := withFD(i.f, func(fd uintptr) error { return uapi.GetLineValuesV2(fd, &v) })
	return v.Get(0) == 1, err
}

// Next reads the next event. Where the kernel had to drop some, the line
// itself says how it is.
func (i *kernelInput) Next() (closed bool, ago time.Duration, err error) {
	var ev uapi.LineEvent
	buf := make([]byte, binary.Size(ev))
	if _, err := io.ReadFull(i.f, buf); err != nil {
		return false, 0, err
	}
	if _, err := binary.Decode(buf, binary.NativeEndian, &ev); err != nil {
		return false, 0, err
	}
	missed := ev.LineSeqno != i.last+1
	i.last = ev.LineSeqno
	if missed {
		closed, err = i.Closed()
		return closed, 0, err
	}
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return false, 0, err
	}
	ago = max(time.Duration(now.Nano())-time.Duration(ev.Timestamp), 0)
	return ev.ID == uapi.LineEventRisingEdge, ago, nil
}

func (i *kernelInput) Close() error { return i.f.Close() }

// Bus implements Hardware.
func (k kernel) Bus(device string) (Bus, error) {
	n, err := strconv.Atoi(strings.TrimPrefix(device, "/dev/i2c-"))
	if err != nil || n < 0 {
		return nil, fmt.Errorf("%q is no I2C bus: write its device file, /dev/i2c-1", device)
	}
	// periph's own words for a missing or forbidden bus name the wrong group.
	f, err := os.OpenFile(device, os.O_RDWR, 0)
	if err != nil {
		return nil, noBus(device, err)
	}
	_ = f.Close() // it was only tried
	b, err := sysfs.NewI2C(n)
	if err != nil {
		return nil, noBus(device, err)
	}
	return &kernelBus{b, n}, nil
}

type kernelBus struct {
	*sysfs.I2C
	number int
}

func (b *kernelBus) Tx(addr uint16, w, r []byte) error {
	if err := b.I2C.Tx(addr, w, r); err != nil {
		return silent(b.number, addr, err)
	}
	return nil
}

// chip opens a GPIO chip by its label, device or name.
func (k kernel) chip(name string) (*os.File, error) {
	paths, err := filepath.Glob(k.dev + "/gpiochip*")
	if err != nil {
		return nil, err
	}
	var found []*os.File
	var labels []string
	var seen []string // some kernels have two names for one chip
	var denied error
	for _, p := range paths {
		if target, err := filepath.EvalSymlinks(p); err == nil {
			p = target
		}
		if slices.Contains(seen, p) {
			continue
		}
		seen = append(seen, p)
		f, err := os.Open(p)
		if err != nil {
			denied = err
			continue
		}
		info, err := uapi.GetChipInfo(f.Fd())
		label := uapi.BytesToString(info.Label[:])
		base := filepath.Base(p)
		if err == nil && (name == label || name == base || name == "/dev/"+base) {
			found = append(found, f)
			continue
		}
		_ = f.Close() // not this one
		labels = append(labels, strconv.Quote(label)+" ("+base+")")
	}
	if len(found) == 1 {
		return found[0], nil
	}
	var names []string
	for _, f := range found {
		names = append(names, filepath.Base(f.Name()))
		_ = f.Close() // it is not used
	}
	switch {
	case len(found) > 1:
		return nil, fmt.Errorf("several GPIO chips are called %q: name one by its device, %s", name, strings.Join(names, " or "))
	case denied != nil && errors.Is(denied, os.ErrPermission):
		return nil, forbidden(denied, "gpio")
	case len(labels) == 0:
		return nil, fmt.Errorf("there is no GPIO chip %q, nor any other: the kernel must offer %s/gpiochip*", name, k.dev)
	}
	return nil, fmt.Errorf("there is no GPIO chip %q; this computer has %s", name, strings.Join(labels, ", "))
}
