package begin

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

const none = "none"

// collector is the root of the drawing, as in a shop file.
const collector = "collector"

// split takes a list apart.
func split(text, by string) (out []string) {
	for p := range strings.SplitSeq(text, by) {
		if p = strings.TrimSpace(p); p != "" && p != none {
			out = append(out, p)
		}
	}
	return out
}

func (s *Session) machines() []string { return split(s.get("machines"), ",") }
func (s *Session) sweeps() []string   { return split(s.get("sweeps"), ",") }
func (s *Session) stops() []string    { return split(s.get("stops"), ",") }

// branches are the ends of the duct: machines and floor sweeps.
func (s *Session) branches() []string { return append(s.machines(), s.sweeps()...) }

// mains are the mains that the drawing names, in the order of their naming.
func (s *Session) mains() (out []string) {
	for todo := s.branches(); len(todo) > 0; todo = todo[1:] {
		if _, to, err := parseRun(s.get("duct/" + todo[0])); err == nil && to != collector && !slices.Contains(out, to) {
			out = append(out, to)
			todo = append(todo, to)
		}
	}
	return out
}

// system is the system of units that the person reads.
func (s *Session) system() config.Units {
	if s.get("units") == config.Metric.String() {
		return config.Metric
	}
	return config.Imperial
}

func (s *Session) pick(metric, imperial string) string {
	if s.system() == config.Metric {
		return metric
	}
	return imperial
}

