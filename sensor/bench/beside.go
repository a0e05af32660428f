package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"kerfwind/sensor"
)

// goalBeside is how soon a channel's own start of 1.5 A beside a running
// neighbour is to be seen.
const goalBeside = 150 * time.Millisecond

// beside is a neighbour of 15 A, with an inrush of 90 A, whose current shows on an
// idle channel.
type beside struct {
	site
	share, turn float64 // of a cycle
	own         float64 // A
}

// wave is the two channels at t, in seconds from the neighbour's switch-on; since
// is the time from the channel's own.
func (b beside) wave(rng *rand.Rand, t, since float64, raw []float64) {
	loud, ghost := 0.0, 0.0
	if t >= 0 {
		a := math.Sqrt2 * (15 + 75*math.Exp(-math.Pow(t/0.35, 3)))
		x := b.hz * t
		loud = a * (sine(x) + 0.05*sine(3*x+0.1))
		x += b.turn
		ghost = b.share * a * (sine(x) + 0.05*sine(3*x+0.1))
	}
	if since >= 0 {
		ghost += b.own * math.Sqrt2 * sine(b.hz*(t)+0.17)
	}
	raw[0] = b.codes()/2 + ghost/b.scale() + b.noise*rng.NormFloat64()
	raw[1] = b.codes()/2 + loud/b.scale() + b.noise*rng.NormFloat64()
}

// benchBeside counts the false starts of an idle channel at so many starts of its
// neighbour, not learned and learned, and how soon its own start is seen.
func benchBeside(w io.Writer, starts int, seed uint64, g *goals) {
	fmt.Fprintf(w, "Beside a neighbour of 15 A with an inrush of 90 A: %d of its starts, rates and mains by turns, every phase of the share.\n", starts)
	fmt.Fprintf(w, "Own starts of 1.5 A while it runs, in ms.\n\n")
	fmt.Fprintf(w, "%-6s %-12s %12s %10s %8s %8s %8s %8s\n", "share", "", "false starts", "own starts", "missed", "median", "99 %", "worst")
	for _, share := range []float64{0.01, 0.03, 0.05, 0.08} {
		var known [2]struct {
			wrong, missed int
			late          []time.Duration
		}
		for n := range starts {
			rng := rand.New(rand.NewPCG(seed, uint64(5000+n)))
			b := beside{drawSite(rng, n), share, rng.Float64(), 1.5}
			b.learned = n%2 == 0
			var shares []sensor.Share
			for k := range known {
				t := &known[k]
				p := b.params(2)
				p.Shares = shares
				const on = 2.0
				alone := true
				d := b.play(p, 8, func(at float64, raw []float64) {
					x := at - on
					if at > 6 {
						x = -1
					}
					b.wave(rng, x, -1, raw)
				}, func(r *sensor.Reading) bool {
					if r.Channel == 0 && r.Verdict == sensor.Running && alone {
						alone = false
						t.wrong++
					}
					return true
				})
				own := on + 1 + 2*rng.Float64()
				late := time.Duration(0)
				b.play(p, 6, func(at float64, raw []float64) { b.wave(rng, at-on, at-own, raw) }, func(r *sensor.Reading) bool {
					if x := r.At.Seconds() - own; r.Channel == 0 && r.Verdict == sensor.Running && x > 0 {
						late = time.Duration(x * 1e9)
						return false
					}
					return true
				})
				if late == 0 {
					t.missed++
				} else {
					t.late = append(t.late, late)
				}
				shares = d.Shares(nil)
			}
		}
		for k, word := range []string{"not learned", "learned"} {
			t := &known[k]
			ms := func(p float64) float64 { return 1000 * shareOf(t.late, p).Seconds() }
			fmt.Fprintf(w, "%-6.2f %-12s %12d %10d %8d %8.0f %8.0f %8.0f\n", share, word, t.wrong, starts, t.missed, ms(0.5), ms(0.99), ms(1))
			if t.wrong > 0 || t.missed > 0 || shareOf(t.late, 1) > goalBeside {
				g.miss("beside a neighbour, share %g, %s: %d false, %d of %d missed, own starts after up to %v", share, word, t.wrong, t.missed, starts, shareOf(t.late, 1))
			}
		}
	}
	fmt.Fprintln(w)
}
