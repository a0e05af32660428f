package config

import (
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func barnDraft(t *testing.T) *Draft {
	t.Helper()
	text, err := os.ReadFile("../testdata/demo/shops/barn.toml")
	if err != nil {
		t.Fatal(err)
	}
	d, err := ParseDraft("barn.toml", text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// list is a shop without ducts: gates are named by their machines.
const listShop = `format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
collector = { actuator = "k0", channel = "c7" }
gate = [{ name = "saw", actuator = "g0" }, { name = "planer", actuator = "g1" }, { name = "main", actuator = "g2" }, { name = "floor", actuator = "g3" }]
machine = [
  { name = "saw", channels = ["c0"], start = "2 A", gates = ["saw", "main"], coast = "5 s" },
  { name = "planer", contacts = ["p"], gates = ["planer", "main"], coast = "5 s" },
  { name = "both", channels = ["c1", "c2"], gates = ["floor", "saw", "main"], coast = "5 s" },
]
`

// TestSwaps: each swap changes what its words say and nothing else.
func TestSwaps(t *testing.T) {
	list := func(t *testing.T) *Draft {
		d, err := ParseDraft("list.toml", []byte(listShop))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	gateOf := func(machine, gate, instead string) func(*Draft) error {
		return func(d *Draft) error {
			got, err := d.MoveToGate(machine, gate)
			if err == nil && got != instead {
				t.Errorf("%s to %s: %q comes in its place, want %q", machine, gate, got, instead)
			}
			return err
		}
	}
	gates := func(a, b string, stay bool) func(*Draft) error {
		return func(d *Draft) error { return d.SwapGates(a, b, stay) }
	}
	sensors := func(a, b string) func(*Draft) error {
		return func(d *Draft) error { return d.SwapSensors(a, b) }
	}
	for _, c := range []struct {
		name  string
		draft func(*testing.T) *Draft
		do    func(*Draft) error
		want  []string // differences; one that begins with "!" is an error
	}{
		{"gates", barnDraft, gates("band saw", "far end", false), []string{
			"Gate band saw: output was g0, is now g5; travel was 900 ms, is now 2.5 s; open switch was g0 open, is now g5 open; shut switch was not given, is now g5 shut.",
			"Gate far end: output was g5, is now g0; travel was 2.5 s, is now 900 ms; open switch was g5 open, is now g0 open; shut switch was g5 shut, is now not given.",
		}},
		{"switches stay", barnDraft, gates("band saw", "planer", true), []string{
			"Gate band saw: output was g0, is now g1.", "Gate planer: output was g1, is now g0.",
		}},
		{"the same gate", barnDraft, gates("planer", "planer", false), []string{`!"planer" with itself`}},
		{"no such gates", barnDraft, gates("x", "y", false), []string{`!no gate "x"`, `!no gate "y"`}},
		{"sensors", barnDraft, sensors("planer", "drum sander"), []string{
			"Machine planer: sensor was c1, is now c2.", "Machine drum sander: sensor was c2, is now c1.",
		}},
		{"a level goes with no channel to read it", list, sensors("saw", "planer"), []string{
			"Machine saw: sensor was c0, is now none; contact was none, is now p; start was 2 A, is now not given.",
			"Machine planer: sensor was none, is now c0; contact was p, is now none.",
		}},
		{"with the collector", list, sensors("collector", "saw"), []string{
			"Machine saw: sensor was c0, is now c7.", "The collector: sensor was c7, is now c0.",
		}},
		{"several sensors with the collector", list, sensors("both", "collector"), []string{"!not sensed by one transformer alone"}},
		{"the collector is not sensed", barnDraft, sensors("planer", "collector"), []string{"!not sensed"}},
		{"a machine to a free gate", barnDraft, gateOf("planer", "floor sweep", ""), []string{"Machine planer: hoods was B2, is now B5."}},
		{"two machines change places", barnDraft, gateOf("planer", "router", "router"), []string{
			"Machine planer: hoods was B2, is now B4.", "Machine router: hoods was B4, is now B2.",
		}},
		{"where it is", barnDraft, gateOf("planer", "planer", ""), []string{"!is at gate"}},
		{"a main", barnDraft, gateOf("planer", "far end", ""), []string{"!sits in a main"}},
		{"no duct", list, gateOf("saw", "planer", "planer"), []string{"!that of"}},
		{"no duct, own gate", list, gateOf("planer", "floor", "both"), []string{
			"Machine planer: gates was planer, main, is now floor, main.", "Machine both: gates was floor, saw, main, is now planer, saw, main.",
		}},
		{"a shared gate", list, gateOf("planer", "main", ""), []string{"!opens for"}},
		{"no such machine", list, gateOf("lathe", "main", ""), []string{`!no machine "lathe": it has "saw", "planer" and "both"`}},
	} {
		t.Run(c.name, func(t *testing.T) {
			from, to := c.draft(t), c.draft(t)
			err := c.do(to)
			got := Differences(from, to)
			if strings.HasPrefix(c.want[0], "!") {
				for _, w := range c.want {
					if err == nil || !strings.Contains(err.Error(), w[1:]) {
						t.Errorf("%v, want %q", err, w[1:])
					}
				}
				c.want = nil
			} else if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" && len(c.want)+len(got) > 0 {
				t.Error(diff)
			}
			if err == nil && strings.HasPrefix(c.name, "gates") { // once more, and it is as it was
				if err := c.do(to); err != nil {
					t.Fatal(err)
				}
				if d := Differences(from, to); len(d) > 0 {
					t.Error("swapped back:", d)
				}
			}
		})
	}
}
