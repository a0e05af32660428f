package config

import (
	"fmt"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"kerfwind/control"
)

const fan = "fan = [{ flow = \"0 m3/h\", pressure = \"2000 Pa\" }, { flow = \"1500 m3/h\", pressure = \"1500 Pa\" }, { flow = \"2400 m3/h\", pressure = \"400 Pa\" }]"

// refused lists the keys whose change the program must refuse: the format, and
// names and places that others refer to.
var refused = map[string]bool{"rig.actuator.bus": true, "rig.actuator.address": true, "rig.servo_chip.bus": true, "rig.servo_chip.address": true, "rig.format": true, "shop.format": true, "rig.adc": true, "rig.adc.name": true, "rig.actuator.name": true,
	"shop.circuit.name": true, "shop.machine.name": true, "shop.duct.name": true}

// keyTests changes one key of the full rig or shop at a time. Each change must
// show in what the program is told or in what check prints, apart from the
// list of defaults; so no key can be written and never read. A test line is
// "text in the file => text instead", or "text in the file => text instead =>
// another text instead" to compare the latter two.
var keyTests = map[string]string{
	"rig.format":                `format = 1 => format = 2`,
	"rig.name":                  `name = "full rig" => name = "rig two"`,
	"rig.adc":                   `{ name = "b", chip => { name = "bb", chip`,
	"rig.adc.name":              `{ name = "b", chip => { name = "bb", chip`,
	"rig.adc.chip":              `chip = "mcp3208" => chip = "mcp3008"`,
	"rig.adc.port":              `port = "/dev/spidev0.0" => port = "/dev/spidev0.1"`,
	"rig.adc.address":           `chip = "ads1115", port => chip = "ads1115", address = 74, port`,
	"rig.adc.rate":              `rate = "1 kHz" => rate = "2 kHz"`,
	"rig.adc.vref":              `vref = "3.3 V" => vref = "5 V"`,
	"rig.channel":               `{ name = "c2", adc = "a", input = 2, ratio = "20 A : 1 V" }, => `,
	"rig.channel.name":          `name = "c2" => name = "spare"`,
	"rig.channel.adc":           `{ name = "k", adc = "b", input = 0, ratio = "50 A : 1 V", bias = "1.65 V" }, => { name = "k", adc = "a", input = 7, ratio = "50 A : 1 V", bias = "1.65 V" }, { name = "k2", adc = "b", input = 0, ratio = "50 A : 1 V", bias = "1.65 V" },`,
	"rig.channel.input":         `input = 2 => input = 7`,
	"rig.channel.ratio":         `"20 A : 1 V" => "50 A : 1 V"`,
	"rig.channel.burden":        `"22 ohm" => "33 ohm"`,
	"rig.channel.turns":         `turns = 2 => turns = 3`,
	"rig.channel.bias":          `bias = "1.6 V" => bias = "1.5 V"`,
	"rig.channel.enabled":       `enabled = false => enabled = true`,
	"rig.channel.unplugged":     `unplugged = "grounded" => unplugged = "unseen"`,
	"rig.contact":               `{ name = "door", chip = "soc", line = 2, kind = "stop", closed = "ok", debounce = "30 ms", series = true }, => `,
	"rig.contact.name":          `name = "door" => name = "alarm"`,
	"rig.contact.kind":          `kind = "stop", closed = "ok" }, => kind = "bin", closed = "ok" },`,
	"rig.contact.chip":          `name = "door", chip = "soc" => name = "door", chip = "expander"`,
	"rig.contact.line":          `line = 2, => line = 102,`,
	"rig.contact.closed":        `closed = "away" => closed = "there"`,
	"rig.contact.debounce":      `"30 ms" => "35 ms"`,
	"rig.contact.series":        `series = true => series = false`,
	"rig.actuator":              `{ name = "o0", kind = "topic", topic = "shop/cleaner/set" }, => { name = "o0", kind = "relay", chip = "soc", line = 40 },`,
	"rig.actuator.name":         `{ name = "g2", => { name = "g9",`,
	"rig.actuator.kind":         `kind = "topic", topic = "shop/cleaner/set" => kind = "relay", chip = "soc", line = 40`,
	"rig.actuator.chip":         `kind = "relay", chip = "soc", line = 22 => kind = "relay", chip = "expander", line = 22`,
	"rig.actuator.line":         `line = 22 => line = 122`,
	"rig.actuator.open_line":    `open_line = 20 => open_line = 120`,
	"rig.actuator.shut_line":    `shut_line = 21 => shut_line = 121`,
	"rig.actuator.active":       `line = 23, active = "low" => line = 23, active = "high"`,
	"rig.actuator.bus":          `bus = "/dev/i2c-1", address => bus = "/dev/i2c-3", address`,
	"rig.actuator.address":      `0x41 => 0x42`,
	"rig.actuator.output":       `output = 3 => output = 4`,
	"rig.actuator.pulse_open":   `"1.9 ms" => "1.8 ms"`,
	"rig.actuator.pulse_shut":   `"1.2 ms" => "1.1 ms"`,
	"rig.actuator.slow":         `slow = "600 ms" => slow = "700 ms"`,
	"rig.actuator.release":      `release = "2 s" => release = "3 s"`,
	"rig.actuator.topic":        `shop/cleaner/set => shop/fan/set`,
	"rig.actuator.on":           `on = "open" => on = "auf"`,
	"rig.actuator.off":          `off = "close" => off = "zu"`,
	"rig.actuator.state":        `state = "shop/spare" => state = "shop/spare/state"`,
	"rig.actuator.stale":        `stale = "3 min" => stale = "4 min"`,
	"rig.mqtt":                  `broker = "ssl://broker.local:8883" => broker = "ssl://broker.local:8884"`,
	"rig.mqtt.broker":           `broker = "ssl://broker.local:8883" => broker = "ssl://broker.local:8884"`,
	"rig.mqtt.client":           `client = "barn" => client = "barn2"`,
	"rig.mqtt.user":             `user = "barn" => user = "lodge"`,
	"rig.mqtt.password_file":    `password_file = "mqtt-password" => password_file = "password"`,
	"rig.mqtt.ca_file":          `ca_file = "ca.pem" => ca_file = "root.pem"`,
	"rig.mqtt.certificate_file": `certificate_file = "barn.pem" => certificate_file = "b.pem"`,
	"rig.mqtt.key_file":         `key_file = "barn.key" => key_file = "b.key"`,
	"rig.mqtt.topic":            `topic = "barn" => topic = "barn/air"`,
	"rig.mqtt.discovery":        `discovery = "hub" => discovery = "none"`,
	"rig.mqtt.homie":            `homie = true => homie = false`,
	"rig.mqtt.requests":         `requests = false => requests = true`,
	"rig.mqtt.keep":             `keep = 5000 => keep = 6000`,
	"rig.broker":                `user = "shop" => user = "barn"`,
	"rig.broker.listen":         `listen = "0.0.0.0:1884" => listen = "127.0.0.1:1884"`,
	"rig.broker.user":           `user = "shop" => user = "barn"`,
	"rig.broker.password_file":  `password_file = "broker-password" => password_file = "pw"`,
	"rig.metrics":               `listen = "127.0.0.1:9465" => listen = "127.0.0.1:9466"`,
	"rig.metrics.listen":        `listen = "127.0.0.1:9465" => listen = "127.0.0.1:9466"`,
	"rig.metrics.hosts":         `hosts = ["barn.local"] => hosts = ["shop.local"]`,
	"rig.page":                  `listen = "0.0.0.0:8081" => listen = "0.0.0.0:8082"`,
	"rig.page.listen":           `listen = "0.0.0.0:8081" => listen = "127.0.0.1:8081"`,
	"rig.page.hosts":            `hosts = ["barn.lan"] => hosts = ["barn.lan", "shop.lan"]`,
	"rig.page.certificate_file": `certificate_file = "page.pem" => certificate_file = "p.pem"`,
	"rig.page.key_file":         `key_file = "page.key" => key_file = "p.key"`,
	"rig.servo_chip":            `servo_chip = [{ bus = "/dev/i2c-1", address = 0x41, chip = "soc", line = 25 }] => `,
	"rig.servo_chip.bus":        `servo_chip = [{ bus = "/dev/i2c-1", address = 0x41 => servo_chip = [{ bus = "/dev/i2c-3", address = 0x41`,
	"rig.servo_chip.address":    `servo_chip = [{ bus = "/dev/i2c-1", address = 0x41 => servo_chip = [{ bus = "/dev/i2c-1", address = 0x42`,
	"rig.servo_chip.chip":       `chip = "soc", line = 25 => chip = "expander", line = 25`,
	"rig.servo_chip.line":       `chip = "soc", line = 25 => chip = "soc", line = 26`,
	"rig.heartbeat":             `heartbeat = { chip = "soc", line = 24, drops_after = "3 s" } => `,
	"rig.heartbeat.chip":        `heartbeat = { chip = "soc" => heartbeat = { chip = "expander"`,
	"rig.heartbeat.line":        `line = 24 => line = 124`,
	"rig.heartbeat.drops_after": `"3 s" => "4 s"`,

	"shop.format":                       `format = 1 => format = 2`,
	"shop.name":                         `name = "full shop" => name = "shop two"`,
	"shop.units":                        `units = "metric" => units = "imperial"`,
	"shop.mains":                        `frequency = "50 Hz" => frequency = "60 Hz"`,
	"shop.mains.frequency":              `frequency = "50 Hz" => frequency = "60 Hz"`,
	"shop.mains.voltage":                `voltage = "230 V" => voltage = "240 V"`,
	"shop.mains.exact":                  `exact = true => exact = false`,
	"shop.air":                          `air = { => # {`,
	"shop.air.altitude":                 `altitude = "1200 m" => altitude = "1300 m"`,
	"shop.air.temperature":              `temperature = "15 °C" => temperature = "16 °C"`,
	"shop.air.density":                  `altitude = "1200 m", temperature = "15 °C" => density = "1.1 kg/m3"`,
	"shop.hours":                        `hours = { => # {`,
	"shop.hours.open":                   `open = "07:00" => open = "07:01"`,
	"shop.hours.close":                  `close = "19:30" => close = "24:00"`,
	"shop.hours.days":                   `"monday", "saturday" => "monday", "sunday"`,
	"shop.circuit":                      `{ name = "two", breaker = "20 A" }, => { name = "two", breaker = "20 A" }, { name = "three", breaker = "20 A" },`,
	"shop.circuit.name":                 `name = "one" => name = "1"`,
	"shop.circuit.breaker":              `breaker = "16 A" => breaker = "10 A"`,
	"shop.circuit.leg":                  `leg = "L1" => leg = "L2"`,
	"shop.circuit.voltage":              `voltage = "231 V" => voltage = "240 V"`,
	"shop.circuit.channels":             `channels = ["c4"] => channels = []`,
	"shop.machine":                      `{ name = "sander", topic => { name = "spare", topic = "a/b", hoods = ["H4"], coast = "4 s" }, { name = "sander", topic`,
	"shop.machine.name":                 `name = "lathe", => name = "big lathe",`,
	"shop.machine.channels":             `channels = ["c0", "c1"] => channels = ["c0"]`,
	"shop.machine.contacts":             `contacts = ["lathe switch"] => topic = "a/b"`,
	"shop.machine.topic":                `topic = "shop/sander" => topic = "shop/sander/2"`,
	"shop.machine.message":              `stale = "90 s" => stale = "80 s"`,
	"shop.machine.message.path":         `path = "power.now" => path = "power"`,
	"shop.machine.message.start":        `start = 60, => start = 70,`,
	"shop.machine.message.stop":         `stop = 45, => stop = 44,`,
	"shop.machine.message.stale":        `stale = "90 s" => stale = "80 s"`,
	"shop.machine.hoods":                `hoods = ["H1", "H2"] => hoods = ["H1"]`,
	"shop.machine.gates":                `gates = ["hand gate"] => gates = ["hand gate", "main"]`,
	"shop.machine.circuit":              `circuit = "two" => circuit = "one"`,
	"shop.machine.rated":                `rated = ["230 V 50 Hz", "240 V 60 Hz"] => rated = ["120 V 60 Hz"]`,
	"shop.machine.full_load":            `full_load = "9 A" => full_load = "10 A"`,
	"shop.machine.start":                `start = "2 A" => start = "3 A"`,
	"shop.machine.stop":                 `stop = "1.2 A" => stop = "1.1 A"`,
	"shop.machine.stop_hold":            `stop_hold = "700 ms" => stop_hold = "800 ms"`,
	"shop.machine.coast":                `coast = "12 s" => coast = "13 s"`,
	"shop.machine.run_on":               `run_on = "9 s" => run_on = "10 s"`,
	"shop.machine.settle":               `settle = "1500 ms" => settle = "2 s"`,
	"shop.machine.rank":                 `rank = 2 => rank = 3`,
	"shop.machine.flow":                 `flow = "800 m3/h" => flow = "900 m3/h"`,
	"shop.gate":                         `{ name = "main", actuator => { name = "extra", actuator = "spare", duct = "H4", travel = "1 s" }, { name = "main", actuator`,
	"shop.gate.name":                    `{ name = "main", => { name = "the main",`,
	"shop.gate.actuator":                `actuator = "g2" => actuator = "spare"`,
	"shop.gate.duct":                    `duct = "H3" => duct = "H4"`,
	"shop.gate.travel":                  `travel = "400 ms" => travel = "500 ms"`,
	"shop.gate.open_switch":             `open_switch = "g0 open", => `,
	"shop.gate.shut_switch":             `shut_switch = "g0 shut", => `,
	"shop.gate.reversed":                `travel = "2 s", reversed = true => travel = "2 s"`,
	"shop.gate.button":                  `button = "button", hold = "4 min", => `,
	"shop.gate.hold":                    `hold = "4 min" => hold = "5 min"`,
	"shop.gate.run_on":                  `run_on = "7 s" => run_on = "8 s"`,
	"shop.gate.loss_open":               `loss_open = 0.2 => loss_open = 0.3`,
	"shop.gate.loss_shut":               `loss_shut = 9000 => loss_shut = 8000`,
	"shop.duct":                         `{ name = "H2", to = "M1" => { name = "H9", to = "M1", diameter = "80 mm", length = "1 m", kind = "hose" }, { name = "H2", to = "M1"`,
	"shop.duct.name":                    `{ name = "H3", => { name = "H33",`,
	"shop.duct.to":                      `{ name = "H2", to = "M1" => { name = "H2", to = "M2"`,
	"shop.duct.diameter":                `diameter = "80 mm" => diameter = "90 mm"`,
	"shop.duct.length":                  `length = "1.5 m" => length = "1.6 m"`,
	"shop.duct.rise":                    `rise = "1 m" => rise = "2 m"`,
	"shop.duct.kind":                    `length = "3 m", kind = "smooth" => length = "3 m", kind = "spiral"`,
	"shop.duct.elbows":                  `elbows = 2 => elbows = 3`,
	"shop.duct.wye":                     `wye = "30 deg" => wye = "45 deg"`,
	"shop.duct.loss":                    `loss = 0.4 => loss = 0.5`,
	"shop.collector":                    `actuator = "k0" => actuator = "spare"`,
	"shop.collector.actuator":           `actuator = "k0" => actuator = "spare"`,
	"shop.collector.channel":            `channel = "k" => channel = "c2"`,
	"shop.collector.contact":            "channel = \"k\"\nstart = \"1.5 A\"\nstop = \"900 mA\"\n => contact = \"aux\"\n",
	"shop.collector.hand":               "hand = \"mode hand\"\n => ",
	"shop.collector.off":                "off = \"mode off\"\n => ",
	"shop.collector.circuit":            "circuit = \"one\"\nrated => circuit = \"two\"\nrated",
	"shop.collector.rated":              `rated = ["400 V 50 Hz"] => rated = ["230 V 50 Hz"]`,
	"shop.collector.power":              `power = "1.5 kW" => power = "2 kW"`,
	"shop.collector.full_load":          `full_load = "7.1 A" => full_load = "8 A"`,
	"shop.collector.start":              `start = "1.5 A" => start = "1.6 A"`,
	"shop.collector.stop":               `stop = "900 mA" => stop = "800 mA"`,
	"shop.collector.within":             `within = "4 s" => within = "5 s"`,
	"shop.collector.run_up":             "coast = \"25 s\" => coast = \"25 s\"\nrun_up = \"3 s\"",
	"shop.collector.coast":              `coast = "25 s" => coast = "26 s"`,
	"shop.collector.clear_out":          `clear_out = "6 s" => clear_out = "7 s"`,
	"shop.collector.confirm":            `confirm = "300 ms" => confirm = "400 ms"`,
	"shop.collector.starts_per_hour":    `starts_per_hour = 5 => starts_per_hour = 4`,
	"shop.collector.min_on":             `min_on = "70 s" => min_on = "80 s"`,
	"shop.collector.min_off":            `min_off = "100 s" => min_off = "110 s"`,
	"shop.outlet":                       `{ name = "cleaner", actuator => { name = "fan", actuator`,
	"shop.outlet.name":                  `{ name = "cleaner", actuator => { name = "fan", actuator`,
	"shop.outlet.actuator":              `actuator = "o0" => actuator = "spare"`,
	"shop.outlet.follows":               `follows = ["saw", "sander"] => follows = ["saw"]`,
	"shop.outlet.run_on":                `run_on = "15 min" => run_on = "16 min"`,
	"shop.outlet.circuit":               `circuit = "one", full_load = "2 A" => full_load = "2 A"`,
	"shop.outlet.full_load":             `full_load = "2 A" => full_load = "3 A"`,
	"shop.gate.aside":                   ` aside = "hands in", => `,
	"shop.indicator":                    `indicator = [{ name = "dust lamp", actuator = "lamp", shows = "uncollected", blink = "slow" }] => `,
	"shop.indicator.name":               `name = "dust lamp" => name = "red lamp"`,
	"shop.indicator.actuator":           `actuator = "lamp", shows => actuator = "spare", shows`,
	"shop.indicator.shows":              `shows = "uncollected" => shows = "latched"`,
	"shop.indicator.blink":              `blink = "slow" => blink = "fast"`,
	"shop.limits":                       `max_open = 3 => max_open = 2`,
	"shop.limits.max_open":              `max_open = 3 => max_open = 2`,
	"shop.limits.refuse":                `refuse = true => refuse = false`,
	"shop.limits.close_at_rest":         `close_at_rest = true => close_at_rest = false`,
	"shop.limits.bin_full":              `bin_full = "no new start" => bin_full = "notice"`,
	"shop.limits.topic_starts":          `topic_starts = true => topic_starts = false`,
	"shop.limits.unknown_hold":          `unknown_hold = "5 min" => unknown_hold = "6 min"`,
	"shop.limits.hold_longest":          `hold_longest = "20 min" => hold_longest = "21 min"`,
	"shop.limits.power_up":              `power_up = "12 s" => power_up = "13 s"`,
	"shop.notice":                       `notice = [{ => notice = [{ name = "log", url = "http://10.0.0.9/" }, {`,
	"shop.notice.name":                  `name = "phone" => name = "telephone"`,
	"shop.notice.url":                   `notices.example => news.example`,
	"shop.notice.on":                    `on = ["upkeep", "gate-not-open"] => on = ["upkeep", "gate-lost"]`,
	"shop.air.transport":                `transport = "21 m/s" => transport = "23 m/s"`,
	"shop.air.slip":                     `slip = 0.65 => slip = 0.7`,
	"shop.air.settle":                   `settle = "4 m/s" => settle = "5 m/s"`,
	"shop.air.expansion":                `expansion = true => expansion = false`,
	"shop.air.purge":                    `together = [["saw", "lathe"]] => together = [["saw", "lathe"]], purge = true`,
	"shop.air.together":                 `together = [["saw", "lathe"]] => together = [["saw", "sander"]]`,
	"shop.machine.transport":            `transport = "22 m/s" => transport = "23 m/s"`,
	"shop.gate.leak":                    `leak = "2 %" => leak = "3 %"`,
	"shop.gate.opening":                 `opening = "90 %" => opening = "80 %"`,
	"shop.duct.roughness":               `roughness = "0.2 mm" => roughness = "0.3 mm"`,
	"shop.duct.ribs":                    `ribs = "2 mm" => ribs = "3 mm"`,
	"shop.duct.elbow":                   `elbow = [{ angle = "60 deg", radius = "200 mm", pieces = 4, count = 2 }] => elbow = []`,
	"shop.duct.elbow.angle":             `angle = "60 deg" => angle = "45 deg"`,
	"shop.duct.elbow.radius":            `radius = "200 mm" => radius = "150 mm"`,
	"shop.duct.elbow.pieces":            `pieces = 4 => pieces = 3`,
	"shop.duct.elbow.count":             `count = 2 => count = 3`,
	"shop.duct.reducer":                 `, reducer = { from = "100 mm", taper = "20 deg" } => `,
	"shop.duct.reducer.from":            `from = "100 mm" => from = "80 mm"`,
	"shop.duct.reducer.taper":           `taper = "20 deg" => taper = "30 deg"`,
	"shop.duct.hood":                    `hood = { kind = "bell" } => hood = { kind = "plain" }`,
	"shop.duct.hood.kind":               `kind = "bell" => kind = "plain"`,
	"shop.duct.hood.loss":               `loss = 1.7 => loss = 1.8`,
	"shop.duct.hood.port":               `port = "95 mm" => port = "90 mm"`,
	"shop.duct.hood.flow":               `flow = "500 m3/h" => flow = "550 m3/h"`,
	"shop.collector.fan":                `{ flow = "1500 m3/h", pressure = "1500 Pa" }, => `,
	"shop.collector.fan.flow":           `flow = "2400 m3/h" => flow = "2300 m3/h"`,
	"shop.collector.fan.pressure":       `pressure = "2000 Pa" => pressure = "2100 Pa"`,
	"shop.collector.fan_frequency":      `fan_frequency = "60 Hz" => fan_frequency = "50 Hz"`,
	"shop.collector.fan_density":        `fan_density = "1.2 kg/m3" => fan_density = "1.1 kg/m3"`,
	"shop.collector.free_flow":          fan + " => free_flow = \"2000 m3/h\" => free_flow = \"2100 m3/h\"",
	"shop.collector.shut_off":           fan + " => shut_off = \"2 kPa\" => shut_off = \"2.1 kPa\"",
	"shop.collector.filter":             "filter = { flow = \"1500 m3/h\", clean = \"150 Pa\", loaded = \"900 Pa\", now = \"30 %\" }\n => ",
	"shop.collector.filter.flow":        `filter = { flow = "1500 m3/h" => filter = { flow = "1400 m3/h"`,
	"shop.collector.filter.clean":       `clean = "150 Pa" => clean = "160 Pa"`,
	"shop.collector.filter.loaded":      `loaded = "900 Pa" => loaded = "800 Pa"`,
	"shop.collector.filter.now":         `now = "30 %" => now = "40 %"`,
	"shop.collector.separator":          "separator = { flow = \"1500 m3/h\", pressure = \"500 Pa\" }\n => ",
	"shop.collector.separator.flow":     `separator = { flow = "1500 m3/h" => separator = { flow = "1400 m3/h"`,
	"shop.collector.separator.pressure": `pressure = "500 Pa" => pressure = "600 Pa"`,
	"shop.collector.leakage":            `leakage = "25 mm" => leakage = "30 mm"`,
}

