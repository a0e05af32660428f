package mqttlink

import (
	"sync"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
)

// retained bounds the messages that are kept. Where they are too many, the
// client that has published most of the bytes loses its oldest.
type retained struct {
	most, bytes int
	forget      func(topic string) // takes a message out of the broker

	mu  sync.Mutex
	all map[string]*kept // by topic
	sum int              // bytes
	n   uint64           // of the newest
}

// kept holds what is known of a message.
type kept struct {
	client string
	bytes  int
	n      uint64 // in the order of publishing
}

// overhead is how much the broker keeps beside a message: a guess on the safe side.
const overhead = 1 << 10

// took notes that a message was kept, or taken away where it is empty.
func (r *retained) took(pk packets.Packet) {
	var gone []string
	r.mu.Lock()
	r.remove(pk.TopicName)
	if len(pk.Payload) > 0 {
		r.n++
		// The topic is kept twice, and properties may be as long as the packet.
		k := &kept{client: pk.Origin, bytes: len(pk.TopicName) + pk.FixedHeader.Remaining + overhead, n: r.n}
		r.all[pk.TopicName] = k
		r.sum += k.bytes
	}
	for len(r.all) > r.most || r.sum > r.bytes {
		topic := r.least()
		r.remove(topic)
		gone = append(gone, topic)
	}
	r.mu.Unlock()
	for _, topic := range gone {
		r.forget(topic)
	}
}

// least is the oldest message of the client with the most bytes. mu is held.
func (r *retained) least() (topic string) {
	by := map[string]int{}
	for _, k := range r.all {
		by[k.client] += k.bytes
	}
	var its *kept
	for t, k := range r.all {
		if its == nil || by[k.client] > by[its.client] || by[k.client] == by[its.client] && k.n < its.n {
			topic, its = t, k
		}
	}
	return topic
}

// remove takes a message out of the counts. mu is held.
func (r *retained) remove(topic string) {
	if k := r.all[topic]; k != nil {
		r.sum -= k.bytes
		delete(r.all, topic)
	}
}

// expired notes that the broker has dropped a message.
func (r *retained) expired(topic string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.remove(topic)
}

// forgetIn takes messages out of a broker.
func forgetIn(s *mqtt.Server) func(string) {
	return func(topic string) { s.Topics.RetainMessage(packets.Packet{TopicName: topic}) }
}
