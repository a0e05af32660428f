package config

import (
	"slices"

	"kerfwind/control"
)

// The kinds of converters, actuators and contacts. Each is described once: a
// converter and an actuator in a file of its own, kind_NAME.go, a contact in a
// row of kind_contact.go. check, doctor, the wiring sheet, halt, the stand-in
// shop and the move-in take what they say and do from there; the drivers are
// bound to the kinds in cmd/kerfwind/internal/rig/kinds.go. TestKindsAreWhole
// names what a description lacks.

// ChipKind is a kind of converter. The zero value is none.
type ChipKind uint8

// The converters.
const (
	MCP3208 ChipKind = iota + 1
	MCP3008
	ADS1115
)

var chips = [...]chipFacts{MCP3208: mcp3208, MCP3008: mcp3008, ADS1115: ads1115}

// ActuatorKind is a kind of output. The zero value is none.
type ActuatorKind uint8

// The outputs.
const (
	Relay ActuatorKind = iota + 1
	Servo
	Motor
	OnTopic // told over a broker
)

var actuators = [...]actuatorFacts{Relay: relay, Servo: servo, Motor: motor, OnTopic: onTopic}

// Chips lists every kind of converter, in the order of the file format.
func Chips() []ChipKind { return all[ChipKind](len(chips)) }

// ActuatorKinds lists every kind of output.
func ActuatorKinds() []ActuatorKind { return all[ActuatorKind](len(actuators)) }

func all[K ~uint8](n int) []K {
	var out []K
	for k := 1; k < n; k++ {
		out = append(out, K(k))
	}
	return out
}

// worded is a type whose value n is written as words()[n-1] in a file.
type worded interface{ words() []string }

func (ChipKind) words() []string {
	return wordsOf(chips[1:], func(f *chipFacts) string { return f.name })
}
func (ActuatorKind) words() []string {
	return wordsOf(actuators[1:], func(f *actuatorFacts) string { return f.name })
}
func (ContactKind) words() []string {
	return wordsOf(contacts[1:], func(f *contactFacts) string { return f.name })
}

func wordsOf[F any](list []F, name func(*F) string) []string {
	out := make([]string, len(list))
	for i := range list {
		out[i] = name(&list[i])
	}
	return out
}

// String is the kind's word in a rig file.
func (k ChipKind) String() string     { return k.facts().name }
func (k ActuatorKind) String() string { return k.facts().name }
func (k ContactKind) String() string  { return k.facts().name }

func (k ChipKind) facts() *chipFacts         { return pick(chips[:], int(k)) }
func (k ActuatorKind) facts() *actuatorFacts { return pick(actuators[:], int(k)) }
func (k ContactKind) facts() *contactFacts   { return pick(contacts[:], int(k)) }

func pick[F any](list []F, k int) *F {
	if k >= len(list) {
		k = 0
	}
	return &list[k]
}

// bus is the kind of bus of a converter. The zero value is invalid.
type bus uint8

const (
	spiBus bus = iota + 1
	i2cBus
)

// chipFacts describes a kind of converter.
type chipFacts struct {
	name   string // in the file
	bus    bus
	inputs int
	codes  float64 // from zero to the reference
	// most is how many scans a second it can make of so many channels; 0: none.
	// The driver must take every rate that this allows: see rig.TestRates.
	most      func(channels int) float64
	many      string       // the remedy where it cannot scan so many channels
	ranges    []float64    // V: what its reference may be; nil: any voltage
	addresses []busAddress // on its bus, in order and without a gap; the first is the default; nil: it has none
	numbered  string       // how its pins are numbered on the sheet
	pins      []Pin
	parts     []Part
	note      string // on the sheet, below its pins
}

// busAddress is an address of a converter and where its address pin goes for it.
type busAddress struct {
	n   int
	pin string
}

// OnSPI reports whether the converter hangs on SPI.
func (k ChipKind) OnSPI() bool { return k.facts().bus == spiBus }