// allKeys lists the keys of a raw struct and of those within it.
func allKeys(prefix string, t reflect.Type, into map[string]bool) {
	for _, field := range reflect.VisibleFields(t) {
		key := field.Tag.Get("toml")
		if key == "" {
			continue
		}
		into[prefix+"."+key] = true
		inner := field.Type
		for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice {
			inner = inner.Elem()
		}
		if inner.Kind() == reflect.Struct && inner != reflect.TypeFor[Ratio]() {
			allKeys(prefix+"."+key, inner, into)
		}
	}
}

// told is all that the program is told by a rig and a shop, as text.
func told(rig, shop string) (string, error) {
	r, err := ParseRig("rig", []byte(rig))
	if err != nil {
		return "", err
	}
	s, err := ParseShop("shop", []byte(shop), r)
	if err != nil {
		return "", err
	}
	r.Defaults, s.Defaults = nil, nil
	p := s.Control()
	text := r.Describe() + s.Describe()
	var warnings []string // their order is that of the lines
	for _, w := range slices.Concat(r.Warnings, s.Warnings) {
		warnings = append(warnings, w.Message)
	}
	slices.Sort(warnings)
	text += strings.Join(warnings, "\n")
	for i := range p.Machines {
		text += fmt.Sprint(p.RunOn(control.ID(i), 0))
	}
	p.RunOn = nil
	if n := s.Duct(); n != nil {
		text += fmt.Sprintf("%+v", *n)
		for i := range n.Segments {
			if h := n.Segments[i].Hood; h != nil {
				text += fmt.Sprintf("%+v", *h)
			}
		}
		text = address.ReplaceAllString(text, "") // pointers to the hoods
	}
	text += fmt.Sprintf("%+v %+v %+v %+v", p, s.Sensor(), s.Channels(), s.Contacts())
	return text, nil
}

