package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"kerfwind/sensor"
)

// benchSteps measures how long the sequential test needs for a step of the
// one-cycle value by so many of its standard deviations, with the start level
// at that step, and compares with the least mean delay that any test can have
// at the same rate of false starts: log of the mean time between them over the
// information in a value (G. Lorden, 1971). Successive values overlap by half,
// so each brings half of delta squared over two.
func benchSteps(w io.Writer, steps int, seed uint64) {
	const rate = 2000
	const every = time.Hour
	fmt.Fprintf(w, "Weak starts: Gaussian noise, one false start in %v; delay in half cycles.\n\n", every)
	fmt.Fprintf(w, "%6s %6s %8s %8s %8s %8s %8s\n", "step", "steps", "missed", "mean", "99 %", "bound", "ratio")
	rng := rand.New(rand.NewPCG(seed, 7))
	idle := idleOf(rng)
	for _, delta := range []float64{1, 1.5, 2, 3, 5} {
		start := idle.Mean + delta*idle.Spread
		// The load that brings the mean of the values to the start level.
		peak := math.Sqrt(2 * (start*start - idle.Mean*idle.Mean))
		var delays []time.Duration
		sum := 0.0
		missed := 0
		for range steps {
			d, err := sensor.New(sensor.Params{Mains: mains, HoldMains: true, FalseStarts: every, Channels: []sensor.ChannelParams{{
				Used: true, Scale: 1, Start: start, Stop: idle.Mean, Idle: idle,
			}}})
			if err != nil {
				panic(err) // the parameters are made here
			}
			f := sensor.Frame{Channels: 1, Rate: rate, Raw: make([]float32, 6*rate)}
			on := rate + rng.IntN(rate)
			for i := range f.Raw {
				f.Raw[i] = float32(0.1 * rng.NormFloat64())
				if i >= on {
					f.Raw[i] += float32(peak * math.Sin(2*math.Pi*mains*float64(i)/rate))
				}
			}
			found := false
			for _, r := range d.Feed(&f, nil) {
				late := r.At - time.Duration(float64(on)/rate*1e9)
				if r.Verdict == sensor.Running && late > 0 {
					found = true
					delays = append(delays, late)
					sum += late.Seconds()
					break
				}
			}
			if !found {
				missed++
			}
		}
		halves := 2 * mains * sum / float64(max(1, len(delays)))
		bound := math.Log(every.Seconds()*2*mains) / (delta * delta / 4)
		fmt.Fprintf(w, "%6.1f %6d %8d %8.1f %8.1f %8.1f %8.2f\n", delta, steps, missed, halves,
			2*mains*shareOf(delays, 0.99).Seconds(), bound, halves/bound)
	}
	fmt.Fprintln(w)
}

// idleOf measures the values of noise of 0.1 A.
func idleOf(rng *rand.Rand) sensor.Level {
	d, err := sensor.New(sensor.Params{Mains: mains, HoldMains: true, Channels: []sensor.ChannelParams{{
		Used: true, Scale: 1, Start: 10, Stop: 10,
	}}})
	if err != nil {
		panic(err) // the parameters are constants
	}
	f := sensor.Frame{Channels: 1, Rate: 2000, Raw: make([]float32, 2000*300)}
	for i := range f.Raw {
		f.Raw[i] = float32(0.1 * rng.NormFloat64())
	}
	var n, s, q float64
	for _, r := range d.Feed(&f, nil) {
		n++
		s += float64(r.Amps)
		q += float64(r.Amps) * float64(r.Amps)
	}
	return sensor.Level{Mean: s / n, Spread: math.Sqrt(q/n - s/n*s/n)}
}