// OnI2C reports whether the converter hangs on an I2C bus.
func (k ChipKind) OnI2C() bool { return k.facts().bus == i2cBus }

// Ranged reports whether the converter measures against a range of its own,
// so that its reference is no supply.
func (k ChipKind) Ranged() bool { return k.facts().ranges != nil }

// Addresses is how many addresses the converter can be set to.
func (k ChipKind) Addresses() int { return len(k.facts().addresses) }

// AddressPin says where the converter's address pin goes for an address.
func (k ChipKind) AddressPin(n int) string {
	for _, a := range k.facts().addresses {
		if a.n == n {
			return a.pin
		}
	}
	return ""
}

// Numbered says how the numbers of its pins are meant; "": they have none.
func (k ChipKind) Numbered() string { return k.facts().numbered }

// Inputs is how many inputs the converter has.
func (k ChipKind) Inputs() int { return k.facts().inputs }

// MostScans is how many scans a second the converter can make of so many
// channels; 0: it cannot scan that many.
func (k ChipKind) MostScans(channels int) float64 {
	if f := k.facts(); f.most != nil {
		return f.most(channels)
	}
	return 0
}

// Pins are the converter's pins, in the order of the wiring sheet.
func (k ChipKind) Pins() []Pin { return k.facts().pins }

// Parts lists what the converter needs, itself included.
func (k ChipKind) Parts() []Part { return k.facts().parts }

// SheetNote is the wiring sheet's note below the pins; "": none.
func (k ChipKind) SheetNote() string { return k.facts().note }

// Signal names what a pin of a converter carries. The zero value is invalid.
type Signal uint8

// The signals.
const (
	ToText      Signal = iota + 1 // Pin.Text says where it goes
	ToInput                       // input Pin.Input
	ToSelect                      // of SPI
	ToData                        // into the converter
	FromData                      // out of the converter
	ToClock                       // of SPI
	ToSDA                         // of I2C
	ToSCL                         // of I2C
	ToAddress                     // the pin that chooses the address
	ToReference                   // the reference
	ToSupply                      // the supply beside the reference
)

// Pin is one pin of a converter.
type Pin struct {
	Number int // 0: only the name is printed beside it
	Name   string
	Signal Signal
	Input  int
	Text   string
}

// Part is a line of a list of parts.
type Part struct {
	N         int
	What, For string
}

// actuatorFacts describes a kind of output.
type actuatorFacts struct {
	name      string            // in the file
	need, may []string          // its keys
	defaults  map[string]string // of those in may that have one, as they are written
	serves    []Use             // what may hang on it
	check     func(a *rawActuator, f *file, out *Actuator, lines *wires)
	describe  func(a *Actuator) string // in check
	end       func(a *Actuator, line func(chip string, n int) string) string
	reverse   func(a *Actuator) // what opens others shuts; nil: it is swapped elsewhere
	reversing string            // the remedy where reverse is nil

	// Of wired kinds:
	wired  bool
	lines  func(a *Actuator) []OutputLine // GPIO lines that it drives; nil: none
	onChip bool                           // it hangs on a servo chip: Bus, Address, Output
	parts  func(a *Actuator) []Part
	supply *Supply     // what it draws; nil: the rig's supply bears it
	steps  [][2]string // of the bring-up: what to do, what to expect
	notes  []string    // on the sheet, below the outputs

	falls bool // a gate on it moves when the power goes or the program ends

	hang string // what becomes of it when the program hangs
	halt string // what becomes of it at halt: "is switched off", or why nothing does
}

// Use says what an output serves. The zero value is invalid.
type Use uint8

// What an output may serve.
const (
	ForGate Use = iota + 1
	ForOutlet
	ForContactor // the collector's
	ForIndicator // a lamp or a horn
)

// Serves reports whether an output of the kind may serve for something.
func (k ActuatorKind) Serves(u Use) bool { return slices.Contains(k.facts().serves, u) }

