package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// kinds are the machines, as the scripts of package trace describe them.
var kinds = []struct{ name, text string }{
	{"induction motor 2 hp", "induction motor, 2 hp, 240 V, run-up 800ms"},
	{"induction motor 1/2 hp", "induction motor, 0.5 hp, 120 V, run-up 300ms"},
	{"universal motor", "universal motor, 1500 W, 120 V"},
	{"universal, soft start", "universal motor, 1500 W, 120 V, soft start"},
	{"universal, speed 60 %", "universal motor, 800 W, 120 V, speed 60 %"},
	{"vacuum", "vacuum, 1200 W, 120 V"},
	{"inverter", "inverter, 1500 W, 240 V, idle 30 %"},
	{"heater", "heater, 1500 W, 120 V"},
	{"heater, half-wave", "heater, 1000 W, 120 V, half-wave"},
}

// perVolt is the transformer of the recordings, vref the converter's range.
const (
	perVolt = 30.0
	vref    = 3.3
	mains   = 60.0
	quiet   = 20 * time.Second // before the first run, to learn the idle level
	slot    = 6 * time.Second  // for each run
)

// truth is one run by the clean current: when its one-cycle RMS first passes
// the start level after the switch closes, and last leaves the stop level.
type truth struct{ on, pass, off time.Duration }

// tally counts what a method made of the runs.
type tally struct {
	starts, missed, wrong, double int
	delays, stops                 []time.Duration
}

func benchStarts(w io.Writer, starts int, rate float64, seed uint64, g *goals) error {
	fmt.Fprintf(w, "Starts and stops: %d of each kind, %g scans/s, %g Hz, levels %g and %g A, hold %v.\n", starts, rate, mains, startLevel, stopLevel, stopHold)
	fmt.Fprintf(w, "A busy shop has a standby load of 0.2 A, spikes of 15 A, and a neighbour of 3 hp that shows with 2 %% of its current.\n")
	fmt.Fprintf(w, "Delay from the clean one-cycle RMS passing the start level, in cycles; of the stop beyond the hold, in ms.\n\n")
	fmt.Fprintf(w, "%-24s %-4s %-5s %-16s %6s %6s %6s %6s  %6s %6s %6s  %6s %6s %6s\n",
		"machine", "bits", "shop", "method", "starts", "missed", "false", "double", "median", "99 %", "worst", "median", "99 %", "worst")
	for k, kind := range kinds {
		known := map[uint64][]truth{} // by seed: bits and shop make no difference to them
		for v := range 4 {
			bits, busy := []int{12, 10}[v%2], v >= 2
			shop := "alone"
			if busy {
				shop = "busy"
			}
			names, tallies, err := oneKind(recording{kind.text, bits, busy, rate, seed + uint64(k)}, starts, known)
			if err != nil {
				return fmt.Errorf("%s: %w", kind.name, err)
			}
			for i := range tallies {
				t := &tallies[i]
				g.starts(kind.name, bits, busy, names[i], t)
				cycles := func(d time.Duration) float64 { return d.Seconds() * mains }
				ms := func(d time.Duration) float64 { return 1000 * (d - stopHold).Seconds() }
				fmt.Fprintf(w, "%-24s %-4d %-5s %-16s %6d %6d %6d %6d  %6.2f %6.2f %6.2f  %6.0f %6.0f %6.0f\n",
					kind.name, bits, shop, names[i], t.starts, t.missed, t.wrong, t.double,
					cycles(shareOf(t.delays, 0.5)), cycles(shareOf(t.delays, 0.99)), cycles(shareOf(t.delays, 1)),
					ms(shareOf(t.stops, 0.5)), ms(shareOf(t.stops, 0.99)), ms(shareOf(t.stops, 1)))
			}
		}
	}
	fmt.Fprintln(w)
	return nil
}

// shareOf is the value that the given share of d does not exceed.
func shareOf(d []time.Duration, p float64) time.Duration {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[min(len(d)-1, int(p*float64(len(d))))]
}

// recording is one machine that runs over and over.
type recording struct {
	machine string
	bits    int // 0 = clean: amperes, and nothing else on the channel
	busy    bool
	rate    float64
	seed    uint64
}

// script is the recording in the words of package trace.
func (r recording) script(starts int) string {
	rng := rand.New(rand.NewPCG(r.seed, 1))
	var b strings.Builder
	line := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n", a...) }
	length := quiet + time.Duration(starts)*slot
	line("length %v", length)
	line("rate %g Hz", r.rate)
	line("mains %g Hz off %.2f %%", mains, rng.Float64()-0.5)
	line("seed %d", r.seed)
	line("machine m on c0: %s", r.machine)
	options := ""
	if r.bits > 0 {
		noise := 1.5
		if r.bits == 10 {
			noise = 0.5
		}
		line("converter %d bits, %g V", r.bits, vref)
		options = fmt.Sprintf(": %g A : 1 V, noise %g counts", perVolt, noise)
	}
	crosstalk := ""
	if r.busy && r.bits > 0 {
		crosstalk = ", crosstalk 2 % of c1"
		line("machine charger on c0: standby, full load 0.2 A")
		line("machine n on c1: induction motor, 3 hp, 240 V, run-up 1s")
		line("at 13s c0 spike 15 A every 31s")
	}
	line("channel c0%s%s", options, crosstalk)
	line("channel c1%s", options)
	for i := range starts {
		at := quiet + time.Duration(i)*slot + time.Duration(rng.IntN(500_000))*time.Microsecond
		long := 2500*time.Millisecond + time.Duration(rng.IntN(1_000_000))*time.Microsecond
		line("at %v m runs %v", at, long)
		if next := slot*time.Duration(i) + time.Duration(rng.IntN(5000))*time.Millisecond; crosstalk != "" && i%2 == 0 {
			line("at %v n runs 2s", quiet+next)
		}
	}
	return b.String()
}

