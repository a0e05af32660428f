package mqttlink

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Echo logs in at the broker beside a link that may run, publishes a message
// under the link's own topic and waits for it to come back: a broker
// acknowledges also what its access list refuses. It takes of Options MQTT,
// Password, TLS and Boot. took is from the login to the message.
func Echo(ctx context.Context, o Options) (took time.Duration, err error) {
	began := time.Now()
	o.Now = func() time.Duration { return time.Since(began) }
	o.Notice = func(e error) { err = errors.Join(err, e) }
	if o.timing == (timing{}) {
		o.timing = usual
	}
	l := newLink(o)
	v := echoView{topic: l.base + "/echo"}
	p := newPipe(l, l.id+"-doctor-"+o.Boot, v, nil)
	s, err := p.connect()
	if err != nil {
		return 0, fmt.Errorf("%s: %w", o.MQTT.Broker, err)
	}
	defer p.end(s)
	if e := p.listen(s); e != nil || err != nil { // what Notice was told is in err
		return 0, errors.Join(err, e)
	}
	p.ask(s)
	limit := time.NewTimer(o.timing.echo)
	defer limit.Stop()
	for {
		select {
		case m := <-s.in:
			if p.got(s, m); p.echoed.Load() {
				return time.Since(began), nil
			}
		case e := <-s.lost:
			return 0, fmt.Errorf("%s ended the connection: %w: check that its access list allows %s/# to %q", o.MQTT.Broker, e, l.base, o.MQTT.User)
		case <-limit.C:
			return 0, fmt.Errorf("%s takes messages of %q and does not pass them on: look at its access list for %s/#", o.MQTT.Broker, o.MQTT.User, l.base)
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
}

// echoView is the view of a connection that only speaks with itself.
type echoView struct {
	view
	topic string
}

func (v echoView) echo() string            { return v.topic }
func (v echoView) will() message           { return message{topic: v.topic, text: "doctor is gone"} }
func (v echoView) filters() []string       { return nil }
func (v echoView) take(received) []message { return nil }
