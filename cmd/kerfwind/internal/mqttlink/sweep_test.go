package mqttlink

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"kerfwind/config"
	"kerfwind/control"
)

// TestFormerShop: what the broker keeps of a former shop is cleared at the next
// connection: states, entities at the hub, Homie. What belongs here, and what is
// not ours, stays.
func TestFormerShop(t *testing.T) {
	for _, homie := range []bool{false, true} {
		t.Run(fmt.Sprint("homie ", homie), func(t *testing.T) {
			b := start(t, "")
			x := listen(t, b, "before", true)
			gone := []string{"kerfwind/machine/lathe", "kerfwind/gate/lathe", "kerfwind/outlet/lamp", "kerfwind/circuit/attic", "kerfwind/node/shed/status", "kerfwind/node/status", "homie/5/kerfwind/machine-lathe/state"}
			if !homie {
				gone = append(gone, "homie/5/kerfwind/$state")
			}
			stays := []string{"kerfwind/machine/lathe/notes", "other/machine/lathe", "homie/5/kerfwind2/$state"}
			for _, topic := range append(gone, stays...) {
				x.say(t, topic, "old", true)
			}
			x.say(t, "homeassistant/device/kerfwind/config", `{"components":{"machine_lathe":{"platform":"binary_sensor","unique_id":"a"},"fault":{"platform":"binary_sensor"}}}`, true)
			y := listen(t, b, "during", true, "homeassistant/device/kerfwind/config")
			until(t, "the old entities", func() bool { return len(y.all()) == 1 })
			w := &world{}
			l, _ := linked(t, w, b.addr, config.MQTT{Discovery: "homeassistant", Homie: homie}, nil)
			until(t, "the echo", func() bool { return l.Counts().Echo })
			until(t, "the former entity is taken off, and then there is none", func() bool {
				list := y.all()
				off := -1
				for i, m := range list {
					if strings.Contains(string(m.payload), `"machine_lathe":{"platform":"binary_sensor"}`) {
						off = i
					}
				}
				last := string(list[len(list)-1].payload)
				return off > 0 && len(list) > off+1 && !strings.Contains(last, "lathe") && strings.Contains(last, `"fault"`)
			})
			until(t, "the homie state", func() bool {
				z := listen(t, b, "homie", true, "homie/5/kerfwind/$state", "end")
				z.say(t, "end", "x", false)
				until(t, "the end", func() bool { return z.has("end", "x") })
				return z.has("homie/5/kerfwind/$state", "ready") == homie
			})
			z := listen(t, b, "after", true, "kerfwind/#", "other/#", "homie/#")
			z.say(t, "other/end", "x", false)
			until(t, "the end", func() bool { return z.has("other/end", "x") })
			for _, topic := range gone {
				if z.has(topic, "old") {
					t.Errorf("%s is still kept", topic)
				}
			}
			for _, topic := range stays {
				if !z.has(topic, "old") {
					t.Errorf("%s is gone", topic)
				}
			}
			for _, part := range []string{"machine/thickness-planer", "gate/planer", "collector", "shop", "status"} {
				if !z.has("kerfwind/"+part, "") {
					t.Errorf("our own %s is gone", part)
				}
			}
		})
	}
}

// Without a hub the announcement of before is taken back.
func TestNoHub(t *testing.T) {
	w := &world{}
	_, v := w.idle(w.options(barn(t), config.MQTT{}))
	m := v.swept(received{topic: "homeassistant/device/kerfwind/config", payload: []byte("{}"), retained: true})
	if len(m) != 1 || m[0].text != "" || !m[0].retained {
		t.Errorf("got %+v", m)
	}
	for _, m := range []received{
		{topic: "kerfwind/machine/lathe", payload: []byte("x")},
		{topic: "kerfwind/machine/lathe", retained: true},
		{topic: "kerfwind/machine/thickness-planer", payload: []byte("x"), retained: true},
		{topic: "kerfwind/ask", payload: []byte("x"), retained: true},
		{topic: "homie/5/kerfwind/gate-planer/held/set", payload: []byte("x"), retained: true},
	} {
		if out := v.swept(m); len(out) > 0 {
			t.Errorf("%+v is cleared by %+v", m, out)
		}
	}
}

// A stand-down is answered once it is kept, and the connection goes on
// meanwhile.
func TestKept(t *testing.T) {
	b := start(t, "")
	x := listen(t, b, "test", true, "kerfwind/answer", "kerfwind/event")
	w := &world{}
	disk := make(chan error)
	asked := make(chan control.Input, 20)
	_, f := linked(t, w, b.addr, config.MQTT{}, func(o *Options) {
		o.Keep = func(ctx context.Context, in control.Input) error {
			asked <- in
			select {
			case err := <-disk:
				return err
			case <-ctx.Done():
				return ctx.Err()
			}
		}
	})
	f.put(1)
	until(t, "an event", func() bool { return x.has("kerfwind/event", `"seq":1,`) })
	x.say(t, "kerfwind/ask", `{"ask":"stand-down","id":"a"}`, false)
	if in := <-asked; in.State != uint8(control.AskStandDown) || in.Origin != control.Topic {
		t.Errorf("asked %+v", in)
	}
	f.put(1)
	until(t, "an event while the disk is slow", func() bool { return x.has("kerfwind/event", `"seq":2,`) })
	if x.has("kerfwind/answer", "") {
		t.Errorf("answered before it was kept: %v", x.all())
	}
	disk <- nil
	until(t, "the answer", func() bool { return x.has("kerfwind/answer", `{"id":"a","ask":"stand-down","answer":"taken"}`) })
	x.say(t, "kerfwind/ask", `{"ask":"stand-down","id":"b"}`, false)
	<-asked
	disk <- errors.New("it is in force, but a restart may not know of it: no space")
	until(t, "the answer", func() bool {
		return x.has("kerfwind/answer", `"id":"b","ask":"stand-down","answer":"failed","why":"it is in force`)
	})
	// A retained one is refused as ever, and many at once are answered.
	for i := range standDowns + 1 {
		x.say(t, "kerfwind/ask", fmt.Sprintf(`{"ask":"stand-down","id":"c%d"}`, i), false)
	}
	until(t, "one too many is told so", func() bool { return x.has("kerfwind/answer", "already asked") })
	for range standDowns {
		disk <- nil
	}
}
