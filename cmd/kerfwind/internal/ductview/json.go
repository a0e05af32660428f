package ductview

import (
	"encoding/json"
	"io"
	"math"

	"kerfwind/control/duct"
)

// The JSON report: SI units throughout. A range is [low, middle, high]; low and
// high enclose the figure in eight cases of ten.

type rangeJSON [3]float64

func newRange(r duct.Range) rangeJSON { return rangeJSON{r.Low, r.Middle, r.High} }

type reportJSON struct {
	Shop       string      `json:"shop"`
	Studies    []studyJSON `json:"studies"` // the shop as it is, then each change
	Disclaimer string      `json:"disclaimer"`
}

type studyJSON struct {
	Change  string      `json:"change"` // "" as it is
	Guesses []string    `json:"guesses"`
	Notes   []string    `json:"notes"`
	Read    string      `json:"calibration"` // which readings the ranges agree with; "" none
	Advice  []Effect    `json:"advice"`      // single changes over all usual sets, the best first
	States  []stateJSON `json:"states"`
}

// stateJSON is one set of open gates.
type stateJSON struct {
	Title     string                 `json:"title"`
	Open      []string               `json:"open"` // gates
	Converged bool                   `json:"converged"`
	Total     rangeJSON              `json:"total_m3_s"`
	Fan       rangeJSON              `json:"fan_pa"`
	Filter    rangeJSON              `json:"filter_pa"`
	Hoods     map[string]hoodJSON    `json:"hoods"`
	Segments  map[string]segmentJSON `json:"segments"`
	RunOns    map[string]*float64    `json:"run_on_s"` // by machine
	Helpers   []string               `json:"helpers"`
	Purge     []string               `json:"purge"`
	Verdicts  []string               `json:"verdicts"`
}

// hoodJSON is an open hood, by the name of its duct.
type hoodJSON struct {
	Flow   rangeJSON `json:"flow_m3_s"`
	Wants  float64   `json:"wants_m3_s"`
	Given  bool      `json:"wants_given"`
	Enough float64   `json:"enough_odds"`
}

// segmentJSON is one duct: its flow towards the collector, the total pressure at
// its downstream end in the middle of the guesses and what a wall tap reads there,
// relative to the room.
type segmentJSON struct {
	Flow     rangeJSON `json:"flow_m3_s"`
	Velocity rangeJSON `json:"velocity_m_s"`
	Pressure float64   `json:"pressure_pa"`
	Tap      rangeJSON `json:"tap_pa"`
	Chips    string    `json:"chips"`
	Carries  float64   `json:"carries_odds"`
	Settles  float64   `json:"settles_odds"`
}

// WriteJSON writes the states of sets of open gates, of the study and of others
// that differ in something, as one object. It returns false if one did not converge.
func (s *Study) WriteJSON(w io.Writer, sets []uint64, others []*Study) (converged bool, err error) {
	converged = true
	out := reportJSON{Shop: s.Name, Disclaimer: Disclaimer}
	for i, x := range append([]*Study{s}, others...) {
		j := studyJSON{Guesses: x.Guesses(), Notes: append([]string{}, x.Notes()...), Read: x.Calibration(), Advice: append([]Effect{}, x.Advice()...), States: []stateJSON{}}
		if i > 0 {
			j.Change = x.Name
		}
		for _, open := range sets {
			c := x.Look(open)
			converged = converged && c.Converged
			j.States = append(j.States, x.state(c))
		}
		out.Studies = append(out.Studies, j)
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return converged, enc.Encode(out)
}

func (s *Study) state(c *Case) stateJSON {
	x := c.Spread
	j := stateJSON{Title: c.Title, Open: s.GateNames(c.Open), Converged: c.Converged, Total: newRange(x.Total()), Fan: newRange(x.Fan()), Filter: newRange(x.Filter()),
		Hoods: map[string]hoodJSON{}, Segments: map[string]segmentJSON{}, RunOns: map[string]*float64{},
		Helpers: s.GateNames(c.Plan.Helpers), Purge: s.GateNames(c.Plan.Purge), Verdicts: append(append([]string{}, s.Verdicts(c)...), s.Doubts(c)...)}
	for i := range c.Hoods {
		h := &c.Hoods[i]
		j.Hoods[s.Net.Segments[h.Segment].Name] = hoodJSON{newRange(h.Flow), h.Want, h.Given, h.Odds}
	}
	for i := range s.Net.Segments {
		j.Segments[s.Net.Segments[i].Name] = segmentJSON{newRange(x.Flow(i)), newRange(c.Speed[i]), c.State.Pressure[i], newRange(x.Static(i)), c.Carry[i].String(), c.Swift[i], c.Stuck[i]}
	}
	for _, r := range c.RunOns {
		if t := r.Total.Seconds(); !math.IsInf(t, 0) {
			j.RunOns[s.Net.Machines[r.Machine].Name] = &t
		}
	}
	return j
}
