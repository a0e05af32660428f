package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"kerfwind/sensor"
)

// The idle recordings: eight channels of a 12-bit converter at 2 kS/s and
// 60 Hz. The first carries a machine with a heavy inrush that runs ten seconds
// in each minute; the others are idle, with noise, a standby load each, and
// crosstalk of the first.
const (
	idleRate     = 2000
	idleChannels = 8
	scale12      = perVolt * vref / 4096
)

// spikes says what disturbs an idle channel: two a minute, up to 15 A.
type spikes struct {
	name    string
	longest float64       // seconds
	apart   time.Duration // at least
}

func benchIdle(w io.Writer, hours float64, seed uint64, g *goals) {
	fmt.Fprintf(w, "Idle: %g channel hours at 12 bits, %d scans/s; standby loads to 0.3 A, crosstalk of 2 %% of a 60 A inrush each minute, two spikes a minute of up to 15 A.\n\n", hours, idleRate)
	fmt.Fprintf(w, "%-44s %-16s %12s %12s\n", "spikes", "method", "false starts", "a 1000 h")
	for _, s := range []spikes{
		{"at most 6 ms, 100 ms apart", 0.006, 100 * time.Millisecond},
		{"at most 16 ms, 100 ms apart", 0.016, 100 * time.Millisecond},
		{"at most 6 ms, at any distance", 0.006, 0},
		{"at most 30 ms, at any distance", 0.030, 0},
	} {
		h := hours
		if s.longest != 0.006 || s.apart == 0 {
			h = hours / 4
		}
		names, counts := idleHours(s, h, seed)
		for i, n := range counts {
			g.idle(s, names[i], n)
			fmt.Fprintf(w, "%-44s %-16s %12d %12.2f\n", s.name, names[i], n, float64(n)/h*1000)
		}
	}
	fmt.Fprintln(w)
}

// idleHours counts the false starts of each method in so many hours of idle
// channels.
func idleHours(sp spikes, hours float64, seed uint64) (names []string, counts []int) {
	rng := rand.New(rand.NewPCG(seed, 99))
	gauss := make([]float32, 1<<16)
	for i := range gauss {
		gauss[i] = float32(1.5 * rng.NormFloat64())
	}
	// Standby loads: a table of one cycle each, narrow pulses as of a rectifier.
	const cycle = 4096
	standby := make([][cycle]float32, idleChannels)
	for c := 1; c < idleChannels; c++ {
		for i := range cycle {
			x := math.Sin(2 * math.Pi * float64(i) / cycle)
			pulse := math.Copysign(max(0, math.Abs(x)-0.7), x) / 0.11
			standby[c][i] = float32(0.3 * float64(c-1) / (idleChannels - 2) * pulse / scale12)
		}
	}
	sine := make([]float32, cycle)
	for i := range sine {
		sine[i] = float32(math.Sin(2 * math.Pi * float64(i) / cycle))
	}
	var plain, learned sensor.Params
	for c := range idleChannels {
		p := sensor.ChannelParams{Used: true, Channel: c, Scale: scale12, Max: 4095, Start: startLevel, Stop: stopLevel, StopHold: stopHold}
		plain.Channels = append(plain.Channels, p)
		p.Idle = sensor.Level{Mean: 0.036 + 0.05*float64(c-1), Spread: 0.004}
		if c == 0 {
			p.Idle = sensor.Level{}
		}
		learned.Channels = append(learned.Channels, p)
	}
	plain.Mains, learned.Mains = mains, mains
	names = []string{"ours", "ours, learned", "1 A of 200 ms", "hysteresis"}
	counts = make([]int, 4)
	var detectors [2]*sensor.Detector
	for i, p := range []sensor.Params{plain, learned} {
		d, err := sensor.New(p)
		if err != nil {
			panic(err) // the parameters are constants
		}
		detectors[i] = d
	}
	var windows [2][idleChannels]*window
	for c := range idleChannels {
		windows[0][c] = newHobby(scale12, idleRate)
		windows[1][c] = newHysteresis(scale12, idleRate, mains)
	}
	var was [2][idleChannels]bool
	var buf []sensor.Reading

	type spike struct {
		from, to uint64
		amps     float32
		ring     bool
	}
	var next [idleChannels]spike
	plan := func(c int, after uint64) {
		gap := max(rng.ExpFloat64()*30, sp.apart.Seconds())
		long := sp.longest * rng.Float64()
		from := after + uint64(gap*idleRate)
		next[c] = spike{from, from + uint64(long*idleRate) + 1, float32((4*rng.Float64() - 2) * 7.5), rng.IntN(2) == 0}
	}
	for c := range idleChannels {
		plan(c, 0)
	}
	const block = 2000
	f := sensor.Frame{Channels: idleChannels, Rate: idleRate, Raw: make([]float32, block*idleChannels)}
	one := sensor.Frame{Channels: 1, Rate: idleRate, Raw: make([]float32, block)}
	total := uint64(hours / (idleChannels - 1) * 3600 * idleRate)
	hz := mains * 1.003
	for f.Index < total {
		f.At = time.Duration(float64(f.Index) / idleRate * 1e9)
		for i := range block {
			n := f.Index + uint64(i)
			cycles := float64(n) / idleRate * hz
			ph := int((cycles - math.Floor(cycles)) * cycle)
			second := float64(n%(60*idleRate)) / idleRate
			loud := float32(0)
			if second >= 5 && second < 15 {
				// Inrush of 60 A rms that falls to 10 A within a second.
				loud = float32(math.Sqrt2*(10+50*max(0, 1-(second-5)*(second-5)))) * sine[ph] / scale12
			}
			noise := rng.Uint64()
			row := f.Raw[i*idleChannels : (i+1)*idleChannels]
			for c := range row {
				v := 2048 + gauss[(noise>>(8*c)^n*uint64(2*c+1))&0xFFFF]
				if c == 0 {
					v += loud
				} else {
					v += standby[c][ph] + 0.02*loud
					if n >= next[c].from {
						s := &next[c]
						a := s.amps
						if s.ring && (n-s.from)%4 >= 2 {
							a = -a
						}
						v += a / scale12
						if n+1 >= s.to {
							plan(c, n)
						}
					}
				}
				row[c] = max(0, min(4095, float32(int(v+0.5))))
			}
		}
		for k, d := range detectors {
			buf = d.Feed(&f, buf[:0])
			for j := range buf {
				r := &buf[j]
				running := r.Verdict == sensor.Running
				if running && !was[k][r.Channel] && r.Channel > 0 {
					counts[k]++
				}
				was[k][r.Channel] = running
			}
		}
		one.Index, one.At = f.Index, f.At
		for c := 1; c < idleChannels; c++ {
			for i := range block {
				one.Raw[i] = f.Raw[i*idleChannels+c]
			}
			for k := range windows {
				for _, e := range windows[k][c].feed(&one) {
					if e.running {
						counts[2+k]++
					}
				}
			}
		}
		f.Index += block
	}
	return names, counts
}
