package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"kerfwind/control"
)

// motorFile is in the runtime folder: it is gone with the power.
const motorFile = "motor.json"

// motor remembers when the collector was started and stopped, so that the
// start budget and the minimum time off hold over a reload and, while the power
// is on, a restart of the program. What it knows can only forbid.
type motor struct {
	folder string                                  // "": nothing is kept for a restart
	clock  func() (boot string, now time.Duration) // goes on over a restart
	notice func(error)
	poke   chan struct{}

	mu  sync.Mutex
	now motorState
}

// motorState is the file. Times are of the clock.
type motorState struct {
	Format int             `json:"format"`
	Boot   string          `json:"boot"`
	On     bool            `json:"on"`
	Off    time.Duration   `json:"off"`    // when it was last switched off
	Starts []time.Duration `json:"starts"` // the latest, oldest first
}

// newMotor reads what an earlier run of the program knew. One that was killed
// while the collector was on has just switched it off.
func newMotor(folder string, clock func() (string, time.Duration), notice func(error)) *motor {
	boot, now := clock()
	m := &motor{folder: folder, clock: clock, notice: notice, poke: make(chan struct{}, 1), now: motorState{Format: 1, Boot: boot, Off: -1}}
	if folder == "" {
		return m
	}
	b, err := os.ReadFile(filepath.Join(folder, motorFile))
	if errors.Is(err, fs.ErrNotExist) {
		return m
	}
	var was motorState
	if err == nil {
		err = json.Unmarshal(b, &was)
	}
	if err == nil && was.Format != 1 {
		err = fmt.Errorf("format is %d, this program knows 1", was.Format)
	}
	if err != nil {
		notice(fmt.Errorf("%s: %w: the starts before this one do not count", filepath.Join(folder, motorFile), err))
		return m
	}
	if was.Boot != boot {
		return m
	}
	if was.On {
		was.Off, was.On = now, false
	}
	m.now = was
	return m
}

// past returns what is known now, in a stream that runs speed times as fast as the
// clock.
func (m *motor) past(minOff time.Duration, speed float64) control.Past {
	m.mu.Lock()
	defer m.mu.Unlock()
	_, now := m.clock()
	ago := func(t time.Duration) time.Duration { return max(time.Duration(float64(now-t)*speed), 0) }
	var p control.Past
	for _, t := range m.now.Starts {
		p.Starts = append(p.Starts, ago(t))
	}
	if m.now.Off >= 0 {
		p.MinOff = max(minOff-ago(m.now.Off), 0)
	}
	return p
}

// Observe notes starts and stops.
func (m *motor) Observe(_ *control.Snapshot, events []control.Event) {
	for _, e := range events {
		if e.Kind != control.CollectorIsOn && e.Kind != control.CollectorIsOff {
			continue
		}
		m.mu.Lock()
		_, now := m.clock()
		if m.now.On = e.Kind == control.CollectorIsOn; m.now.On {
			m.now.Starts = append(m.now.Starts, now)
			m.now.Starts = m.now.Starts[max(len(m.now.Starts)-control.MaxStarts, 0):]
		} else {
			m.now.Off = now
		}
		m.mu.Unlock()
		select {
		case m.poke <- struct{}{}:
		default:
		}
	}
}

// run keeps the file up to date until ctx is done.
func (m *motor) run(ctx context.Context) {
	if m.folder == "" {
		return
	}
	failed := false
	for end := false; !end; {
		select {
		case <-m.poke:
		case <-ctx.Done():
			end = true
			if len(m.poke) == 0 {
				return
			}
		}
		err := m.write()
		if err != nil && !failed {
			m.notice(fmt.Errorf("a restart will not know of the starts before it: %w", err))
		}
		failed = err != nil
	}
}

// write replaces the file. The folder is in memory: there is nothing to sync.
func (m *motor) write() error {
	m.mu.Lock()
	b, err := json.Marshal(&m.now)
	m.mu.Unlock()
	if err != nil {
		return err
	}
	path := filepath.Join(m.folder, motorFile)
	next := path + ".new"
	if err := os.WriteFile(next, b, 0o640); err != nil {
		return err
	}
	return os.Rename(next, path)
}
