package upkeep

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestLoads: whatever the readings, what is drawn is what a sum over the gaps between
// two trusted ones gives, and nothing bad is ever counted or shown.
func TestLoads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := make(Loads, 3)
		var want, got [3]float64
		var last [3]struct {
			at      time.Duration
			amps    float64
			trusted bool
		}
		now := time.Duration(0)
		for range rapid.IntRange(0, 60).Draw(t, "readings") {
			now += time.Duration(rapid.IntRange(0, 3000).Draw(t, "gap")) * time.Millisecond
			c := rapid.IntRange(-1, 3).Draw(t, "channel")
			amps := rapid.SampledFrom([]float64{0, 0.03, 7.2, 31, -1, math.NaN(), math.Inf(1)}).Draw(t, "amps")
			trusted := rapid.Bool().Draw(t, "trusted")
			drawn := l.Feed(c, now, amps, trusted)
			if c < 0 || c > 2 {
				if drawn != 0 {
					t.Fatalf("channel %d drew %v", c, drawn)
				}
				continue
			}
			got[c] += drawn
			if x := last[c]; x.trusted && now-x.at <= 2*time.Second {
				want[c] += x.amps * (now - x.at).Seconds()
			}
			last[c].at, last[c].amps, last[c].trusted = now, amps, trusted && amps >= 0 && amps < 1000
		}
		if got != want {
			t.Fatalf("%v, want %v", got, want)
		}
		amps, known := l.Amps([]int{0, 2})
		if both := last[0].trusted && last[2].trusted; known != both || known && amps != last[0].amps+last[2].amps || !known && amps != 0 {
			t.Fatalf("%v A, known %v: %+v", amps, known, last)
		}
		if _, known := l.Amps(nil); known {
			t.Fatal("nobody draws, and it is known")
		}
	})
}
