package daemon

import (
	"context"
	"fmt"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/control"
)

// news is something that the service manager must hear at once.
type news struct {
	kind newsKind
	text string
}

type newsKind uint8

const (
	readyNews newsKind = iota + 1
	stoppingNews
)

// herald speaks with the service manager in a goroutine of its own, since that
// one may not listen. It has no clock that would feed the watchdog: each
// feeding is a completed step, handed over by beat.
type herald struct {
	manager *rig.Manager
	notice  func(error)
	beats   chan *control.Snapshot
	urgent  chan news
	began   time.Time
	said    string
	failed  bool
}

func newHerald(m *rig.Manager, notice func(error)) *herald {
	return &herald{manager: m, notice: notice, beats: make(chan *control.Snapshot, 1), urgent: make(chan news, 8), began: time.Now()}
}

// beat hands over a completed step on fresh samples. It never waits.
func (h *herald) beat(s *control.Snapshot) {
	if h.manager == nil {
		return
	}
	select {
	case h.beats <- s:
	default:
	}
}

// say hands over what is told at once. It never waits.
func (h *herald) say(text string, kind newsKind) {
	select {
	case h.urgent <- news{kind, text}:
	default:
	}
}

// run speaks until ctx is done.
func (h *herald) run(ctx context.Context) {
	for {
		select {
		case n := <-h.urgent:
			h.tell(n)
		case s := <-h.beats:
			h.told(h.manager.Alive(time.Since(h.began)))
			if text := statusLine(s); text != h.said {
				h.said = text
				h.told(h.manager.Status(text))
			}
		case <-ctx.Done():
			for len(h.urgent) > 0 {
				h.tell(<-h.urgent)
			}
			return
		}
	}
}

func (h *herald) tell(n news) {
	switch n.kind {
	case readyNews:
		h.told(h.manager.Ready(n.text))
	case stoppingNews:
		h.told(h.manager.Stopping(n.text))
	}
}

// told notes a failure once.
func (h *herald) told(err error) {
	if err != nil && !h.failed {
		h.notice(err)
	}
	h.failed = err != nil
}

// statusLine is the state in one line.
func statusLine(s *control.Snapshot) string {
	if s == nil {
		return "begins"
	}
	var parts []string
	not := 0
	for i := range s.Machines {
		if _, yes := s.Uncollected(control.ID(i)); yes {
			not++
		}
	}
	if not > 0 {
		parts = append(parts, "NOT collected: "+count(not, "machine", "machines"))
	}
	if s.StoodDown {
		parts = append(parts, "stood down")
	}
	if s.Latched() {
		parts = append(parts, "latched")
	}
	if n := seam.Running(s); n > 0 {
		parts = append(parts, count(n, "machine runs", "machines run"))
	}
	if s.Collector.Commanded {
		parts = append(parts, "collector on")
	}
	if n := len(s.Faults); n > 0 {
		parts = append(parts, count(n, "fault", "faults"))
	}
	if len(parts) == 0 {
		return "at rest"
	}
	return strings.Join(parts, ", ")
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
