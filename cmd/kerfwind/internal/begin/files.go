package begin

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"kerfwind/config"
)

// gate is a gate of the shop: at the end of the run that it is named after.
type gate struct {
	name  string
	sweep bool
}

func (s *Session) gates() (out []gate) {
	for _, m := range s.machines() {
		out = append(out, gate{m, false})
	}
	for _, m := range s.sweeps() {
		out = append(out, gate{m, true})
	}
	for _, m := range split(s.get("mainGates"), ",") {
		out = append(out, gate{m, false})
	}
	return out
}

// free are the lines of the header that no bus takes, in the order in which they are
// given away: 14 and 15 are the console's, 0 and 1 are for the board's own memory.
var free = []int{17, 27, 22, 23, 24, 25, 5, 6, 12, 13, 16, 26, 19, 20, 21, 4, 18}

// use is a line of the header and what it is for.
type use struct {
	line int
	what string
}

// lines gives the header's lines away. The error is that there are too few.
func (s *Session) lines() ([]use, error) {
	var out []use
	add := func(what string) { out = append(out, use{0, what}) }
	add("k0") // the contactor's relay
	for i := range split(s.get("outlets"), ";") {
		add(fmt.Sprintf("k%d", i+1))
	}
	for _, n := range s.stops() {
		add(n)
	}
	for id, what := range map[string]string{"hand": "k-mode", "bin": "bin level", "reset": "reset", "standdown": "stand-down"} {
		if s.get(id) == "yes" && (id != "reset" || len(s.stops()) > 0) {
			add(what)
		}
	}
	if s.get("seen") == "contact" {
		add("collector aux")
	}
	for i, g := range s.gates() {
		if g.sweep {
			add(g.name + " button")
		}
		switch s.get("moved") {
		case "motor":
			add(fmt.Sprintf("g%d open line", i))
			add(fmt.Sprintf("g%d shut line", i))
		case "relay":
			add(fmt.Sprintf("g%d", i))
		}
		switch s.get("ends") {
		case "both":
			add(fmt.Sprintf("g%d open", i))
			add(fmt.Sprintf("g%d shut", i))
		case "open":
			add(fmt.Sprintf("g%d open", i))
		}
	}
	slices.SortFunc(out[1:], func(a, b use) int { return cmp.Compare(a.what, b.what) }) // whatever was asked first
	if len(out) > len(free) {
		return nil, fmt.Errorf("that takes %d lines of the header, and it has %d free: take servos, fewer end switches, fewer gates or fewer contacts", len(out), len(free))
	}
	for i := range out {
		out[i].line = free[i]
	}
	return out, nil
}

// line is the line of something.
func line(list []use, what string) int {
	for _, u := range list {
		if u.what == what {
			return u.line
		}
	}
	return -1
}

// Sheet says how far the rig is, in a line.
func (s *Session) Sheet() string {
	used, err := s.lines()
	if err != nil || len(s.machines()) == 0 {
		return ""
	}
	sensors := len(s.machines())
	if s.get("seen") == "clamp" {
		sensors++
	}
	return fmt.Sprintf("so far: %d sensors, %d gates, %d of %d lines of the header taken", sensors, len(s.gates()), len(used), len(free))
}

// Files are the finished rig and shop files, and the shop file's name. The error is that
// of a file that kerfwind itself would not take.
func (s *Session) Files() (rig, shop []byte, name string, err error) {
	if q, more := s.Next(); more {
		return nil, nil, "", fmt.Errorf("not everything is answered: %s", q.Title)
	}
	name = strings.ReplaceAll(strings.ToLower(s.get("name")), " ", "-") + ".toml"
	lines, err := s.lines()
	if err != nil {
		return nil, nil, "", err
	}
	d, err := s.rig(lines)
	if err != nil {
		return nil, nil, "", err
	}
	rig = d.EncodeExplained("The rig: what travels with its owner. Written by \"kerfwind begin\"; it is yours from now on.", "The reference of every key: man 5 kerfwind-rig.toml, or deploy/KEYS.md.")
	shop = s.shop().EncodeExplained("The shop: what belongs to one address. Written by \"kerfwind begin\"; it is yours from now on.", "The reference of every key: man 5 kerfwind-shop.toml, or deploy/KEYS.md.")
	r, err := config.ParseRig("rig.toml", rig)
	if err != nil {
		return nil, nil, "", err
	}
	_, err = config.ParseShop("shops/"+name, shop, r)
	return rig, shop, name, err
}

// clampOf is the sensor for a full load: a ratio of those that are sold everywhere, with
// the inrush left to clip.
func clampOf(amps float64) string {
	if amps > 20 {
		return "100 A : 1 V"
	}
	return "30 A : 1 V"
}

// ref returns a pointer to a value.
func ref[T any](v T) *T { return &v }

