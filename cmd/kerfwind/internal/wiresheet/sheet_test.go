package wiresheet

import (
	"bytes"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"kerfwind/config"
)

func parse(t testing.TB, text string) *config.Rig {
	t.Helper()
	r, err := config.ParseRig("rig.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// one is a rig of one converter, one channel and a relay.
func one(adc, channel string) string {
	return "format = 1\nadc = [{ name = \"a\", rate = \"1 kHz\", " + adc + " }]\nchannel = [{ name = \"c0\", adc = \"a\", input = 0, " + channel + " }]\n"
}

// TestFrontEnd compares with published figures of the usual front ends: the
// burden of a 100 A : 50 mA transformer at 3.3 V (23.3 ohm, so 22) and at 5 V
// (35 ohm, so 33), 11.0 mV/A with 22 ohm, 73 mA and 24 mA for a count of 12
// bits, 293 mA for one of 10, noise of 1.5 counts = 110 mA and 36 mA, code 2048
// at rest (the open-hardware energy monitoring community's guides).
func TestFrontEnd(t *testing.T) {
	const sct, volt = `ratio = "100 A : 50 mA", burden = "22 ohm"`, `ratio = "30 A : 1 V"`
	near := func(what string, got, want, within float64) {
		t.Helper()
		if math.Abs(got-want) > within {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	f := NewFrontEnd(parse(t, one(`chip = "mcp3208", port = "/dev/spidev0.0"`, sct)), 0)
	near("largest burden", f.Largest, 23.3, 0.05)
	near("advised burden", f.Advised, 22, 1e-9)
	near("V/A", f.PerAmp, 11.0e-3, 1e-6)
	near("A a count", f.Step, 73e-3, 0.5e-3)
	near("noise", f.Noise, 110e-3, 0.5e-3)
	near("code", f.Code, 2048, 1e-9)
	near("codes", f.Codes, 4096, 1e-9)
	near("bias", f.Gives, 1.65, 1e-9)
	near("upper", f.Upper, 10e3, 1e-6)
	near("lower", f.Lower, 10e3, 1e-6)
	near("heat", f.Heat, 0.055, 1e-9) // I²R
	near("swing", f.Swing, 1.65/math.Sqrt2, 1e-9)

	f = NewFrontEnd(parse(t, one(`chip = "mcp3208", port = "/dev/spidev0.0", vref = "5 V"`, sct)), 0)
	near("largest burden at 5 V", f.Largest, 35, 0.5)
	near("advised burden at 5 V", f.Advised, 33, 1e-9)

	f = NewFrontEnd(parse(t, one(`chip = "mcp3208", port = "/dev/spidev0.0"`, volt)), 0)
	near("voltage output, A a count", f.Step, 24e-3, 0.5e-3)
	near("voltage output, noise", f.Noise, 36e-3, 0.5e-3)
	near("voltage output, no burden to choose", f.Largest+f.Burden, 0, 0)

	f = NewFrontEnd(parse(t, one(`chip = "mcp3008", port = "/dev/spidev0.0"`, sct)), 0)
	near("10 bits, A a count", f.Step, 293e-3, 0.5e-3)
	near("10 bits, code", f.Code, 512, 1e-9)

	f = NewFrontEnd(parse(t, one(`chip = "mcp3208", port = "/dev/spidev0.0"`, volt+`, turns = 5`)), 0)
	near("five turns, rated", f.Rated, 6, 1e-9)
	near("five turns, A a count", f.Step, 24.17e-3/5, 0.01e-3)
}

// TestPreferred: the E24 value at or below, over many decades.
func TestPreferred(t *testing.T) {
	for x, want := range map[float64]float64{23.3: 22, 35.36: 33, 22: 22, 21.999: 20, 0.99: 0.91, 1: 1, 10: 10, 9.9999: 9.1, 4700: 4700, 1e6: 1e6, 0: 0, -3: 0} {
		if got := preferred(x); math.Abs(got-want) > 1e-9*want {
			t.Errorf("preferred(%g) = %g, want %g", x, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		x := math.Pow(10, rapid.Float64Range(-3, 6).Draw(t, "log x"))
		if p := preferred(x); p > x*(1+1e-8) || p < x/1.16 {
			t.Fatalf("preferred(%g) = %g", x, p)
		}
	})
}

// TestBurden: what is computed fits the range that package config computes:
// with the largest burden the rated current is just not clipped.
func TestBurden(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		primary := rapid.IntRange(5, 400).Draw(t, "primary")
		milli := rapid.IntRange(5, 200).Draw(t, "mA")
		turns := rapid.IntRange(1, 9).Draw(t, "turns")
		vref := float64(rapid.IntRange(20, 50).Draw(t, "vref")) / 10
		bias := vref * float64(rapid.IntRange(30, 70).Draw(t, "bias")) / 100
		r := &config.Rig{
			ADCs: []config.ADC{{Name: "a", Chip: config.MCP3208, Port: "/dev/spidev0.0", Rate: 1000, Vref: vref}},
			Channels: []config.Channel{{Name: "c", Turns: turns, Burden: 22, Bias: bias, Enabled: true,
				Ratio: config.Ratio{Primary: float64(primary), Secondary: float64(milli) / 1e3, IsCurrent: true}}},
		}
		f := NewFrontEnd(r, 0)
		r.Channels[0].Burden = f.Largest
		if got := r.Range(0); math.Abs(got-f.Rated) > 1e-9*f.Rated {
			t.Fatalf("with %g ohm it reads to %g A, not %g A", f.Largest, got, f.Rated)
		}
		if f.Advised > f.Largest*(1+1e-8) {
			t.Fatalf("advised %g ohm, largest %g ohm", f.Advised, f.Largest)
		}
		if off := math.Abs(f.Gives-bias) / vref; off > 0.011 {
			t.Fatalf("bias %g V of %g V: %g and %g ohm give %g V", bias, vref, f.Upper, f.Lower, f.Gives)
		}
	})
}

// TestHeader compares the header with the drawing in Zephyr's binding
// "raspberrypi-40pins-header" (docs.zephyrproject.org).
func TestHeader(t *testing.T) {
	const drawing = `3V3 5V 2 5V 3 GND 4 14 GND 15 17 18 27 GND 22 23 3V3 24 10 GND
		9 25 11 8 GND 7 ID_SD ID_SC 5 GND 6 12 13 GND 19 16 26 20 GND 21`
	same := strings.NewReplacer("3V3", "3.3V", "GND", "ground", "ID_SD", "0", "ID_SC", "1")
	want := strings.Fields(same.Replace(drawing))
	for i, name := range config.Header {
		if got := strings.ReplaceAll(name, " ", ""); got != want[i] {
			t.Errorf("pin %d: %q, want %q", i+1, got, want[i])
		}
	}
	seen := map[int]bool{}
	for line := range 28 {
		pin := config.HeaderPin(line)
		if pin == 0 || seen[pin] {
			t.Errorf("GPIO %d is on pin %d", line, pin)
		}
		seen[pin] = true
	}
	if config.HeaderPin(28) != 0 {
		t.Error("GPIO 28 is not on the header")
	}
}

func TestLineDoubts(t *testing.T) {
	for _, c := range []struct {
		uses []use
		want string // part of the doubt; empty: none
	}{
		{[]use{{17, "relay k", true, false}}, ""},
		{[]use{{5, "relay k", true, false}}, "pulled up from power-on"},
		{[]use{{5, "relay k", true, true}}, ""},
		{[]use{{17, "relay k", true, true}}, "pulled down from power-on"},
		{[]use{{14, "relay k", true, false}}, "serial console"},
		{[]use{{14, "contact x", false, false}}, ""},
		{[]use{{0, "contact x", false, false}}, "identity chip"},
		{[]use{{40, "relay k", true, false}}, "not on the 40-pin header"},
		{[]use{{9, "SPI 0 data from the converter", false, false}, {9, "relay k", true, false}}, "used twice"},
	} {
		got := strings.Join(lineDoubts(c.uses), "\n")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%+v: %q, want %q", c.uses, got, c.want)
		}
	}
}

// text makes the sheet as text with single blanks, so that it can be searched
// whatever its line breaks.
func text(t testing.TB, r *config.Rig, s *config.Shop) string {
	t.Helper()
	var b bytes.Buffer
	if err := Make(r, s).WriteText(&b); err != nil {
		t.Fatal(err)
	}
	for i, line := range strings.Split(b.String(), "\n") {
		if len([]rune(line)) > columns {
			t.Errorf("line %d has %d columns: %q", i+1, len([]rune(line)), line)
		}
	}
	return strings.Join(strings.Fields(strings.ReplaceAll(b.String(), "  !  ", " ")), " ")
}

// valid lists the good rig files of package config's tests, with the shop of
// each.
func valid(t *testing.T) map[string]string {
	dir := filepath.Join("..", "..", "..", "..", "testdata", "config", "valid")
	rigs, err := filepath.Glob(filepath.Join(dir, "rig-*.toml"))
	if err != nil || len(rigs) < 3 {
		t.Fatalf("%v, %v", rigs, err)
	}
	out := map[string]string{}
	for _, r := range rigs {
		out[r] = filepath.Join(dir, strings.Replace(filepath.Base(r), "rig-", "shop-", 1))
	}
	demo := filepath.Join("..", "..", "..", "..", "testdata", "demo")
	out[filepath.Join(demo, "rig.toml")] = filepath.Join(demo, "shops", "barn.toml")
	return out
}

// TestEverything: on the sheet of every good rig each part of the rig stands,
// in text and as well-formed HTML.
func TestEverything(t *testing.T) {
	for rigFile, shopFile := range valid(t) {
		rig, err := config.LoadRig(rigFile)
		if err != nil {
			t.Fatal(err)
		}
		shop, err := config.LoadShop(shopFile, rig)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range []*config.Shop{nil, shop} {
			got := text(t, rig, s)
			want := func(part string) {
				t.Helper()
				if !strings.Contains(got, part) {
					t.Errorf("%s: no %q on the sheet", rigFile, part)
				}
			}
			for i := range rig.Channels {
				c, f := &rig.Channels[i], NewFrontEnd(rig, i)
				want(c.Name + " " + rig.ADCs[c.ADC].Name + ", input")
				want(fmt.Sprintf("code about %.0f of %.0f", f.Code, f.Codes))
				if f.Burden > 0 {
					want("Never open the secondary")
				}
			}
			for i := range rig.Contacts {
				want(rig.Contacts[i].Name + " " + rig.Contacts[i].Kind.String())
			}
			for i := range rig.Actuators {
				switch a := &rig.Actuators[i]; {
				case a.Kind.OnChip():
					want(fmt.Sprintf("%d %s %s", a.Output, a.Name, config.FormatDuration(a.PulseOpen)))
				default:
					for _, l := range a.Lines() {
						want(l.What)
					}
					for _, note := range a.Kind.SheetNotes() {
						want(note)
					}
				}
			}
			want("electrician's work")
			want("another circuit than the collector's")
			if s != nil && s.Collector.Actuator >= 0 && rig.Actuators[s.Collector.Actuator].Kind.Serves(config.ForContactor) {
				want("A coil at mains voltage is not low voltage")
			}
			var b bytes.Buffer
			if err := Make(rig, s).WriteHTML(&b); err != nil {
				t.Fatal(err)
			}
			balanced(t, b.String())
		}
	}
}

var tag = regexp.MustCompile(`<(/?)([a-z0-9]+)[^>]*?(/?)>`)

// balanced reports elements that are not closed in order.
func balanced(t *testing.T, page string) {
	t.Helper()
	single := map[string]bool{"meta": true}
	var open []string
	for _, m := range tag.FindAllStringSubmatch(page, -1) {
		switch name := m[2]; {
		case single[name] || m[3] == "/":
		case m[1] == "":
			open = append(open, name)
		case len(open) == 0 || open[len(open)-1] != name:
			t.Fatalf("</%s> closes %v", name, open)
		default:
			open = open[:len(open)-1]
		}
	}
	if len(open) > 0 {
		t.Fatalf("not closed: %v", open)
	}
}

// TestHostileNames: names from the file stay text in the page.
func TestHostileNames(t *testing.T) {
	r := parse(t, strings.ReplaceAll(one(`chip = "mcp3208", port = "/dev/spidev0.0"`, `ratio = "30 A : 1 V"`), `"c0"`, `"<script>alert(1)</script>"`))
	var b bytes.Buffer
	if err := Make(r, nil).WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(b.String(), "<script") || !strings.Contains(b.String(), "&lt;script&gt;") {
		t.Error("a name is not escaped")
	}
}

// TestSettings: boot settings follow from the lines in use.
func TestSettings(t *testing.T) {
	r := parse(t, one(`chip = "mcp3208", port = "/dev/spidev0.1", vref = "5 V"`, `ratio = "100 A : 50 mA", burden = "47 ohm"`)+`
contact = [{ name = "door", kind = "stop", chip = "pinctrl-bcm2711", line = 22, closed = "ok" }]
actuator = [
  { name = "k0", kind = "relay", chip = "pinctrl-bcm2711", line = 17 },
  { name = "k1", kind = "relay", chip = "pinctrl-bcm2711", line = 4, active = "low" },
  { name = "g0", kind = "servo", bus = "/dev/i2c-1", output = 10, address = 0x43 },
  { name = "g1", kind = "servo", bus = "/dev/i2c-1", output = 2, address = 0x43 },
]`)
	got := text(t, r, nil)
	for _, want := range []string{
		"dtparam=spi=on dtparam=i2c_arm=on dtparam=i2c_arm_baudrate=400000 gpio=17=op,dl gpio=4=op,dh gpio=22=ip,pu",
		"10 CS/SHDN SPI 0 select 1 (CE1), pin 26 (GPIO 7)",
		"answers with 5 V: fit a level shifter",
		"47 ohm clips above 75.2 A", // 2.5 V / sqrt 2 / 47 ohm * 2000
		"5 V, 3 A",
		"address jumpers closed: A0, A1",
		"through the program only: put a second contact in the coil circuit",
		"the rig file does not say that it is wired here",
		"This rig has no heartbeat",
		"relay k1 pin 7 (GPIO 4) low = on 10 kohm to 3.3 V",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("not on the sheet: %q", want)
		}
	}
	for _, want := range []string{"name that as a servo_chip in the rig file", "OE ground, as most boards come"} {
		if !strings.Contains(got, want) {
			t.Errorf("not on the sheet: %q", want)
		}
	}
	if a, b := strings.Index(got, "2 g1 2 ms"), strings.Index(got, "10 g0 2 ms"); a < 0 || b < a {
		t.Error("servo outputs are not in order")
	}
	if t.Failed() {
		t.Log(got)
	}
}

// TestEnable: the output-enable pin of a servo board on a line.
func TestEnable(t *testing.T) {
	const servo = `
actuator = [{ name = "g0", kind = "servo", bus = "/dev/i2c-1", output = 0 }]
servo_chip = [{ bus = "/dev/i2c-1", chip = "pinctrl-bcm2835", line = %d }]`
	adc := one(`chip = "mcp3208", port = "/dev/spidev0.0"`, `ratio = "30 A : 1 V"`)
	got := text(t, parse(t, adc+fmt.Sprintf(servo, 4)), nil)
	for _, want := range []string{
		"OE pin 7 (GPIO 4), with 10 kohm to 3.3 V at the board",
		"GPIO 4: servo board 0x40, enable",
		"gpio=4=op,dh",
		"1 resistor 10 kohm pull-up of an output line",
		"The resistor at OE ends the pulses",
		"watch these lines from power-on: pin 7 (GPIO 4) (servo board 0x40, enable). expect: 3.3 V all the time",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("not on the sheet: %q\n%s", want, got)
		}
	}
	if got := text(t, parse(t, adc+fmt.Sprintf(servo, 20)), nil); !strings.Contains(got, "Better choose a line from 4 to 8") {
		t.Error("a line that is pulled down is not doubted")
	}
}

