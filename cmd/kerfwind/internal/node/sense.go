package node

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"kerfwind/sensor"
)

// frame is a frame on its way from a reader to the loop and back.
type frame struct {
	sensor.Frame
	free chan *frame
}

// read starts a reader for each converter. One that hangs blocks only its own.
func (n *Node) read(ctx context.Context) <-chan *frame {
	in := make(chan *frame, len(n.sources))
	for i, src := range n.sources {
		free := make(chan *frame, 2)
		free <- &frame{free: free}
		free <- &frame{free: free}
		n.readers.Go(func() { n.guard(func() { n.follow(ctx, i, src, free, in) }) })
	}
	return in
}

func (n *Node) follow(ctx context.Context, i int, src sensor.Source, free chan *frame, in chan<- *frame) {
	for {
		var f *frame
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
				n.o.Notice(fmt.Errorf("adc %q: %w", n.o.Rig.ADCs[i].Name, err))
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

// hangs bounds how long the end waits for a converter that hangs.
const hangs = time.Second

func (n *Node) close() {
	n.driverMu.Lock()
	_ = n.release() // told before
	n.driverMu.Unlock()
	for _, s := range n.sources {
		if c, ok := s.(io.Closer); ok {
			_ = c.Close() // it is only read
		}
	}
	end := make(chan struct{})
	go func() {
		defer close(end)
		n.readers.Wait()
	}()
	limit := time.NewTimer(hangs)
	defer limit.Stop()
	select {
	case <-end:
	case <-limit.C:
	}
}

// feed runs a frame through its detector, if a plan says how.
func (n *Node) feed(f *sensor.Frame) {
	if f.Source < len(n.detectors) {
		n.readings(n.detectors[f.Source].Feed(f, nil))
	}
}

func (n *Node) readings(list []sensor.Reading) {
	for _, r := range list {
		if was, ok := n.channels[r.Channel]; !ok || was.Verdict != r.Verdict || was.Health != r.Health {
			n.changed = true
		}
		n.channels[r.Channel] = r
	}
}