func (s *Session) rig(lines []use) (*config.DraftRig, error) {
	d := config.NewDraftOf[config.DraftRig]()
	d.Format, d.Name = 1, s.get("name")+" rig"
	if err := s.sensors(&d); err != nil {
		return nil, err
	}
	s.wires(&d, lines)
	if s.get("page") == "yes" {
		p := config.NewDraftOf[config.DraftPage]()
		p.Listen = ":8080"
		d.Page = &p
	}
	return &d, nil
}

// sensors gives each motor a transformer, and as many converters as these need.
func (s *Session) sensors(d *config.DraftRig) error {
	chip := config.Chips()[slices.IndexFunc(config.Chips(), func(k config.ChipKind) bool { return k.String() == s.get("converter") })]
	loads := make([]float64, 0, len(s.machines())+1)
	for _, m := range s.machines() {
		amps, _, err := s.plate(s.get("plate/" + m))
		if err != nil {
			return err
		}
		loads = append(loads, amps)
	}
	if s.get("seen") == "clamp" {
		_, amps, err := s.motor(s.get("collector"))
		if err != nil {
			return err
		}
		loads = append(loads, amps)
	}
	each := chip.Inputs()
	for chip.MostScans(each) < 400 { // the least that sensing takes
		each--
	}
	for i := range loads {
		if i%each == 0 {
			a := config.NewDraftOf[config.DraftADC]()
			n := i / each
			a.Name, a.Chip = string(rune('a'+n)), chip
			a.Rate = min(1000, math.Floor(chip.MostScans(min(each, len(loads)))/10)*10)
			if chip.OnSPI() {
				a.Port = fmt.Sprintf("/dev/spidev0.%d", n)
				if n > 1 {
					return fmt.Errorf("%d sensors need more converters than SPI has select lines: leave out machines that run one after the other, or set up a second computer", len(loads))
				}
			} else {
				if n >= chip.Addresses() {
					return fmt.Errorf("%d sensors are too many for the %s: take the mcp3208", len(loads), chip)
				}
				a.Port, a.Address, a.Vref = "/dev/i2c-1", ref(0x48+n), 4.096
			}
			d.ADC = append(d.ADC, a)
		}
		c := config.NewDraftOf[config.DraftChannel]()
		c.Name, c.ADC, c.Input, c.Unplugged = fmt.Sprintf("c%d", i), d.ADC[len(d.ADC)-1].Name, i%each, "grounded"
		if chip.Ranged() {
			c.Bias = ref(1.65) // half of 3.3 V, whatever the range
		}
		var err error
		if c.Ratio, err = config.ParseRatio(clampOf(loads[i])); err != nil {
			return err
		}
		d.Channel = append(d.Channel, c)
	}
	return nil
}

// wires puts contacts and outputs on their lines.
func (s *Session) wires(d *config.DraftRig, lines []use) {
	board := s.get("board")
	contact := func(name string, kind config.ContactKind, closed string) {
		c := config.NewDraftOf[config.DraftContact]()
		c.Name, c.Kind, c.Closed, c.Chip, c.Line = name, kind, closed, board, line(lines, name)
		if kind == config.StopContact {
			c.Series = ref(true)
		}
		d.Contact = append(d.Contact, c)
	}
	for _, n := range s.stops() {
		contact(n, config.StopContact, "ok")
	}
	if len(s.stops()) > 0 && s.get("reset") == "yes" {
		contact("reset", config.ResetContact, "pressed")
	}
	if s.get("standdown") == "yes" {
		contact("stand-down", config.StandDownContact, "lifted")
	}
	if s.get("bin") == "yes" {
		contact("bin level", config.BinContact, "ok")
	}
	if s.get("hand") == "yes" {
		contact("k-mode", config.HandContact, "auto")
	}
	if s.get("seen") == "contact" {
		contact("collector aux", config.CollectorContact, "on")
	}
	relay := func(name string) {
		a := config.NewDraftOf[config.DraftActuator]()
		a.Name, a.Kind, a.Chip, a.Line = name, config.Relay, &board, ref(line(lines, name))
		d.Actuator = append(d.Actuator, a)
	}
	for i, g := range s.gates() {
		name := fmt.Sprintf("g%d", i)
		a := config.NewDraftOf[config.DraftActuator]()
		switch a.Name = name; s.get("moved") {
		case "motor":
			a.Kind, a.Chip, a.OpenLine, a.ShutLine = config.Motor, &board, ref(line(lines, name+" open line")), ref(line(lines, name+" shut line"))
			d.Actuator = append(d.Actuator, a)
		case "relay":
			relay(name)
		default:
			a.Kind, a.Bus, a.Address, a.Output = config.Servo, ref("/dev/i2c-1"), ref(0x40+i/16), ref(i%16)
			d.Actuator = append(d.Actuator, a)
		}
		if e := s.get("ends"); e != none {
			contact(name+" open", config.GateOpenSwitch, "there")
			if e == "both" {
				contact(name+" shut", config.GateShutSwitch, "there")
			}
		}
		if g.sweep {
			contact(g.name+" button", config.ButtonContact, "pressed")
		}
	}
	relay("k0")
	for i := range split(s.get("outlets"), ";") {
		relay(fmt.Sprintf("k%d", i+1))
	}
}

