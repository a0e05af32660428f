package mqttlink

import (
	"time"

	"kerfwind/control"
)

// StartThings returns a link that reads the sensors and gates that hang on topics, and
// through which outputs on topics are told. It tells nobody what the shop does: Start
// does, over a connection of its own, so that neither can hold the other up.
func StartThings(o Options) (*Link, error) {
	o, err := o.ready()
	if err != nil {
		return nil, err
	}
	l := newLink(o)
	l.remote.init(l)
	p := newPipe(l, o.MQTT.Client+"-things", things{l}, nil)
	p.patient = true // the program's own broker begins later than this may
	l.pipes = append(l.pipes, p)
	l.done.Go(func() { guard(o.Sense, l.remote.run) })
	l.done.Go(func() { guard(o.Guard, p.run) })
	return l, nil
}

// things is the view of what hangs on topics: it only listens.
type things struct{ l *Link }

func (v things) filters() []string { return v.l.remote.filters() }

func (v things) take(m received) []message {
	v.l.remote.take(m)
	return nil
}

func (things) will() message                      { return message{} }
func (things) birth() []message                   { return nil }
func (things) ready() []message                   { return nil }
func (things) bye() []message                     { return nil }
func (things) states(*control.Snapshot) []message { return nil }
func (things) event(parcel) message               { return message{} } // it has no store
func (things) tick() ([]message, time.Duration)   { return nil, time.Hour }
func (things) echo() string                       { return "" }
