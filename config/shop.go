package config

import (
	"path/filepath"
	"strings"
	"time"

	"kerfwind/control"
	"kerfwind/control/duct"
	"kerfwind/sensor"
)

// Shop holds all that belongs to one address, checked against the rig that is in
// it. Numbers index the lists of the shop or of its rig; None means none.
type Shop struct {
	File, Name string
	Rig        *Rig
	Units      Units
	Mains      Mains
	Air        Air
	Circuits   []Circuit
	Machines   []Machine
	Gates      []Gate
	Ducts      []Duct
	Collector  Collector
	Outlets    []Outlet
	Indicators []Indicator
	Limits     Limits
	Hours      *Hours // nil: always open
	Notices    []Notice
	MoveIn     bool           // no machine is served, see ParseBench
	Defaults   []Default      // what the file leaves out
	Warnings   []Problem      // what is doubtful, or what this rig cannot know here
	network    *duct.Network  // see Duct
	shares     []sensor.Share // what channels hear of each other, see Learn
	idle       []sensor.Level // by channel, see Learn; nil: nothing learned
}

// None is the index of nothing.
const None = -1

// Mains is the supply of the shop.
type Mains struct {
	Frequency float64 // Hz
	Voltage   float64 // V
	Exact     bool    // the frequency is not followed
}

// Air is the air of the place; nil is not given. SI units.
type Air struct {
	Altitude, Temperature, Density *float64
	Purge                          bool // a run-on opens further gates to lift chips that lie in a duct
}

// Circuit is a breaker with all that hangs on it.
type Circuit struct {
	Name     string
	Breaker  float64 // A
	Leg      string  // "" is not known
	Voltage  float64 // V
	Channels []int   // of the rig: loads on it that are no machine
}

// Volts is the voltage of a circuit; 0 where it is None.
func (s *Shop) Volts(circuit int) float64 {
	if circuit < 0 {
		return 0
	}
	return s.Circuits[circuit].Voltage
}

// Machine is a powered tool that makes dust.
type Machine struct {
	Name     string
	Channels []int // of the rig; any running is running
	Contacts []int // of the rig
	Topic    string
	Message  Message // how the topic is read
	Hoods    []int   // ducts that end at it
	Gates    []int   // every gate that it opens, in the order of Gates
	Paths    [][]int // one a hood: the gates from there to the collector
	Circuit  int
	Rated    []Rating // supplies that its motor is marked for; nil is not known
	FullLoad float64  // A; 0 is not known
	Start    float64  // A, one-cycle true RMS
	Stop     float64  // A
	StopHold time.Duration
	Coast    time.Duration
	RunOn    time.Duration // given, or coast and the shop's clear-out
	GivenRun bool          // the file gives RunOn
	Settle   time.Duration // its inrush is over after this
	Rank     int           // 1 first
	Flow     float64       // m³/s it asks for; 0 is not known

	given, stopGiven bool // start and stop stand in the file
	said             said // of its levels, by Learn
}

// Given reports whether the file gives the start level.
func (m *Machine) Given() bool { return m.given }

// Given reports whether the file gives the start level.
func (c *Collector) Given() bool { return c.given }

// Gate is a blast gate in a branch or in a main.
type Gate struct {
	Name       string
	Actuator   int // None: moved by hand and only seen
	Duct       int
	Travel     time.Duration
	Reversed   bool // here the actuator's open shuts it
	OpenSwitch int  // contact of the rig
	ShutSwitch int
	Button     int           // contact that holds it open
	Aside      int           // contact; None: set aside at the page or the console only
	Hold       time.Duration // by one press
	RunOn      time.Duration // after a hold
	LossOpen   *float64      // velocity pressures of its bore; nil is not given
	LossShut   *float64
}

// Collector is the ducted dust collector.
type Collector struct {
	Actuator      int
	Channel       int // of the rig: its own current
	Contact       int // of the rig: its contactor's auxiliary contact
	Hand, Off     int // contacts of its hand/off/auto switch
	Circuit       int
	Rated         []Rating // supplies that its motor is marked for; nil is not known
	Power         float64  // W; 0 is not known
	FullLoad      float64  // A; 0 is not known
	Start, Stop   float64  // A, with a channel: levels of its own current
	Within        time.Duration
	RunUp         time.Duration // from the contactor to full speed; 0 is not known
	Coast         time.Duration
	ClearOut      time.Duration // as long as the duct is not computed
	Confirm       time.Duration
	StartsPerHour int
	MinOn, MinOff time.Duration

	given, stopGiven bool // start and stop stand in the file
	said             said // of its levels, by Learn
}

// Indicator is a lamp or a horn that shows a state. Nothing is protected by it.
type Indicator struct {
	Name     string
	Actuator int
	Shows    control.Follow
	Half     time.Duration // on and off for this long in turn; 0: steady
}

// Outlet is a switched socket that follows machines.
type Outlet struct {
	Name     string
	Actuator int
	Follows  []int // machines
	RunOn    time.Duration
	Circuit  int
	FullLoad float64 // A; 0 is not known
}

// Limits are the owner's choices.
type Limits struct {
	MaxOpen     int // branches that the air suffices for; 0 = no limit
	Refuse      bool
	CloseAtRest bool
	BinBlocks   bool // a full bin forbids a start at rest
	TopicStarts bool // a hold asked by topic may start the collector
	UnknownHold time.Duration
	HoldLongest time.Duration
	PowerUp     time.Duration
}

// LoadShop reads a shop file and checks it against the rig. The error is
// Errors, or of the file system.
func LoadShop(path string, rig *Rig) (*Shop, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, err
	}
	return ParseShop(path, data, rig)
}

// ParseShop reads a shop from data and checks it against the rig; name goes
// into messages. The error is Errors.
func ParseShop(name string, data []byte, rig *Rig) (*Shop, error) {
	return parseShop(name, data, rig, false)
}

// ParseBench reads the shop of a move-in: no machine in it is served, so none says
// where its dust goes.
func ParseBench(data []byte, rig *Rig) (*Shop, error) {
	return parseShop("the move-in's shop", data, rig, true)
}

func parseShop(name string, data []byte, rig *Rig, moveIn bool) (*Shop, error) {
	var raw rawShop
	f := decode(name, data, &raw)
	if f.broken {
		return nil, f.err()
	}
	b := builder{file: f, raw: &raw, rig: rig, taken: users{}, moveIn: moveIn}
	s := b.shop()
	b.air()
	if err := f.err(); err != nil {
		return nil, err
	}
	s.Defaults = f.defaults
	b.doubts()
	return s, nil
}

// baseName is a file's name without folder and ending.
func baseName(path string) string {
	return strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
}