// questions are all that the answers so far call for, in their order. Defaults are what
// a small shop most often has: our own choice, from common practice.
func (s *Session) questions() (list []question) {
	ask := func(id, title, why, example, def string, check func(string) (string, error)) {
		list = append(list, question{Question{ID: id, Title: title, Why: why, Example: example, Default: def}, check})
	}
	choose := func(id, title, why, def string, c ...Choice) {
		list = append(list, question{Question{ID: id, Title: title, Why: why, Default: def, Choices: c}, func(t string) (string, error) {
			if !slices.ContainsFunc(c, func(c Choice) bool { return c.Answer == t }) {
				return "", fmt.Errorf("%q is not one of the answers: type its number", t)
			}
			return t, nil
		}})
	}
	yesNo := func(id, title, why, def string) {
		choose(id, title, why, def, Choice{"yes", "yes"}, Choice{"no", "no"})
	}
	ask("name", "What is the shop called?", "It names the shop's file.", "garage", "shop", checkName)
	choose("units", "Which units do you read?", "You may mix both in the files.", "imperial", Choice{"imperial", "feet, inches, cfm"}, Choice{"metric", "metres, millimetres, m3/h"})
	ask("supply", "What is the supply?", "Sensing follows the mains frequency.", "240 V 60 Hz", s.pick("230 V 50 Hz", "240 V 60 Hz"), checkSupply)
	ask("machines", "Which machines make dust?", "Each gets a current sensor and a gate of its own.", "table saw, planer, band saw", "", s.checkMachines)
	for _, m := range s.machines() {
		ask("plate/"+m, fmt.Sprintf("%s: full load from its plate, and how long it turns after switching off?", m),
			"The full load chooses the sensor; the time keeps the gate open until the last chips are out.", "12 A, 8 s; or 2 hp, 8 s", "?, 10 s", s.checkPlate)
	}
	ask("circuits", "Which machines hang on which breaker?", "kerfwind warns when a breaker gets near its rating.", "wall 20 A: table saw, band saw; bench 16 A: planer, "+collector, none, s.checkCircuits)
	ask("collector", "The collector's power and full load, from its plate?", "The air is computed from the power.", "2 hp, 12 A", "2 hp, ?", s.checkCollector)
	choose("seen", "What shows that the collector really runs?", "Without it kerfwind knows only what it has commanded.", "clamp",
		Choice{"clamp", "a current sensor on its own supply"}, Choice{"contact", "an auxiliary contact of its contactor"}, Choice{none, "nothing"})
	yesNo("hand", "Does the collector have a hand/off/auto switch with a free contact?", "In hand it runs whatever kerfwind says; kerfwind then keeps a path open.", "no")
	choose("board", "Which computer?", "Its chip's name differs.", "pinctrl-bcm2835",
		Choice{"pinctrl-bcm2835", "Raspberry Pi Zero, 1, 2 or 3"}, Choice{"pinctrl-bcm2711", "Raspberry Pi 4"}, Choice{"pinctrl-rp1", "Raspberry Pi 5"})
	choose("converter", "Which converter reads the sensors?", "12 bits and eight inputs do for a small shop.", "mcp3208",
		Choice{"mcp3208", "MCP3208: 12 bits, 8 inputs, SPI"}, Choice{"mcp3008", "MCP3008: 10 bits, 8 inputs, SPI"}, Choice{"ads1115", "ADS1115: 16 bits on I2C, good for one sensor each, four at most"})
	ask("sweeps", "Which gates are there besides one a machine, opened by a button?", "A floor sweep has no motor: a button holds its gate open.", "floor sweep", none, s.checkSweeps)
	choose("moved", "What moves a gate?", "Servos need two wires of a bus for up to 16 gates; a motor takes two lines, a relay one.", "servo",
		Choice{"servo", "a hobby servo on a servo board"}, Choice{"motor", "a gear motor with its own driver"}, Choice{"relay", "a relay: a solenoid or an air valve"})
	ask("travel", "How long does the slowest gate take from end to end?", "The next try and \"stuck\" count from it. Time it once it is built.", "900 ms", cmp.Or(map[string]string{"motor": "5 s"}[s.get("moved")], "1 s"), checkTravel)
	choose("ends", "Which end switches does each gate have?", "With an open switch the collector starts on what the gate shows, not on time.", "open",
		Choice{"open", "one at its open end"}, Choice{"both", "one at each end"}, Choice{none, "none"})
	ask("stops", "Which stops are wired? Normally closed contacts, each also in the contactor's coil circuit.", "Software is never the only way to stop a fan.", "emergency stop, smoke alarm", "emergency stop", s.checkStops)
	if len(s.stops()) > 0 {
		yesNo("reset", "Is there a reset button beside them?", "Without it only the computer's own console lifts a stop.", "yes")
	}
	yesNo("standdown", "Is there a wired stand-down switch?", "It forbids every motion while somebody works on the ducts.", "yes")
	yesNo("bin", "Does the bin have a level sensor with a contact that is closed while there is room?", "A full bin is reported before it packs the duct.", "no")
	ask("outlets", "What else is to be switched with machines?", "An air cleaner follows machines and runs on.", "air cleaner 20 min: sander, router", none, s.checkOutlets)
	yesNo("page", "Do you want the page for the phone in your network?", "Set a password with \"kerfwind password\" before anybody can change anything there.", "yes")
	yesNo("draw", "Do you want to draw the ducts?", "Then the run-on and the air at each hood are computed.", "yes")
	if s.get("draw") == "yes" {
		for _, b := range s.branches() {
			s.askRun(ask, b, "Its pieces from the machine on, then > and where they lead: a main, by a name of your own, or the collector.")
		}
		for _, m := range s.mains() {
			s.askRun(ask, m, "A main begins where its first branch joins.")
		}
		if len(s.mains()) > 0 {
			ask("mainGates", "Which mains have a gate of their own?", "It shuts off a whole part of the shop: "+strings.Join(s.mains(), ", ")+".", s.mains()[0], none, s.checkMainGates)
		}
	}
	return list
}

func (s *Session) askRun(ask func(id, title, why, example, def string, check func(string) (string, error)), of, why string) {
	def := ""
	if !slices.Contains(s.branches(), of) {
		def = s.pick("150 mm smooth 5 m > collector", "6 in smooth 16 ft > collector")
	}
	ask("duct/"+of, "The duct from "+of+"?", why, s.pick("100 mm hose 1.8 m, 100 mm smooth 3 m 2 elbows > main", "4 in hose 6 ft, 4 in smooth 10 ft 2 elbows rise 7 ft > main"), def,
		func(text string) (string, error) { return s.checkRun(of, text) })
}

