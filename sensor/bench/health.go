package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"time"

	"kerfwind/sensor"
)

// site is where a recording is made: converter, rate and supply, drawn at random.
type site struct {
	rate, hz, nominal float64
	bits              int
	noise             float64 // counts
	learned           bool
}

var (
	siteRates = []float64{860, 1000, 1013, 2000, 4000}
	siteMains = []float64{50, 60, 49, 65}
)

// drawSite picks the n-th combination of rate and mains, the rest at random.
func drawSite(rng *rand.Rand, n int) site {
	s := site{rate: siteRates[n%len(siteRates)], hz: siteMains[n/len(siteRates)%len(siteMains)], bits: []int{10, 12, 16}[rng.IntN(3)], learned: true}
	s.nominal = s.hz // a supply off both is what the shop file says
	s.noise = []float64{0.5, 1.5, 8}[(s.bits-9)/3] * (0.8 + 0.8*rng.Float64())
	return s
}

func (s site) codes() float64 { return math.Pow(2, float64(s.bits)) }
func (s site) scale() float64 { return perVolt * vref / s.codes() }
func (s site) String() string {
	return fmt.Sprintf("%g scans/s, %g Hz, %d bits, noise %.2f", s.rate, s.hz, s.bits, s.noise)
}

// params are those of so many channels.
func (s site) params(channels int) sensor.Params {
	p := sensor.Params{Mains: s.nominal}
	for c := range channels {
		q := sensor.ChannelParams{Used: true, Channel: c, Scale: s.scale(), Max: s.codes() - 1, Start: startLevel, Stop: stopLevel, StopHold: stopHold}
		if s.learned {
			mean := math.Sqrt(s.noise*s.noise+1.0/12) * s.scale()
			q.Idle = sensor.Level{Mean: mean, Spread: mean / math.Sqrt(2*s.rate/s.hz)}
		}
		p.Channels = append(p.Channels, q)
	}
	return p
}

// play feeds a detector scan by scan made by wave, which gives raw values before
// rounding and clipping, and calls see with each reading until that says stop.
func (s site) play(p sensor.Params, seconds float64, wave func(t float64, raw []float64), see func(r *sensor.Reading) bool) *sensor.Detector {
	d, err := sensor.New(p)
	if err != nil {
		panic(err) // the parameters are made here
	}
	n := len(p.Channels)
	f := sensor.Frame{Channels: n, Rate: s.rate}
	raw := make([]float64, n)
	var out []sensor.Reading
	total := uint64(seconds * s.rate)
	for f.Index < total {
		f.At = time.Duration(float64(f.Index) / s.rate * 1e9)
		f.Raw = f.Raw[:0]
		for i := range 64 {
			wave(float64(f.Index+uint64(i))/s.rate, raw)
			for _, v := range raw {
				f.Raw = append(f.Raw, float32(max(0, min(s.codes()-1, math.Round(v)))))
			}
		}
		out = d.Feed(&f, out[:0])
		for i := range out {
			if !see(&out[i]) {
				return d
			}
		}
		f.Index += 64
	}
	return d
}

// sine is one of so many cycles.
func sine(cycles float64) float64 { return math.Sin(2 * math.Pi * cycles) }