func (s *Session) shop() *config.Draft {
	d := config.NewDraft()
	d.Name, d.Units = ref(s.get("name")), s.system().String()
	d.Mains.Voltage, d.Mains.Frequency, _ = supply(s.get("supply")) // checked when it was answered
	circuitOf := map[string]*string{}
	list, _ := groups(s.get("circuits")) // as above
	if s.get("circuits") == none {
		list = nil
	}
	for _, g := range list {
		c := config.NewDraftOf[config.DraftCircuit]()
		c.Name = g.name
		c.Breaker, _ = config.Parse(config.Current, g.value)
		d.Circuit = append(d.Circuit, c)
		for _, m := range g.members {
			circuitOf[m] = ref(g.name)
		}
	}
	for i, name := range s.machines() {
		m := config.NewDraftOf[config.DraftMachine]()
		m.Name, m.Channels, m.Circuit = name, []string{fmt.Sprintf("c%d", i)}, circuitOf[name]
		amps, coast, _ := s.plate(s.get("plate/" + name))
		m.Coast = &coast
		if amps > 0 {
			m.FullLoad = &amps
		}
		if s.get("draw") == "yes" {
			m.Hoods = []string{pieceName(name, 0, s.pieces(name))}
		} else {
			m.Gates = []string{name}
		}
		d.Machine = append(d.Machine, m)
	}
	for i, x := range s.gates() {
		g := config.NewDraftOf[config.DraftGate]()
		a := fmt.Sprintf("g%d", i)
		g.Name, g.Actuator = x.name, &a
		travel, _ := config.ParseDuration(s.get("travel"))
		g.Travel = &travel
		if s.get("draw") == "yes" {
			n := s.pieces(x.name)
			g.Duct = ref(pieceName(x.name, n-1, n))
		}
		if e := s.get("ends"); e != none {
			g.OpenSwitch = ref(a + " open")
			if e == "both" {
				g.ShutSwitch = ref(a + " shut")
			}
		}
		if x.sweep {
			g.Button = ref(x.name + " button")
		}
		d.Gate = append(d.Gate, g)
	}
	if s.get("draw") == "yes" {
		d.Duct = s.ducts()
	}
	c := config.NewDraftOf[config.DraftCollector]()
	c.Actuator, c.Circuit = "k0", circuitOf[collector]
	watts, amps, _ := s.motor(s.get("collector"))
	c.Power = &watts
	if amps > 0 {
		c.FullLoad = &amps
	}
	switch s.get("seen") {
	case "clamp":
		c.Channel = ref(fmt.Sprintf("c%d", len(s.machines())))
	case "contact":
		c.Contact = ref("collector aux")
	}
	if s.get("hand") == "yes" {
		c.Hand = ref("k-mode")
	}
	d.Collector = &c
	list, _ = groups(s.get("outlets"))
	if s.get("outlets") == none {
		list = nil
	}
	for i, g := range list {
		o := config.NewDraftOf[config.DraftOutlet]()
		o.Name, o.Actuator, o.Follows = g.name, fmt.Sprintf("k%d", i+1), g.members
		o.RunOn, _ = config.ParseDuration(g.value)
		d.Outlet = append(d.Outlet, o)
	}
	return d
}

// pieces is how many pieces a run has.
func (s *Session) pieces(of string) int {
	list, _, _ := parseRun(s.get("duct/" + of))
	return len(list)
}

// pieceName names a piece of a run: after the run, with a number where there are several.
func pieceName(of string, i, n int) string {
	if n < 2 {
		return of
	}
	return fmt.Sprintf("%s %d", of, i+1)
}

// wyeAngle is that of a branch into a main: the usual fitting, common practice.
const wyeAngle = math.Pi / 4

// ducts is the tree that was drawn.
func (s *Session) ducts() (out []config.DraftDuct) {
	for _, of := range append(s.branches(), s.mains()...) {
		pieces, to, err := parseRun(s.get("duct/" + of))
		if err != nil {
			continue // it was checked
		}
		for i, p := range pieces {
			x := config.NewDraftOf[config.DraftDuct]()
			x.Name, x.Diameter, x.Length, x.Kind, x.Elbows = pieceName(of, i, len(pieces)), p.diameter, p.length, p.kind, p.elbows
			if p.rise > 0 {
				x.Rise = &p.rise
			}
			switch {
			case i+1 < len(pieces):
				x.To = pieceName(of, i+1, len(pieces))
			case to == collector:
				x.To = collector
			default:
				x.To = pieceName(to, 0, s.pieces(to))
				x.Wye = ref(wyeAngle)
			}
			out = append(out, x)
		}
	}
	return out
}