var plainName = regexp.MustCompile(`^[\pL\pN][\pL\pN .'_-]{0,39}$`)

func checkName(text string) (string, error) {
	if !plainName.MatchString(text) {
		return "", fmt.Errorf("%q is no name for a file: use letters, digits, blanks and dashes", text)
	}
	return text, nil
}

// checkNames checks a list of names, which are not to be taken already.
func checkNames(text string, taken ...string) (string, error) {
	if text == none {
		return text, nil
	}
	list := split(text, ",")
	for i, n := range list {
		switch {
		case !plainName.MatchString(n):
			return "", fmt.Errorf("%q is no name: use letters, digits, blanks and dashes, and put commas between names", n)
		case slices.Contains(list[:i], n) || slices.Contains(taken, n) || n == collector || n == none:
			return "", fmt.Errorf("the name %q is taken: choose another", n)
		}
	}
	if len(list) == 0 {
		return "", errors.New("name at least one")
	}
	return strings.Join(list, ", "), nil
}

func checkTravel(text string) (string, error) {
	if d, err := config.ParseDuration(text); err != nil || d < 50*time.Millisecond || d > time.Minute {
		return "", fmt.Errorf("%q is no travel time: write 50 ms to 1 min, such as 900 ms", text)
	}
	return text, nil
}

func (s *Session) checkMachines(text string) (string, error) {
	text, err := checkNames(text)
	if err == nil && (text == none || len(split(text, ",")) > control.MaxMachines) {
		return "", fmt.Errorf("name 1 to %d machines", control.MaxMachines)
	}
	return text, err
}

func (s *Session) checkSweeps(text string) (string, error) { return checkNames(text, s.machines()...) }
func (s *Session) checkStops(text string) (string, error)  { return checkNames(text) }

func (s *Session) checkMainGates(text string) (string, error) {
	if text == none {
		return text, nil
	}
	for _, m := range split(text, ",") {
		if !slices.Contains(s.mains(), m) {
			return "", fmt.Errorf("there is no main %q: the drawing has %s", m, strings.Join(s.mains(), ", "))
		}
	}
	return checkNames(text)
}

// supply takes the supply apart.
func supply(text string) (volts, hertz float64, err error) {
	for _, part := range regexp.MustCompile(`[0-9.]+ ?[A-Za-z]+`).FindAllString(text, -1) {
		if v, err := config.Parse(config.Voltage, part); err == nil {
			volts = v
		} else if f, err := config.Parse(config.Frequency, part); err == nil {
			hertz = f
		}
	}
	if volts < 90 || volts > 500 || hertz < 45 || hertz > 65 {
		return 0, 0, fmt.Errorf("%q is no supply: write volts and hertz, such as 240 V 60 Hz", text)
	}
	return volts, hertz, nil
}

func checkSupply(text string) (string, error) {
	_, _, err := supply(text)
	return text, err
}

// fullLoad is the electrical code's table 430.248: amperes of single-phase motors at
// 230 V by horsepower; at 115 V twice as many. As cited in sensor/trace.
var fullLoad = []struct{ hp, amps float64 }{{0.5, 4.9}, {0.75, 6.9}, {1, 8}, {1.5, 10}, {2, 12}, {3, 17}, {5, 28}}

// loadOf is the current of a plate: amperes, or horsepower by the table; 0 for "?".
func (s *Session) loadOf(text string) (float64, error) {
	if text == "?" {
		return 0, nil
	}
	if a, err := config.Parse(config.Current, text); err == nil && a >= 0.1 && a <= 400 {
		return a, nil
	}
	p, err := config.Parse(config.Power, text)
	if err != nil || p <= 0 {
		return 0, fmt.Errorf("%q is no full load: write the amperes of its plate (12 A), its power (2 hp, 1.5 kW), or ?", text)
	}
	volts, _, err := supply(s.get("supply"))
	if err != nil {
		return 0, err
	}
	hp := p / 745.7
	row := fullLoad[len(fullLoad)-1]
	if hp > row.hp+0.1 {
		return 0, fmt.Errorf("%s is more than the table of motors has: write the amperes of its plate", text)
	}
	for i := len(fullLoad) - 1; i >= 0 && hp <= fullLoad[i].hp+0.1; i-- {
		row = fullLoad[i]
	}
	return row.amps * 230 / volts, nil
}

