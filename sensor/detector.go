package sensor

import "time"

const minMains, maxMains = 45.0, 65.0 // accepted nominal frequencies, Hz

// Detector turns the frames of one source into readings.
type Detector struct {
	p Params
}

// New makes a detector, or says all that is wrong with p.
func New(p Params) (*Detector, error) {
	if err := p.validate(); err != nil {
		return nil, err
	}
	if p.Stale == 0 {
		p.Stale = DefaultStale
	}
	p.Channels = append([]ChannelParams(nil), p.Channels...)
	return &Detector{p: p}, nil
}

// Feed takes one frame and appends one reading for each used channel and half
// cycle to out, in order of time and channel.
func (d *Detector) Feed(f *Frame, out []Reading) []Reading {
	return out
}

// Next is the next instant at which Expire has something to say.
func (d *Detector) Next() (time.Duration, bool) { return 0, false }

// Expire appends the readings of deadlines at or before now.
func (d *Detector) Expire(now time.Duration, out []Reading) []Reading {
	return out
}

// Mains is the mains frequency in Hz, and whether it was measured rather than
// given or assumed.
func (d *Detector) Mains() (hz float64, measured bool) { return d.p.Mains, false }
