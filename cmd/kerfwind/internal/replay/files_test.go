package replay

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/sensor/trace"
)

const demoFolder = "../../../../testdata/demo"

// demoFiles are those of the demo.
func demoFiles() Files {
	return Files{Recordings: []string{demoFolder + "/barn.flac"}, Rig: demoFolder + "/rig.toml", Shop: demoFolder + "/shops/barn.toml", Plant: demoFolder + "/plant.txt"}
}

// TestPrinter prints the demo's day, sums it up, and draws it.
func TestPrinter(t *testing.T) {
	for _, asJSON := range []bool{false, true} {
		f, o := demoFiles(), Options{PowerUp: true}
		closed, err := f.Load(&o, trace.Options{})
		defer closed()
		if err != nil {
			t.Fatal(err)
		}
		r, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		var out, svg strings.Builder
		p := NewPrinter(&out, r, asJSON)
		cleared := 0
		p.Clear, p.Keep = func() { cleared++ }, true
		pic := r.Picture()
		end, err := r.Run(t.Context(), pic.Reading, func(now time.Duration) error { pic.Second(now); return p.Err }, p, pic)
		p.End(end, true)
		if err := errors.Join(err, p.Err, pic.Write(&svg, end, "the demo")); err != nil {
			t.Fatal(err)
		}
		n := strings.Count(out.String(), "\n")
		if cleared == 0 || len(p.Lines) < 20 || asJSON && n != len(p.Lines) || !strings.Contains(svg.String(), "the demo") {
			t.Errorf("%d lines of %d", n, len(p.Lines))
		}
		for _, want := range []string{"end of the recording", "a machine starts at"} {
			if strings.Contains(out.String(), want) == asJSON {
				t.Errorf("JSON %v, %q:\n%s", asJSON, want, out.String())
			}
		}
	}
}

// full takes nothing.
type full struct{}

func (full) Write([]byte) (int, error) { return 0, io.ErrShortWrite }

// TestPrinterFull: what cannot be written ends the replay.
func TestPrinterFull(t *testing.T) {
	f, o := demoFiles(), Options{PowerUp: true}
	closed, err := f.Load(&o, trace.Options{})
	defer closed()
	if err != nil {
		t.Fatal(err)
	}
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	p := NewPrinter(full{}, r, true)
	if _, err := r.Run(t.Context(), nil, func(time.Duration) error { return p.Err }, p); !errors.Is(err, io.ErrShortWrite) {
		t.Error(err)
	}
}

// TestLoad: all that is wrong is reported at once; learned levels take effect also
// where no shop is named.
func TestLoad(t *testing.T) {
	bad := Files{Recordings: []string{"gone.wav"}, Rig: demoFolder + "/rig.toml", Shop: "gone.toml", Plant: "gone.txt"}
	closed, err := bad.Load(&Options{}, trace.Options{})
	closed()
	for _, name := range []string{"gone.wav", "gone.toml", "gone.txt"} {
		if err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s is not named: %v", name, err)
		}
	}
	dir := t.TempDir()
	f := demoFiles()
	f.Shop, f.Plant, f.State = "", "", dir
	var o Options
	if closed, err = f.Load(&o, trace.Options{}); err != nil || o.Shop == nil {
		t.Errorf("%v, %+v", err, o)
	}
	closed()
	if err := os.WriteFile(filepath.Join(dir, state.LearnedFile), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if closed, err = f.Load(&o, trace.Options{}); err == nil || !strings.Contains(err.Error(), "learn again") {
		t.Error(err)
	}
	closed()
	f.Rig = "gone.toml"
	if closed, err = f.Load(&o, trace.Options{}); err == nil || strings.Contains(err.Error(), "learn again") {
		t.Errorf("learned levels are read without a rig: %v", err)
	}
	closed()
}

func TestParseStandIn(t *testing.T) {
	o, err := ParseStandIn("0.6 A", "0.4 A", "0 s", "50 Hz")
	if err != nil || o.Start != 0.6 || o.Stop != 0.4 || o.StopHold >= 0 || o.Mains != 50 {
		t.Errorf("%+v, %v", o, err)
	}
	if o, err := ParseStandIn("", "", "1 s", ""); err != nil || o.StopHold != time.Second {
		t.Errorf("%+v, %v", o, err)
	}
	for _, x := range [][4]string{{"much", "", "", ""}, {"", "0 A", "", ""}, {"", "", "soon", ""}, {"", "", "-1 s", ""}, {"", "", "", "-50 Hz"}} {
		if _, err := ParseStandIn(x[0], x[1], x[2], x[3]); err == nil {
			t.Errorf("%q was taken", x)
		}
	}
}
