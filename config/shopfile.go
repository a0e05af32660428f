package config

import "time"

// The raw shop file: keys, units, ranges and defaults. See decode.go for the tags.
type rawShop struct {
	at
	Format    int            `toml:"format" need:"1" min:"1" eg:"1"`
	Name      *string        `toml:"name"` // nil: the file's name
	Units     string         `toml:"units" need:"1" one:"metric,imperial"`
	Mains     rawMains       `toml:"mains" need:"1" eg:"{ frequency = \"60 Hz\", voltage = \"240 V\" }"`
	Air       *rawAir        `toml:"air"`
	Hours     *rawHours      `toml:"hours"` // nil: always open
	Circuit   []rawCircuit   `toml:"circuit"`
	Machine   []rawMachine   `toml:"machine"`
	Gate      []rawGate      `toml:"gate"`
	Duct      []rawDuct      `toml:"duct"`
	Collector *rawCollector  `toml:"collector" need:"1" eg:"{ actuator = \"k0\" }"`
	Outlet    []rawOutlet    `toml:"outlet"`
	Indicator []rawIndicator `toml:"indicator"`
	Limits    rawLimits      `toml:"limits"`
	Notice    []rawNotice    `toml:"notice"`
}

type rawMains struct {
	at
	Frequency float64 `toml:"frequency" need:"1" q:"frequency" min:"45 Hz" max:"65 Hz"`
	Voltage   float64 `toml:"voltage" need:"1" q:"voltage" min:"90 V" max:"500 V"`
	Exact     bool    `toml:"exact" def:"false"` // the sensors do not follow the frequency
}

type rawCircuit struct {
	at
	Name     string   `toml:"name" need:"1"`
	Breaker  float64  `toml:"breaker" need:"1" q:"current" min:"1 A" max:"400 A"`
	Leg      *string  `toml:"leg"`
	Voltage  *float64 `toml:"voltage" q:"voltage" min:"90 V" max:"500 V"` // nil: as the mains
	Channels []string `toml:"channels"`                                   // loads on it that are no machine
}

type rawMachine struct {
	at
	Name     string         `toml:"name" need:"1"`
	Channels []string       `toml:"channels"`
	Contacts []string       `toml:"contacts"`
	Topic    *string        `toml:"topic"`
	Message  *rawMessage    `toml:"message"` // how its topic is read
	Hoods    []string       `toml:"hoods"`   // ducts that end at the machine
	Gates    []string       `toml:"gates"`   // besides what follows from the hoods
	Circuit  *string        `toml:"circuit"`
	Rated    []string       `toml:"rated"` // supplies that its motor is marked for
	FullLoad *float64       `toml:"full_load" q:"current" min:"100 mA" max:"400 A"`
	Start    *float64       `toml:"start" q:"current" min:"10 mA" max:"400 A"` // nil: defStart
	Stop     *float64       `toml:"stop" q:"current" min:"5 mA" max:"400 A"`   // nil: defStop, or two thirds of start
	StopHold *time.Duration `toml:"stop_hold" min:"0" max:"1 min"`             // nil: defStopHold
	Coast    *time.Duration `toml:"coast" min:"0" max:"10 min"`
	RunOn    *time.Duration `toml:"run_on" min:"0" max:"1 h"` // instead of coast and clear-out
	Settle   time.Duration  `toml:"settle" def:"1 s" min:"0" max:"20 s"`
	Rank     int            `toml:"rank" def:"9" min:"1" max:"9"` // 1 first
	Flow     *float64       `toml:"flow" q:"flow" min:"10 m3/h" max:"10000 m3/h"`
	rawMachineAir
}

type rawGate struct {
	at
	Name       string         `toml:"name" need:"1"`
	Actuator   *string        `toml:"actuator"` // nil: moved by hand and only seen
	Duct       *string        `toml:"duct"`
	Travel     *time.Duration `toml:"travel" min:"50 ms" max:"1 min"`
	Reversed   *bool          `toml:"reversed"` // here the actuator's open shuts it
	OpenSwitch *string        `toml:"open_switch"`
	ShutSwitch *string        `toml:"shut_switch"`
	Button     *string        `toml:"button"`
	Hold       *time.Duration `toml:"hold" min:"1 s" max:"2 h"` // by one press of the button
	RunOn      *time.Duration `toml:"run_on" min:"0" max:"1 h"` // after a hold; nil: clear_out
	Aside      *string        `toml:"aside"`                    // its own button that sets it aside and takes it back
	rawGateAir
}