// TestSupply: the sum of the assumptions on the sheet.
func TestSupply(t *testing.T) {
	for n, want := range map[int]float64{1: 2.5, 2: 5, 5: 5.3, 16: 6.4} {
		if got, _ := config.Servo.Draws().Load(n); math.Abs(got-want) > 1e-9 {
			t.Errorf("%d servos: %g A, want %g A", n, got, want)
		}
	}
	for a, want := range map[float64]float64{2.5: 3, 5: 5, 5.3: 7.5, 99: 30} {
		if got := fuse(a); got != want {
			t.Errorf("fuse for %g A: %g A, want %g A", a, got, want)
		}
	}
	for heat, want := range map[float64]float64{0.055: 0.25, 0.07: 0.5, 0.3: 2, 9: 36} {
		if got := watts(heat); got != want {
			t.Errorf("rating for %g W: %g W, want %g W", heat, got, want)
		}
	}
}

func TestWrap(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.StringMatching(`[a-zé ]{0,200}`).Draw(t, "text")
		w := rapid.IntRange(20, 60).Draw(t, "width")
		out := wrap(in, "- ", "  ", w)
		if strings.Join(strings.Fields(strings.TrimPrefix(out, "- ")), " ") != strings.Join(strings.Fields(in), " ") {
			t.Fatalf("%q", out)
		}
		for _, line := range strings.Split(out, "\n") {
			if len([]rune(line)) > w && strings.Contains(strings.TrimSpace(strings.TrimPrefix(line, "- ")), " ") {
				t.Fatalf("too wide: %q", line)
			}
		}
	})
}

