package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"kerfwind/sensor"
)

// goalWeak is how soon a current equal to the noise of a sample is to be found, at
// the median, with one false start a year.
const goalWeak = 35 * time.Millisecond

// goalSpikes is how many spikes may make one false start of a channel whose level lies in
// the noise.
const goalSpikes = 10000

const weakRate, weakNoise = 2000, 0.1 // scans a second, A

// weakParams are those of a channel with white noise whose start level is the value that such a
// current brings.
func weakParams(hz, amps float64, every time.Duration) sensor.Params {
	mean := weakNoise * (1 - 1/(4*weakRate/hz))
	return sensor.Params{Mains: hz, HoldMains: true, FalseStarts: every, Channels: []sensor.ChannelParams{{
		Used: true, Scale: 1, Start: math.Hypot(mean, amps), Stop: mean, Idle: sensor.Level{Mean: mean, Spread: weakNoise / math.Sqrt(2*weakRate/hz)},
	}}}
}

// benchWeak measures how long a current near the noise takes to be found, beside
// what no test can beat on average at that rate of false starts (G. Lorden, 1971):
// the log of the time between them in half cycles over the information in a value,
// and over that in a sample whose shape is known, amps²/2 noise².
func benchWeak(w io.Writer, steps int, seed uint64, g *goals) {
	const year = sensor.DefaultFalseStarts
	fmt.Fprintf(w, "Currents near the noise of a sample: one false start a year, %d scans/s; delay from switch-on in ms.\n\n", weakRate)
	fmt.Fprintf(w, "%-6s %-13s %6s %6s %8s %8s %8s %14s %14s\n", "mains", "times noise", "starts", "missed", "median", "mean", "99 %", "bound, values", "bound, samples")
	rng := rand.New(rand.NewPCG(seed, 8))
	for _, hz := range []float64{50, 60} {
		for _, times := range []float64{0.5, 0.7, 1, 1.5, 2, 3} {
			p := weakParams(hz, times*weakNoise, year)
			var delays []time.Duration
			sum, missed := 0.0, 0
			for range steps {
				d, err := sensor.New(p)
				if err != nil {
					panic(err) // the parameters are made here
				}
				f := sensor.Frame{Channels: 1, Rate: weakRate, Raw: make([]float32, 3*weakRate)}
				on, phase := weakRate+rng.IntN(weakRate), rng.Float64()
				for i := range f.Raw {
					f.Raw[i] = float32(weakNoise * rng.NormFloat64())
					if i >= on {
						f.Raw[i] += float32(math.Sqrt2 * times * weakNoise * sine(hz*float64(i)/weakRate+phase))
					}
				}
				missed++
				for _, r := range d.Feed(&f, nil) {
					if late := r.At - time.Duration(float64(on)/weakRate*1e9); r.Verdict == sensor.Running && late > 0 {
						missed--
						delays = append(delays, late)
						sum += late.Seconds()
						break
					}
				}
			}
			idle := p.Channels[0].Idle
			need := math.Log(year.Seconds() * 2 * hz)
			step := (p.Channels[0].Start - idle.Mean) / idle.Spread
			ms := func(q float64) float64 { return 1000 * shareOf(delays, q).Seconds() }
			fmt.Fprintf(w, "%-6g %-13g %6d %6d %8.1f %8.1f %8.1f %14.1f %14.1f\n", hz, times, steps, missed, ms(0.5), 1000*sum/float64(max(1, len(delays))), ms(0.99),
				1000*need/(step*step/4)/(2*hz), 1000*need/(times*times/2)/weakRate)
			if times >= 1 && (missed > 0 || shareOf(delays, 0.5) > goalWeak) {
				g.miss("a current of %g times the noise, %g Hz: %d of %d missed, median %.1f ms, at most %v", times, hz, missed, steps, ms(0.5), goalWeak)
			}
		}
	}
	fmt.Fprintln(w)
}

// benchWeakIdle counts the false starts that noise makes where one in a minute is allowed,
// with standby loads, and those that spikes add.
func benchWeakIdle(w io.Writer, hours float64, seed uint64, g *goals) {
	const every = time.Minute
	fmt.Fprintf(w, "Idle channels with a start level near the noise: %g hours each, one false start in %v allowed in noise alone, one in a year with standby loads, and one in %d spikes, every 2.1 s.\n\n", hours, every, goalSpikes)
	fmt.Fprintf(w, "%-6s %-13s %-16s %12s %12s\n", "mains", "times noise", "", "false starts", "allowed")
	rng := rand.New(rand.NewPCG(seed, 9))
	for _, hz := range []float64{50, 60} {
		for _, times := range []float64{0.5, 1, 2} {
			for _, with := range []string{"noise", "standby", "spikes to 6 ms"} {
				p := weakParams(hz, times*weakNoise, every)
				c := &p.Channels[0]
				hum := 0.0
				if with == "standby" {
					hum = 2 * weakNoise
					c.Idle.Mean = math.Hypot(c.Idle.Mean, hum)
					c.Idle.Spread = weakNoise / math.Sqrt(weakRate/hz) * math.Sqrt(hum*hum+weakNoise*weakNoise/2) / c.Idle.Mean
					c.Start, c.Stop = math.Hypot(c.Start, hum), c.Idle.Mean
				}
				if with != "noise" {
					p.FalseStarts = sensor.DefaultFalseStarts
				}
				d, err := sensor.New(p)
				if err != nil {
					panic(err) // the parameters are made here
				}
				f := sensor.Frame{Channels: 1, Rate: weakRate, Raw: make([]float32, weakRate)}
				wrong, was := 0, false
				spikes := 0.0
				next, until, height := uint64(weakRate), uint64(0), 0.0
				var out []sensor.Reading
				for f.Index < uint64(hours*3600*weakRate) {
					f.At = time.Duration(float64(f.Index) / weakRate * 1e9)
					for i := range f.Raw {
						n := f.Index + uint64(i)
						x := weakNoise*rng.NormFloat64() + math.Sqrt2*hum*sine(hz*1.001*float64(n)/weakRate)
						if with == "spikes to 6 ms" && n >= next {
							if until < next {
								until = next + uint64(rng.Float64()*0.006*weakRate) + 1
								spikes++
								height = (rng.Float64() - 0.5) * 150 * weakNoise
							}
							x += height
							if n+1 >= until {
								next = n + uint64((0.1+rng.ExpFloat64()*2)*weakRate)
							}
						}
						f.Raw[i] = float32(x)
					}
					out = d.Feed(&f, out[:0])
					for i := range out {
						running := out[i].Verdict == sensor.Running
						if running && !was {
							wrong++
						}
						was = running
					}
					f.Index += weakRate
				}
				allowed := hours*float64(time.Hour)/float64(p.FalseStarts) + spikes/goalSpikes
				fmt.Fprintf(w, "%-6g %-13g %-16s %12d %12.2f\n", hz, times, with, wrong, allowed)
				if float64(wrong) > allowed+3*math.Sqrt(allowed)+0.5 {
					g.miss("start level of %g times the noise, %g Hz, %s: %d false starts in %g hours", times, hz, with, wrong, hours)
				}
			}
		}
	}
	fmt.Fprintln(w)
}
