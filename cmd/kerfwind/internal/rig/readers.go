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
	notice  func(error)
	running sync.WaitGroup
	spoke   []bool // since Fresh was true; the loop's

	mu  sync.Mutex
	ill []error // of each converter: why it cannot be read
}

// Frame is a frame on its way from a reader to the loop and back.
type Frame struct {
	sensor.Frame
	free chan *Frame
}

// NewReaders has sources read, the converters of a rig in its order. notice is
// given troubles and must not wait.
func NewReaders(r *config.Rig, sources []sensor.Source, notice func(error)) *Readers {
	return &Readers{rig: r, sources: sources, spoke: make([]bool, len(sources)), ill: make([]error, len(sources)), notice: notice}
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
	r.spoke[f.Source] = true
	r.mu.Lock()
	was := r.ill[f.Source]
	r.ill[f.Source] = f.Err
	r.mu.Unlock()
	switch {
	case f.Err == nil && was != nil:
		r.notice(fmt.Errorf("adc %q answers again", r.rig.ADCs[f.Source].Name))
	case f.Err != nil && (was == nil || was.Error() != f.Err.Error()):
		r.notice(fmt.Errorf("adc %q: %w", r.rig.ADCs[f.Source].Name, f.Err))
	}
	f.free <- f
}

// Fresh reports whether every converter has spoken since it last did so. One that
// cannot be read counts as if it had: it is reported, and keeps nobody else waiting.
func (r *Readers) Fresh() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i, spoke := range r.spoke {
		if !spoke && r.ill[i] == nil {
			return false
		}
	}
	clear(r.spoke)
	return true
}

// Ill says why a converter cannot be read; nil: it can be.
func (r *Readers) Ill(i int) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.ill[i]
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
