package mqttlink

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/upkeep"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// TestMeter: 10 A for an hour on a circuit of 240 V are 2.4 kVAh, a gap in the readings
// counts for nothing, and a current that is not known is left out.
func TestMeter(t *testing.T) {
	w := &world{}
	o := w.options(barn(t), config.MQTT{})
	o.Tally = counted
	l, v := w.idle(o)
	at := time.Duration(0)
	say := func(verdict sensor.Verdict, amps float32) {
		l.Reading(sensor.Reading{Channel: 1, At: at, Verdict: verdict, Amps: amps})
	}
	for ; at <= time.Hour; at += time.Second {
		say(sensor.Running, 10)
	}
	at += time.Hour
	say(sensor.Running, 10)
	got := v.meter.now(1, nil, counted())
	if *got.Amps != 10 || math.Abs(*got.Energy-2.4) > 0.001 || *got.Hours != 102.4 || *got.Today != 3 || got.Flow != nil {
		t.Errorf("%+v: %v A, %v kVAh", got, *got.Amps, *got.Energy)
	}
	say(sensor.Unknown, 3)
	if got := v.meter.now(1, nil, nil); got.Amps != nil || got.Hours != nil || got.Energy == nil {
		t.Errorf("%+v", got)
	}
	for _, bad := range []float32{float32(math.NaN()), float32(math.Inf(1)), -1} {
		say(sensor.Running, bad)
		at += time.Second
		say(sensor.Running, bad)
		if got := v.meter.now(1, nil, nil); got.Amps != nil || math.Abs(*got.Energy-2.4) > 0.001 {
			t.Errorf("%v A: %+v", bad, got)
		}
	}
	l.Reading(sensor.Reading{Channel: -1})
	l.Reading(sensor.Reading{Channel: 99})
}

// TestTraffic counts the messages of an hour in which three machines start and stop at
// random and draw currents that never rest, with snapshots each second, and of an hour
// at rest: fewer than 3 a second at work, and than 0.1 at rest.
func TestTraffic(t *testing.T) {
	shop := barn(t)
	for seed := range uint64(5) {
		r := rand.New(rand.NewPCG(seed, 1))
		w := &world{}
		l, v := w.idle(w.options(shop, config.MQTT{}))
		core, err := control.New(shop.Control())
		if err != nil {
			t.Fatal(err)
		}
		sent := map[string]string{}
		var perSecond []int
		rest := 0
		var out control.Out
		step := func(now time.Duration, in control.Input) {
			out = control.Out{Commands: out.Commands[:0], Events: out.Events[:0]}
			core.Step(now, in, &out)
			for _, c := range out.Commands {
				core.Step(now, control.InOutput(c, control.Done), &control.Out{})
			}
		}
		step(0, control.InStop(0, control.Closed))
		running := make([]bool, len(shop.Machines))
		for sec := range 7200 {
			now := time.Duration(sec) * time.Second
			w.now = now
			n := 0
			for i := range shop.Machines {
				if sec < 3600 && r.IntN(40) == 0 || sec == 3600 {
					running[i] = sec < 3600 && !running[i]
					verdict := control.Idle
					if running[i] {
						verdict = control.Running
					}
					step(now, control.InMachine(control.ID(i), verdict, now))
					n += len(out.Events)
				}
				x := sensor.Reading{Channel: shop.Machines[i].Channels[0], At: now, Verdict: sensor.Idle, Amps: float32(0.03 + 0.02*r.Float64())}
				if running[i] {
					x.Verdict, x.Amps = sensor.Running, float32(7+3*r.NormFloat64())
				}
				l.Reading(x)
			}
			step(now, control.Input{Kind: control.Tick})
			n += len(out.Events)
			for _, m := range v.states(core.Snapshot()) {
				if sent[m.topic] != m.text {
					sent[m.topic] = m.text
					n++
				}
			}
			perSecond = append(perSecond, n)
			if sec >= 5400 {
				rest += n
			}
		}
		most, total := 0, 0
		for i := range perSecond[:3600] {
			total += perSecond[i]
			if i >= 10 {
				sum := 0
				for _, n := range perSecond[i-9 : i+1] {
					sum += n
				}
				most = max(most, sum)
			}
		}
		t.Logf("seed %d: at work %.2f a second, %.1f over the busiest ten seconds, at rest %.3f", seed, float64(total)/3600, float64(most)/10, float64(rest)/1800)
		if float64(total)/3600 >= 3 || float64(rest)/1800 > 0.1 {
			t.Errorf("seed %d: %d messages in an hour of work, %d in half an hour of rest", seed, total, rest)
		}
		if total < 100 {
			t.Error("nothing happened")
		}
	}
}

