package live

import (
	"os"
	"path/filepath"
	"testing"

	"kerfwind/config"
	"kerfwind/control"
)

// TestLine: a line is drawn over the one before, and taken away at the end; on what
// is no terminal nothing is drawn.
func TestLine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	none := NewLine(file)
	none.Show(func() string { t.Error("asked for"); return "" })
	none.End()
	l := &Line{w: file}
	l.Show(func() string { return "half" })
	l.Show(func() string { t.Error("asked for so soon"); return "" })
	l.End()
	l.End()
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(path); err != nil || string(got) != "\rhalf\r    \r" {
		t.Errorf("%q, %v", got, err)
	}
}

// TestSensorsOf names what each channel stands for.
func TestSensorsOf(t *testing.T) {
	r := &config.Rig{Channels: []config.Channel{{Name: "c0"}, {Name: "planer"}, {Name: "c2"}, {Name: "c3"}, {Name: "c4"}}}
	s := &config.Shop{Rig: r, Machines: []config.Machine{{Name: "saw"}, {Name: "planer"}}, Circuits: []config.Circuit{{Name: "north wall"}}}
	use := func(machine, collector control.ID, circuits ...control.ID) config.ChannelUse {
		u := config.ChannelUse{Machine: machine, Collector: collector, Circuits: circuits}
		u.Start, u.Stop = 2, 1
		return u
	}
	none := control.NoID
	got := SensorsOf(s, []config.ChannelUse{use(0, none), use(1, none), use(none, 0), use(none, none, 0), use(none, none)})
	for i, want := range []Sensor{
		{Label: "c0", Use: "saw", Start: 2, Stop: 1}, {Label: "planer", Start: 2, Stop: 1}, {Label: "c2", Use: "collector", Start: 2, Stop: 1},
		{Label: "c3", Use: "circuit north wall"}, {Label: "c4"},
	} {
		if got[i] != want {
			t.Errorf("%+v, want %+v", got[i], want)
		}
	}
}

func TestHowFar(t *testing.T) {
	if a, b := HowFar("reading", 1, 3), HowFar("reading", 5<<20, 0); a != "reading 33 %" || b != "reading 5 MiB" {
		t.Error(a, b)
	}
}
