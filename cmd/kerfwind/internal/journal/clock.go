package journal

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// clockFloor is a time that no right clock shows: it is before this program.
var clockFloor = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

// BootClock reads the computer's clocks for the journal. root is "/" but in
// tests.
type BootClock struct {
	boot string
	rtc  bool // the kernel took the time from a battery-backed clock
}

// NewBootClock finds out which boot this is. Below /proc and /sys it reads
// what the kernel says.
func NewBootClock(root string) (*BootClock, error) {
	id, err := os.ReadFile(filepath.Join(root, "proc/sys/kernel/random/boot_id"))
	if err != nil {
		return nil, fmt.Errorf("this boot has no identity: %w", err)
	}
	c := &BootClock{boot: string(bytes.TrimSpace(id))}
	set, err := filepath.Glob(filepath.Join(root, "sys/class/rtc/*/hctosys"))
	if err != nil {
		return nil, err
	}
	for _, name := range set {
		b, err := os.ReadFile(name)
		c.rtc = c.rtc || err == nil && string(bytes.TrimSpace(b)) == "1"
	}
	return c, nil
}

// Stamp reads all clocks at one instant.
func (c *BootClock) Stamp() Stamp {
	var ts unix.Timespec
	var tx unix.Timex
	now := time.Now()
	s := Stamp{Boot: c.boot, Wall: now}
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts) == nil {
		s.Mono = time.Duration(ts.Nano())
	}
	_, err := unix.Adjtimex(&tx) // reading it needs no privilege
	synced := err == nil && tx.Status&unix.STA_UNSYNC == 0
	s.Trusted = now.After(clockFloor) && (synced || c.rtc)
	return s
}