// benchStuck counts the codes at which a stuck channel is found within a minute.
func benchStuck(w io.Writer, codes int, seed uint64, g *goals) {
	fmt.Fprintf(w, "Stuck at a code for a minute after 8 s: %d codes for each rate and mains, a running machine and an idle one in turn.\n\n", codes)
	fmt.Fprintf(w, "%-10s %-6s %6s %6s %14s %8s\n", "scans/s", "mains", "codes", "found", "stopped first", "worst s")
	const eight = 8
	for n := range len(siteRates) * len(siteMains) {
		rng := rand.New(rand.NewPCG(seed, uint64(1000+n)))
		s := drawSite(rng, n)
		found, stopped, tried := 0, 0, 0
		worst := 0.0
		for tried < codes {
			s.bits = []int{10, 12, 16}[rng.IntN(3)]
			s.noise = []float64{0.5, 1.5, 8}[(s.bits-9)/3] * (0.8 + 0.8*rng.Float64())
			var code [eight]float64
			var seen, idle [eight]bool
			for c := range code {
				code[c] = math.Floor(rng.Float64() * s.codes())
			}
			left := min(eight, codes-tried)
			s.play(s.params(eight), 68, func(t float64, raw []float64) {
				for c := range raw {
					raw[c] = s.codes()/2 + s.noise*rng.NormFloat64()
					if c%2 == 0 && t > 2 {
						raw[c] += 8 * math.Sqrt2 / s.scale() * sine(s.hz*t)
					}
					if t >= 8 {
						raw[c] = code[c]
					}
				}
			}, func(r *sensor.Reading) bool {
				c := r.Channel
				if c >= eight-(eight-min(eight, codes-tried)) || r.At < 8*time.Second || seen[c] {
					return left > 0
				}
				switch {
				case r.Verdict == sensor.Unknown:
					seen[c] = true
					found++
					left--
					worst = max(worst, r.At.Seconds()-8)
					if idle[c] {
						stopped++
					}
				case r.Verdict == sensor.Idle && c%2 == 0:
					idle[c] = true
				}
				return left > 0
			})
			tried += min(eight, codes-tried)
		}
		fmt.Fprintf(w, "%-10g %-6g %6d %6d %14d %8.2f\n", s.rate, s.hz, tried, found, stopped, worst)
		if found < tried || stopped > 0 {
			g.miss("stuck, %g scans/s, %g Hz: %d of %d codes found, %d stopped first", s.rate, s.hz, found, tried, stopped)
		}
	}
	fmt.Fprintln(w)
}

// breakage makes what a broken sensor shows. own is what it would show, mid the
// middle of the range, t the time since it broke.
type breakage struct {
	name   string
	honest bool // no signal tells it from a machine that is switched off
	hidden bool // the current goes on well enough that nothing need be said
	wave   func(b *broken, t, own float64) float64
}

// broken is one breakage in a recording.
type broken struct {
	site
	rng    *rand.Rand
	kept   []float64 // what it showed of late, the latest last
	n      int       // scans since it broke
	code   float64   // figures of its own
	load   float64   // A, while the machine runs
	flap   func(t float64) bool
	middle float64
}

func (b *broken) hiss() float64 { return b.middle + b.noise*b.rng.NormFloat64() }

// again repeats the last so many scans.
func (b *broken) again(scans int) float64 { return b.kept[len(b.kept)-scans+b.n%scans] }

