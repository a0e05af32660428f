package panel

import (
	"context"
	"encoding/json"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"kerfwind/control"
	"kerfwind/sensor"
)

// barnPage is the barn at rest on a page, by a clock that begins now.
func barnPage(t testing.TB) (*Server, *Shop, nowIn) {
	in := barnIn(t)
	began := time.Now()
	shop := NewShop(in.Shop, in.Names)
	shop.Speed, shop.Now = 1, func() time.Duration { return in.Now + time.Since(began) }
	shop.Wall = func() (time.Time, bool) { return time.Time{}, false }
	for _, r := range in.Amps {
		shop.Reading(r)
	}
	shop.Observe(in.Snap, nil)
	s := New(Options{Notice: func(err error) { t.Error(err) }})
	s.Show(shop)
	return s, shop, in
}

// heard is a visitor of the stream, who can be read while it goes on.
type heard struct {
	*httptest.ResponseRecorder
	mu sync.Mutex
	at []time.Time
	s  []message
}

func (h *heard) Write(b []byte) (int, error) {
	var m message
	if text, ok := strings.CutPrefix(string(b), "data: "); ok {
		if err := json.Unmarshal([]byte(text), &m); err != nil {
			return 0, err
		}
		h.mu.Lock()
		h.at, h.s = append(h.at, time.Now()), append(h.s, m)
		h.mu.Unlock()
	}
	return h.ResponseRecorder.Write(b)
}

// take empties what was heard.
func (h *heard) take() ([]message, []time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	s, at := h.s, h.at
	h.s, h.at = nil, nil
	return s, at
}

// listen opens a stream as somebody on this computer.
func listen(ctx context.Context, s *Server) (h *heard, done chan struct{}) {
	h, done = &heard{ResponseRecorder: httptest.NewRecorder()}, make(chan struct{})
	r := httptest.NewRequestWithContext(ctx, "GET", "http://localhost/events", nil)
	r.RemoteAddr = "127.0.0.1:4000"
	go func() {
		defer close(done)
		s.ServeHTTP(h, r)
	}()
	return h, done
}

// A stream begins with all there is, then sends what changes, at its pace, and
// a beat where nothing does. It ends with the shop.
func TestStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, shop, in := barnPage(t)
		h, done := listen(t.Context(), s)
		synctest.Wait()
		first, _ := h.take()
		if len(first) != 1 || first[0].ID == "" || first[0].Troubles == nil || first[0].Text["m1.word"] != "idle" || first[0].State["k0"] != "off" || first[0].T != 100 {
			t.Fatalf("first came %+v", first)
		}

		for range 20 {
			time.Sleep(time.Second) //clock:ok a bubble of synctest
			shop.Second(in.Snap, shop.Now())
		}
		time.Sleep(700 * time.Millisecond) //clock:ok a bubble of synctest
		beats, at := h.take()
		if len(beats) < 8 || len(beats) > 10 {
			t.Errorf("%d beats in 20.7 s", len(beats))
		}
		for i, b := range beats {
			if d := cmp.Diff(message{T: at[i].Sub(at[0]).Seconds() + beats[0].T}, b); d != "" {
				t.Error(d)
			}
			if i > 0 && at[i].Sub(at[i-1]) > streamBeat+streamLook {
				t.Errorf("nothing for %v", at[i].Sub(at[i-1]))
			}
		}

		// An event is on the page within a gap.
		snap := *in.Snap
		snap.At = shop.Now()
		snap.Machines = append([]control.MachineView(nil), snap.Machines...)
		snap.Machines[planer] = control.MachineView{Sensed: control.Running, Run: true, Since: shop.Now(), Why: control.Why{Cause: control.ByPath, Machine: planer}}
		begun := since(snap.Machines[planer].Since)
		shop.Observe(&snap, []control.Event{{Kind: control.MachineStarted}})
		time.Sleep(eventGap + time.Millisecond) //clock:ok a bubble of synctest
		got, _ := h.take()
		want := []message{{T: got[0].T, Text: map[string]string{"head": "waits", "m1.word": "runs", "m1.note": "waits for a path", "pm1.w": "starts",
			"say": "Planer starts: waits for a path."}, State: map[string]string{"head": "work", "m1": "run", "pm1": "starts", "tone": "wait"},
			Clock: map[string]string{"m1": begun.Code()}}}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}

		// Currents that never rest make no more than four messages a second.
		for i := range 1000 {
			shop.Reading(sensor.Reading{Channel: 1, Verdict: sensor.Running, Amps: float32(i%100) / 3})
			shop.Second(&snap, shop.Now())
			time.Sleep(10 * time.Millisecond) //clock:ok a bubble of synctest
		}
		if got, _ := h.take(); len(got) < 30 || len(got) > 41 {
			t.Errorf("%d messages in 10 s", len(got))
		}

		s.Leave(shop)
		<-done
	})
}