// What holds an output off, and how a board's buses are switched on, is said for the
// board of the rig; for another one it is said what is wanted.
func TestBoardsOfTheSheet(t *testing.T) {
	for _, c := range []struct {
		chip       string
		want, none []string
	}{
		{"pinctrl-bcm2835", []string{"dtparam=spi=on", "dtparam=strict_gpiod", "leaves each line as it was"}, []string{"bufsiz", "kill -9"}},
		{"pinctrl-rp1", []string{"dtparam=strict_gpiod"}, []string{"bufsiz", "kill -9"}},
		{"1c20800.pinctrl", []string{"kill -9", "no boot settings for this board", "/dev/spidev0.0"}, []string{"strict_gpiod", "config.txt"}},
	} {
		r := parse(t, one(`chip = "mcp3208", port = "/dev/spidev0.0"`, `ratio = "30 A : 1 V"`)+fmt.Sprintf("actuator = [{ name = \"k0\", kind = \"relay\", chip = %q, line = 17 }]\n", c.chip))
		var b bytes.Buffer
		if err := Make(r, nil).WriteText(&b); err != nil {
			t.Fatal(err)
		}
		text := strings.Join(strings.Fields(b.String()), " ")
		for _, w := range c.want {
			if !strings.Contains(text, w) {
				t.Errorf("%s: the sheet does not say %q", c.chip, w)
			}
		}
		for _, w := range c.none {
			if strings.Contains(text, w) {
				t.Errorf("%s: the sheet says %q", c.chip, w)
			}
		}
	}
}
