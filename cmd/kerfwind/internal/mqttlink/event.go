package mqttlink

import (
	"strconv"

	"kerfwind/cmd/kerfwind/internal/timeline"
)

// event is an event's message: the members of replay's event lines, with the
// boot id and the number in front. A gap says which numbers will never come.
func (v *plain) event(p parcel) message {
	b := append([]byte(`{"boot":`), strconv.Quote(v.l.o.Boot)...)
	b = append(b, `,"seq":`...)
	b = strconv.AppendUint(b, p.to, 10)
	if p.gap {
		b = append(b, `,"event":"events-dropped","from":`...)
		b = strconv.AppendUint(b, p.from, 10)
		b = append(b, '}')
		return message{topic: v.topic("event"), text: string(b)}
	}
	line := timeline.FromEvent(p.event, &v.l.o.Names)
	b = append(b, ',')
	// A line is one object: its members follow on ours.
	b = append(b, line.AppendJSON(nil)[1:]...)
	return message{topic: v.topic("event"), text: string(b)}
}