var address = regexp.MustCompile(`0x[0-9a-f]{6,}`)

func TestEveryKeyIsRead(t *testing.T) {
	text := map[string]string{}
	for _, name := range []string{"rig", "shop"} {
		data, err := os.ReadFile("../testdata/config/valid/" + name + "-full.toml")
		if err != nil {
			t.Fatal(err)
		}
		text[name] = string(data)
	}
	base, err := told(text["rig"], text["shop"])
	if err != nil {
		t.Fatal(err)
	}
	keys := map[string]bool{}
	allKeys("rig", reflect.TypeFor[rawRig](), keys)
	allKeys("shop", reflect.TypeFor[rawShop](), keys)
	for key := range keys {
		change, ok := keyTests[key]
		if _, air := ductKeyTests[key]; air && !ok {
			continue // see TestDuctKeys
		}
		if strings.HasPrefix(key, "rig.node") || key == "rig.role" {
			continue // see TestNodeKeys
		}
		if !ok {
			t.Errorf("%s: no test shows that it is read", key)
			continue
		}
		parts := strings.Split(change, " => ")
		from, file := parts[0], strings.SplitN(key, ".", 2)[0]
		if len(parts) < 2 || strings.Count(text[file], from) == 0 {
			t.Errorf("%s: the text to change, %q, is not in the file", key, from)
			continue
		}
		results := []string{base}
		if len(parts) > 2 {
			results = nil
		}
		for _, to := range parts[1:] {
			both := map[string]string{"rig": text["rig"], "shop": text["shop"]}
			both[file] = strings.Replace(text[file], from, to, 1)
			result, err := told(both["rig"], both["shop"])
			if (err != nil) != refused[key] {
				t.Errorf("%s: %q: error %v", key, to, err)
			}
			results = append(results, result)
		}
		if results[0] == results[1] {
			t.Errorf("%s: changing it changes nothing", key)
		}
	}
	for key := range keyTests {
		if !keys[key] {
			t.Errorf("%s: there is no such key", key)
		}
	}
}
