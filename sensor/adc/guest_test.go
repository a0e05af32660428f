package adc

import (
	"context"
	"errors"
	"math"
	"strconv"
	"testing"
	"time"

	"kerfwind/sensor"
	"kerfwind/testdata/guest"
)

// The tests named Guest run in the virtual machine that .ci/vm/run starts: on
// the kernel's real spidev, with a model of an MCP3208 behind it. Its timing is
// that of an emulator, not of a board.

const guestSPI = "/dev/spidev0.0"

func guestSource(t *testing.T, inputs []int, timing Timing) *Source {
	t.Helper()
	guest.Require(t)
	l, err := ReadLimits("/")
	if err != nil {
		t.Fatal(err)
	}
	open, err := OpenSPI(guestSPI, MCP3208.Clock())
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	s, err := NewMCP(MCPParams{
		Chip: MCP3208, Inputs: inputs, Timing: timing, Limits: l, Open: open,
		Now: func() time.Duration { return time.Since(began) + time.Second },
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		var f sensor.Frame
		if err := errors.Join(s.Close(), s.Next(&f)); err == nil {
			t.Error("Next goes on after Close")
		}
	})
	return s
}

func guestNext(t *testing.T, s *Source) sensor.Frame {
	t.Helper()
	var f sensor.Frame
	if err := s.Next(&f); err != nil {
		t.Fatal(err)
	}
	return f
}

func guestFrames(t *testing.T) int {
	t.Helper()
	n, err := strconv.Atoi(guest.Read(t, guest.SPI+"frames"))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func stall(t *testing.T, d time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	<-ctx.Done()
}

// TestGuestLimits reads as much in one call as the kernel takes: every
// conversion reaches the chip with a chip select of its own, and every answer
// comes back. One more would be lost without an error.
func TestGuestLimits(t *testing.T) {
	guest.Require(t)
	guest.Write(t, guest.SPI+"peak", "0,100,200,300,400,500,600,700")
	for _, c := range []struct{ inputs, scans int }{{1, 511}, {1, 512}, {8, 63}, {8, 64}, {8, 130}} {
		s := guestSource(t, all[:c.inputs], Timing{Scans: c.scans})
		before := guestFrames(t)
		f := guestNext(t, s)
		if f.Err != nil {
			t.Fatalf("%+v: %v", c, f.Err)
		}
		// A burst that was held up is dropped and read again.
		if n := guestFrames(t) - before; n == 0 || n%(c.inputs*c.scans) != 0 {
			t.Errorf("%+v: %d conversions at the chip, want a multiple of %d", c, n, c.inputs*c.scans)
		}
		for i, v := range f.Raw {
			if off := math.Abs(float64(v) - 2048); off > 100*float64(i%c.inputs)+1 {
				t.Fatalf("%+v: conversion %d of %d reads %g", c, i, len(f.Raw), v)
			}
		}
		if n := guest.Read(t, guest.SPI+"short"); n != "0" {
			t.Errorf("%+v: %s conversions were cut short", c, n)
		}
	}
}

// TestGuestGaps: with stalls of any length between two reads, what the scans'
// numbers jump is what the time stamps jump, and what is counted as missed.
func TestGuestGaps(t *testing.T) {
	for _, timing := range []Timing{{Scans: 20}, {Rate: 500, Scans: 5}} {
		s := guestSource(t, []int{0, 3}, timing)
		var before sensor.Frame
		var gaps uint64
		for i := range 80 {
			if i%20 == 10 {
				stall(t, time.Duration(10*i)*time.Millisecond)
			}
			f := guestNext(t, s)
			if f.Err != nil {
				t.Fatal(f.Err)
			}
			if i > 0 {
				gap := f.Index - before.Index - uint64(before.Scans())
				gaps += gap
				off := (f.At-before.At).Seconds()*f.Rate - float64(f.Index-before.Index)
				if timing.Rate > 0 && math.Abs(off) > 0.001 {
					t.Errorf("%+v: frame %d: time stamps %.3f scans off the numbers", timing, i, off)
				}
				if math.Abs(off) > 1 && math.Abs(off) > 0.3*float64(f.Index-before.Index) {
					t.Errorf("%+v: frame %d: time stamps %.1f scans off the numbers, gap %d", timing, i, off, gap)
				}
				if i%20 == 10 && gap == 0 {
					t.Errorf("%+v: frame %d: no gap after a stall", timing, i)
				}
			}
			before = f
		}
		if m := s.Stats().Missed; m != gaps || gaps == 0 {
			t.Errorf("%+v: %d missed counted, the numbers jump %d", timing, m, gaps)
		}
	}
}

// TestGuestErrors: a chip that falls silent and comes back.
func TestGuestErrors(t *testing.T) {
	s := guestSource(t, all, Timing{Scans: 10})
	if f := guestNext(t, s); f.Err != nil {
		t.Fatal(f.Err)
	}
	guest.Write(t, guest.SPI+"dead", 1)
	for range 3 {
		if f := guestNext(t, s); !errors.Is(f.Err, ErrNoAnswer) {
			t.Errorf("dead chip: %v", f.Err)
		}
	}
	guest.Write(t, guest.SPI+"dead", 0)
	if f := guestNext(t, s); f.Err != nil || f.Index < 10 {
		t.Errorf("back again: %+v", f)
	}
	if st := s.Stats(); st.Errors != 3 || st.Opens != 4 {
		t.Errorf("%+v", st)
	}
}

// TestGuestDetects: the kernel's samples make a verdict.
func TestGuestDetects(t *testing.T) {
	s := guestSource(t, []int{0, 7}, Timing{Rate: 500, Scans: 5})
	guest.Write(t, guest.SPI+"peak", "0,0,0,0,0,0,0,400")
	p := sensor.Params{Mains: 60, Stale: time.Second}
	for i := range 2 {
		p.Channels = append(p.Channels, sensor.ChannelParams{Used: true, Channel: i, Scale: 0.024, Max: 4095, Start: 0.6, Stop: 0.4})
	}
	d, err := sensor.New(p)
	if err != nil {
		t.Fatal(err)
	}
	last := map[int]sensor.Reading{}
	sum, n := 0.0, 0 // of the running channel: one cycle alone shows how unsteady the emulated clock is
	for i := range 100 {
		f := guestNext(t, s)
		for _, r := range d.Feed(&f, nil) {
			last[r.Channel] = r
			if r.Channel == 1 && i >= 50 {
				sum += float64(r.Amps)
				n++
			}
		}
	}
	if last[0].Verdict != sensor.Idle || last[1].Verdict != sensor.Running {
		t.Errorf("idle channel %+v, running channel %+v", last[0], last[1])
	}
	if amps := sum / float64(n); !(math.Abs(amps/(400*0.024/math.Sqrt2)-1) < 0.05) {
		t.Errorf("%g A on average of %d cycles", amps, n)
	}
}
