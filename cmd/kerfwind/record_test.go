package main

import (
	"testing"
	"time"
)

func TestRecordLimits(t *testing.T) {
	for text, want := range map[string]struct {
		size int64
		long time.Duration
	}{
		"": {}, "100 MiB": {100 << 20, 0}, "1.5 GB": {1.5e9, 0}, "64KiB": {64 << 10, 0}, "1 h": {0, time.Hour}, "90s": {0, 90 * time.Second},
	} {
		if size, long, err := limits(text); err != nil || size != want.size || long != want.long {
			t.Errorf("%q: %d, %v, %v", text, size, long, err)
		}
	}
	for _, text := range []string{"often", "100", "1 kB", "-3 MB", "1e30 GB", "0 MB", "10 ms", "MiB", "NaN MB"} {
		if size, long, err := limits(text); err == nil {
			t.Errorf("%q: %d, %v", text, size, long)
		}
	}
}
