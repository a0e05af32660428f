package sensor

import "time"

// Frame is a run of consecutive scans of one source. A scan holds one sample
// of every channel.
type Frame struct {
	Source   int           // which source of the rig, from 0
	Channels int           // samples in a scan
	Index    uint64        // number of the first scan; a jump is a gap
	At       time.Duration // instant of scan Index, from the start of the stream
	Rate     float64       // scans per second
	Raw      []float32     // scan-major counts or amperes; NaN or Inf is a gap
	Err      error         // then Raw is empty: a gap whose cause is known
}

// Scans is the number of whole scans in the frame.
func (f *Frame) Scans() int {
	if f.Channels <= 0 {
		return 0
	}
	return len(f.Raw) / f.Channels
}

// Source delivers frames.
type Source interface {
	// Next fills f, reusing its Raw. io.EOF ends the stream.
	Next(f *Frame) error
}

// Verdict says what a channel's current means. The zero value is invalid.
type Verdict uint8

// The verdicts of a channel.
const (
	Unknown Verdict = iota + 1 // the sensor cannot be trusted; not the same as idle
	Idle                       // below the levels of a running machine
	Running                    // the machine runs
)

// String names the verdict in one lower-case word.
func (v Verdict) String() string {
	switch v {
	case Unknown:
		return "unknown"
	case Idle:
		return "idle"
	case Running:
		return "running"
	}
	return "invalid"
}

// Reading is one report of a source about one channel.
type Reading struct {
	Channel int           // channel of the rig, from 0
	At      time.Duration // end of the last sample used: when it could be acted on
	Onset   time.Duration // estimated instant at which the verdict became true
	Verdict Verdict
	Amps    float32 // true RMS over the last mains cycle, amperes
	Health  Health  // why a channel is unknown
	Gone    bool    // running: the current has just fallen below the stop level; the verdict waits for the stop hold
	OtherHz float32 // mains frequency that the source measures, where it was given another; else 0
}
