package replay

import "kerfwind/sensor"

// Samples delivers the recording as one source with every channel of the rig,
// in the rig's order, to those that only look at it. It is used instead of Run.
func (r *Replay) Samples() sensor.Source { return samples{r} }

type samples struct{ r *Replay }

// Next reads and puts in order.
func (s samples) Next(f *sensor.Frame) error {
	if err := s.r.src.Next(f); err != nil {
		return err
	}
	s.r.arrange(f)
	return nil
}

// Detector is the detector of the recording.
func (r *Replay) Detector() *sensor.Detector { return r.params.Detectors[0] }