// plate takes the answer to a plate apart.
func (s *Session) plate(text string) (amps float64, coast time.Duration, err error) {
	load, rest, both := strings.Cut(text, ",")
	if amps, err = s.loadOf(strings.TrimSpace(load)); err != nil {
		return 0, 0, err
	}
	coast = 10 * time.Second
	if both {
		if coast, err = config.ParseDuration(strings.TrimSpace(rest)); err != nil || coast < 0 || coast > 10*time.Minute {
			return 0, 0, fmt.Errorf("%q is no time: write for example 8 s, at most 10 min", strings.TrimSpace(rest))
		}
	}
	return amps, coast, nil
}

func (s *Session) checkPlate(text string) (string, error) {
	_, _, err := s.plate(text)
	return text, err
}

// motor takes the collector's plate apart.
func (s *Session) motor(text string) (watts, amps float64, err error) {
	power, load, both := strings.Cut(text, ",")
	if watts, err = config.Parse(config.Power, strings.TrimSpace(power)); err != nil || watts < 100 || watts > 30e3 {
		return 0, 0, fmt.Errorf("%q is no power: write for example 2 hp or 1.5 kW, and after a comma the full load", strings.TrimSpace(power))
	}
	if load = strings.TrimSpace(load); both && load != "?" {
		if amps, err = s.loadOf(load); err == nil && amps < 0.5 {
			err = fmt.Errorf("%s is too little for a collector: look at its plate", load)
		}
		return watts, amps, err
	}
	amps, _ = s.loadOf(strings.TrimSpace(power)) // a large one stays unknown
	return watts, amps, nil
}

func (s *Session) checkCollector(text string) (string, error) {
	_, _, err := s.motor(text)
	return text, err
}

// group is a line such as "wall 20 A: planer, table saw".
type group struct {
	name    string
	value   string // the quantity
	members []string
}

var groupHead = regexp.MustCompile(`^(.+?) ([0-9][0-9.]* ?[A-Za-z]+)$`)

func groups(text string) (out []group, err error) {
	for _, part := range split(text, ";") {
		head, list, ok := strings.Cut(part, ":")
		m := groupHead.FindStringSubmatch(strings.TrimSpace(head))
		if !ok || m == nil || len(split(list, ",")) == 0 {
			return nil, fmt.Errorf("%q: write a name, its figure, a colon and a list, with ; between several", part)
		}
		out = append(out, group{m[1], m[2], split(list, ",")})
	}
	return out, nil
}

// checkGroups checks groups whose members are known, each in one group at most if once.
func (s *Session) checkGroups(text string, once bool, known []string, value func(string) error) (string, error) {
	list, err := groups(text)
	if err != nil {
		return "", err
	}
	var names, seen []string
	for _, g := range list {
		if err := value(g.value); err != nil {
			return "", err
		}
		names = append(names, g.name)
		for _, m := range g.members {
			switch {
			case !slices.Contains(known, m):
				return "", fmt.Errorf("there is no %q: there are %s", m, strings.Join(known, ", "))
			case once && slices.Contains(seen, m):
				return "", fmt.Errorf("%s is named twice: name it once", m)
			}
			seen = append(seen, m)
		}
	}
	if len(names) > 0 {
		_, err = checkNames(strings.Join(names, ","))
	}
	return text, err
}

func (s *Session) checkCircuits(text string) (string, error) {
	if text == none {
		return text, nil
	}
	return s.checkGroups(text, true, append(s.machines(), collector), func(v string) error {
		if a, err := config.Parse(config.Current, v); err != nil || a < 1 || a > 400 {
			return fmt.Errorf("%q is no breaker: write its rating, 20 A for example", v)
		}
		return nil
	})
}