// OnlyGates reports whether the output is made to move gates: nobody needs to
// ask what hangs on it.
func (k ActuatorKind) OnlyGates() bool { return slices.Equal(k.facts().serves, []Use{ForGate}) }

// Wired reports whether the output hangs on this computer by a wire, so that
// halt must make it inert.
func (k ActuatorKind) Wired() bool { return k.facts().wired }

// AtHalt says what becomes of the output at halt, as the end of a sentence that
// begins with its name.
func (k ActuatorKind) AtHalt() string { return k.facts().halt }

// AtHang says what becomes of outputs of the kind when the program hangs.
func (k ActuatorKind) AtHang() string { return k.facts().hang }

// OnChip reports whether the output is one of a servo chip on an I2C bus.
func (k ActuatorKind) OnChip() bool { return k.facts().onChip }

// Draws says what outputs of the kind draw; nil: little.
func (k ActuatorKind) Draws() *Supply { return k.facts().supply }

// BringUp are the steps that bring outputs of the kind up: what to do, what to
// expect.
func (k ActuatorKind) BringUp() [][2]string { return k.facts().steps }

// SheetNotes are the wiring sheet's notes below the outputs.
func (k ActuatorKind) SheetNotes() []string { return k.facts().notes }

// Lines are the GPIO lines that the output drives.
func (a *Actuator) Lines() []OutputLine {
	if f := a.Kind.facts(); f.lines != nil {
		return f.lines(a)
	}
	return nil
}

// End says where its wire ends; line names a line of a chip.
func (a *Actuator) End(line func(chip string, n int) string) string {
	if f := a.Kind.facts(); f.end != nil {
		return f.end(a, line)
	}
	return ""
}

// Parts lists what the output needs, itself included.
func (a *Actuator) Parts() []Part {
	if f := a.Kind.facts(); f.parts != nil {
		return f.parts(a)
	}
	return nil
}

// Turned is the output reversed: what opens others shuts it.
func (a Actuator) Turned() Actuator {
	if f := a.Kind.facts(); f.reverse != nil {
		f.reverse(&a)
	}
	return a
}

// OutputLine is a GPIO line that an output drives.
type OutputLine struct {
	Key  string // of the rig file
	Line int
	What string // "motor g1, open"
}

// Supply says what outputs of a kind draw.
type Supply struct {
	For, Volts string
	Load       func(n int) (amps float64, why string)
}

// contactFacts describes a kind of contact.
type contactFacts struct {
	name  string
	words [2]string // what a closed contact can mean; the first: what it is there to say
	about control.InputKind
	// rule adds the errors of its own; nil: none.
	rule    func(c *rawContact, f *file)
	series  bool   // it may stand in the contactor's coil circuit too
	decider string // why a node cannot have it; "": it can
	acts    string // what it does on its own, for the cabinet's door; "": it tells of a thing
	note    func(c *Contact) string
	part    string // what to buy for it; "": it is part of something else
}

// About is the input of control that the contact makes.
func (k ContactKind) About() control.InputKind { return k.facts().about }

// Acts says what the contact does on its own, for the cabinet's door; "": it
// tells of a machine, a gate or the collector.
func (k ContactKind) Acts() string { return k.facts().acts }

// Part names what to buy for such a contact; "": it is part of a machine, or of the contactor.
func (k ContactKind) Part() string { return k.facts().part }

// InCoil reports whether such a contact belongs in the contactor's coil circuit
// as well.
func (k ContactKind) InCoil() bool { return k.facts().series }

// SheetNote is the wiring sheet's note beside the contact; "": none.
func (c *Contact) SheetNote() string {
	if f := c.Kind.facts(); f.note != nil {
		return f.note(c)
	}
	return ""
}

// Codes is how many codes the converter has from zero to its reference.
func (k ChipKind) Codes() float64 { return k.facts().codes }
