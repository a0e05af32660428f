package daemon

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/control"
	"kerfwind/sensor"
)

// words holds what sensors elsewhere have said of machines. Each is believed for its
// lease; then the sensor is unknown.
type words struct {
	mu   sync.Mutex
	said map[control.ID]*word
	over bool
}

type word struct {
	verdict sensor.Verdict
	lapse   *time.Timer
}

// wordAgain is when a lapse for which the loop had no room is tried again.
const wordAgain = 50 * time.Millisecond

// take takes what is said.
func (w *words) take(s *session, x *seam.Word) error {
	id := control.NoID
	for i := range s.shop.Machines {
		if m := &s.shop.Machines[i]; m.Name == x.Machine && m.Topic != "" {
			id = control.ID(i)
		}
	}
	switch {
	case id == control.NoID:
		return fmt.Errorf("no machine %q has a sensor elsewhere", x.Machine)
	case x.Verdict < sensor.Unknown || x.Verdict > sensor.Running:
		return errors.New("a sensor says unknown, idle or running")
	case x.Verdict != sensor.Unknown && x.Lease <= 0:
		return errors.New("what a sensor says needs a lease: for how long it is believed")
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.over {
		return seam.ErrNoShop
	}
	if w.said == nil {
		w.said = map[control.ID]*word{}
	}
	old := w.said[id]
	if (old == nil || old.verdict != x.Verdict) && !s.hear(id, x.Verdict) {
		return errors.New("too much is told at once: try again")
	}
	if old != nil && old.lapse != nil {
		old.lapse.Stop()
	}
	next := &word{verdict: x.Verdict}
	w.said[id] = next
	if x.Verdict != sensor.Unknown {
		next.lapse = time.AfterFunc(time.Duration(float64(min(x.Lease, longest))/s.speed), func() { w.lapse(s, id, next) })
	}
	return nil
}

// lapse ends what is believed, unless something newer was said.
func (w *words) lapse(s *session, id control.ID, of *word) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.over || w.said[id] != of {
		return
	}
	if !s.hear(id, sensor.Unknown) {
		of.lapse.Reset(wordAgain)
		return
	}
	of.verdict = sensor.Unknown
}

// end forgets everything: the shop is left.
func (w *words) end() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.over = true
	for _, x := range w.said {
		if x.lapse != nil {
			x.lapse.Stop()
		}
	}
}

// hear tells the loop what a sensor elsewhere says. It reports whether there was
// room.
func (s *session) hear(id control.ID, v sensor.Verdict) bool {
	now := s.now()
	r := sensor.Reading{Channel: int(id), At: now, Onset: now, Verdict: v, Health: sensor.Healthy}
	if v == sensor.Unknown {
		r.Health = sensor.Missing
	}
	return s.live.Heard(r)
}