var breakages = []breakage{
	{name: "stuck in the middle", wave: func(b *broken, _, _ float64) float64 { return math.Floor(b.middle) }},
	{name: "stuck at a code", wave: func(b *broken, _, _ float64) float64 { return b.code }},
	{name: "touches ground", wave: func(*broken, float64, float64) float64 { return 0 }},
	{name: "touches the supply", wave: func(b *broken, _, _ float64) float64 { return b.codes() - 1 }},
	{name: "floats, with hum", wave: func(b *broken, t, _ float64) float64 {
		return b.hiss() + b.codes()*(0.01*sine(b.hz*t)+0.14*sine(0.7*t+b.code)+0.1*sine(2.3*t))
	}},
	{name: "floats, without hum", wave: func(b *broken, t, _ float64) float64 {
		return b.hiss() + b.codes()*(0.12*sine(0.4*t+b.code)+0.08*sine(1.7*t))
	}},
	{name: "bias sags over 4 s, signal gone", wave: func(b *broken, t, _ float64) float64 { return b.hiss() - b.middle*min(1, t/4) }},
	{name: "bias sags over 4 s, signal there", wave: func(b *broken, t, own float64) float64 { return own - b.middle*min(1, t/4) }},
	{name: "bias rises over 4 s, signal gone", wave: func(b *broken, t, _ float64) float64 { return b.hiss() + b.middle*min(1, t/4) }},
	{name: "16 scans repeated", wave: func(b *broken, _, _ float64) float64 { return b.again(16) }},
	{name: "137 scans repeated", wave: func(b *broken, _, _ float64) float64 { return b.again(137) }},
	{name: "100 ms repeated", wave: func(b *broken, _, _ float64) float64 { return b.again(int(b.rate / 10)) }},
	{name: "a second repeated", wave: func(b *broken, _, _ float64) float64 { return b.again(int(b.rate)) }},
	{name: "noise above the levels", wave: func(b *broken, _, _ float64) float64 {
		return b.middle + 1.45/b.scale()*b.rng.NormFloat64()
	}},
	{name: "noise below the levels", wave: func(b *broken, _, _ float64) float64 {
		return b.middle + 0.25/b.scale()*b.rng.NormFloat64()
	}},
	{name: "jaw half open, 15 %", hidden: true, wave: func(b *broken, _, own float64) float64 { return b.hiss() + 0.15*(own-b.middle) }},
	{name: "jaw open, 3 times the idle noise", wave: func(b *broken, _, own float64) float64 {
		return b.hiss() + 3*math.Hypot(b.noise, 0.29)*b.scale()/b.load*(own-b.middle)
	}},
	{name: "plug flaps, grounded 5 to 80 ms", wave: func(b *broken, t, own float64) float64 {
		if b.flap(t) {
			return 0
		}
		return own
	}},
	{name: "plug flaps, open 5 to 80 ms", hidden: true, wave: func(b *broken, t, own float64) float64 {
		if b.flap(t) {
			return b.hiss()
		}
		return own
	}},
	{name: "channels alike", wave: nil},
	{name: "beyond the range", wave: func(b *broken, _, own float64) float64 { return b.middle + 60*(own-b.middle) }},
	{name: "noise of half the range", wave: func(b *broken, _, _ float64) float64 { return b.codes() * b.rng.Float64() }},
	{name: "clamp lifted", honest: true, wave: func(b *broken, _, _ float64) float64 { return b.hiss() }},
}

// flaps draws when a plug is off: 5 to 80 ms, each 100 to 600 ms.
func flaps(rng *rand.Rand) func(t float64) bool {
	next, until := 0.0, 0.0
	return func(t float64) bool {
		if t >= next {
			until = t + 0.005 + 0.075*rng.Float64()
			next = until + 0.1 + 0.5*rng.Float64()
		}
		return t < until
	}
}

// benchFaults breaks sensors while their machine is idle and while it runs, and
// counts what is called stopped, started or nothing at all within a minute.
func benchFaults(w io.Writer, draws int, seed uint64, g *goals) {
	fmt.Fprintf(w, "Broken sensors: %d of each kind, rates and mains by turns; within a minute.\n\n", draws)
	fmt.Fprintf(w, "%-34s %-8s %6s %14s %14s %10s\n", "kind", "machine", "found", "stopped first", "started first", "worst s")
	for k, kind := range breakages {
		for _, running := range []bool{false, true} {
			found, stopped, started := 0, 0, 0
			worst := 0.0
			for n := range draws {
				rng := rand.New(rand.NewPCG(seed, uint64(k*1000+n)))
				at, verdict, first := breakOne(rng, drawSite(rng, n), kind, running)
				if at > 0 {
					found++
					worst = max(worst, at)
				}
				if verdict == sensor.Idle && running {
					stopped++
					if !kind.honest {
						g.miss("%s, running: %v: stopped first, at %.3f s", kind.name, drawSite(rand.New(rand.NewPCG(seed, uint64(k*1000+n))), n), first)
					}
				}
				if verdict == sensor.Running && !running {
					started++
				}
			}
			word := "idle"
			if running {
				word = "running"
			}
			fmt.Fprintf(w, "%-34s %-8s %6d %14d %14d %10.2f\n", kind.name, word, found, stopped, started, worst)
			if running && !kind.honest && !kind.hidden && found < draws {
				g.miss("%s, running: %d of %d found", kind.name, found, draws)
			}
		}
	}
	fmt.Fprintln(w)
}

