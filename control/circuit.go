package control

// Limits of a circuit's classes, as parts of its breaker's rating. Near is the
// North American rule of 80 % for continuous load (from memory). Over begins
// at the rating: a breaker to IEC 60898-1 may trip from 1.13 times its rating
// and must from 1.45 times (conventional currents, from memory), so the
// warning comes first.
const (
	NearPart = 0.8
	OverPart = 1.0
)

// Class classes a circuit's current in amperes, true RMS.
func (c Circuit) Class(amps float64) Load {
	switch {
	case amps > float64(OverPart*c.Rating):
		return Over
	case amps > float64(NearPart*c.Rating):
		return Near
	case amps >= 0:
		return Fits
	}
	return LoadUnknown
}
