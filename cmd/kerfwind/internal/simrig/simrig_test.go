package simrig

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const two = `format = 1
adc = [
  { name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" },
  { name = "b", chip = "mcp3208", port = "/dev/spidev0.1", rate = "1 kHz" },
]
channel = [
  { name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" },
  { name = "c1", adc = "b", input = 0, ratio = "30 A : 1 V" },
  { name = "c2", adc = "a", input = 1, ratio = "30 A : 1 V" },
]
`

const script = `length 250ms
rate 1 kHz
mains 60 Hz
converter 12 bits, 3.3 V
channel c2: 30 A : 1 V, noise 3 counts
channel c0: 30 A : 1 V, noise 3 counts
channel c1: 30 A : 1 V, noise 3 counts
at 100ms gap 5ms
`

func open(t *testing.T, text string, speed float64, now func() time.Duration) ([]sensor.Source, *trace.Script, error) {
	t.Helper()
	r, err := config.ParseRig("rig.toml", []byte(two))
	if err != nil {
		t.Fatal(err)
	}
	s, err := trace.ParseScript("script", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	list, err := New(s, speed).Sources(r, now)
	return list, s, err
}

// The converters give what the script's maker gives, each its own channels, one
// round after the other without a seam, at the speed that was asked for.
func TestConverters(t *testing.T) {
	for _, speed := range []float64{1, 5} {
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			list, s, err := open(t, script, speed, func() time.Duration { return time.Duration(float64(time.Since(began)) * speed) })
			if err != nil {
				t.Fatal(err)
			}
			var want, got [3][]float32
			var f sensor.Frame
			for m := trace.NewMaker(s, false); m.Next(&f) == nil; {
				for i, v := range f.Raw {
					ch := []int{2, 0, 1}[i%3] // of the rig
					want[ch] = append(want[ch], v)
				}
			}
			for src, channels := range [][]int{{0, 2}, {1}} {
				next := uint64(0)
				for len(got[channels[0]]) < 2*245 {
					if err := list[src].Next(&f); err != nil {
						t.Fatal(err)
					}
					if gap := f.Index - next; f.Source != src || f.Channels != len(channels) || f.Scans() > 10 || f.At != time.Duration(f.Index)*time.Millisecond || gap != 0 && (gap != 5 || f.Index%250 != 105) {
						t.Fatalf("%+v after %d", f, next)
					}
					next = f.Index + uint64(f.Scans())
					for i, v := range f.Raw {
						ch := channels[i%len(channels)]
						got[ch] = append(got[ch], v)
					}
				}
			}
			for ch := range want {
				if d := cmp.Diff(append(want[ch], want[ch]...), got[ch]); d != "" {
					t.Errorf("channel %d: %s", ch, d)
				}
			}
			if took := time.Since(began); took != time.Duration(float64(500*time.Millisecond)/speed) {
				t.Errorf("half a second at speed %g took %v", speed, took)
			}
			// The end comes at once, and may come twice.
			for _, src := range list {
				for range 2 {
					if c, ok := src.(io.Closer); !ok || c.Close() != nil {
						t.Error("it does not close")
					}
				}
				if err := src.Next(&f); !errors.Is(err, io.EOF) {
					t.Error(err)
				}
			}
		})
	}
}