func (s *Session) checkOutlets(text string) (string, error) {
	if text == none {
		return text, nil
	}
	return s.checkGroups(text, false, s.machines(), func(v string) error {
		if d, err := config.ParseDuration(v); err != nil || d < 0 || d > 24*time.Hour {
			return fmt.Errorf("%q is no run-on: write a time, 20 min for example", v)
		}
		return nil
	})
}

// piece is a stretch of one kind.
type piece struct {
	diameter, length, rise float64
	kind                   string
	elbows                 int
}

var (
	pieceForm = regexp.MustCompile(`^([0-9.]+ ?[a-z]+) (hose|smooth|spiral|pipe) ([0-9.]+ ?[a-z]+)((?: [0-9]+ elbows?| rise [0-9.]+ ?[a-z]+)*)$`)
	elbowForm = regexp.MustCompile(`([0-9]+) elbows?`)
	riseForm  = regexp.MustCompile(`rise ([0-9.]+ ?[a-z]+)`)
)

// parseRun reads a branch or a main: pieces with commas between them, ">", and what it
// leads to.
func parseRun(text string) (pieces []piece, to string, err error) {
	run, to, ok := strings.Cut(text, ">")
	if to = strings.TrimSpace(to); !ok || to == "" {
		return nil, "", errors.New("where does it lead? End with > collector, or > and the name of a main")
	}
	for _, part := range split(run, ",") {
		m := pieceForm.FindStringSubmatch(part)
		if m == nil {
			return nil, "", fmt.Errorf("%q is no piece: write diameter, kind (hose, smooth or spiral), length, and then elbows and rise if it has any: 4 in smooth 10 ft 2 elbows rise 7 ft", part)
		}
		p := piece{kind: m[2]}
		if p.kind == "pipe" {
			p.kind = "smooth"
		}
		rise := riseForm.FindStringSubmatch(m[4])
		for _, x := range []struct {
			text string
			into *float64
			most float64
		}{{m[1], &p.diameter, 1}, {m[3], &p.length, 100}, {strings.Join(rise[min(1, len(rise)):], ""), &p.rise, 30}} {
			if x.text == "" {
				continue
			}
			if *x.into, err = config.Parse(config.Length, x.text); err != nil {
				return nil, "", err
			}
			if !(*x.into >= 0 && *x.into <= x.most) {
				return nil, "", fmt.Errorf("%s is more than a duct has: look at its unit", x.text)
			}
		}
		if e := elbowForm.FindStringSubmatch(m[4]); e != nil {
			p.elbows, _ = strconv.Atoi(e[1]) // it is digits
		}
		if p.diameter < 0.02 || p.elbows > 20 || p.rise > p.length {
			return nil, "", fmt.Errorf("%q: a duct is 20 mm wide or more, has up to 20 elbows, and rises no more than its length", part)
		}
		pieces = append(pieces, p)
	}
	if len(pieces) == 0 {
		return nil, "", errors.New("there is no piece: write for example 4 in hose 6 ft > main")
	}
	return pieces, to, nil
}

// checkRun checks a run of the drawing, which is to be a tree.
func (s *Session) checkRun(of, text string) (string, error) {
	_, to, err := parseRun(text)
	switch {
	case err != nil:
		return "", err
	case slices.Contains(s.branches(), to):
		return "", fmt.Errorf("%s is no main: let it lead to a main or to the collector", to)
	case !plainName.MatchString(to):
		return "", fmt.Errorf("%q is no name for a main: use letters, digits, blanks and dashes", to)
	}
	for at := to; at != collector; {
		if at == of {
			return "", fmt.Errorf("that leads back to %s: in the end everything leads to the collector", of)
		}
		_, next, err := parseRun(s.get("duct/" + at))
		if err != nil {
			break // it is asked for later
		}
		at = next
	}
	return text, nil
}
