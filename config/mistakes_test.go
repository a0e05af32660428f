package config_test

import (
	"errors"
	"strings"
	"testing"

	"kerfwind/config"
	"kerfwind/testdata"
)

// mistake is one slip of a person who edits the demo's files.
type mistake struct {
	file     string // rig or shop
	old, now string // what is replaced once, and by what; "" in old: now is put before the file
	want     string // in the message or in the remedy
	at       string // text in the line that the message names; "": the first line of now
}

var mistakes = []mistake{
	// The text.
	{"rig", "", "\ufeff", "byte-order mark", "# The rig"},
	{"rig", "format = 1", "format = 1 \xff", "UTF-8", ""},
	{"rig", `name   = "barn rig"`, `name   = “barn rig”`, "curly quotes", ""},
	{"shop", `units  = "imperial"`, `units  = ‘imperial’`, "curly quotes", ""},
	{"shop", `voltage = "240 V"`, `voltage = "240 V`, "a text has no end", ""},
	{"shop", `units  = "imperial"`, "units  = imperial", "has no quotes", ""},
	{"shop", `units  = "imperial"`, "units:  imperial", "a colon where = belongs", ""},
	{"shop", `units  = "imperial"`, "units  =", "has no value", ""},
	{"shop", `run_up          = "2 s"`, "run_up          = 2 s", `run_up = "2 s"`, ""},
	{"shop", `run_up          = "2 s"`, `run up          = "2 s"`, "run_up", ""},
	{"shop", "[collector]", "[collector", "a bracket is missing", ""},
	{"shop", "[collector]", "[[collector]]", "there is only one", ""},
	{"shop", "[[machine]]\nname      = \"planer\"", "[machine]\nname      = \"planer\"", "write [[machine]]", ""},
	{"shop", "rank      = 1\n", "rank      = 1\nrank      = 2\n", "second time", "rank      = 2"},
	{"rig", `chip = "mcp3208", port`, `chip = "mcp3208" port`, "put", ""},
	{"rig", `line = 17 },`, `line = 17 `, "is missing", ""},
	{"shop", `hoods     = ["B2"]`, `hoods     = ["B2"`, "bracket", ""},
	{"shop", `min_on          = "60 s"`, `min_on          = 60s`, `min_on = "60 s"`, ""},
	{"shop", `channels  = ["c1"]`, `channels  = c1`, "has no quotes", ""},
	{"shop", "[collector]", "[collector]\n[collector]", "second time", "[collector]\nactuator"},
	// Keys.
	{"rig", "format = 1", "Format = 1", `did you mean "format"?`, ""},
	{"rig", "ratio = \"30 A : 1 V\", unplugged", "ration = \"30 A : 1 V\", unplugged", `did you mean "ratio"?`, ""},
	{"rig", "adc = [", "adcs = [", `did you mean "adc"?`, ""},
	{"shop", `channels  = ["c1"]`, `channel   = ["c1"]`, `did you mean "channels"?`, ""},
	{"shop", "starts_per_hour = 6", "starts_an_hour = 6", "has no key", ""},
	{"shop", `stop_hold = "1 s"`, `stop-hold = "1 s"`, `did you mean "stop_hold"?`, ""},
	{"shop", `travel = "900 ms", open_switch = "g0 open"`, `speed = "900 ms", open_switch = "g0 open"`, `gate "band saw" has no key "speed"`, ""},
	{"shop", "[collector]", "[colector]", "colector", ""},
	{"shop", "outlet = [", "outlets = [", `did you mean "outlet"?`, ""},
	{"shop", "units  = \"imperial\"", "unit   = \"imperial\"", `did you mean "units"?`, ""},
	{"rig", "format = 1\n", "", `lacks the key "format"`, "# The rig"},
	{"shop", `to = "T3", diameter = "4 in", length = "7 ft"`, `to = "T3", length = "7 ft"`, `lacks the key "diameter"`, ""},
	{"rig", `{ name = "k1", kind = "relay", chip = "pinctrl-bcm2835", line = 27 }`, `{ name = "k1", kind = "relay", chip = "pinctrl-bcm2835" }`, "line", ""},
	{"rig", `{ name = "g0", kind = "servo", bus = "/dev/i2c-1", output = 0 }`, `{ name = "g0", kind = "servo", output = 0 }`, "bus", ""},
	{"rig", `kind = "servo", bus = "/dev/i2c-1", output = 1 }`, `kind = "servo", bus = "/dev/i2c-1", output = 1, line = 4 }`, "line", ""},
	// Words.
	{"rig", `chip = "mcp3208", port`, `chip = "mcp3280", port`, `did you mean "mcp3208"?`, ""},
	{"rig", `kind = "stop", `, `kind = "estop", `, `cannot be "estop"`, ""},
	{"rig", `kind = "relay", chip = "pinctrl-bcm2835", line = 17`, `kind = "Relay", chip = "pinctrl-bcm2835", line = 17`, `did you mean "relay"?`, ""},
	{"rig", `closed = "pressed"`, `closed = "on"`, "pressed", ""},
	{"rig", `line = 22, closed = "ok", series = true`, `line = 22, closed = "act", series = true`, "must be closed while all is well", ""},
	{"rig", `input = 0, ratio = "30 A : 1 V", unplugged = "grounded"`, `input = 0, ratio = "30 A : 1 V", unplugged = "yes"`, `cannot be "yes"`, ""},
	{"shop", `units  = "imperial"`, `units  = "inches"`, "imperial", ""},
	{"shop", `kind = "spiral" },`, `kind = "pipe" },`, "smooth", ""},
	{"shop", `close_at_rest = false`, `close_at_rest = "no"`, "write true or false", ""},
	{"shop", "starts_per_hour = 6", `starts_per_hour = "six"`, "write", ""},
	{"rig", "turns = 2", "turns = 2.5", "write a whole number", ""},
	// Quantities.
	{"rig", `rate = "1 kHz"`, `rate = "1000"`, `did you mean "1000 Hz"`, ""},
	{"rig", `rate = "1 kHz"`, `rate = "1 khz"`, `did you mean "1 kHz"?`, ""},
	{"rig", `rate = "1 kHz"`, `rate = "100 Hz"`, "400 Hz", ""},
	{"rig", `rate = "1 kHz"`, `rate = "50 kHz"`, "cannot scan at", ""},
	{"rig", `vref = "3.3 V"`, `vref = "33 V"`, "V", ""},
	{"rig", `input = 0, ratio = "30 A : 1 V"`, `input = 0, ratio = "30 A"`, `"30 A : 1 V"`, ""},
	{"rig", `input = 0, ratio = "30 A : 1 V"`, `input = 0, ratio = "100 A : 50 mA"`, "burden", ""},
	{"shop", `frequency = "60 Hz"`, `frequency = "600 Hz"`, "Hz", ""},
	{"shop", `frequency = "60 Hz"`, `frequency = 60`, `"60 Hz"`, ""},
	{"shop", `voltage = "240 V" }`, `voltage = "240 A" }`, "is a current", ""},
	{"shop", `full_load = "15 A"`, `full_load = "3 hp"`, "is a power", ""},
	{"shop", `full_load = "15 A"`, `full_load = "1.5 kW"`, "is a power", ""},
	{"shop", `full_load = "15 A"`, `full_load = 15`, `"15 A"`, ""},
	{"shop", `power           = "2 hp"`, `power           = "12 A"`, "is a current", ""},
	{"shop", `power           = "2 hp"`, `power           = 2`, "hp", ""},
	{"shop", `power           = "2 hp"`, `power           = "2000 hp"`, "out of range", ""},
	{"shop", `flow      = "550 cfm"`, `flow      = "550"`, `did you mean "550 cfm"?`, ""},
	{"shop", `flow      = "550 cfm"`, `flow      = "550 CFM"`, `did you mean "550 cfm"?`, ""},
	{"shop", `diameter = "4 in", length = "7 ft"`, `diameter = "4", length = "7 ft"`, `did you mean "4 in"?`, ""},
	{"shop", `diameter = "4 in", length = "7 ft"`, `diameter = "4 m", length = "7 ft"`, "1 m", ""},
	{"shop", `diameter = "4 in", length = "7 ft"`, `diameter = "4 in", length = "7 fot"`, `did you mean "7 ft"?`, ""},
	{"shop", `travel = "2.5 s"`, `travel = "25 min"`, "1 min", ""},
	{"shop", `travel = "2.5 s"`, `travel = 2.5`, `"2.5 s"`, ""},
	{"shop", `min_off         = "90 s"`, `min_off         = "-90 s"`, "90 s", ""},
	{"shop", `breaker = "30 A"`, `breaker = "30"`, `"30 A"`, ""},
	{"shop", `start     = "2.5 A"`, `start     = "1 A"`, "above where it starts", "stop      = \"1.5 A\""},
	{"shop", "rank      = 1\n", "rank      = 10\n", "9", ""},
	{"shop", "starts_per_hour = 6", "starts_per_hour = 1", "2", ""},
	// Names.
	{"shop", `channels  = ["c1"]`, `channels  = ["c9"]`, `there is no channel "c9"`, ""},
	{"shop", `channels  = ["c1"]`, `channels  = ["c0"]`, "used twice", ""},
	{"shop", `hoods     = ["B2"]`, `hoods     = ["B22"]`, `did you mean "B2"?`, ""},
	{"shop", `circuit   = "planer"`, `circuit   = "plane"`, `did you mean "planer"?`, ""},
	{"shop", `actuator = "g1"`, `actuator = "g0"`, "used twice", ""},
	{"shop", `open_switch = "g1 open"`, `open_switch = "g1 shut"`, "g1 shut", ""},
	{"shop", `to = "T2", diameter = "5 in", length = "6 ft"`, `to = "T9", diameter = "5 in", length = "6 ft"`, `"T9"`, ""},
	{"shop", `name = "T2", to = "T3"`, `name = "T2", to = "T1"`, "in a loop", `name = "T1"`},
	{"shop", `contact         = "collector aux"`, `contact         = "collector auxiliary"`, "there is no contact", ""},
	{"shop", `follows = ["drum sander", "router"]`, `follows = ["drum-sander", "router"]`, `did you mean "drum sander"?`, ""},
	{"shop", `actuator        = "k0"`, `actuator        = "g0"`, "g0", ""},
	{"shop", `button = "sweep button"`, `button = "bin door"`, "bin door", ""},
	{"rig", `{ name = "c1", adc = "a"`, `{ name = "c1", adc = "b"`, `there is no adc "b"`, ""},
	{"rig", `{ name = "c1", adc = "a"`, `{ name = "c0", adc = "a"`, "is taken", ""},
	{"rig", `adc = "a", input = 1,`, `adc = "a", input = 0,`, "used twice", ""},
	{"rig", `adc = "a", input = 4,`, `adc = "a", input = 8,`, "7", ""},
	// Wires.
	{"rig", `line = 27 }`, `line = 17 }`, "used twice", ""},
	{"rig", `line = 27 }`, `line = 9 }`, "carries SPI", ""},
	{"rig", `line = 27 }`, `line = 60 }`, "has lines 0 to 53", ""},
	{"rig", `line = 27 }`, `line = 2 }`, "carries I2C", ""},
	{"rig", `output = 1 }`, `output = 0 }`, "used twice", ""},
	{"rig", `output = 1 }`, `output = 16 }`, "15", ""},
	{"rig", `port = "/dev/spidev0.0"`, `port = "/dev/i2c-1"`, "SPI", ""},
	{"rig", `port = "/dev/spidev0.0"`, `port = "spidev0.0"`, `"/dev/spidev0.0"`, ""},
	{"rig", `pulse_open = "1.9 ms"`, `pulse_open = "19 ms"`, "ms", ""},
	{"rig", `open_line = 5, shut_line = 6`, `open_line = 5, shut_line = 5`, "used twice", ""},
}

