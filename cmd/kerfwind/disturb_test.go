package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// noted is a simulated plant that notes when it was commanded.
type noted struct {
	*simrig.Plant
	now func() time.Duration
	to  *[]string
}

// Apply notes a command and passes it on.
func (n noted) Apply(c control.Command) {
	*n.to = append(*n.to, fmt.Sprintf("%v %v %d", n.now(), c.Kind, c.ID))
	n.Plant.Apply(c)
}

// disturbance is what goes wrong around the control.
type disturbance struct {
	folder string                               // state
	clock  func(at time.Duration) journal.Stamp // of the history
	stall  bool                                 // an observer takes nothing, and the history neither
	down   bool                                 // the history says that it is down
}

// TestControlIsNotDisturbed runs the same morning with everything well and with
// what may go wrong beside the control, and finds the same commands at the same
// instants.
func TestControlIsNotDisturbed(t *testing.T) {
	wall := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	well := func(at time.Duration) journal.Stamp {
		return journal.Stamp{Boot: "b", Mono: at, Wall: wall.Add(at), Trusted: true}
	}
	noFolder := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(noFolder, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	plain := morning(t, disturbance{t.TempDir(), well, false, false})
	if len(plain) < 10 {
		t.Fatalf("hardly anything happened: %q", plain)
	}
	for name, d := range map[string]disturbance{
		"history cannot be written": {noFolder, well, false, true},
		"observers stall":           {t.TempDir(), well, true, false},
		"disk takes 200 ms": {t.TempDir(), func(at time.Duration) journal.Stamp {
			time.Sleep(200 * time.Millisecond) // the bubble's
			return well(at)
		}, false, false},
		"clock from 1970 to now and back": {t.TempDir(), func(at time.Duration) journal.Stamp {
			s := well(at)
			switch {
			case at < 70*time.Second:
				s.Wall, s.Trusted = time.Unix(0, 0).Add(at), false
			case at > 100*time.Second:
				s.Wall = s.Wall.Add(-time.Hour)
			}
			return s
		}, false, false},
	} {
		t.Run(name, func(t *testing.T) {
			if d := cmp.Diff(plain, morning(t, d)); d != "" {
				t.Errorf("commands differ:\n%s", d)
			}
		})
	}
}

// morning runs three minutes of the soak's recording and returns the commands.
func morning(t *testing.T, dist disturbance) (commands []string) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		shop, err := demo.Files()
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		recording := makeTape(t)
		release := make(chan struct{})
		var mu sync.Mutex
		var notices []error
		// The state folder of the daemon itself is always well: a stand-down that
		// cannot be read is one.
		d := daemon.New(daemon.Options{
			State: t.TempDir(), Simulated: true, Say: func(string) {}, Notice: func(err error) {
				mu.Lock()
				defer mu.Unlock()
				notices = append(notices, err)
			},
			Rig: rig.Options{
				Sources: func(_ *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
					recording.now = now
					return []sensor.Source{recording}, nil
				},
				Outputs: func(s *config.Shop, p *control.Params) (rig.Outputs, error) {
					return noted{simrig.NewWorld(s, nil, nil).Outputs(s, p), now, &commands}, nil
				},
			},
			Parts: []daemon.Part{
				{Name: "history", Start: func(s *daemon.Host) (daemon.Watcher, error) {
					j := journal.Start(journal.Options{Dir: dist.folder, Zone: time.UTC, Shop: s.Name, NameOf: s.NameOf, Queue: 4,
						Clock: func() journal.Stamp {
							if dist.stall {
								<-release
							}
							return dist.clock(now())
						},
						Notice: func(n journal.Notice) { s.Fares(errors.New(n.Text)) }})
					return daemon.Watcher{Observer: j, Close: j.Close}, nil
				}},
				{Name: "slow", Start: func(*daemon.Host) (daemon.Watcher, error) {
					return daemon.Watcher{Observer: waiting{dist.stall, release}}, nil
				}},
			},
		})
		ctx, cancel := context.WithCancel(t.Context())
		end := make(chan error, 1)
		go func() { end <- d.Run(ctx, shop, daemon.Choice{}) }()
		time.Sleep(3 * time.Minute)
		if got := partOf(t, d, 0); dist.down != (got.Down != "") {
			t.Errorf("down: %v, want %v: %s", got.Down != "", dist.down, got.Down)
		}
		cancel()
		if err := <-end; err != nil {
			t.Error(err)
		}
		// What stalls is given up at the end, and said.
		if dist.stall != (len(notices) == 2) {
			t.Errorf("notices: %v", notices)
		}
		close(release)
		synctest.Wait()
	})
	return commands
}

// partOf is how a part fares.
func partOf(t *testing.T, d *daemon.Daemon, n int) seam.Part {
	t.Helper()
	st, err := d.Door(seam.Local).State(t.Context())
	if err != nil || n >= len(st.Parts) {
		t.Fatal(st.Parts, err)
	}
	return st.Parts[n]
}

// waiting is an observer that may take nothing until it is released.
type waiting struct {
	stall   bool
	release chan struct{}
}

// Observe waits if it stalls.
func (w waiting) Observe(*control.Snapshot, []control.Event) {
	if w.stall {
		<-w.release
	}
}