// breakOne gives when the channel was unknown, in seconds after it broke, 0 if
// never; and the first other verdict than before.
func breakOne(rng *rand.Rand, s site, kind breakage, running bool) (at float64, first sensor.Verdict, when float64) {
	const breaks = 8.0
	load := 2 + 8*rng.Float64()
	off := rng.Float64()
	b := &broken{site: s, rng: rng, load: load, middle: s.codes()/2 - s.codes()*0.05*rng.Float64(), code: math.Floor(s.codes() * (0.3 + 0.4*rng.Float64())), flap: flaps(rng)}
	was := sensor.Idle
	if running {
		was = sensor.Running
	}
	s.play(s.params(3), breaks+60, func(t float64, raw []float64) {
		for c := range raw {
			raw[c] = b.hiss()
		}
		if running && t > 3 {
			raw[0] += load * math.Sqrt2 / s.scale() * sine(s.hz*t+off)
		}
		raw[0] = max(0, min(s.codes()-1, math.Round(raw[0])))
		switch {
		case t < breaks:
			b.kept = append(b.kept, raw[0])
		case kind.wave == nil: // the converter selects another channel, or this one for all
			one := b.middle + 3*math.Sqrt2/s.scale()*sine(s.hz*t)
			if running {
				one = raw[0]
			}
			for c := range raw {
				raw[c] = one
			}
		default:
			raw[0] = kind.wave(b, t-breaks, raw[0])
			b.n++
		}
	}, func(r *sensor.Reading) bool {
		if r.Channel != 0 || r.At.Seconds() < breaks {
			return true
		}
		if r.Verdict == sensor.Unknown {
			at = r.At.Seconds() - breaks
			return false
		}
		if r.Verdict != was && first == 0 {
			first, when = r.Verdict, r.At.Seconds()-breaks
		}
		return true
	})
	return at, first, when
}

// benchQuiet counts the faults of healthy channels in so many hours: noise of all
// sizes, standby loads, a resting point that drifts with the weather, hum.
func benchQuiet(w io.Writer, hours float64, seed uint64, g *goals) {
	rng := rand.New(rand.NewPCG(seed, 77))
	const channels = 8
	faults, n := 0, 0
	for n = range len(siteRates) {
		s := drawSite(rng, n+len(siteRates)*rng.IntN(len(siteMains)))
		p := s.params(channels)
		noise, standby := make([]float64, channels), make([]float64, channels)
		gauss := make([]float64, 1<<16)
		for i := range gauss {
			gauss[i] = rng.NormFloat64()
		}
		for c := range channels {
			noise[c] = s.noise * (0.5 + rng.Float64())
			if c%2 == 1 {
				standby[c] = 0.15 * rng.Float64() / s.scale()
			}
			mean := math.Sqrt(noise[c]*noise[c]+1.0/12+standby[c]*standby[c]/2) * s.scale()
			p.Channels[c].Idle = sensor.Level{Mean: mean, Spread: mean / math.Sqrt(2*s.rate/s.hz)}
			if c >= channels/2 {
				p.Channels[c].Idle = sensor.Level{}
			}
		}
		was := map[int]sensor.Health{}
		s.play(p, hours*3600/channels/float64(len(siteRates)), func(t float64, raw []float64) {
			r := rng.Uint64()
			hum := sine(s.hz * t)
			drift := s.codes() * 0.02 * sine(t/3600)
			for c := range raw {
				raw[c] = s.codes()/2 + drift + noise[c]*gauss[(r>>(6*c)^r>>40)&0xFFFF] + standby[c]*hum
			}
		}, func(r *sensor.Reading) bool {
			if r.Health != was[r.Channel] && r.Health != sensor.Healthy && r.At > time.Second {
				faults++
				g.miss("healthy channel %d at %v, %v: %v", r.Channel, s, r.At, r.Health)
			}
			was[r.Channel] = r.Health
			return true
		})
	}
	fmt.Fprintf(w, "Healthy quiet channels: %g channel hours, %d called faulty.\n\n", hours, faults)
}
