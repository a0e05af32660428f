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
	Clipped                     // many samples at a rail while the resting point is in the middle
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
		return "look at the bias divider: the upper resistor is open, or the input touches ground"
	case Clipped:
		return "the current is beyond the range: fit a smaller burden resistor, or take turns out of the clamp"
	}
	return "internal error: invalid health"
}