// TestMistakes: each slip is told of where it was made, with what to do.
func TestMistakes(t *testing.T) {
	texts := map[string]string{}
	for name, path := range map[string]string{"rig": "demo/rig.toml", "shop": "demo/shops/barn.toml"} {
		b, err := testdata.Demo.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		texts[name] = string(b)
	}
	rig := mustRig(t, "rig.toml", texts["rig"])
	mustShop(t, "shop.toml", texts["shop"], rig)
	if len(mistakes) < 80 {
		t.Errorf("%d mistakes", len(mistakes))
	}
	for _, m := range mistakes {
		text := texts[m.file]
		at := m.at
		if m.old == "" {
			text = m.now + text
		} else {
			if !strings.Contains(text, m.old) {
				t.Errorf("%q is not in the %s file", m.old, m.file)
				continue
			}
			text = strings.Replace(text, m.old, m.now, 1)
		}
		place := strings.Index(texts[m.file], m.old)
		if at != "" {
			place = strings.Index(text, at)
		}
		line := strings.Count(text[:place], "\n") + 1
		var err error
		if m.file == "rig" {
			_, err = config.ParseRig("rig.toml", []byte(text))
		} else {
			_, err = config.ParseShop("shop.toml", []byte(text), rig)
		}
		var list config.Errors
		if !errors.As(err, &list) {
			t.Errorf("%q: nobody tells of it: %v", m.now, err)
			continue
		}
		found := false
		for _, p := range list {
			found = found || p.Line == line && strings.Contains(p.Message+"\n"+p.Remedy, m.want)
			if p.Remedy == "" || p.Line < 1 || p.Column < 1 {
				t.Errorf("%q: a message lacks place or remedy: %v", m.now, p)
			}
		}
		if !found {
			t.Errorf("%q in line %d: want %q, told:\n%v", m.now, line, m.want, err)
		}
	}
}

