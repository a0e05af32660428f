package movein

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"kerfwind/config"
	"kerfwind/sensor"
)

// supply holds what comes out of the wall. half is the voltage from one leg to
// the neutral of a supply with two, 0 where there is none.
type supply struct{ volts, half, hertz float64 }

func (s supply) String() string {
	text := config.Rating{Volts: s.volts, Hertz: s.hertz}.String()
	if s.half > 0 {
		return fmt.Sprintf("%g/%s", s.half, text)
	}
	return text
}

const supplyExample = "230 V 50 Hz, or 120/240 V 60 Hz"

// parseSupply reads "230 V 50 Hz" or "120/240 V 60 Hz".
func parseSupply(text string) (supply, error) {
	half, rest, split := strings.Cut(text, "/")
	if !split {
		rest = text
	}
	r, err := config.ParseRating(rest)
	if err != nil {
		return supply{}, fmt.Errorf("%q is not a supply: write %s", text, supplyExample)
	}
	s := supply{volts: r.Volts, hertz: r.Hertz}
	if split {
		if s.half, err = config.Parse(config.Voltage, half+" V"); err != nil || s.half*2 != s.volts {
			return supply{}, fmt.Errorf("%q: one leg must have half the voltage of both: write %s", text, supplyExample)
		}
	}
	return s, nil
}

// supply is the answer, or nothing.
func (s *Session) supply() supply {
	sp, err := parseSupply(s.get("supply"))
	if err != nil {
		return supply{}
	}
	return sp
}

// oldSupply is the supply of the shop before, if there was one.
func (s *Session) oldSupply() supply {
	if s.old == nil {
		return supply{}
	}
	return supply{volts: s.old.Mains.Voltage, hertz: s.old.Mains.Frequency}
}

// circuit is one circuit, as answered.
type circuit struct {
	name    string
	breaker float64
	volts   float64 // 0: as the mains
	leg     string
}

const circuitExample = "north wall 20 A; bench 16 A 230 V L1"

// parseCircuits reads a list such as circuitExample.
func parseCircuits(text string) ([]circuit, error) {
	if text == none {
		return nil, nil
	}
	var out []circuit
	for _, part := range split(text, ";") {
		words := strings.Fields(part)
		c := circuit{}
		at := -1
		for i, w := range words {
			unit := ""
			if i+1 < len(words) {
				unit = words[i+1]
			}
			x, err := config.Parse(config.Current, w+" "+unit)
			if err != nil {
				x, err = config.Parse(config.Current, w) // "20A"
			}
			if err == nil {
				c.breaker, at = x, i
				break
			}
		}
		if at < 1 {
			return nil, fmt.Errorf("%q: write a name, then its breaker's rating, as in %s", part, circuitExample)
		}
		c.name = strings.Join(words[:at], " ")
		rest := words[at+1:]
		if len(rest) > 0 && rest[0] == "A" {
			rest = rest[1:]
		}
		if len(rest) > 0 {
			v, used := rest[0], 1
			if len(rest) > 1 && rest[1] == "V" {
				v, used = v+" V", 2
			}
			if x, err := config.Parse(config.Voltage, v); err == nil {
				c.volts, rest = x, rest[used:]
			}
		}
		c.leg = strings.Join(rest, " ")
		switch {
		case c.breaker < 1 || c.breaker > 400:
			return nil, fmt.Errorf("%q: write a breaker of 1 A to 400 A", part)
		case c.volts != 0 && (c.volts < 90 || c.volts > 500):
			return nil, fmt.Errorf("%q: write 90 V to 500 V", part)
		case slices.ContainsFunc(out, func(o circuit) bool { return o.name == c.name }):
			return nil, fmt.Errorf("two circuits have the name %q", c.name)
		case c.name == none:
			return nil, errors.New("a circuit cannot have the name none")
		}
		out = append(out, c)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("write %s, or none", circuitExample)
	}
	return out, nil
}

func (s *Session) checkCircuits(text string) (string, error) {
	list, err := parseCircuits(text)
	if err != nil {
		return "", err
	}
	if sp := s.supply(); sp.half > 0 {
		if len(list) == 0 {
			return "", fmt.Errorf("this supply has %g V and %g V: name the circuits, so that kerfwind knows which machine gets which", sp.half, sp.volts)
		}
		for _, c := range list {
			if c.volts == 0 {
				return "", fmt.Errorf("circuit %q: say whether it has %g V or %g V", c.name, sp.half, sp.volts)
			}
		}
	}
	return text, nil
}

// circuits is the answer, or nothing.
func (s *Session) circuits() []circuit {
	list, err := parseCircuits(s.get("circuits"))
	if err != nil {
		return nil
	}
	return list
}

func circuitNames(list []circuit) []string {
	var out []string
	for _, c := range list {
		out = append(out, c.name)
	}
	return out
}

