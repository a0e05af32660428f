package main

import (
	"path/filepath"
	"testing"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
)

// Test moves of a move-in are nobody's history.
func TestNotOnBench(t *testing.T) {
	for file, want := range map[string]int{guide.BenchFile: 0, "shops/barn.1.toml": 1} {
		started := 0
		start := notOnBench(func(*daemon.Shop) (daemon.Watcher, error) { started++; return daemon.Watcher{}, nil })
		if _, err := start(&daemon.Shop{Choice: daemon.Choice{File: filepath.Join("/state", file)}}); err != nil || started != want {
			t.Errorf("%s: started %d times (%v), want %d", file, started, err, want)
		}
	}
}