// What is shown when the loop says nothing any more is old, though the stream
// goes on: the page says so, and takes it back.
func TestSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, shop, in := barnPage(t)
		shop.Speed = 3 // so that silence is three times as long in the stream
		h, done := listen(t.Context(), s)
		for range 10 {
			time.Sleep(time.Second) //clock:ok a bubble of synctest
			shop.Second(in.Snap, shop.Now())
		}
		spoke := shop.Now()
		time.Sleep(3*silence - time.Second) //clock:ok a bubble of synctest
		if got, _ := h.take(); len(got) == 0 || len(*got[0].Troubles) != 0 || got[len(got)-1].Troubles != nil {
			t.Fatalf("while it speaks: %+v", got)
		}
		time.Sleep(2 * time.Second) //clock:ok a bubble of synctest
		got, _ := h.take()
		i := slices.IndexFunc(got, func(m message) bool { return m.Troubles != nil })
		if i < 0 || len(*got[i].Troubles) != 1 || (*got[i].Troubles)[0][3] != since(spoke).Code() || got[i].State["head"] != "alarm" {
			t.Fatalf("silent: %+v", got)
		}
		shop.Second(in.Snap, shop.Now())
		time.Sleep(time.Second) //clock:ok a bubble of synctest
		got, _ = h.take()
		i = slices.IndexFunc(got, func(m message) bool { return m.Troubles != nil })
		if i < 0 || len(*got[i].Troubles) != 0 || got[i].State["head"] != "calm" {
			t.Fatalf("it speaks again: %+v", got)
		}
		s.Leave(shop)
		<-done
	})
}

// Streams of a shop share what they send, and one that missed something is
// told all of it at once.
func TestFeedShares(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, shop, in := barnPage(t)
		f := &shop.feed
		a, va := f.next(shop, 0)
		b, vb := f.next(shop, 0)
		if &a[0] != &b[0] || va != vb {
			t.Error("the same message is made twice")
		}
		if m, v := f.next(shop, va); m != nil || v != va {
			t.Errorf("nothing has changed, and there is %s", m)
		}
		change := func(fault control.FaultKind) (version uint64) {
			time.Sleep(streamGap) //clock:ok a bubble of synctest
			snap := *in.Snap
			snap.Faults = []control.FaultView{{Fault: fault, ID: planer}}
			shop.Observe(&snap, nil)
			_, version = f.next(shop, va)
			return version
		}
		v1 := change(control.SensorLost)
		v2 := change(control.GateNotOpen)
		text, v := f.next(shop, va)
		var m message
		if err := json.Unmarshal(text, &m); err != nil {
			t.Fatal(err)
		}
		if !(va < v1 && v1 < v2) || v != v2 || m.Troubles == nil || len(*m.Troubles) != 1 || (*m.Troubles)[0][1] != "Planer: the gate does not open." || m.Text["head"] != "1 thing is wrong" {
			t.Errorf("versions %d, %d, %d: %s", va, v1, v2, text)
		}
	})
}

// A circuit is above its rating once control has said so, and until it says
// otherwise.
func TestOver(t *testing.T) {
	_, shop, in := barnPage(t)
	for _, tt := range []struct {
		kind control.EventKind
		id   control.ID
		want uint64
	}{{control.CircuitOver, 2, 4}, {control.CircuitNear, 1, 4}, {control.CircuitOver, 0, 5}, {control.CircuitFits, 0, 4}, {control.CircuitNear, 2, 0}} {
		shop.Observe(in.Snap, []control.Event{{Kind: tt.kind, ID: tt.id}})
		if got := shop.nowIn().Over; got != tt.want {
			t.Errorf("after %v of %d: %b, want %b", tt.kind, tt.id, got, tt.want)
		}
	}
}

// BenchmarkFeed is a look at a shop whose currents all change, with the
// message for everybody.
func BenchmarkFeed(b *testing.B) {
	_, shop, _ := barnPage(b)
	var version uint64
	for i := 0; b.Loop(); i++ {
		for ch := range shop.Rig.Channels {
			shop.Reading(sensor.Reading{Channel: ch, Verdict: sensor.Running, Amps: float32(i % 90)})
		}
		shop.feed.made = time.Time{}
		_, version = shop.feed.next(shop, version)
	}
}
