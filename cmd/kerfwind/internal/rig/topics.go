package rig

import (
	"errors"
	"sync/atomic"

	"kerfwind/control/drive"
	"kerfwind/sensor"
)

// remote ties what hangs on topics to the loop and to the drivers. The link to
// the broker comes and goes; the loop does not wait for it.
type remote struct {
	link  atomic.Pointer[drive.Publisher]
	heard chan sensor.Reading
}

// Publish publishes through the link, while there is one.
func (r *remote) Publish(topic, payload string) error {
	p := r.link.Load()
	if p == nil {
		return errors.New("there is no link to a broker")
	}
	return (*p).Publish(topic, payload)
}

// Link says through what outputs on topics are told from now on; nil: through
// nothing.
func (l *Live) Link(p drive.Publisher) {
	if p == nil {
		l.remote.link.Store(nil)
		return
	}
	l.remote.link.Store(&p)
}

// Heard passes on what a topic says of a machine, whose ID is r.Channel. It
// reports whether there was room.
func (l *Live) Heard(r sensor.Reading) bool {
	r.Channel = byTopic(l.o.Shop, r.Channel)
	select {
	case l.remote.heard <- r:
		return true
	default:
		return false
	}
}
