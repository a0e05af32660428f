package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"kerfwind/cmd/kerfwind/internal/journal"
)

// clockFloor is a time that no right clock shows: it is before this program.
var clockFloor = time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC)

// bootClock reads the computer's clocks for the journal. root is "/" but in
// tests.
type bootClock struct {
	boot string
	rtc  bool // the kernel took the time from a battery-backed clock
}

// newBootClock finds out which boot this is. Below /proc and /sys it reads
// what the kernel says.
func newBootClock(root string) (*bootClock, error) {
	id, err := os.ReadFile(filepath.Join(root, "proc/sys/kernel/random/boot_id"))
	if err != nil {
		return nil, fmt.Errorf("this boot has no identity: %w", err)
	}
	c := &bootClock{boot: string(bytes.TrimSpace(id))}
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

// stamp reads all clocks at one instant.
func (c *bootClock) stamp() journal.Stamp {
	var ts unix.Timespec
	var tx unix.Timex
	now := time.Now()
	s := journal.Stamp{Boot: c.boot, Wall: now}
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts) == nil {
		s.Mono = time.Duration(ts.Nano())
	}
	_, err := unix.Adjtimex(&tx) // reading it needs no privilege
	synced := err == nil && tx.Status&unix.STA_UNSYNC == 0
	s.Trusted = now.After(clockFloor) && (synced || c.rtc)
	return s
}
