package mqttlink

import (
	"strings"
	"testing"

	"kerfwind/config"
)

// Echo tells a broker that passes on from one whose access list forbids
// listening or publishing, and from none at all; and it does not throw out a
// link that runs.
func TestEchoAlone(t *testing.T) {
	for may, want := range map[string]string{"readwrite": "", "write": "does not pass them on", "read": "access list"} {
		b := start(t, "acl_file DIR/acl", func(b *mosquitto) { b.write("acl", "topic "+may+" kerfwind/#\n") })
		o := Options{MQTT: config.MQTT{Broker: "tcp://" + b.addr, Topic: "kerfwind", Keep: 10}, Boot: "b1", timing: brisk}
		if may == "readwrite" {
			w := &world{}
			l, _ := linked(t, w, b.addr, config.MQTT{}, nil)
			until(t, "the link is there", func() bool { return l.Counts().Echo })
			defer func() {
				if n := len(w.told()); n != 0 || !l.Counts().Connected {
					t.Errorf("the link was disturbed: %q", w.told())
				}
			}()
		}
		took, err := Echo(t.Context(), o)
		if want == "" && (err != nil || took <= 0) || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("may %s: %v, %v", may, took, err)
		}
	}
	o := Options{MQTT: config.MQTT{Broker: "tcp://" + free(t), Topic: "kerfwind", Keep: 10}, Boot: "b1", timing: brisk}
	if _, err := Echo(t.Context(), o); err == nil || !strings.Contains(err.Error(), "refused") {
		t.Error(err)
	}
}
