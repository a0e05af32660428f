package config

import "time"

// The raw rig file: keys, units, ranges and defaults. See decode.go for the tags.
type rawRig struct {
	at
	Format    int            `toml:"format" need:"1" min:"1" eg:"1"`
	Name      string         `toml:"name" def:"rig"`
	Role      *string        `toml:"role" one:"node"` // nil: this computer decides
	ADC       []rawADC       `toml:"adc"`
	Channel   []rawChannel   `toml:"channel"`
	Contact   []rawContact   `toml:"contact"`
	Actuator  []rawActuator  `toml:"actuator"`
	ServoChip []rawServoChip `toml:"servo_chip"`
	Heartbeat *rawHeartbeat  `toml:"heartbeat"`
	MQTT      *rawMQTT       `toml:"mqtt"`
	Broker    *rawBroker     `toml:"broker"`
	Metrics   *rawMetrics    `toml:"metrics"`
	Page      *rawPage       `toml:"page"`
	Node      []rawNode      `toml:"node"`
}

type rawADC struct {
	at
	Name    string   `toml:"name" need:"1"`
	Chip    ChipKind `toml:"chip" need:"1"`
	Port    string   `toml:"port" need:"1"`
	Address *int     `toml:"address" min:"1" max:"127"`
	Rate    float64  `toml:"rate" need:"1" q:"rate" min:"400 Hz" max:"100 kHz"` // scans/s; 400 = 8 samples in a cycle of 50 Hz
	Vref    float64  `toml:"vref" def:"3.3 V" q:"voltage" min:"200 mV" max:"6.2 V"`
}

type rawChannel struct {
	at
	Name      string   `toml:"name" need:"1"`
	ADC       string   `toml:"adc" need:"1"`
	Input     int      `toml:"input" need:"1" min:"0" max:"7"`
	Ratio     Ratio    `toml:"ratio" need:"1"`
	Burden    *float64 `toml:"burden" q:"resistance" min:"1 ohm" max:"10 kohm"`
	Turns     int      `toml:"turns" def:"1" min:"1" max:"20"`
	Bias      *float64 `toml:"bias" q:"voltage" min:"0" max:"6 V"` // nil: half the reference
	Enabled   bool     `toml:"enabled" def:"true"`
	Unplugged string   `toml:"unplugged" def:"unseen" one:"unseen,grounded"`
}

type rawContact struct {
	at
	Name     string        `toml:"name" need:"1"`
	Kind     ContactKind   `toml:"kind" need:"1"`
	Chip     string        `toml:"chip" need:"1"`
	Line     int           `toml:"line" need:"1" min:"0" max:"1023"`
	Closed   string        `toml:"closed"` // needed; the words depend on the kind
	Debounce time.Duration `toml:"debounce" def:"20 ms" min:"0" max:"1 s"`
	Series   *bool         `toml:"series"`
}

type rawActuator struct {
	at
	Name      string         `toml:"name" need:"1"`
	Kind      ActuatorKind   `toml:"kind" need:"1"`
	Chip      *string        `toml:"chip"`
	Line      *int           `toml:"line" min:"0" max:"1023"`
	OpenLine  *int           `toml:"open_line" min:"0" max:"1023"`
	ShutLine  *int           `toml:"shut_line" min:"0" max:"1023"`
	Active    *string        `toml:"active" one:"high,low"`
	Bus       *string        `toml:"bus"`
	Address   *int           `toml:"address" min:"1" max:"127"`
	Output    *int           `toml:"output" min:"0" max:"15"`
	PulseOpen *time.Duration `toml:"pulse_open" min:"500 us" max:"2500 us"`
	PulseShut *time.Duration `toml:"pulse_shut" min:"500 us" max:"2500 us"`
	Slow      *time.Duration `toml:"slow" min:"0" max:"30 s"`
	Release   *time.Duration `toml:"release" min:"0" max:"10 min"`
	Topic     *string        `toml:"topic"`
	On        *string        `toml:"on"`
	Off       *string        `toml:"off"`
	State     *string        `toml:"state"`
	Stale     *time.Duration `toml:"stale" min:"1 s" max:"24 h"`
}

type rawHeartbeat struct {
	at
	Chip       string        `toml:"chip" need:"1"`
	Line       int           `toml:"line" need:"1" min:"0" max:"1023"`
	DropsAfter time.Duration `toml:"drops_after" def:"2 s" min:"200 ms" max:"30 s"`
}

// keyExamples shows how the keys of an actuator are written.
var keyExamples = map[string]string{"chip": `"pinctrl-bcm2835"`, "line": "17", "open_line": "5", "shut_line": "6",
	"bus": `"/dev/i2c-1"`, "output": "0", "topic": `"shop/air cleaner/set"`}
