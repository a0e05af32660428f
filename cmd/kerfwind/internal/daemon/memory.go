package daemon

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/sensor"
)

// remember makes the memory of a rig's last minutes.
func remember(r *config.Rig, notice func(error)) *record.Memory {
	if r.Converters() == 0 {
		return nil
	}
	m, err := record.NewMemory(record.Columns(r))
	if err != nil {
		notice(fmt.Errorf("the last minutes are not kept: %w", err))
		return nil
	}
	return m
}

// last hands the last while over to a client, at its pace.
func (s *session) last(ctx context.Context, long time.Duration, notice func(error)) (<-chan socket.Answer, error) {
	if s.memory == nil {
		return nil, errors.New("no currents are kept: the rig has no converter")
	}
	from, to := s.memory.Kept()
	if from == to {
		return nil, errors.New("no currents are in memory yet: try again in a moment")
	}
	if long > 0 {
		from = max(from, to-long)
	}
	out := make(chan socket.Answer)
	go func() {
		defer close(out)
		defer func() {
			if r := recover(); r != nil {
				notice(fmt.Errorf("handing out the last minutes ended by a fault in the program: %v\n%s", r, debug.Stack()))
			}
		}()
		send := func(a socket.Answer) error {
			select {
			case out <- a:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		err := s.memory.Frames(from, to, func(f *sensor.Frame) error { return send(socket.Answer{Frame: socket.NewFrame(f)}) })
		if err == nil {
			_ = send(socket.Answer{End: true}) // else the client has gone
		}
	}()
	return out, nil
}
