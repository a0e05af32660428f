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
	Name string  `toml:"name" need:"1"`
	Chip string  `toml:"chip" need:"1" one:"mcp3208,mcp3008,ads1115"`
	Port string  `toml:"port" need:"1"`
	Rate float64 `toml:"rate" need:"1" q:"rate" min:"400 Hz" max:"100 kHz"` // scans/s; 400 = 8 samples in a cycle of 50 Hz
	Vref float64 `toml:"vref" def:"3.3 V" q:"voltage" min:"200 mV" max:"6.2 V"`
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
	Kind     string        `toml:"kind" need:"1" one:"machine,gate-open,gate-shut,collector,stop,bin,hand,off,button,stand-down"`
	Chip     string        `toml:"chip" need:"1"`
	Line     int           `toml:"line" need:"1" min:"0" max:"1023"`
	Closed   string        `toml:"closed"` // needed; the words depend on the kind
	Debounce time.Duration `toml:"debounce" def:"20 ms" min:"0" max:"1 s"`
	Series   *bool         `toml:"series"`
}

type rawActuator struct {
	at
	Name      string         `toml:"name" need:"1"`
	Kind      string         `toml:"kind" need:"1" one:"relay,servo,motor,topic"`
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

// chips says what each converter can do. Figures: data sheets DS21298 (MCP3208),
// DS21295 (MCP3008), SBAS444 (ADS1115: 860 conversions a second for the chip,
// so far less for each of several channels).
var chips = map[string]chip{
	"mcp3208": {inputs: 8, codes: 1 << 12, busy: 45e-6},
	"mcp3008": {inputs: 8, codes: 1 << 10, busy: 45e-6},
	"ads1115": {inputs: 4, codes: 1 << 15, busy: 1.0 / 860},
}

// pgaRanges are the full scales of an ADS1115, mV (SBAS444).
var pgaRanges = []float64{6144, 4096, 2048, 1024, 512, 256}

type chip struct {
	inputs int
	codes  float64 // from zero to the reference
	busy   float64 // s for one conversion and its transfer; SPI at 1 MHz, computed
}

// closedWords are the two things a closed contact can mean, by kind. The first
// means that the contact says what it is there to say.
var closedWords = map[string][2]string{
	"machine":    {"running", "idle"},
	"gate-open":  {"there", "away"},
	"gate-shut":  {"there", "away"},
	"collector":  {"on", "off"},
	"stop":       {"act", "ok"},
	"bin":        {"full", "ok"},
	"hand":       {"hand", "auto"},
	"off":        {"off", "auto"},
	"button":     {"pressed", "released"},
	"stand-down": {"down", "lifted"},
}

// keysOf lists which keys an actuator of each kind needs, may have, and its
// defaults for those.
var keysOf = map[string]struct{ need, may []string }{
	"relay": {[]string{"chip", "line"}, []string{"active"}},
	"servo": {[]string{"bus", "output"}, []string{"address", "pulse_open", "pulse_shut", "slow", "release"}},
	"motor": {[]string{"chip", "open_line", "shut_line"}, []string{"active"}},
	"topic": {[]string{"topic"}, []string{"on", "off", "state", "stale"}},
}

// keyExamples shows how the keys of an actuator are written.
var keyExamples = map[string]string{"chip": `"pinctrl-bcm2835"`, "line": "17", "open_line": "5", "shut_line": "6",
	"bus": `"/dev/i2c-1"`, "output": "0", "topic": `"shop/air cleaner/set"`}

// Defaults of an actuator that depend on its kind; active is "high".
const (
	defAddress   = 0x40 // PCA9685 with no address jumper set
	defPulseOpen = 2000 * time.Microsecond
	defPulseShut = 1000 * time.Microsecond
)
