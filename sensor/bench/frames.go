package main

import (
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"kerfwind/sensor"
)

// benchFrames feeds frames of 10 scans of 8 idle channels and does nothing else,
// for those who count what that costs; see .ci/instructions.
func benchFrames(w io.Writer, frames int) error {
	const channels, scans, rate = 8, 10, 1000
	p := sensor.Params{Mains: mains, HoldMains: true}
	for c := range channels {
		p.Channels = append(p.Channels, sensor.ChannelParams{Used: true, Channel: c, Scale: scale12, Max: 4095, Start: startLevel, Stop: stopLevel, StopHold: stopHold})
	}
	d, err := sensor.New(p)
	if err != nil {
		return err
	}
	rng := rand.New(rand.NewPCG(1, 1))
	f := sensor.Frame{Channels: channels, Rate: rate, Raw: make([]float32, channels*scans)}
	for i := range f.Raw {
		f.Raw[i] = float32(2046 + rng.IntN(4))
	}
	var out []sensor.Reading
	n := 0
	for k := range frames {
		f.Index, f.At = uint64(scans*k), time.Duration(k)*scans*time.Second/rate
		out = d.Feed(&f, out[:0])
		n += len(out)
	}
	_, err = fmt.Fprintf(w, "%d samples, %d readings\n", frames*len(f.Raw), n)
	return err
}
