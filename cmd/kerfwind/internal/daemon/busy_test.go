package daemon

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// tired is a converter that a busy computer lets wait now and then.
type tired struct {
	*sticky
	n int
}

func (s *tired) Next(f *sensor.Frame) error {
	if s.n++; s.n%50 == 0 {
		time.Sleep(100 * time.Millisecond) // of a bubble: two seconds of the stream
	}
	return s.sticky.Next(f)
}

// slow is a plant that holds the loop up now and then.
type slow struct {
	*simrig.Plant
	n int
}

func (s *slow) Beat() {
	if s.n++; s.n%300 == 0 {
		time.Sleep(50 * time.Millisecond)
	}
}

// A simulation on a busy computer: neither samples that come late nor a loop
// that is held up cost a sensor. What the script leaves out does, and so does
// a late sample on the real clock.
func TestBusySimulation(t *testing.T) {
	const speed = 20
	for name, c := range map[string]struct {
		script string
		clock  bool
		lost   bool
	}{
		"busy":           {short, true, false},
		"dead converter": {short + "at 60s gap 1s\n", true, true},
		"the real clock": {short, false, true},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				script, err := trace.ParseScript("busy", strings.NewReader(c.script))
				if err != nil {
					t.Fatal(err)
				}
				x := beginWith(t, func(o *Options) {
					made := simrig.New(script, speed)
					o.Rig.Speed = speed
					if c.clock {
						o.Rig.Clock = made.Clock
					}
					plant := o.Rig.Outputs
					o.Rig.Outputs = func(s *config.Shop, p *control.Params) (rig.Outputs, error) {
						out, err := plant(s, p)
						simulated, ok := out.(*simrig.Plant)
						if !ok {
							return nil, errors.Join(err, errors.New("no plant"))
						}
						return &slow{simulated, 0}, err
					}
					o.Rig.Sources = func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
						list, err := made.Sources(r, now)
						for i := range list {
							list[i] = &tired{sticky: &sticky{Source: list[i], x: new(trial), closed: make(chan struct{})}}
						}
						return list, err
					}
				}, barn(t))
				time.Sleep(60 * time.Second)
				st := x.Status()
				if !st.Ready || st.T < 100 {
					t.Errorf("it does not get on: %+v", st)
				}
				x.stop()
				x.mu.Lock()
				defer x.mu.Unlock()
				faults := 0
				for _, e := range x.events {
					if e == control.FaultRaised.String() {
						faults++
					}
				}
				if c.lost != (faults > 0) {
					t.Errorf("%d faults in %.0f s of the stream", faults, st.T)
				}
			})
		})
	}
}
