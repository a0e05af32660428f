package adc

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/sensor"
	"kerfwind/testdata/chips"
)

const us = time.Microsecond

// rig is a source over a fake chip.
type rig struct {
	*Source
	clock *clock
	mcp   *chips.MCP
	ads   *chips.ADS1115
	opens int
	shut  error // opening fails with it
}

func newRig(t *testing.T, kind MCP, inputs []int, timing Timing, l Limits) *rig {
	t.Helper()
	r := &rig{clock: &clock{t: time.Second}}
	r.mcp = &chips.MCP{
		Pass: r.clock.pass, Bits: map[MCP]int{MCP3208: 12, MCP3008: 10}[kind], Call: 10 * us, Each: 45 * us,
		Input: func(c int) int { return 100 + 101*c },
	}
	s, err := NewMCP(MCPParams{Source: 3, Chip: kind, Inputs: inputs, Timing: timing, Limits: l, Now: r.clock.now, Open: func() (SPI, error) {
		if r.shut != nil {
			return nil, r.shut
		}
		r.opens++
		r.mcp.Closed = false
		return r.mcp, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	s.wait = r.clock.wait
	r.Source = s
	return r
}

func (r *rig) next(t *testing.T) sensor.Frame {
	t.Helper()
	var f sensor.Frame
	if err := r.Next(&f); err != nil {
		t.Fatal(err)
	}
	if f.Source != 3 && r.mcp != nil || (f.Err != nil) != (len(f.Raw) == 0) {
		t.Fatalf("frame %+v", f)
	}
	return f
}

var pi = Limits{Bytes: 4096, Align: 128}
var all = []int{0, 1, 2, 3, 4, 5, 6, 7}

// TestCommands holds the bytes to the tables of the data sheets' figures 6-1.
func TestCommands(t *testing.T) {
	for kind, want := range map[MCP]string{
		MCP3208: "06 00 00, 06 40 00, 06 80 00, 06 c0 00, 07 00 00, 07 40 00, 07 80 00, 07 c0 00",
		MCP3008: "01 80 00, 01 90 00, 01 a0 00, 01 b0 00, 01 c0 00, 01 d0 00, 01 e0 00, 01 f0 00",
	} {
		var got []string
		for n := range 8 {
			c := kind.command(n)
			got = append(got, fmt.Sprintf("% x", c[:]))
		}
		if s := strings.Join(got, ", "); s != want {
			t.Errorf("%v: %s, want %s", kind, s, want)
		}
	}
}

// TestCodes reads every code of every input, in any order of inputs, through
// as many calls as the limits ask for.
func TestCodes(t *testing.T) {
	for _, kind := range []MCP{MCP3208, MCP3008} {
		for _, inputs := range [][]int{all, {7}, {5, 0, 3}} {
			r := newRig(t, kind, inputs, Timing{Scans: 10}, pi)
			n := 0
			r.mcp.Input = func(c int) int {
				n++
				return (37*n + 11*c) % (1 << r.mcp.Bits)
			}
			want := func(i int) float32 {
				return float32((37*(i+1) + 11*inputs[i%len(inputs)]) % (1 << r.mcp.Bits))
			}
			seen := 0
			for range 60 {
				f := r.next(t)
				if f.Scans() != 10 || f.Channels != len(inputs) {
					t.Fatalf("%+v", f)
				}
				for _, v := range f.Raw {
					if v != want(seen) {
						t.Fatalf("%v, conversion %d: %g, want %g", kind, seen, v, want(seen))
					}
					seen++
				}
			}
			if most := slices.Max(r.mcp.Calls); most > 32 || most%len(inputs) != 0 {
				t.Errorf("%d transfers in a call, of %d inputs", most, len(inputs))
			}
		}
	}
}

// TestErrors: each failure is a frame with an error; the bus is closed and
// opened again with growing pauses.
func TestErrors(t *testing.T) {
	r := newRig(t, MCP3208, all, Timing{Scans: 4}, pi)
	ok := r.next(t)
	for name, c := range map[string]struct {
		set  func(on bool)
		want error
	}{
		"no chip":  {func(on bool) { r.mcp.Dead = on }, ErrNoAnswer},
		"held low": {func(on bool) { r.mcp.Stuck = on }, ErrZeros},
		"kernel": {func(on bool) {
			r.mcp.Broken = nil
			if on {
				r.mcp.Broken = os.ErrDeadlineExceeded
			}
		}, os.ErrDeadlineExceeded},
		"cannot open": {func(on bool) {
			r.shut = nil
			if on {
				r.mcp.Broken = os.ErrPermission // the open bus fails first
				r.shut = os.ErrPermission
			} else {
				r.mcp.Broken = nil
			}
		}, os.ErrPermission},
	} {
		c.set(true)
		r.clock.waits = nil
		var pauses []time.Duration
		last := time.Duration(0)
		for range 8 {
			f := r.next(t)
			if !errors.Is(f.Err, c.want) {
				t.Errorf("%s: %v, want %v", name, f.Err, c.want)
			}
			if last != 0 {
				pauses = append(pauses, (f.At - last).Round(100*time.Millisecond))
			}
			last = f.At
		}
		if want := []time.Duration{1, 2, 4, 8, 16, 32, 50}; !slices.EqualFunc(pauses, want, func(a, b time.Duration) bool {
			return a == b*100*time.Millisecond
		}) {
			t.Errorf("%s: pauses %v", name, pauses)
		}
		c.set(false)
		f := r.next(t)
		if f.Err != nil {
			t.Fatalf("%s: still %v", name, f.Err)
		}
		if f.Index <= ok.Index+4 {
			t.Errorf("%s: scan %d follows scan %d without a gap", name, f.Index, ok.Index+3)
		}
		ok = f
	}
	s := r.Stats()
	if s.Errors != 32 || s.Frames != 5 || s.Opens == 0 || s.Opens != uint64(r.opens) {
		t.Errorf("%+v after %d openings", s, r.opens)
	}
}

// TestBursts: the rate is measured; time that passes between two bursts is a
// gap of as many scans, which are counted.
func TestBursts(t *testing.T) {
	r := newRig(t, MCP3208, all, Timing{Scans: 28}, Limits{Bytes: 65536, Align: 128})
	var before sensor.Frame
	missed := uint64(0)
	for i := range 400 {
		switch {
		case i == 300 || i == 350:
			r.clock.t += time.Duration(i) * 100 * us // 30 and 35 ms away
		case i == 320:
			r.mcp.Stall = 12 * time.Millisecond // inside a burst
		case i > 30:
			r.clock.t += time.Duration(i%3) * 40 * us
		}
		f := r.next(t)
		gap := f.Index - before.Index - 28
		if i == 0 {
			gap = 0
		}
		missed += gap
		switch i {
		case 300:
			if gap < 80 || gap > 86 {
				t.Errorf("30 ms at %g scans/s: a gap of %d", f.Rate, gap)
			}
		case 320:
			if gap < 58 || gap > 66 {
				t.Errorf("a burst held up by 12 ms: a gap of %d at %g scans/s", gap, f.Rate)
			}
		case 350:
			if gap < 94 || gap > 100 {
				t.Errorf("35 ms: a gap of %d", gap)
			}
		default:
			if gap != 0 {
				t.Errorf("burst %d: a gap of %d", i, gap)
			}
		}
		if i > 0 {
			if off := (f.At-before.At).Seconds()*f.Rate - float64(f.Index-before.Index); math.Abs(off) > 0.6 {
				t.Errorf("burst %d: the time stamps are %.2f scans off the numbers", i, off)
			}
		}
		if i > 100 {
			if want := 28 / (28*8*45e-6 + 10e-6 + 40e-6); math.Abs(f.Rate/want-1) > 0.01 {
				t.Errorf("burst %d: %g scans/s, want %g", i, f.Rate, want)
			}
		}
		before = f
	}
	if s := r.Stats(); s.Missed != missed || missed == 0 {
		t.Errorf("%d missed counted, %d in the numbers", s.Missed, missed)
	}
	// A bus that has become slower for good is believed in the end.
	r.mcp.Each *= 3
	for range 10 {
		before = r.next(t)
	}
	if want := 1 / (8 * 135e-6); math.Abs(before.Rate/want-1) > 0.05 {
		t.Errorf("a slower bus: %g scans/s, want %g", before.Rate, want)
	}
}

// TestEvery: bursts with pauses keep to their instants; whole bursts can be
// missed.
func TestEvery(t *testing.T) {
	r := newRig(t, MCP3208, all, Timing{Scans: 112, Every: 100 * time.Millisecond}, Limits{Bytes: 65536, Align: 128})
	first := r.next(t).At
	for i := 1; i < 30; i++ {
		if i == 20 {
			r.clock.t += 230 * time.Millisecond
		}
		f := r.next(t)
		want := first + time.Duration(i)*100*time.Millisecond
		if i < 20 && f.At != want {
			t.Errorf("burst %d at %v, want %v", i, f.At, want)
		}
		if i == 20 && (f.At < want+100*time.Millisecond || r.Stats().Missed == 0) {
			t.Errorf("burst after 230 ms away: at %v, missed %d", f.At, r.Stats().Missed)
		}
	}
	if m := r.Stats().Missed; m != 112 && m != 2*112 {
		t.Errorf("%d scans missed", m)
	}
}

// TestPaced: scans by the clock have exact time stamps, and late ones are
// missing and counted.
func TestPaced(t *testing.T) {
	r := newRig(t, MCP3008, all, Timing{Rate: 1000, Scans: 10}, pi)
	zero := r.next(t).At
	total := uint64(10)
	for i := range 100 {
		switch i {
		case 50:
			r.clock.late = 3500 * us // within a frame
		case 70:
			r.clock.t += 7 * time.Millisecond
		case 80:
			r.clock.late = 900 * us // not late enough
		}
		f := r.next(t)
		if want := zero + time.Duration(f.Index)*time.Millisecond; f.At != want || f.Rate != 1000 {
			t.Errorf("scan %d at %v, want %v", f.Index, f.At, want)
		}
		if f.Index < total {
			t.Fatalf("scan %d again", f.Index)
		}
		total = f.Index + uint64(f.Scans())
	}
	s := r.Stats()
	read := uint64(0)
	for _, n := range r.mcp.Calls {
		read += uint64(n / 8)
	}
	if s.Missed != total-read || s.Missed < 8 || s.Missed > 11 {
		t.Errorf("%d missed, %d of %d read", s.Missed, read, total)
	}
}

// TestDetects goes all the way: from bits on a wire to a verdict.
func TestDetects(t *testing.T) {
	r := newRig(t, MCP3208, []int{2, 6}, Timing{Rate: 2000, Scans: 20}, pi)
	r.mcp.Input = func(c int) int {
		v, at := 2048.0, r.clock.t
		if c == 6 && at > 3*time.Second {
			v += 200 * math.Sin(2*math.Pi*50*at.Seconds())
		}
		return int(math.Round(v))
	}
	p := sensor.Params{Source: 3, Mains: 50}
	for i := range 2 {
		p.Channels = append(p.Channels, sensor.ChannelParams{Used: true, Channel: i, Scale: 0.024, Max: 4095, Start: 0.6, Stop: 0.4})
	}
	d, err := sensor.New(p)
	if err != nil {
		t.Fatal(err)
	}
	var out []sensor.Reading
	for range 300 {
		f := r.next(t)
		out = d.Feed(&f, out)
	}
	for _, x := range out {
		if x.At < 1100*time.Millisecond {
			continue // lost before the first frame, and starting
		}
		want := sensor.Idle
		if x.Channel == 1 && x.At > 3040*time.Millisecond {
			want = sensor.Running
		}
		if x.Verdict != want && (x.Channel == 0 || x.At < 3*time.Second || x.At > 3040*time.Millisecond) {
			t.Fatalf("%+v, want %v", x, want)
		}
	}
}

func newADSRig(t *testing.T, input int, full, rate float64) *rig {
	t.Helper()
	r := &rig{clock: &clock{t: time.Second}}
	r.ads = &chips.ADS1115{Pass: r.clock.pass, Config: 0x8583, Volts: func(in int) float64 { return 0.5 * float64(in) }}
	s, err := NewADS(ADSParams{Inputs: []int{input}, Full: full, Timing: Timing{Rate: rate, Scans: 6}, Now: r.clock.now, Open: func() (I2C, error) {
		r.opens++
		return r.ads, r.shut
	}})
	if err != nil {
		t.Fatal(err)
	}
	s.wait = r.clock.wait
	r.Source = s
	return r
}

func TestADS(t *testing.T) {
	for input := range 4 {
		r := newADSRig(t, input, 4.096, 600)
		f := r.next(t)
		if want := float32(math.Trunc(0.5 * float64(input) / 4.096 * 32768)); f.Err != nil || f.Raw[5] != want {
			t.Errorf("input %d: %v %v, want %g", input, f.Raw, f.Err, want)
		}
		if r.ads.Config != 0x42E3|uint16(input)<<12 {
			t.Errorf("input %d: configuration %04x", input, r.ads.Config)
		}
		r.ads.Volts = func(int) float64 { return -4.2 }
		if f = r.next(t); f.Raw[0] != -32768 || f.Index != 6 {
			t.Errorf("beyond the range: %+v", f)
		}
	}
	r := newADSRig(t, 0, 4.096, 600)
	r.ads.Other = true
	if f := r.next(t); f.Err == nil || !strings.Contains(f.Err.Error(), "another chip") || !r.ads.Closed {
		t.Errorf("another chip: %v", f.Err)
	}
	r.ads.Other, r.ads.Broken = false, os.ErrInvalid
	if f := r.next(t); !errors.Is(f.Err, os.ErrInvalid) {
		t.Errorf("not acknowledged: %v", f.Err)
	}
	r.ads.Broken = nil
	if f := r.next(t); f.Err != nil || r.opens != 3 {
		t.Errorf("afterwards: %v, %d openings", f.Err, r.opens)
	}
}

// A range that is asked for is the one that the chip measures in.
func TestADSRanges(t *testing.T) {
	for _, full := range ADSRanges {
		r := newADSRig(t, 1, full, 600)
		r.ads.Volts = func(int) float64 { return 0.1 }
		want := float32(math.Trunc(0.1 / full * 32768))
		if f := r.next(t); f.Err != nil || f.Raw[0] != want {
			t.Errorf("%g V: %v %v, want %g", full, f.Raw, f.Err, want)
		}
	}
}

func TestParams(t *testing.T) {
	now := (&clock{}).now
	mcp := func(kind MCP, inputs []int, timing Timing, l Limits) error {
		_, err := NewMCP(MCPParams{Chip: kind, Inputs: inputs, Timing: timing, Limits: l, Now: now})
		return err
	}
	ads := func(input []int, full float64, timing Timing) error {
		_, err := NewADS(ADSParams{Inputs: input, Full: full, Timing: timing, Now: now})
		return err
	}
	for want, err := range map[string]error{
		"no such chip":           mcp(0, all, Timing{Scans: 1}, pi),
		"inputs 0 to 7, not 8":   mcp(MCP3208, []int{8}, Timing{Scans: 1}, pi),
		"no channels":            mcp(MCP3208, nil, Timing{Scans: 1}, pi),
		"0 scans":                mcp(MCP3208, all, Timing{}, pi),
		"NaN scans":              mcp(MCP3208, all, Timing{Scans: 1, Rate: math.NaN()}, pi),
		"every -1ns":             mcp(MCP3208, all, Timing{Scans: 1, Every: -1}, pi),
		"does not fit the 4":     mcp(MCP3208, all, Timing{Scans: 1}, Limits{Bytes: 512, Align: 128}),
		"inputs 0 to 3, not 4":   ads([]int{4}, 4.096, Timing{Rate: 100, Scans: 1}),
		"770 times a second":     ads([]int{0}, 4.096, Timing{Rate: 860, Scans: 1}),
		"one input, not for 2":   ads([]int{0, 1}, 4.096, Timing{Rate: 400, Scans: 1}),
		"one input, not for 0":   ads(nil, 4.096, Timing{Rate: 400, Scans: 1}),
		"no range of 3.3 V":      ads([]int{0}, 3.3, Timing{Rate: 400, Scans: 1}),
		"not read in bursts":     ads([]int{0}, 4.096, Timing{Rate: 600, Scans: 1, Every: 1}),
		`"spidev0" is no SPI`:    second(OpenSPI("spidev0", 1e6)),
		`0.0x" is no SPI`:        second(OpenSPI("/dev/spidev0.0x", 1e6)),
		`"/dev/i2c" is no I2C`:   second(OpenI2C("/dev/i2c", 0x48)),
		"0x78 is no I2C address": second(OpenI2C("/dev/i2c-1", 0x78)),
	} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	open, err := OpenSPI("/dev/spidev250.3", 1e6)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := open(); err == nil || !strings.Contains(err.Error(), "group spi") {
		t.Errorf("a device that is not there: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }

// TestLimits holds the number of transfers to the kernel's count, as measured
// on each architecture.
func TestLimits(t *testing.T) {
	for _, c := range []struct {
		arch   string
		bufsiz string
		want   int
	}{
		{"aarch64", "4096\n", 32}, {"armv7l", "4096\n", 64}, {"armv6l", "4096\n", 128},
		{"x86_64", "4096\n", 511}, {"aarch64", "65536\n", 511}, {"", "4096", 32},
	} {
		root := t.TempDir()
		put := func(path, text string) {
			path = filepath.Join(root, path)
			if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
				t.Fatal(err)
			}
		}
		put("sys/module/spidev/parameters/bufsiz", c.bufsiz)
		if c.arch != "" {
			put("proc/sys/kernel/arch", c.arch+"\n")
		}
		l, err := ReadLimits(root)
		if err != nil || l.Packets(3) != c.want {
			t.Errorf("%s, %q: %+v gives %d transfers, want %d (%v)", c.arch, c.bufsiz, l, l.Packets(3), c.want, err)
		}
		put("sys/module/spidev/parameters/bufsiz", "many")
		if _, err := ReadLimits(root); err == nil {
			t.Error("no error for a bad bufsiz")
		}
	}
	if _, err := ReadLimits(t.TempDir()); err == nil || !strings.Contains(err.Error(), "Switch SPI on") {
		t.Errorf("without spidev: %v", err)
	}
}

// TestClose ends a source that waits on the real clock, here a made one.
func TestClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		m := &chips.MCP{Bits: 12, Input: func(int) int { return 7 }}
		s, err := NewMCP(MCPParams{Chip: MCP3208, Inputs: all, Timing: Timing{Rate: 0.01, Scans: 3}, Limits: pi,
			Now: func() time.Duration { return time.Since(start) }, Open: func() (SPI, error) { return m, nil }})
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan error)
		go func() {
			var f sensor.Frame
			done <- s.Next(&f)
		}()
		synctest.Wait()
		if err := errors.Join(s.Close(), s.Close()); err != nil {
			t.Fatal(err)
		}
		if err := <-done; !errors.Is(err, io.EOF) || !m.Closed {
			t.Errorf("%v, closed %v", err, m.Closed)
		}
		var f sensor.Frame
		if err := s.Next(&f); !errors.Is(err, io.EOF) {
			t.Errorf("again: %v", err)
		}
	})
}
