package config_test

import (
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

var rewrite = flag.Bool("rewrite", false, "write the expected texts anew")

const folder = "../testdata/config/"

// golden compares text with the file of that name, or writes it.
func golden(t *testing.T, name, text string) {
	t.Helper()
	if *rewrite {
		if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatalf("%v (run the test with -rewrite)", err)
	}
	if text != string(want) {
		t.Errorf("%s differs; got:\n%s", name, text)
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func mustRig(t *testing.T, name, text string) *config.Rig {
	t.Helper()
	r, err := config.ParseRig(name, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func mustShop(t *testing.T, name, text string, r *config.Rig) *config.Shop {
	t.Helper()
	s, err := config.ParseShop(name, []byte(text), r)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// described is what check prints.
func described(r *config.Rig, s *config.Shop) string {
	text := r.Describe() + s.Describe() + "Warnings\n"
	for _, p := range append(append([]config.Problem(nil), r.Warnings...), s.Warnings...) {
		text += p.String() + "\n"
	}
	return text
}

// usable fails where the state machine or a detector refuses what the files say.
func usable(t *testing.T, s *config.Shop) {
	t.Helper()
	p := s.Control()
	if err := p.Validate(); err != nil {
		t.Errorf("control refuses %s: %v", s.File, err)
	}
	for _, params := range append(s.Sensor(), s.SensorAmps()...) {
		if _, err := sensor.New(params); err != nil {
			t.Errorf("sensor refuses %s: %v", s.File, err)
		}
	}
}

// Every file that should be read is read, and means what its golden text says.
func TestValid(t *testing.T) {
	rigs, err := filepath.Glob(folder + "valid/rig-*.toml")
	if err != nil || len(rigs) == 0 {
		t.Fatal("no rigs", err)
	}
	for _, path := range rigs {
		name := strings.TrimSuffix(strings.TrimPrefix(filepath.Base(path), "rig-"), ".toml")
		t.Run(name, func(t *testing.T) {
			r := mustRig(t, "rig.toml", string(read(t, path)))
			s := mustShop(t, "shops/"+name+".toml", string(read(t, folder+"valid/shop-"+name+".toml")), r)
			usable(t, s)
			golden(t, folder+"valid/"+name+".check", described(r, s))
		})
	}
}

func TestDemo(t *testing.T) {
	r := mustRig(t, "rig.toml", string(read(t, "../testdata/demo/rig.toml")))
	s := mustShop(t, "shops/barn.toml", string(read(t, "../testdata/demo/shops/barn.toml")), r)
	usable(t, s)
	golden(t, folder+"valid/demo.check", described(r, s))
}

// Every file that should be refused is, with the message beside it.
func TestInvalid(t *testing.T) {
	rig := mustRig(t, "rig.toml", string(read(t, folder+"valid/rig-full.toml")))
	files, err := filepath.Glob(folder + "invalid/*.toml")
	if err != nil || len(files) == 0 {
		t.Fatal("no files", err)
	}
	for _, path := range files {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			data := read(t, path)
			var err error
			if strings.HasPrefix(name, "rig-") {
				_, err = config.ParseRig(name, data)
			} else {
				_, err = config.ParseShop(name, data, rig)
			}
			var list config.Errors
			if !errors.As(err, &list) {
				t.Fatalf("got %v, want Errors", err)
			}
			lines := strings.Count(string(data), "\n")
			for _, p := range list {
				if p.File != name || p.Line < 1 || p.Line > lines+1 || p.Column < 1 || p.Message == "" || p.Remedy == "" {
					t.Errorf("place, message or remedy is missing: %+v", p)
				}
			}
			golden(t, strings.TrimSuffix(path, ".toml")+".want", err.Error()+"\n")
		})
	}
}

func TestUnreadable(t *testing.T) {
	dir := t.TempDir()
	var list config.Errors
	if _, err := config.LoadRig(filepath.Join(dir, "none.toml")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
	if _, err := config.LoadRig(dir); !errors.As(err, &list) || !strings.Contains(err.Error(), "folder") {
		t.Errorf("folder: %v", err)
	}
	large := filepath.Join(dir, "large.toml")
	if err := os.WriteFile(large, make([]byte, 1<<20+1), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := config.LoadShop(large, &config.Rig{}); !errors.As(err, &list) || !strings.Contains(err.Error(), "1 MiB") {
		t.Errorf("large file: %v", err)
	}
	rig, err := config.LoadRig(folder + "valid/rig-small.toml")
	if err != nil {
		t.Fatal(err)
	}
	shop, err := config.LoadShop(folder+"valid/shop-small.toml", rig)
	if err != nil || shop.Name != "shop-small" {
		t.Errorf("small shop: %v, %v", shop, err)
	}
}

// More tables than control takes are refused with the line of the first too many.
func TestTooMany(t *testing.T) {
	rig := mustRig(t, "rig.toml", string(read(t, folder+"valid/rig-small.toml")))
	text := string(read(t, folder+"valid/shop-empty.toml"))
	for range control.MaxCircuits + 1 {
		text += "[[circuit]]\nname = \"x\"\nbreaker = \"16 A\"\n"
	}
	_, err := config.ParseShop("shop.toml", []byte(text), rig)
	if err == nil || !strings.Contains(err.Error(), "33 tables \"circuit\": at most 32") {
		t.Errorf("got %v", err)
	}
}

// The short form that the files are meant to have, all tables on one line each.
func TestShortForm(t *testing.T) {
	rig := mustRig(t, "rig.toml", `
format   = 1
adc      = [{ name="a", chip="mcp3208", port="/dev/spidev0.0", rate="2 kHz" }]
channel  = [{ name="c0", adc="a", input=0, ratio="30 A : 1 V", turns=1 }, { name="c7", adc="a", input=7, ratio="30 A : 1 V" }]
contact  = [{ name="bin door", chip="pinctrl-bcm2835", line=22, closed="ok", kind="stop" }]
actuator = [{ name="g0", kind="servo", bus="/dev/i2c-1", output=0 }, { name="k0", kind="relay", chip="pinctrl-bcm2835", line=17 },
            { name="k1", kind="topic", topic="barn/air cleaner/set" }]
mqtt     = { broker="tcp://broker.local:1883" }
`)
	shop := mustShop(t, "barn.toml", `
format   = 1
units    = "imperial"
mains    = { frequency="60 Hz", voltage="240 V" }
circuit  = [{ name="north wall", breaker="20 A" }]
machine  = [{ name="planer", channels=["c0"], circuit="north wall", gates=["planer"], coast="8 s", rank=1, start="900 mA" }]
gate     = [{ name="planer", actuator="g0", duct="B1", travel="900 ms" }]
duct     = [{ name="B1", to="T1", diameter="4 in", length="3.6 m", kind="hose" }, { name="T1", to="collector", diameter="6 in", length="12 ft", kind="spiral" }]
collector = { actuator="k0", channel="c7", coast="20 s", starts_per_hour=6, min_on="60 s", min_off="90 s" }
outlet   = [{ name="air cleaner", actuator="k1", follows=["planer"], run_on="20 min" }]
`, rig)
	usable(t, shop)
	m, c := shop.Machines[0], shop.Collector
	if m.Start != 0.9 || math.Abs(m.Stop-0.6) > 1e-12 || c.Start != 1 || c.Stop != 0.6 || len(m.Gates) != 1 || m.RunOn != 18*time.Second {
		t.Errorf("machine %+v, collector %+v", m, c)
	}
}

// A choice about the bin needs a contact that tells its level.
func TestNoBin(t *testing.T) {
	rig := mustRig(t, "rig.toml", string(read(t, folder+"valid/rig-small.toml")))
	text := string(read(t, folder+"valid/shop-small.toml"))
	_, err := config.ParseShop("shop.toml", []byte(text+"limits = { bin_full = \"no new start\" }\n"), rig)
	if err == nil || !strings.Contains(err.Error(), "shop.toml:8:12: limits: the rig has no contact that tells the bin's level") {
		t.Errorf("got %v", err)
	}
}

func FuzzParseRig(f *testing.F) {
	seeds(f, "rig-*.toml")
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := config.ParseRig("rig.toml", data)
		if (r == nil) == (err == nil) {
			t.Fatalf("rig %v, error %v", r, err)
		}
		if err != nil {
			places(t, err, data)
			return
		}
		r.Describe()
		usable(t, config.StandIn(r, config.StandInOptions{}))
	})
}

func FuzzParseShop(f *testing.F) {
	seeds(f, "shop-*.toml")
	rig, err := config.LoadRig(folder + "valid/rig-full.toml")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := config.ParseShop("shop.toml", data, rig)
		if (s == nil) == (err == nil) {
			t.Fatalf("shop %v, error %v", s, err)
		}
		if err != nil {
			places(t, err, data)
			return
		}
		s.Describe()
		usable(t, s)
	})
}

func seeds(f *testing.F, pattern string) {
	for _, dir := range []string{"valid/", "invalid/"} {
		files, err := filepath.Glob(folder + dir + pattern)
		if err != nil || len(files) == 0 {
			f.Fatal("no seeds", err)
		}
		for _, path := range files {
			data, err := os.ReadFile(path)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
}

// places fails unless every problem has a place within the file.
func places(t *testing.T, err error, data []byte) {
	t.Helper()
	var list config.Errors
	if !errors.As(err, &list) || len(list) == 0 {
		t.Fatalf("no list of problems: %v", err)
	}
	for _, p := range list {
		if p.Line < 1 || p.Line > strings.Count(string(data), "\n")+1 || p.Column < 1 {
			t.Fatalf("place %d:%d is not in the file", p.Line, p.Column)
		}
	}
}