// TestManyMistakes: every line with wrong syntax is told of at once, and what follows
// from one is not.
func TestManyMistakes(t *testing.T) {
	text := `format = 1
name = “barn”
adc = [
  { name = "a", chip = "mcp3208" port = "/dev/spidev0.0", rate = 1 kHz },
]
channel = [
  { name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" },
]
[[actuator]]
name = "g0"
kind: servo
bus = /dev/i2c-1
output = 0
`
	_, err := config.ParseRig("rig.toml", []byte(text))
	var list config.Errors
	if !errors.As(err, &list) {
		t.Fatal(err)
	}
	var lines []int
	for _, p := range list {
		lines = append(lines, p.Line)
	}
	if len(lines) != 4 || lines[0] != 2 || lines[1] != 4 || lines[2] != 11 || lines[3] != 12 {
		t.Errorf("lines %v:\n%v", lines, err)
	}
}

// TestSwapped: rig and shop in each other's place.
func TestSwapped(t *testing.T) {
	rigText, _ := testdata.Demo.ReadFile("demo/rig.toml")
	shopText, _ := testdata.Demo.ReadFile("demo/shops/barn.toml")
	_, err := config.ParseRig("barn.toml", shopText)
	if err == nil || !strings.Contains(err.Error(), "this is a shop file, and a rig file is wanted here\n    the rig file goes after --rig") || strings.Count(err.Error(), "\n") != 1 {
		t.Error(err)
	}
	_, err = config.ParseShop("rig.toml", rigText, mustRig(t, "rig.toml", string(rigText)))
	if err == nil || !strings.Contains(err.Error(), "this is a rig file, and a shop file is wanted here") || strings.Count(err.Error(), "\n") != 1 {
		t.Error(err)
	}
}
