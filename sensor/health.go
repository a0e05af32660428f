package sensor

// Health says whether a channel can be trusted and, if not, why. The zero
// value is invalid.
type Health uint8

// The states of a channel's health. Every one but Healthy makes the verdict
// Unknown.
const (
	Healthy   Health = iota + 1 // full windows of good samples
	Starting                    // too few good samples so far since the stream began or returned
	Missing                     // samples are missing: a gap, or nothing has come for Params.Stale
	ReadError                   // the source reports that it cannot read
	BiasHigh                    // the resting point sits near the upper rail
	BiasLow                     // the resting point sits near the lower rail
	Clipped                     // most samples at the rails while the resting point is in the middle
	Flat                        // not even noise
	Frozen                      // the same samples again and again
	Floating                    // the resting point wanders
	AllAlike                    // every channel shows the same current
	Noisy                       // noise in the place of a mains current
	Flapping                    // the resting point is gone for moments, again and again
	Drifting                    // the resting point moves away
	Between                     // neither off nor running: less than before, yet more than was learned of it off
)

// String names the state in lower-case words.
func (h Health) String() string {
	switch h {
	case Healthy:
		return "healthy"
	case Starting:
		return "starting"
	case Missing:
		return "samples missing"
	case ReadError:
		return "read error"
	case BiasHigh:
		return "bias too high"
	case BiasLow:
		return "bias too low"
	case Clipped:
		return "clipped"
	case Flat:
		return "flat"
	case Frozen:
		return "frozen"
	case Floating:
		return "floating"
	case AllAlike:
		return "all channels alike"
	case Noisy:
		return "noise"
	case Flapping:
		return "flapping"
	case Drifting:
		return "drifting"
	case Between:
		return "neither off nor running"
	}
	return "invalid"
}

// Remedy says in plain words what to look at. It is empty for Healthy.
func (h Health) Remedy() string {
	switch h {
	case Healthy:
		return ""
	case Starting:
		return "wait: a few mains cycles of samples are needed"
	case Missing:
		return "look whether the converter is powered and its cable is seated; a busy computer also loses samples"
	case ReadError:
		return "look at the converter's cable and supply, and at the bus named in the rig file"
	case BiasHigh:
		return "look at the bias divider: the lower resistor is open, or the input touches the supply"
	case BiasLow:
		return "see whether the plug is in; then look at the bias divider: the upper resistor is open, or the input touches ground"
	case Clipped:
		return "the current is beyond the range: fit a smaller burden resistor, or take turns out of the clamp"
	case Flat:
		return "the converter repeats one value: look at its supply, its select line and the wire to this input"
	case Frozen:
		return "the converter or its driver repeats old samples: look at the clock and select lines, then restart"
	case Floating:
		return "the input is not connected: look at the plug of the transformer and at the bias divider"
	case AllAlike:
		return "the converter does not select its channels: look at the wire to its data input"
	case Noisy:
		return "look at the converter's supply and ground, and keep the cable away from motor leads"
	case Flapping:
		return "a contact is loose: push the transformer's plug home, then move its cable and watch"
	case Drifting:
		return "the bias divider loses its supply, or its capacitor leaks: measure the voltage at this input"
	case Between:
		return "shut the clamp's jaw and see that nothing sits in it; if something else has begun to draw current here, learn this machine again"
	}
	return "internal error: invalid health"
}
