package movein

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"kerfwind/config"
)

// Answers that mean something by themselves.
const (
	yes     = "yes"
	no      = "no"
	skip    = "skip"
	again   = "again"
	nothing = "nothing"
	none    = "none"
	unknown = "unknown"
	topic   = "topic"
)

// relays are the rig's outputs that may switch a contactor, an outlet or a gate;
// what each switches is asked for.
func (s *Session) relays() []string {
	var out []string
	for i := range s.rig.Actuators {
		if s.rig.Actuators[i].Kind.Serves(config.ForContactor) {
			out = append(out, s.rig.Actuators[i].Name)
		}
	}
	return out
}

// outputs are the actuators that move gates.
func (s *Session) outputs() []string {
	var out []string
	for i := range s.rig.Actuators {
		a := &s.rig.Actuators[i]
		switch {
		case a.Kind.OnlyGates():
		case a.Kind.Serves(config.ForContactor) && s.get("relay/"+a.Name) == "gate":
		case !a.Kind.Wired() && s.oldGateOf(a.Name) != nil:
		default:
			continue
		}
		out = append(out, a.Name)
	}
	return out
}

// machines are the machines of the new shop, as answered.
func (s *Session) machines() []string { return split(s.get("machines"), ",") }

// fit are those that may be connected to the supply here.
func (s *Session) fit() []string {
	return slices.DeleteFunc(s.machines(), func(m string) bool { return s.get("rated/"+m) == no })
}

// sensed are those whose sensor is known.
func (s *Session) sensed() []string {
	return slices.DeleteFunc(s.fit(), func(m string) bool { a := s.get("sensor/" + m); return a == "" || a == skip })
}

// split takes a list apart.
func split(text, by string) []string {
	var out []string
	for _, p := range strings.Split(text, by) {
		if p = strings.TrimSpace(p); p != "" {
			out = append(out, p)
		}
	}
	return out
}

// steps are all steps that the answers so far call for.
func (s *Session) steps() []step {
	list := []step{{asks, "name", ""}, {asks, "units", ""}, {asks, "supply", ""}, {asks, "circuits", ""}, {asks, "machines", ""}}
	add := func(k kind, what, of string) { list = append(list, step{k, what, of}) }
	circuits := len(s.circuits()) > 0
	for _, m := range s.machines() {
		if circuits {
			add(asks, "circuit", m)
		}
		add(asks, "rated", m)
		if s.get("rated/"+m) == no {
			continue
		}
		if s.asksLoad(m) {
			add(asks, "load", m)
		}
	}
	for _, r := range s.relays() {
		add(asks, "relay", r)
	}
	if circuits {
		add(asks, "circuit", collector)
	}
	add(asks, "rated", collector)
	if s.asksLoad(collector) {
		add(asks, "load", collector)
	}
	if s.asksPower() {
		add(asks, "power", collector)
	}
	for _, m := range s.fit() {
		add(finds, "sensor", m)
	}
	if s.get("rated/"+collector) != no {
		add(finds, "sensor", collector)
	}
	for _, a := range s.outputs() {
		add(moves, "gate", a)
		switch what, _ := cut(s.get("gate/" + a)); what {
		case "":
			continue
		case none:
			continue
		case "main", "sweep":
			add(asks, "called", a)
		}
		add(asks, "way", a)
		add(asks, "travel", a)
	}
	for _, m := range s.sensed() {
		if s.byCurrent(m) {
			add(learns, "learn", m)
		}
		add(asks, "coast", m)
	}
	add(asks, "duct", "")
	switch s.get("duct") {
	case "draw":
		add(asks, "mains", "")
		for _, g := range s.gates() {
			add(asks, "piece", g.name)
		}
	case none:
		for _, g := range s.gates() {
			if g.kind == "main" {
				add(asks, "serves", g.name)
			}
		}
	}
	add(computes, "missing", "")
	if d := s.get("duct"); d != none {
		add(computes, "air", "")
	}
	add(computes, "dry", "")
	add(computes, "activate", "")
	return append(list, step{ends, "done", ""})
}

// parts are the parts of a move-in, each with the steps in it. Their number
// stays the same, while the steps become more with each machine and gate.
var parts = []struct{ name, steps string }{
	{"the place", " name units supply circuits "},
	{"machines", " machines circuit rated load power relay "},
	{"sensors", " sensor "},
	{"gates", " gate called way travel "},
	{"levels", " learn coast "},
	{"duct", " duct mains piece serves "},
	{"checks", " missing air dry "},
	{"in force", " activate done "},
}

// part is the number of the part that a step is in, from 0.
func (st step) part() int {
	for i := range parts {
		if strings.Contains(parts[i].steps, " "+st.what+" ") {
			return i
		}
	}
	return -1
}