type rawCollector struct {
	at
	Actuator      string         `toml:"actuator" need:"1"`
	Channel       *string        `toml:"channel"`
	Contact       *string        `toml:"contact"`
	Hand          *string        `toml:"hand"`
	Off           *string        `toml:"off"`
	Circuit       *string        `toml:"circuit"`
	Rated         []string       `toml:"rated"` // supplies that its motor is marked for
	Power         *float64       `toml:"power" q:"power" min:"100 W" max:"30 kW"`
	FullLoad      *float64       `toml:"full_load" q:"current" min:"500 mA" max:"400 A"`
	Start         *float64       `toml:"start" q:"current" min:"10 mA" max:"400 A"` // with a channel: the motor runs
	Stop          *float64       `toml:"stop" q:"current" min:"5 mA" max:"400 A"`
	Within        time.Duration  `toml:"within" def:"3 s" min:"200 ms" max:"20 s"`
	RunUp         *time.Duration `toml:"run_up" min:"0" max:"1 min"` // from the contactor to full speed; nil: not known
	Coast         time.Duration  `toml:"coast" def:"30 s" min:"0" max:"10 min"`
	ClearOut      time.Duration  `toml:"clear_out" def:"10 s" min:"0" max:"10 min"`
	Confirm       time.Duration  `toml:"confirm" def:"250 ms" min:"0" max:"10 s"`
	StartsPerHour int            `toml:"starts_per_hour" def:"6" min:"2" max:"60"`
	MinOn         time.Duration  `toml:"min_on" def:"60 s" min:"0" max:"1 h"`
	MinOff        time.Duration  `toml:"min_off" def:"90 s" min:"0" max:"1 h"`
	rawCollectorAir
}

type rawOutlet struct {
	at
	Name     string        `toml:"name" need:"1"`
	Actuator string        `toml:"actuator" need:"1"`
	Follows  []string      `toml:"follows" need:"1"`
	RunOn    time.Duration `toml:"run_on" need:"1" min:"0" max:"24 h"`
	Circuit  *string       `toml:"circuit"`
	FullLoad *float64      `toml:"full_load" q:"current" min:"100 mA" max:"100 A"`
}

type rawIndicator struct {
	at
	Name     string `toml:"name" need:"1"`
	Actuator string `toml:"actuator" need:"1"`
	Shows    string `toml:"shows" need:"1" one:"collecting,uncollected,fault,latched"`
	Blink    string `toml:"blink" def:"steady" one:"steady,slow,fast"`
}

type rawLimits struct {
	at
	MaxOpen     int           `toml:"max_open" def:"0" min:"0" max:"64"` // branches; 0 = no limit
	Refuse      bool          `toml:"refuse" def:"false"`
	CloseAtRest bool          `toml:"close_at_rest" def:"false"`
	BinFull     string        `toml:"bin_full" def:"notice" one:"notice,no new start"`
	TopicStarts bool          `toml:"topic_starts" def:"false"`
	UnknownHold time.Duration `toml:"unknown_hold" def:"10 min" min:"0" max:"24 h"`
	HoldLongest time.Duration `toml:"hold_longest" def:"30 min" min:"0" max:"24 h"`
	PowerUp     time.Duration `toml:"power_up" def:"10 s" min:"0" max:"10 min"`
}

// Levels of a machine's channels that the file does not give.
const (
	defStart    = 0.6 // A
	defStop     = 0.4 // A
	defStopHold = time.Second
)

// defCollectorStart is the level of a collector's own current when neither that
// nor its full load is given: below the idle current of any motor that fits, A.
const defCollectorStart = 1.0

// defHold is how long a press of a gate's button holds it open.
const defHold = 5 * time.Minute
