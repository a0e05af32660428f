package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/control"
)

// Bounds of a request, our own choice.
const (
	tooLate    = 2 * time.Second // a request that the loop takes later than this is refused
	replyWait  = 4 * time.Second // for the loop
	onDiskWait = 5 * time.Second // for the disk
)

// Refused is the error of a request that stands against what must hold.
type Refused struct{ Why string } // in words

func (r *Refused) Error() string { return r.Why }

// ask passes a request to a shop's loop and returns once it is in force. A
// stand-down, and its end, would outlast a power cut by then.
func (d *Daemon) ask(ctx context.Context, s *session, in control.Input) error {
	in.Expires = s.now() + time.Duration(float64(tooLate)*s.speed)
	reply := s.live.Request(in)
	if reply == nil {
		return errors.New("too many requests wait already: try again")
	}
	limit := time.NewTimer(replyWait)
	defer limit.Stop()
	select {
	case e := <-reply:
		if e.Kind != 0 {
			return &Refused{timeline.Sentence(e, &s.live.Names)}
		}
	case <-s.done:
		return errors.New("the daemon is ending")
	case <-ctx.Done():
		return errors.New("the daemon is ending")
	case <-limit.C:
		return errors.New("the control loop does not answer")
	}
	if kind := control.AskKind(in.State); kind != control.AskStandDown && kind != control.AskLift {
		return nil
	}
	_, change := d.keep.now()
	wait, cancel := context.WithTimeout(ctx, onDiskWait)
	defer cancel()
	if err := d.keep.kept(wait, change); err != nil {
		return fmt.Errorf("it is in force, but a restart may not know of it: %w", err)
	}
	return nil
}
