package sensor_test

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"kerfwind/sensor"
)

// stream makes a random stream of three channels: runs, spikes, noise, gaps of
// every kind, lost channels, bad bias.
func stream(rng *rand.Rand, rate float64) (p sensor.Params, fs []sensor.Frame) {
	p = sensor.Params{Stale: time.Duration(100+rng.IntN(400)) * time.Millisecond}
	for i := range 4 {
		p.Channels = append(p.Channels, sensor.ChannelParams{
			Used: i != 2, Channel: 10 - i, Scale: 0.024, Max: 4095, Start: 0.6, Stop: 0.4, StopHold: 150 * time.Millisecond,
		})
	}
	hz := 45 + 20*rng.Float64()
	index := uint64(rng.IntN(1000))
	size := make([]float64, 4)
	bias := []float64{2048, 2048, 0, 2048}
	for range 12 {
		f := sensor.Frame{
			Channels: 4, Index: index, Rate: rate,
			At: time.Duration(math.Round(float64(index) / rate * 1e9)),
		}
		for i := range size {
			switch rng.IntN(4) {
			case 0:
				size[i] = 0
			case 1:
				size[i] = 2000 * rng.Float64() * rng.Float64()
			}
			bias[i] = 2048
			if rng.IntN(20) == 0 {
				bias[i] = float64(rng.IntN(4096))
			}
		}
		lost := rng.IntN(8) // one channel or, if 6, all of them
		from := rng.IntN(int(rate))
		to := from + rng.IntN(int(rate))
		for k := range rng.IntN(int(rate * 0.7)) {
			for i := range size {
				v := bias[i] + size[i]*sine(hz*float64(index+uint64(k))/rate) + rng.NormFloat64()
				v = max(0, min(4095, math.Round(v)))
				if k >= from && k < to && (lost == i || lost == 6) {
					v = []float64{math.NaN(), math.Inf(1), math.Inf(-1)}[rng.IntN(3)]
				}
				if rng.IntN(4000) == 0 {
					v = math.NaN()
				}
				f.Raw = append(f.Raw, float32(v))
			}
		}
		index += uint64(f.Scans())
		fs = append(fs, f)
		switch rng.IntN(5) {
		case 0:
			index += uint64(rng.IntN(int(rate / 2)))
		case 1:
			fs = append(fs, sensor.Frame{
				Channels: 4, Index: index, Rate: rate, Err: errors.New("bus"),
				At: time.Duration(math.Round(float64(index) / rate * 1e9)),
			})
			index += uint64(rng.IntN(int(rate / 2)))
		}
	}
	return p, fs
}

// recut cuts the frames at random places.
func recut(rng *rand.Rand, fs []sensor.Frame) (out []sensor.Frame) {
	for _, f := range fs {
		n := f.Scans()
		for i := 0; i < n; {
			k := i + 1 + rng.IntN(1+rng.IntN(400))
			k = min(k, n)
			g := f
			g.Index += uint64(i)
			g.At += time.Duration(math.Round(float64(i) / f.Rate * 1e9))
			g.Raw = f.Raw[i*f.Channels : k*f.Channels]
			out = append(out, g)
			i = k
		}
		if n == 0 {
			out = append(out, f)
		}
	}
	return out
}

// TestCuts: where the stream is cut into frames changes not a bit, and what
// has been said by an instant does not depend on what follows.
func TestCuts(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	verdictsSeen := map[sensor.Verdict]int{}
	healthSeen := map[sensor.Health]int{}
	rounds := 150
	if testing.Short() {
		rounds = 40
	}
	for round := range rounds {
		rate := []float64{250, 1000, 2000, 3000, 12345.678}[round%5]
		p, fs := stream(rng, rate)
		whole := feedFrames(newDetector(t, p), fs)
		for _, r := range whole {
			verdictsSeen[r.Verdict]++
			healthSeen[r.Health]++
		}
		if !slices.IsSortedFunc(whole, func(a, b sensor.Reading) int { return cmp.Compare(a.At, b.At) }) {
			t.Fatalf("round %d: readings out of order", round)
		}
		pieces := recut(rng, fs)
		if got := feedFrames(newDetector(t, p), pieces); !slices.Equal(got, whole) {
			i := 0
			for i < min(len(got), len(whole)) && got[i] == whole[i] {
				i++
			}
			t.Fatalf("round %d: cut otherwise, %d readings of %d; first difference at %d:\n%+v\n%+v",
				round, len(got), len(whole), i, got[i:min(i+1, len(got))], whole[i:min(i+1, len(whole))])
		}
		cut := rng.IntN(len(pieces)) + 1
		got := feedFrames(newDetector(t, p), pieces[:cut])
		last := pieces[cut-1]
		end := last.At + time.Duration(math.Round(float64(last.Scans())/rate*1e9))
		n := 0
		for n < len(whole) && whole[n].At <= end+1 {
			n++
		}
		if !slices.Equal(got, whole[:n]) && !(n > 0 && slices.Equal(got, whole[:len(got)]) && whole[n-1].At >= end-1) {
			t.Fatalf("round %d: cut at %v gives %d readings, want %d", round, end, len(got), n)
		}
	}
	for _, v := range []sensor.Verdict{sensor.Unknown, sensor.Idle, sensor.Running} {
		if verdictsSeen[v] == 0 {
			t.Errorf("the streams never made %v", v)
		}
	}
	for _, h := range []sensor.Health{sensor.Healthy, sensor.Starting, sensor.Missing, sensor.ReadError, sensor.BiasHigh, sensor.BiasLow} {
		if healthSeen[h] == 0 {
			t.Errorf("the streams never made %v", h)
		}
	}
}