// TestOutcome: what was taken is followed by what became of it, on the topic of answers
// and at the gate.
func TestOutcome(t *testing.T) {
	for _, refuse := range []error{nil, errors.New("the collector has no starts left for an hour")} {
		shop := barn(t, topicStarts)
		w := &world{refuse: refuse}
		l, v := w.idle(w.options(shop, config.MQTT{Requests: true}))
		done := make(chan struct{})
		ask := l.o.Ask
		l.o.Ask = func(in control.Input, tell func(error)) bool {
			return ask(in, func(err error) { tell(err); close(done) })
		}
		if a, ok := l.handle(v, received{payload: []byte(`{"ask":"hold","gate":"floor sweep","id":"a7"}`)}); !ok || a.Answer != "taken" {
			t.Fatalf("%+v", a)
		}
		<-done
		late := v.late.take()
		if len(late) != 1 {
			t.Fatalf("%v", late)
		}
		want, gate := `{"id":"a7","ask":"hold","gate":"floor sweep","answer":"done"}`, ""
		if refuse != nil {
			want, gate = `{"id":"a7","ask":"hold","gate":"floor sweep","answer":"refused","why":"`+refuse.Error()+`"}`, refuse.Error()
		}
		if late[0].text != want || v.refused.of(2) != gate {
			t.Errorf("%s; %q", late[0].text, v.refused.of(2))
		}
		if refuse == nil {
			continue
		}
		for _, m := range v.states(snapshot(t, shop)) {
			if m.topic == "kerfwind/gate/floor-sweep" && !strings.Contains(m.text, `"refused":"`+gate) {
				t.Error(m.text)
			}
		}
	}
}

// TestUpkeepSettled: the ducts in which chips lie are in the topic of what wears.
func TestUpkeepSettled(t *testing.T) {
	w := &world{}
	o := w.options(barn(t), config.MQTT{})
	o.Tally = func() *upkeep.Tally { return &upkeep.Tally{} }
	_, v := w.idle(o)
	for _, c := range []struct {
		settled []Settled
		want    string
	}{{nil, `{"due":0,"items":[]}`}, {[]Settled{{"T3", 5}}, `{"due":0,"items":[],"settled":[{"duct":"T3","minutes":5}]}`}} {
		v.meter.beside.Settled = c.settled
		got := ""
		for _, m := range v.states(snapshot(t, o.Shop)) {
			if m.topic == "kerfwind/upkeep" {
				got = m.text
			}
		}
		if got != c.want {
			t.Errorf("%s, want %s", got, c.want)
		}
	}
}

// TestSays: the shop's message is calm only where nothing keeps the shop from collecting;
// a fault comes before all else.
func TestSays(t *testing.T) {
	w := &world{}
	_, v := w.idle(w.options(barn(t), config.MQTT{}))
	for set := range 16 {
		s := &control.Snapshot{StoodDown: set&1 != 0, BinFull: set&2 != 0, ShopClosed: set&4 != 0}
		want := "no faults"
		for _, x := range []struct {
			is   bool
			word string
		}{{s.ShopClosed, "out of hours"}, {s.BinFull, "bin"}, {s.StoodDown, "stood down"}} { // the later the graver
			if x.is {
				want = x.word
			}
		}
		if set&8 != 0 {
			s.Faults, want = []control.FaultView{{Fault: control.GateNotOpen, ID: 1}}, "planer: the gate does not open"
		}
		if got := v.says(s); !strings.Contains(got, want) || (got == "no faults") != (set == 0) {
			t.Errorf("%04b: %q, want %q", set, got, want)
		}
	}
}
