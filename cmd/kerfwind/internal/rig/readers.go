package rig

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"kerfwind/config"
	"kerfwind/sensor"
)

// Readers read converters, each in a goroutine of its own: one that hangs blocks
// only itself.
type Readers struct {
	rig     *config.Rig
	sources []sensor.Source
	ill     []string // what was last said of each
	notice  func(error)
	running sync.WaitGroup
}

// Frame is a frame on its way from a reader to the loop and back.
type Frame struct {
	sensor.Frame
	free chan *Frame
}

// NewReaders has sources read, the converters of a rig in its order. notice is
// told of troubles and must not wait.
func NewReaders(r *config.Rig, sources []sensor.Source, notice func(error)) *Readers {
	return &Readers{rig: r, sources: sources, ill: make([]string, len(sources)), notice: notice}
}

// Len is the number of converters.
func (r *Readers) Len() int { return len(r.sources) }

// Start begins to read, until ctx is done. guard runs the goroutines. Each frame
// that is received goes back by Done.
func (r *Readers) Start(ctx context.Context, guard func(do func())) <-chan *Frame {
	in := make(chan *Frame, len(r.sources))
	for i, src := range r.sources {
		free := make(chan *Frame, 2)
		free <- &Frame{free: free}
		free <- &Frame{free: free}
		r.running.Go(func() { guard(func() { r.follow(ctx, i, src, free, in) }) })
	}
	return in
}

// follow reads source i until it or ctx ends.
func (r *Readers) follow(ctx context.Context, i int, src sensor.Source, free chan *Frame, in chan<- *Frame) {
	for {
		var f *Frame
		select {
		case f = <-free:
		case <-ctx.Done():
			return
		}
		err := src.Next(&f.Frame)
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			if !errors.Is(err, io.EOF) {
				r.notice(fmt.Errorf("adc %q: %w", r.rig.ADCs[i].Name, err))
			}
			return
		}
		select {
		case in <- f:
		case <-ctx.Done():
			return
		}
	}
}

// Done gives a frame back to its reader, and tells once of an error in it.
func (r *Readers) Done(f *Frame) {
	now := ""
	if f.Err != nil {
		now = f.Err.Error()
	}
	if now != r.ill[f.Source] && now != "" {
		r.notice(fmt.Errorf("adc %q: %w", r.rig.ADCs[f.Source].Name, f.Err))
	}
	r.ill[f.Source] = now
	f.free <- f
}

// hangs bounds how long the end waits for a converter that hangs.
const hangs = time.Second

// Close lets go of the converters. The ctx of Start is done.
func (r *Readers) Close() {
	_ = closeAll(r.sources) // they are only read
	end := make(chan struct{})
	go func() {
		defer close(end)
		r.running.Wait()
	}()
	limit := time.NewTimer(hangs)
	defer limit.Stop()
	select {
	case <-end:
	case <-limit.C:
	}
}