// progress says how far a step is: which part, and which thing of it.
func (s *Session) progress(st step) string {
	var things []string
	at := 0
	for _, x := range s.steps() {
		if x.part() != st.part() {
			continue
		}
		thing := x.of
		if thing == "" {
			thing = "/" + x.what
		}
		if !slices.Contains(things, thing) {
			things = append(things, thing)
		}
		if x == st {
			at = slices.Index(things, thing) + 1
		}
	}
	text := fmt.Sprintf("Part %d of %d: %s", st.part()+1, len(parts), parts[st.part()].name)
	if len(things) > 1 {
		text += fmt.Sprintf(", %d of %d", at, len(things))
	}
	return text
}

// collector names it beside the names of machines.
const collector = "the collector"

// cut takes an answer such as "machine:planer" apart.
func cut(text string) (what, of string) {
	what, of, _ = strings.Cut(text, ":")
	return what, of
}

// check reports whether an answer does, and in which form it is kept.
func (s *Session) check(st step, text string) (string, error) {
	switch st.what {
	case "name":
		if len([]rune(text)) > 60 {
			return "", errors.New("a name of at most 60 letters")
		}
		if strings.ContainsAny(text, `/\`) || !strings.ContainsFunc(text, func(r rune) bool { return unicode.IsLetter(r) || unicode.IsDigit(r) }) {
			return "", errors.New("write the name that people call the shop by, without slashes: garage")
		}
		return text, nil
	case "units":
		return oneOf(text, "metric", "imperial")
	case "supply":
		sp, err := parseSupply(text)
		return sp.String(), err
	case "circuits":
		return s.checkCircuits(text)
	case "circuit":
		if sp := s.supply(); text == none && sp.half > 0 {
			return "", fmt.Errorf("say which one, so that the voltage is known: %g V or %g V", sp.half, sp.volts)
		}
		if text == none {
			return text, nil
		}
		return oneOf(text, circuitNames(s.circuits())...)
	case "machines":
		return checkMachines(text)
	case "rated":
		return s.checkRated(st.of, text)
	case "load":
		return checkQuantity(config.Current, text, 0.1, 400)
	case "power":
		return checkQuantity(config.Power, text, 100, 30e3)
	case "relay":
		return s.checkRelay(st.of, text)
	case "sensor":
		return s.checkSensor(st.of, text)
	case "gate":
		return s.checkGate(text)
	case "called":
		if i := slices.IndexFunc(s.gates(), func(g gate) bool { return g.name == text && g.actuator != st.of }); i >= 0 {
			return "", fmt.Errorf("%s already has that name", s.gates()[i].actuator)
		}
		return text, nil
	case "way":
		return oneOf(text, "shut", "open")
	case "travel":
		return s.checkTravel(st.of, text)
	case "learn":
		return s.checkLearn(st.of, text)
	case "coast":
		return checkTime(text, 0, 10*time.Minute)
	case "duct":
		return oneOf(text, s.ductChoices()...)
	case "mains":
		_, err := s.parsePieces(text)
		return text, err
	case "piece":
		_, err := s.parseBranch(st.of, text)
		return text, err
	case "serves":
		for _, m := range split(text, ",") {
			if text != none && !slices.Contains(s.sensed(), m) {
				return "", fmt.Errorf("no machine %q: %s", m, strings.Join(s.sensed(), ", "))
			}
		}
		return text, nil
	case "missing", "air", "dry": // holds for this very draft
		_, err := oneOf(strings.SplitN(text, ":", 2)[0], yes)
		return yes + ":" + s.mark(), err
	case "activate":
		_, file := cut(text)
		return s.mark() + ":" + file, nil
	}
	return "", errors.New("there are no more questions")
}

// oneOf checks an answer against a list.
func oneOf(text string, list ...string) (string, error) {
	if !slices.Contains(list, text) {
		return "", fmt.Errorf("%q is not one of the answers: %s", text, strings.Join(list, ", "))
	}
	return text, nil
}

func checkQuantity(q config.Quantity, text string, low, high float64) (string, error) {
	if text == unknown {
		return text, nil
	}
	x, err := config.Parse(q, text)
	if err != nil {
		return "", err
	}
	if x < low || x > high {
		return "", fmt.Errorf("%s is out of range: from %s to %s", text, config.Metric.Format(q, low), config.Metric.Format(q, high))
	}
	return text, nil
}

func checkTime(text string, low, high time.Duration) (string, error) {
	d, err := config.ParseDuration(text)
	if err != nil {
		return "", err
	}
	if d < low || d > high {
		return "", fmt.Errorf("%s is out of range: from %s to %s", text, config.FormatDuration(low), config.FormatDuration(high))
	}
	return text, nil
}

func checkMachines(text string) (string, error) {
	list := split(text, ",")
	for i, m := range list {
		switch {
		case slices.Contains(list[:i], m):
			return "", fmt.Errorf("%q is named twice", m)
		case m == collector || strings.ContainsAny(m, ":;/"):
			return "", fmt.Errorf("%q cannot be the name of a machine: use letters, digits and blanks", m)
		}
	}
	if len(list) == 0 {
		return "", errors.New("name at least one machine")
	}
	return strings.Join(list, ", "), nil
}

func (s *Session) checkRelay(name, text string) (string, error) {
	if _, err := oneOf(text, "collector", "gate", "outlet", none); err != nil {
		return "", err
	}
	list := s.relays()
	if text != "collector" {
		if list[len(list)-1] == name && !slices.ContainsFunc(list[:len(list)-1], func(r string) bool { return s.get("relay/"+r) == "collector" }) {
			return "", errors.New("one relay must switch the collector's contactor: this one, or go back to another")
		}
		return text, nil
	}
	for _, r := range list {
		if r == name {
			break
		}
		if s.get("relay/"+r) == "collector" {
			return "", fmt.Errorf("%s already switches the collector: go back to change that", r)
		}
	}
	return text, nil
}

// checkSensor: channels of the rig that nothing else has, a contact, or none.
func (s *Session) checkSensor(of, text string) (string, error) {
	if text == skip {
		return text, nil
	}
	if o := s.oldMachine(of); text == topic && o != nil && o.Topic != nil {
		return text, nil
	}
	if what, contact := cut(text); what == "contact" {
		for i := range s.rig.Contacts {
			if c := &s.rig.Contacts[i]; c.Name == contact && c.Kind == config.MachineContact {
				return text, nil
			}
		}
		return "", fmt.Errorf("the rig has no machine contact %q", contact)
	}
	list := split(text, ",")
	if len(list) == 0 {
		return "", errors.New("no channel is named")
	}
	for _, ch := range list {
		i := slices.Index(s.names, ch)
		if i < 0 || !s.rig.Channels[i].Enabled {
			return "", fmt.Errorf("the rig has no channel %q in use", ch)
		}
		if owner := s.ownerOf(ch, of); owner != "" {
			return "", fmt.Errorf("%s senses %s", ch, owner)
		}
	}
	return text, nil
}

// ownerOf is the machine, or the collector, before of in the order of the steps
// that a channel was found for; "" if none.
func (s *Session) ownerOf(channel, of string) string {
	for _, m := range append(s.fit(), collector) {
		if m == of {
			break
		}
		if slices.Contains(split(s.get("sensor/"+m), ","), channel) {
			return m
		}
	}
	return ""
}

// byCurrent reports whether a machine is sensed by its current.
func (s *Session) byCurrent(m string) bool {
	what, _ := cut(s.get("sensor/" + m))
	return what != "contact" && what != topic && what != skip && what != ""
}

func (s *Session) checkGate(text string) (string, error) {
	switch what, of := cut(text); what {
	case "main", "sweep", none:
		return what, nil
	case "machine":
		_, err := oneOf(of, s.sensed()...)
		return text, err
	}
	return "", fmt.Errorf("%q is not one of the answers", text)
}

func (s *Session) checkTravel(actuator, text string) (string, error) {
	if _, err := checkTime(text, 50*time.Millisecond, time.Minute); err != nil {
		return "", err
	}
	for i := range s.rig.Actuators {
		a := &s.rig.Actuators[i]
		if d, err := config.ParseDuration(text); err == nil && a.Name == actuator && a.Slow > d {
			return "", fmt.Errorf("its servo takes %s from end to end (slow in the rig file): write at least that", config.FormatDuration(a.Slow))
		}
	}
	return text, nil
}

// checkLearn: what was learned holds for the sensor on which it was.
func (s *Session) checkLearn(m, text string) (string, error) {
	what, levels := cut(text)
	switch what {
	case "learned":
		return "learned:" + s.get("sensor/"+m), nil
	case skip:
		return text, nil
	case "proposal":
		_, _, err := parseLevels(levels)
		return text, err
	}
	return "", fmt.Errorf("%q is not one of the answers", text)
}

// parseLevels reads "2.1 A 1.4 A".
func parseLevels(text string) (start, stop float64, err error) {
	a, b, ok := strings.Cut(text, "A")
	if !ok {
		return 0, 0, errors.New("write two levels: 2.1 A 1.4 A")
	}
	if start, err = config.Parse(config.Current, a+"A"); err == nil {
		stop, err = config.Parse(config.Current, b)
	}
	return start, stop, err
}
