package shopfiles

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
)

const demo = "../../../../testdata/demo"

func readFile(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// barn is the demo's shop, changed by replacing texts in pairs.
func barn(t *testing.T, replace ...string) *Base {
	t.Helper()
	rig, err := config.ParseRig("rig.toml", readFile(t, demo+"/rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	return &Base{File: "/owner/barn.toml", Text: []byte(strings.NewReplacer(replace...).Replace(string(readFile(t, demo+"/shops/barn.toml")))), Rig: rig}
}

// TestLevels: what was learned belongs to machine, sensor and supply together.
func TestLevels(t *testing.T) {
	// Levels that the file does not give.
	b := barn(t, `start     = "2.5 A"`, "", `stop      = "1.5 A"`, "")
	shop, err := config.ParseShop("barn.toml", b.Text, b.Rig)
	if err != nil {
		t.Fatal(err)
	}
	learnedOn := func(channel int, volts float64, when string) sensor.LearnedMachine {
		return sensor.LearnedMachine{Machine: "planer", Sensors: b.Rig.Sensors([]int{channel}), Volts: volts, Hertz: 60,
			Run: sensor.Level{Mean: 8}, Least: 6, Start: 3, Stop: 2, Margin: sensor.Wide, Learned: when}
	}
	const kept = "The levels that the file gives drum sander stay (start 1.5 A, stop 1 A). Look once that it shows more than that on c1 while it runs: on the page under Signals, or by kerfwind watch."
	for _, c := range []struct {
		name    string
		learned []sensor.LearnedMachine
		want    string
	}{
		{"nothing", nil, "Nothing was learned of planer on c2. Until kerfwind learn has done so, start 0.6 A, stop 0.4 A."},
		{"on the sensor before", []sensor.LearnedMachine{learnedOn(1, 240, "2026-01-01")}, "They are doubtful on c2 and not used: until kerfwind learn has learned them there, start 0.6 A, stop 0.4 A."},
		{"on the new sensor", []sensor.LearnedMachine{learnedOn(2, 240, "2026-01-02")}, "What was learned of planer on c2 2026-01-02 holds again."},
		{"on both", []sensor.LearnedMachine{learnedOn(1, 240, "2026-01-01"), learnedOn(2, 240, "2026-01-02")}, "What was learned of planer on c2 2026-01-02 holds again."},
		{"on the new sensor at another supply", []sensor.LearnedMachine{learnedOn(2, 120, "2026-01-02")}, "learned at 120 V and 60 Hz, the supply here is 240 V and 60 Hz. They are doubtful"},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := &sensor.Learned{Machines: c.learned}
			p, err := NewPlan(b, l, Swap{Sensors, "planer", "drum sander"})
			if err != nil {
				t.Fatal(err)
			}
			if !slices.ContainsFunc(p.Mind, func(s string) bool { return strings.Contains(s, c.want) }) || !slices.Contains(p.Mind, kept) {
				t.Errorf("%q", p.Mind)
			}
			// And so it is: the shop that is made uses what the plan says.
			made, err := config.ParseShop("made.toml", p.text, b.Rig)
			if err != nil {
				t.Fatal(err)
			}
			made.Learn(l)
			if holds := strings.Contains(c.want, "holds again"); (made.Machines[1].Start == 3) != holds {
				t.Errorf("start %g A", made.Machines[1].Start)
			}
		})
	}
	if shop.Machines[1].Name != "planer" {
		t.Fatal("the demo's machines are others")
	}
}

// TestRunOnFollows: a machine that moves to another branch has that branch's
// clear-out.
func TestRunOnFollows(t *testing.T) {
	b := barn(t, `length = "9 ft"`, `length = "90 ft"`)
	p, err := NewPlan(b, nil, Swap{GateOf, "planer", "router"})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(p.Changes, func(s string) bool { return strings.HasPrefix(s, "Run-on of planer: was ") }) {
		t.Errorf("%q", p.Changes)
	}
}

func TestRefusedPlans(t *testing.T) {
	b := barn(t)
	for want, s := range map[string]Swap{
		`no gate "x"`:      {Gates, "planer", "x"},
		"no such swap":     {0, "planer", "router"},
		"sits in a main":   {GateOf, "planer", "far end"},
		"nothing to swap":  {Sensors, "planer", "collector"},
		"hold together":    {Sensors, "planer", "router"}, // see below: the planer's level is above what c3 can read
		"\"planer\" with ": {Outputs, "planer", "planer"},
	} {
		base := b
		if want == "hold together" {
			base = barn(t, `start     = "2.5 A"`, `start     = "25 A"`)
		}
		if _, err := NewPlan(base, nil, s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: %v, want %q", s, err, want)
		}
	}
}

// TestKept: a swap is a new file that says what it came from; the owner's is
// left as it is.
func TestKept(t *testing.T) {
	folder, etc := t.TempDir(), t.TempDir()
	owner := filepath.Join(etc, "barn.toml")
	text := readFile(t, demo+"/shops/barn.toml")
	if err := os.WriteFile(owner, text, 0o600); err != nil {
		t.Fatal(err)
	}
	b := barn(t)
	b.File = owner
	swap := func(s Swap) state.ShopFile {
		t.Helper()
		p, err := NewPlan(b, nil, s)
		if err != nil {
			t.Fatal(err)
		}
		f, err := state.WriteShop(folder, p.name, p.Text("2026-11-25"))
		if err != nil {
			t.Fatal(err)
		}
		b.File, b.Text = f.Path(), readFile(t, At(folder, f.Path()))
		return f
	}
	swap(Swap{Gates, "planer", "router"})
	second := swap(Swap{Sensors, "planer", "router"})
	if second.Path() != "shops/the-barn.2.toml" {
		t.Error(second.Path())
	}
	if err := os.WriteFile(filepath.Join(folder, "shops", "odd.1.toml"), []byte("format = 9"), 0o600); err != nil {
		t.Fatal(err)
	}
	list, err := List(folder, etc)
	if err != nil {
		t.Fatal(err)
	}
	byName := map[string]Kept{}
	for _, k := range list {
		byName[k.Name] = k
	}
	k := byName["the-barn.2"]
	if k.Shop != "the barn" || k.How != "made by a swap on 2026-11-25: sensors of planer and router swapped" || k.Before != "shops/the-barn.1.toml" ||
		!slices.Equal(k.Changes, []string{"Machine planer: sensor was c1, is now c3.", "Machine router: sensor was c3, is now c1."}) {
		t.Errorf("%+v", k)
	}
	if k = byName["the-barn.1"]; k.Before != owner || len(k.Changes) != 2 {
		t.Errorf("%+v", k)
	}
	if k = byName["barn"]; !k.Owner || k.Before != "" || list[len(list)-1].Name != "barn" {
		t.Errorf("%+v", k)
	}
	if k = byName["odd.1"]; k.Trouble == nil {
		t.Errorf("%+v", k)
	}
	if !bytes.Equal(readFile(t, owner), text) {
		t.Error("the owner's file has changed")
	}
	if before, ok := Previous(folder, "shops/the-barn.2.toml"); !ok || before != "shops/the-barn.1.toml" {
		t.Error(before, ok)
	}
	if err := os.Remove(owner); err != nil {
		t.Fatal(err)
	}
	if before, ok := Previous(folder, "shops/the-barn.1.toml"); ok {
		t.Error(before, "is gone")
	}
	d, err := Differences(filepath.Join(folder, "shops/the-barn.2.toml"), filepath.Join(folder, "shops/the-barn.1.toml"))
	if err != nil || len(d) != 2 {
		t.Error(d, err)
	}
}

// TestHead: the text above a file says where it came from only if the program
// wrote it there.
func TestHead(t *testing.T) {
	for text, want := range map[string][2]string{
		"# Made by kerfwind at a move-in on 2026-11-25.\n# The shop before: /a b/c.toml\nformat = 1\n": {"made at a move-in on 2026-11-25", "/a b/c.toml"},
		"format = 1\n# The shop before: x\n": {"", ""},
		"# Mine.\nformat = 1\n":              {"", ""},
		"":                                   {"", ""},
	} {
		if how, before := head([]byte(text)); how != want[0] || before != want[1] {
			t.Errorf("%q: %q, %q", text, how, before)
		}
	}
}

// TestSecrets: what lies in the state folder is erased, what lies elsewhere or
// is a link is named.
func TestSecrets(t *testing.T) {
	folder, etc := t.TempDir(), t.TempDir()
	write := func(path string) string {
		t.Helper()
		if err := os.WriteFile(path, []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	words := write(filepath.Join(folder, "passwords.json"))
	broker := write(filepath.Join(folder, "broker-password"))
	cert := write(filepath.Join(folder, "page.crt"))
	outside := write(filepath.Join(etc, "mqtt-password"))
	target := write(filepath.Join(etc, "page.key"))
	link := filepath.Join(folder, "page.key")
	if err := os.Symlink(target, link); err != nil {
		t.Fatal(err)
	}
	s := &config.Shop{Rig: &config.Rig{
		MQTT:   &config.MQTT{PasswordFile: "mqtt-password", KeyFile: "gone.key"},
		Broker: &config.Broker{PasswordFile: broker},
		Page:   &config.Page{CertFile: cert, KeyFile: link},
	}}
	list, err := Secrets(folder, "passwords.json", s, func(p string) string {
		if filepath.IsAbs(p) {
			return p
		}
		return filepath.Join(etc, p)
	})
	if err != nil {
		t.Fatal(err)
	}
	want := []Secret{
		{words, "the page's passwords", true},
		{outside, "password to the broker", false},
		{broker, "password of kerfwind's own broker", true},
		{link, "key of the page's certificate", false},
	}
	if !slices.Equal(list, want) {
		t.Fatalf("%+v", list)
	}
	if err := Erase(list); err != nil {
		t.Fatal(err)
	}
	for path, there := range map[string]bool{words: false, broker: false, cert: true, outside: true, target: true, link: true} {
		if _, err := os.Lstat(path); (err == nil) != there {
			t.Errorf("%s: %v", path, err)
		}
	}
	if err := Erase(list); err == nil {
		t.Error("erased twice without a word")
	}
}

func TestWithNotices(t *testing.T) {
	etc := t.TempDir()
	b := barn(t)
	text := append(slices.Clone(b.Text), []byte("\n[[notice]]\nname = \"me\"\nurl = \"https://notices.example/key\"\n")...)
	for name, body := range map[string][]byte{"barn.toml": b.Text, "told.toml": text} {
		if err := os.WriteFile(filepath.Join(etc, name), body, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	list, err := List(t.TempDir(), etc)
	if err != nil {
		t.Fatal(err)
	}
	if got := WithNotices("", list); !slices.Equal(got, []string{filepath.Join(etc, "told.toml")}) {
		t.Error(got)
	}
}

// BenchmarkPlan is one of the swaps that the page works out at a tap.
func BenchmarkPlan(b *testing.B) {
	rig, err := config.LoadRig(demo + "/rig.toml")
	if err != nil {
		b.Fatal(err)
	}
	text, err := os.ReadFile(demo + "/shops/barn.toml")
	if err != nil {
		b.Fatal(err)
	}
	base := &Base{File: "/owner/barn.toml", Text: text, Rig: rig}
	for b.Loop() {
		if _, err := NewPlan(base, nil, Swap{Gates, "planer", "router"}); err != nil {
			b.Fatal(err)
		}
	}
}

// FuzzHead: whatever stands above a file is read, or not.
func FuzzHead(f *testing.F) {
	f.Add("# Made by kerfwind by a swap on 2026-11-25: x.\n# The shop before: shops/a.1.toml\n")
	f.Fuzz(func(t *testing.T, text string) {
		how, before := head([]byte(text))
		if strings.ContainsAny(how+before, "\n") {
			t.Errorf("%q %q", how, before)
		}
	})
}

// TestByHand lists what may hold a key and stays.
func TestByHand(t *testing.T) {
	folder, etc := t.TempDir(), t.TempDir()
	if list, err := ByHand(folder, etc, "movein.json", "audit.jsonl"); err != nil || len(list) != 0 {
		t.Errorf("nothing is there: %v, %v", list, err)
	}
	if err := errors.Join(os.Mkdir(filepath.Join(etc, "shops"), 0o750), os.Mkdir(filepath.Join(etc, "before-restore-1"), 0o750)); err != nil {
		t.Fatal(err)
	}
	for path, text := range map[string]string{
		filepath.Join(etc, "shops", "barn.toml"): string(readFile(t, demo+"/shops/barn.toml")) + "\n[[notice]]\nname = \"me\"\nurl = \"https://notices.example/key\"\n",
		filepath.Join(etc, "shops", "shed.toml"): "format = 1\nname = \"shed\"\n",
		filepath.Join(folder, "movein.json"):     "{}",
		filepath.Join(folder, "audit.jsonl"):     "",
	} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	list, err := ByHand(folder, etc, "movein.json", "audit.jsonl")
	if err != nil || len(list) != 4 {
		t.Fatalf("%q, %v", list, err)
	}
	for i, want := range []string{"barn.toml, addresses", "movein.json, a move-in", "before-restore-1, kept aside", "audit.jsonl, who changed"} {
		if !strings.Contains(list[i], want) {
			t.Errorf("%q, want %q", list[i], want)
		}
	}
}
