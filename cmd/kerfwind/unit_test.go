package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestUnit holds the service's command lines to the program's own subcommands
// and flags, and what else the program relies on in the unit.
func TestUnit(t *testing.T) {
	data, err := os.ReadFile(filepath.Join(moduleRoot, "deploy", "systemd", "kerfwind.service"))
	if err != nil {
		t.Fatal(err)
	}
	unit := string(data)
	lines := regexp.MustCompile(`(?m)^(Exec\w+)=/usr/bin/kerfwind (.*)$`).FindAllStringSubmatch(unit, -1)
	seen := map[string]bool{}
	for _, m := range lines {
		seen[m[1]] = true
		if why := checkCommand(m[2]); why != "" {
			t.Errorf("%s: kerfwind %s: %s", m[1], m[2], why)
		}
	}
	for _, key := range []string{"ExecStartPre", "ExecStart", "ExecStopPost"} {
		if !seen[key] {
			t.Errorf("the unit has no %s= with kerfwind", key)
		}
	}
	for _, want := range []string{
		"Type=notify", "WatchdogSec=5s", "Restart=always", "StartLimitIntervalSec=0", "User=kerfwind", "SupplementaryGroups=gpio i2c spi",
		"StateDirectory=kerfwind", "RuntimeDirectory=kerfwind", "DevicePolicy=closed",
		"DeviceAllow=char-gpiochip rw", "DeviceAllow=char-i2c rw", "DeviceAllow=char-spi rw",
	} {
		if !strings.Contains(unit, "\n"+want+"\n") {
			t.Errorf("the unit lacks %s", want)
		}
	}
	// The journal asks the kernel whether the clock is set (journal.BootClock).
	if i, j := strings.Index(unit, "\nSystemCallFilter=~@privileged"), strings.Index(unit, "\nSystemCallFilter=adjtimex\n"); j < i || i < 0 || strings.Contains(unit, "\nProtectClock=") {
		t.Error("the unit forbids adjtimex: the clock would never be trusted")
	}
}