// mainsDoubt says that the mains is measured to be another than the answer says; "" where it is not.
func (s *Session) mainsDoubt() string {
	if s.otherHz == 0 || sensor.MainsDoubt(s.otherHz, s.supply().hertz) == "" {
		return ""
	}
	return fmt.Sprintf("The mains seems to be %.3g Hz; you said %g Hz. If that was wrong, go back and answer it again.", s.otherHz, s.supply().hertz)
}

// voltsOf is the voltage of a machine's circuit here, or of the mains.
func (s *Session) voltsOf(m string) float64 {
	for _, c := range s.circuits() {
		if c.name == s.get("circuit/"+m) {
			return cmp.Or(c.volts, s.supply().volts)
		}
	}
	return s.supply().volts
}

// oldVolts is the voltage that a machine had before, 0 if that is not known.
func (s *Session) oldVolts(m string) float64 {
	if s.old == nil {
		return 0
	}
	var on *string
	if o := s.oldMachine(m); o != nil {
		on = o.Circuit
	} else if m == collector && s.old.Collector != nil {
		on = s.old.Collector.Circuit
	} else {
		return 0
	}
	for i := range s.old.Circuit {
		if c := &s.old.Circuit[i]; on != nil && c.Name == *on && c.Voltage != nil {
			return *c.Voltage
		}
	}
	return s.old.Mains.Voltage
}

// oldMachine is a machine of the shop before, nil if there was none.
func (s *Session) oldMachine(name string) *config.DraftMachine {
	if s.old == nil {
		return nil
	}
	for i := range s.old.Machine {
		if s.old.Machine[i].Name == name {
			return &s.old.Machine[i]
		}
	}
	return nil
}

// oldLoad is the full load of a machine or the collector before, 0 if that is
// not known.
func (s *Session) oldLoad(m string) float64 {
	var load *float64
	if o := s.oldMachine(m); o != nil {
		load = o.FullLoad
	} else if m == collector && s.old != nil && s.old.Collector != nil {
		load = s.old.Collector.FullLoad
	}
	if load == nil {
		return 0
	}
	return *load
}

// scaledLoad is the full-load current that the same power would take here. It
// is a proposal, asked for wherever the voltage is another one.
func (s *Session) scaledLoad(m string) (float64, bool) {
	was, now, load := s.oldVolts(m), s.voltsOf(m), s.oldLoad(m)
	if was == 0 || now == 0 || load == 0 || was == now {
		return 0, false
	}
	return load * was / now, true
}

// asksLoad reports whether the full load of a machine or the collector is asked for:
// where its voltage is another one than before, and in a first shop.
func (s *Session) asksLoad(m string) bool {
	_, scaled := s.scaledLoad(m)
	return scaled || s.old == nil
}

// asksPower reports whether the collector's power is asked for: without it and without a
// curve of its fan, no air can be computed.
func (s *Session) asksPower() bool {
	if s.get("rated/"+collector) == no {
		return false
	}
	c := (*config.DraftCollector)(nil)
	if s.old != nil {
		c = s.old.Collector
	}
	return c == nil || c.Power == nil && len(c.Fan) == 0 && c.FreeFlow == nil
}

// oldRated returns what a machine or the collector was marked for, as an answer; ""
// if that is not known.
func (s *Session) oldRated(m string) string {
	var list []string
	if o := s.oldMachine(m); o != nil {
		list = o.Rated
	} else if m == collector && s.old != nil && s.old.Collector != nil {
		list = s.old.Collector.Rated
	}
	return strings.Join(list, ", ")
}

// marked reads the answer to what a motor is marked for. No ratings are
// unknown ones.
func marked(text string) ([]config.Rating, error) {
	if text == unknown || text == no || text == matched {
		return nil, nil
	}
	var out []config.Rating
	for _, t := range split(text, ",") {
		r, err := config.ParseRating(t)
		if err != nil {
			return nil, fmt.Errorf("%q is not a supply: write it as on the rating plate, e.g. 120 V 60 Hz, 240 V 60 Hz", t)
		}
		out = append(out, r)
	}
	return out, nil
}

// matched as an answer says that an electrician has done it.
const matched = "matched"

// checkRated takes ratings that fit the supply, unknown, no (leave it out) or
// matched.
func (s *Session) checkRated(m, text string) (string, error) {
	if _, err := marked(text); err != nil {
		return "", err
	}
	if err := s.mayConnect(m, text); err != nil {
		return "", fmt.Errorf("%w. Leave it out until one has adapted it", err)
	}
	return text, nil
}

// mayConnect reports whether a motor with ratings may be connected here, or why
// not.
func (s *Session) mayConnect(m, ratings string) error {
	list, err := marked(ratings)
	if err != nil {
		return err
	}
	volts, hertz := s.voltsOf(m), s.supply().hertz
	if fits, known := config.Marked(list, volts, hertz); known && !fits {
		return fmt.Errorf("do not connect %s: its rating plate says %s, and the supply is %s. Ask an electrician", the(m), ratings, config.Rating{Volts: volts, Hertz: hertz})
	}
	return nil
}

// the puts the article before a machine's name.
func the(m string) string {
	if m == collector {
		return m
	}
	return "the " + m
}