func maker(text string, amperes bool) (*trace.Maker, error) {
	s, err := trace.ParseScript("script", strings.NewReader(text))
	if err != nil {
		return nil, err
	}
	return trace.NewMaker(s, amperes), nil
}

func oneKind(r recording, starts int, known map[uint64][]truth) (names []string, total []tally, err error) {
	// The text grows with the starts and is bounded, so it goes in parts.
	const part = 500
	seed := r.seed
	for done := 0; done < starts; done += part {
		n := min(part, starts-done)
		r.seed = seed*1000 + uint64(done)
		if known[r.seed] == nil {
			if known[r.seed], err = r.clean(n); err != nil {
				return nil, nil, err
			}
		}
		text := r.script(n)
		var methods []method
		names, methods, err = r.methods(text)
		if err != nil {
			return nil, nil, err
		}
		m, err := maker(text, false)
		if err != nil {
			return nil, nil, err
		}
		events := make([][]event, len(methods))
		err = each(m, func(f *sensor.Frame) bool {
			for i := range methods {
				events[i] = append(events[i], methods[i].feed(f)...)
			}
			return true
		})
		if err != nil {
			return nil, nil, err
		}
		if total == nil {
			total = make([]tally, len(methods))
		}
		for i := range methods {
			total[i].count(known[r.seed], events[i])
		}
	}
	return names, total, nil
}

// each hands on the frames of a recording until f has had enough.
func each(m *trace.Maker, f func(*sensor.Frame) bool) error {
	var fr sensor.Frame
	for {
		if err := m.Next(&fr); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
		if !f(&fr) {
			return nil
		}
	}
}

// methods makes what is compared, for the first channel of a recording.
func (r recording) methods(text string) (names []string, ms []method, err error) {
	codes := math.Pow(2, float64(r.bits)) - 1
	scale := perVolt * vref / (codes + 1)
	idle, err := learn(text, scale, codes)
	if err != nil {
		return nil, nil, err
	}
	plain, err := newOurs(scale, codes, mains, sensor.Level{})
	if err != nil {
		return nil, nil, err
	}
	learned, err := newOurs(scale, codes, mains, idle)
	if err != nil {
		return nil, nil, err
	}
	return []string{"ours", "ours, learned", "1 A of 200 ms", "hysteresis"},
		[]method{plain, learned, newHobby(scale, r.rate), newHysteresis(scale, r.rate, mains)}, nil
}

// learn takes the idle level of the first channel from the quiet beginning.
func learn(text string, scale, codes float64) (sensor.Level, error) {
	m, err := maker(text, false)
	if err != nil {
		return sensor.Level{}, err
	}
	o, err := newOurs(scale, codes, mains, sensor.Level{})
	if err != nil {
		return sensor.Level{}, err
	}
	var n, s, q float64
	err = each(m, func(f *sensor.Frame) bool {
		if f.At > quiet/2 {
			return false
		}
		o.feed(f)
		for _, r := range o.buf {
			if r.Channel == 0 {
				n++
				s += float64(r.Amps)
				q += float64(r.Amps) * float64(r.Amps)
			}
		}
		return true
	})
	return sensor.Level{Mean: s / n, Spread: math.Sqrt(max(0, q/n-s/n*s/n))}, err
}

// clean finds the truth from the recording without noise and converter: the
// one-cycle RMS at every sample.
func (r recording) clean(starts int) (out []truth, err error) {
	r.bits = 0
	m, err := maker(r.script(starts), true)
	if err != nil {
		return nil, err
	}
	n := int(math.Round(r.rate / mains))
	ring := make([]float64, n)
	var s, q float64
	seen := 0
	run := -1
	err = each(m, func(f *sensor.Frame) bool {
		for i := range f.Scans() {
			x, old := float64(f.Raw[i*f.Channels]), ring[seen%n]
			ring[seen%n] = x
			seen++
			s += x - old
			q += x*x - old*old
			mean := s / float64(n)
			amps := math.Sqrt(max(0, q/float64(n)-mean*mean))
			at := f.At + time.Duration(float64(i+1)/f.Rate*1e9)
			if at < quiet {
				continue
			}
			if k := int((at - quiet) / slot); k != run {
				run = k
				out = append(out, truth{on: quiet + time.Duration(k)*slot})
			}
			t := &out[len(out)-1]
			if amps >= startLevel && t.pass == 0 {
				t.pass = at
			}
			if amps >= stopLevel {
				t.off = at
			}
		}
		return true
	})
	return out, err
}

// count compares the events with the truth.
func (t *tally) count(truths []truth, events []event) {
	e := 0
	for k, tr := range truths {
		end := time.Duration(math.MaxInt64)
		if k+1 < len(truths) {
			end = truths[k+1].on
		}
		if tr.pass != 0 {
			t.starts++
		}
		found, stopped := false, false
		for ; e < len(events) && events[e].at < end; e++ {
			ev := events[e]
			switch {
			case ev.running && (tr.pass == 0 || ev.at < tr.on || ev.at > tr.off+100*time.Millisecond):
				t.wrong++
			case ev.running && found:
				t.double++
			case ev.running:
				found = true
				t.delays = append(t.delays, ev.at-tr.pass)
			case found && !stopped && ev.at > tr.off:
				stopped = true
				t.stops = append(t.stops, ev.at-tr.off)
			}
		}
		if tr.pass != 0 && !found {
			t.missed++
		}
	}
}
