package ductview

import (
	"encoding/json"
	"io"
)

// stateJSON is one solved state, in SI units.
type stateJSON struct {
	Open      []string               `json:"open"` // gates
	Converged bool                   `json:"converged"`
	Segments  map[string]segmentJSON `json:"segments"`
}

// segmentJSON is one duct: its flow towards the collector, and the total pressure
// at its downstream end, relative to the room.
type segmentJSON struct {
	Flow     float64 `json:"flow_m3_s"`
	Velocity float64 `json:"velocity_m_s"`
	Pressure float64 `json:"pressure_pa"`
}

// WriteJSON writes the states of sets of open gates as one array, and returns
// false if one did not converge.
func (s *Study) WriteJSON(w io.Writer, sets []uint64) (converged bool, err error) {
	converged = true
	out := []stateJSON{}
	for _, open := range sets {
		st := s.middle.Solve(open)
		converged = converged && st.Converged
		j := stateJSON{Open: s.GateNames(open), Converged: st.Converged, Segments: map[string]segmentJSON{}}
		for i := range s.Net.Segments {
			j.Segments[s.Net.Segments[i].Name] = segmentJSON{st.Flow[i], st.Velocity[i], st.Pressure[i]}
		}
		out = append(out, j)
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return converged, enc.Encode(out)
}
