package panel

import (
	"slices"
	"testing"
	"time"

	"kerfwind/control"
	"kerfwind/sensor"
)

// TestTrail: seconds of a channel, also when the ring is full, and a sensor
// that is lost.
func TestTrail(t *testing.T) {
	s := onPage(demoShop(t), 0)
	if got := s.Trail(0); len(got) != 0 {
		t.Errorf("before anything: %v", got)
	}
	for i := range 2 * (trailSteps + 10) { // two a second
		at := time.Duration(i) * time.Second / 2
		v, amps := sensor.Idle, float32(i%2)
		if i%2 == 1 {
			v = sensor.Running
		}
		s.Reading(sensor.Reading{Channel: 1, At: at, Verdict: v, Amps: amps})
		s.Reading(sensor.Reading{Channel: 99, At: at, Verdict: v})
		s.Reading(sensor.Reading{Channel: -1, At: at, Verdict: v})
	}
	got := s.Trail(1)
	if len(got) != trailSteps {
		t.Fatalf("%d steps", len(got))
	}
	for i, x := range got {
		want := Stretch{At: time.Duration(10+i) * time.Second, High: 1, Sum: 1, Count: 2, Running: true}
		if x != want {
			t.Fatalf("step %d: %+v, want %+v", i, x, want)
		}
	}
	s.Reading(sensor.Reading{Channel: 1, At: 1000 * time.Second, Verdict: sensor.Unknown, Health: sensor.Missing})
	got = s.Trail(1)
	if last := got[len(got)-1]; !last.Lost || last.Count != 0 || last.Health != sensor.Missing {
		t.Errorf("lost: %+v", last)
	}
	if len(s.Trail(0)) != 0 || s.Trail(99) != nil || s.Trail(-1) != nil {
		t.Error("channels that gave nothing")
	}
}

// TestNews: whoever waits is woken once, however much happens, and the loop
// never waits for him.
func TestNews(t *testing.T) {
	s := onPage(demoShop(t), 0)
	news, end := s.News()
	snap := &control.Snapshot{At: time.Second}
	for i := range 2 * recentEvents {
		s.Observe(snap, []control.Event{{At: time.Duration(i)}})
	}
	s.Second(snap, time.Second)
	<-news
	select {
	case <-news:
		t.Error("woken twice")
	default:
	}
	if s.Snapshot() != snap {
		t.Error("the snapshot is another")
	}
	got := s.Recent()
	if len(got) != recentEvents || !slices.IsSortedFunc(got, func(a, b control.Event) int { return int(a.At - b.At) }) || got[len(got)-1].At != 2*recentEvents-1 {
		t.Errorf("%d events, the last %v", len(got), got[len(got)-1].At)
	}
	end()
	s.Second(snap, time.Second)
	if len(s.wake) != 0 {
		t.Error("somebody is woken who does not wait")
	}
}

// BenchmarkReading measures what the page costs the loop for each reading.
func BenchmarkReading(b *testing.B) {
	s := onPage(demoShop(b), 0)
	at := time.Duration(0)
	for b.Loop() {
		at += time.Second / 120
		s.Reading(sensor.Reading{Channel: 1, At: at, Verdict: sensor.Idle, Amps: 1})
	}
}
