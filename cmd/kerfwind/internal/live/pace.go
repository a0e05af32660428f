package live

import (
	"context"
	"time"
)

// frameTime is the shortest time between two frames: at most 15 a second.
const frameTime = time.Second / 15

// pace ties the time of the stream to that of the wall. It is the only part of
// the view that looks at a clock.
type pace struct {
	speed float64
	begun bool
	from  time.Duration // time of the stream at start
	start time.Time
	drawn time.Time // the last frame
}

func newPace(speed float64) pace { return pace{speed: speed} }

// Pace lets the wall's time catch up with the stream's, and draws frames on the
// way: call it after each piece of the stream with the time reached. It
// returns the context's error as soon as that is done, or the terminal's.
func (v *View) Pace(ctx context.Context, now time.Duration) error {
	p := &v.pace
	t := time.Now()
	if !p.begun {
		p.begun, p.from, p.start = true, now, t
	}
	target := t
	if p.speed > 0 {
		target = p.start.Add(time.Duration(float64(now-p.from) / p.speed))
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if t.Sub(p.drawn) >= frameTime {
			p.drawn = t
			if err := v.draw(now); err != nil {
				return err
			}
		}
		if !t.Before(target) {
			return nil
		}
		wait := time.NewTimer(min(target.Sub(t), p.drawn.Add(frameTime).Sub(t)))
		select {
		case <-ctx.Done():
			wait.Stop()
			return ctx.Err()
		case <-wait.C:
		}
		t = time.Now()
	}
}
