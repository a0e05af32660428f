package config_test

import (
	"strings"
	"testing"
	"time"

	"kerfwind/config"
)

// TestTravelOfSlowServo: a gate is taken as open once its travel has passed, so
// that must not be shorter than the way its servo takes.
func TestTravelOfSlowServo(t *testing.T) {
	for _, c := range []struct{ slow, travel, want string }{
		{"0 s", "900 ms", ""},
		{"900 ms", "900 ms", ""},
		{"900 ms", "1 s", ""},
		{"901 ms", "900 ms", `shop.toml:6:45: gate "planer": it would be taken as open after 900 ms, and its servo "g0" takes 901 ms from end to end` + "\n    " + `write travel = "901 ms" or more, or make the servo's slow shorter in the rig file`},
		{"30 s", "50 ms", `write travel = "30 s" or more`},
	} {
		r := mustRig(t, "rig.toml", `format = 1
actuator = [{ name = "g0", kind = "servo", bus = "/dev/i2c-1", output = 0, slow = "`+c.slow+`" }, { name = "k0", kind = "relay", chip = "soc", line = 1 }]
contact = [{ name = "b", chip = "soc", line = 2, closed = "running", kind = "machine" }]
`)
		_, err := config.ParseShop("shop.toml", []byte(`format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
collector = { actuator = "k0" }
machine = [{ name = "planer", contacts = ["b"], gates = ["planer"], coast = "5 s" }]
gate = [{ name = "planer", actuator = "g0", travel = "`+c.travel+`" }]
`), r)
		switch {
		case c.want == "" && err != nil:
			t.Errorf("slow %s, travel %s: %v", c.slow, c.travel, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("slow %s, travel %s: got %v, want %s", c.slow, c.travel, err, c.want)
		}
		if s := config.StandIn(r, config.StandInOptions{}); s.Gates[0].Travel < max(time.Second, r.Actuators[0].Slow) {
			t.Errorf("stand-in shop: slow %s, travel %v", c.slow, s.Gates[0].Travel)
		}
	}
}

// TestTopicWithoutBroker: a machine's topic needs a link; planning does not.
func TestTopicWithoutBroker(t *testing.T) {
	const text = `format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
collector = { actuator = "k0" }
machine = [{ name = "planer", topic = "plug", gates = ["planer"], coast = "5 s" }]
gate = [{ name = "planer", actuator = "g0", travel = "1 s" }]
`
	const rig = `format = 1
actuator = [{ name = "g0", kind = "servo", bus = "/dev/i2c-1", output = 0 }, { name = "k0", kind = "relay", chip = "soc", line = 1 }]
`
	_, err := config.ParseShop("shop.toml", []byte(text), mustRig(t, "rig.toml", rig))
	const want = `shop.toml:5:31: machine "planer": it is known by a topic, and the rig has no link to a broker
    add [mqtt] with broker = `
	if err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("got %v, want %s", err, want)
	}
	if _, err := config.ParseShop("shop.toml", []byte(text), mustRig(t, "rig.toml", rig+`mqtt = { broker = "tcp://broker.local:1883" }`)); err != nil {
		t.Error(err)
	}
	if _, err := config.ParsePlan("shop.toml", []byte(text)); err != nil {
		t.Error(err)
	}
}