// TestSameEverywhere: the readings of a stream of integers are the same to the
// bit on every processor.
func TestSameEverywhere(t *testing.T) {
	const want = "6330 404904bc2dcc58ba 10e040785f6fe51f"
	rng := rand.New(rand.NewPCG(13, 14))
	p := sensor.Params{}
	for i := range 3 {
		p.Channels = append(p.Channels, sensor.ChannelParams{
			Used: true, Channel: i, Scale: 0.0237, Max: 4095, Start: 0.61, Stop: 0.43, StopHold: 100 * time.Millisecond,
		})
	}
	d := newDetector(t, p)
	h := fnv.New64a()
	n := 0
	for k := range 200 {
		f := sensor.Frame{Channels: 3, Index: uint64(211 * k), At: time.Duration(211*k) * 499_993, Rate: 1e9 / 499_993.0}
		for i := range 211 {
			for c := range 3 {
				v := float32(2040 + rng.IntN(12))
				if (k/20+c)%3 == 0 {
					v += wave(211*k+i, 37*float64(1+k%5), 0, 7*c)
				}
				f.Raw = append(f.Raw, v)
			}
		}
		for _, r := range d.Feed(&f, nil) {
			n++
			if _, err := fmt.Fprintf(h, "%d %d %d %d %x %d\n", r.Channel, r.At, r.Onset, r.Verdict, math.Float32bits(r.Amps), r.Health); err != nil {
				t.Fatal(err)
			}
		}
	}
	hz, _ := d.Mains()
	if got := fmt.Sprintf("%d %x %x", n, math.Float64bits(hz), h.Sum64()); got != want {
		t.Errorf("readings, frequency and hash are %s, want %s", got, want)
	}
}

// TestNoAllocation: a frame costs no memory.
func TestNoAllocation(t *testing.T) {
	f := benchFrame()
	p := counts()
	for i := 1; i < f.Channels; i++ {
		c := p.Channels[0]
		c.Channel = i
		p.Channels = append(p.Channels, c)
	}
	d := newDetector(t, p)
	out := make([]sensor.Reading, 0, 64)
	if n := testing.AllocsPerRun(200, func() {
		out = d.Feed(f, out[:0])
		f.Index += uint64(f.Scans())
		f.At += ms(20)
	}); n != 0 {
		t.Errorf("%g allocations a frame", n)
	}
}

// FuzzFeed feeds arbitrary frames: nothing panics, time does not run
// backwards and no figure is other than finite.
func FuzzFeed(f *testing.F) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 8 {
		b := make([]byte, 600)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		next := func() uint64 {
			var b [8]byte
			n := copy(b[:], data)
			data = data[n:]
			return binary.LittleEndian.Uint64(b[:])
		}
		p := sensor.Params{Mains: []float64{0, 50, 60}[next()%3]}
		channels := int(next()%3) + 1
		for i := range channels {
			p.Channels = append(p.Channels, sensor.ChannelParams{
				Used: next()%4 != 0, Channel: i, Scale: 1, Start: 2, Stop: 1, StopHold: ms(20),
				Max: float64(next() % 3 * 1000),
			})
		}
		d := newDetector(t, p)
		last := time.Duration(math.MinInt64)
		index := uint64(0)
		for len(data) > 0 {
			fr := sensor.Frame{Channels: channels, Index: index, Rate: 2000, At: time.Duration(index) * (time.Second / 2000)}
			switch next() % 8 {
			case 0:
				fr.Rate = math.Float64frombits(next())
			case 1:
				fr.At = time.Duration(next())
			case 2:
				fr.Index = next()
			case 3:
				fr.Channels = int(int8(next()))
			case 4:
				fr.Err = errors.New("x")
			case 5:
				for _, r := range d.Expire(time.Duration(next()), nil) {
					if r.Verdict != sensor.Unknown {
						t.Fatalf("expired: %+v", r)
					}
					last = max(last, r.At)
				}
			}
			n := int(next()%200) * channels
			scale := []float64{1, 2, 1000, 1e38}[next()%4]
			seed := next()
			odd := next() % 4
			for i := range n {
				v := scale * sine(float64(i/channels)/40+float64(seed%7))
				if odd == 0 && uint64(i)*seed%97 == 0 {
					v = float64(math.Float32frombits(uint32(seed) + uint32(i)))
				}
				fr.Raw = append(fr.Raw, float32(v))
			}
			index = fr.Index + uint64(n/channels)
			for _, r := range d.Feed(&fr, nil) {
				if r.Verdict < sensor.Unknown || r.Verdict > sensor.Running || r.Health.String() == "invalid" {
					t.Fatalf("%+v", r)
				}
				if !(r.Amps >= 0 && r.Amps <= math.MaxFloat32) {
					t.Fatalf("amperes of %+v", r)
				}
				if r.At < last {
					t.Fatalf("%v after %v", r.At, last)
				}
				last = max(last, r.At)
			}
			d.Next()
		}
	})
}