func TestBadScripts(t *testing.T) {
	for text, want := range map[string]string{
		strings.Replace(script, "converter 12 bits, 3.3 V\n", "", 1): "no converter",
		strings.Replace(script, "channel c1", "channel c9", 1):       "no channel c1: it has c2, c0, c9",
	} {
		text = strings.NewReplacer(": 30 A : 1 V, noise 3 counts", map[bool]string{true: "", false: ": 30 A : 1 V, noise 3 counts"}[want == "no converter"]).Replace(text)
		if _, _, err := open(t, text, 1, func() time.Duration { return 0 }); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

// The plant answers commands, and Halt takes the collector off.
func TestPlant(t *testing.T) {
	r, err := config.ParseRig("rig.toml", []byte(two))
	if err != nil {
		t.Fatal(err)
	}
	s := config.StandIn(r, config.StandInOptions{})
	p := s.Control()
	o := NewWorld(s, nil, nil).Outputs(s, &p)
	<-o.Ready()
	first := o.Take(nil)
	if len(first) < 2 || len(o.Take(nil)) != 0 {
		t.Errorf("%+v", first)
	}
	o.Apply(control.Command{Seq: 1, Kind: control.CollectorOn})
	at, ok := o.Next()
	if !ok {
		t.Fatal("nothing is due")
	}
	o.Advance(at, nil)
	in := o.Advance(time.Second, nil)
	done := false
	for _, i := range in {
		done = done || i.Kind == control.OutputIs && i.Seq == 1
	}
	if !done || o.Inert() {
		t.Errorf("%+v, inert: %v", in, o.Inert())
	}
	if err := o.Halt(); err != nil || !o.Inert() {
		t.Errorf("%v, inert: %v", err, o.Inert())
	}
}

// The clock stands until the converters are open, never gets further than a
// bound beyond what each has given, does not go back, runs on at its speed once
// they go on, and over a gap of the script without them.
func TestClock(t *testing.T) {
	const speed = 20
	synctest.Test(t, func(t *testing.T) {
		rig, err := config.ParseRig("rig.toml", []byte(two))
		if err != nil {
			t.Fatal(err)
		}
		s, err := trace.ParseScript("script", strings.NewReader(strings.NewReplacer("250ms", "2m", "gap 5ms", "gap 1m").Replace(script)))
		if err != nil {
			t.Fatal(err)
		}
		r := New(s, speed)
		now := r.Clock()
		time.Sleep(time.Second)
		if at := now(); at != 0 {
			t.Errorf("%v before there is a converter", at)
		}
		list, err := r.Sources(rig, now)
		if err != nil {
			t.Fatal(err)
		}
		if r.Clock(); now() != 0 { // of another stream
			t.Error("the converters of another stream")
		}
		var f sensor.Frame
		last := time.Duration(0)
		next := func(src int) time.Duration {
			if err := list[src].Next(&f); err != nil {
				t.Fatal(err)
			}
			end := f.At + time.Duration(f.Scans())*time.Millisecond
			at := now()
			if at < end || at < last {
				t.Fatalf("it is %v after a frame that ends at %v, and was %v", at, end, last)
			}
			last = at
			return end
		}
		for range 9 { // to 90 ms, where the computer becomes busy
			next(0)
		}
		end := next(1) // the slower one: to 10 ms
		for range 10 {
			time.Sleep(time.Second)
			if at := now(); at != end+ahead {
				t.Fatalf("%v after %v were given", at, end)
			}
		}
		for range 8 {
			end = next(1)
		}
		if at := now(); at > end+ahead {
			t.Errorf("%v after %v were given", at, end)
		}
		// At its speed again: the ten seconds are not made up for.
		from, began := now(), time.Now()
		next(0)
		next(1) // to 100 ms; the next ones are after the gap
		if took := time.Since(began); took > time.Second/speed {
			t.Errorf("%v for %v", took, now()-from)
		}
		done := make(chan time.Duration, 2)
		for src := range list {
			go func() {
				var f sensor.Frame
				if err := list[src].Next(&f); err != nil {
					t.Error(err)
				}
				done <- f.At
			}()
		}
		synctest.Wait()
		from = now()
		time.Sleep(time.Second)
		if at := now(); at != from+speed*time.Second {
			t.Errorf("%v in a second of a gap", at-from)
		}
		for range list {
			if at := <-done; at != time.Minute+100*time.Millisecond {
				t.Errorf("a frame of %v", at)
			}
		}
		if at := now(); at < time.Minute+100*time.Millisecond || at > time.Minute+110*time.Millisecond {
			t.Errorf("%v after the gap", at)
		}
		for _, src := range list {
			if c, ok := src.(io.Closer); !ok || c.Close() != nil {
				t.Error("it does not close")
			}
		}
	})
}
