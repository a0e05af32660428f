package daemon

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/config"
	"kerfwind/control/duct"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// The drum sander runs for a minute. What it leaves in the mains is in the state,
// and still there after a restart.
func TestSettledOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		text := strings.NewReplacer("band saw", "drum sander", "on c0:", "on c2:", "12s", "60s").Replace(short)
		script, err := trace.ParseScript("sander", strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		folder := t.TempDir()
		wall := time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)
		day := func(o *Options) {
			o.State = folder
			o.Wall = func() (time.Time, bool) { return wall, true }
			o.Rig.Sources = func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
				return simrig.New(script, 1).Sources(r, now)
			}
		}
		settled := func(x *trial) []seam.Settled {
			st, err := x.Door(seam.Console).State(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			return st.Air.Settled
		}
		x := beginWith(t, day, barn(t))
		time.Sleep(15 * time.Second)
		if got := settled(x); got != nil {
			t.Errorf("before anything ran: %+v", got)
		}
		time.Sleep(85 * time.Second)
		settled(x) // how to clear it is worked out on demand
		synctest.Wait()
		got := settled(x)
		if len(got) != 2 || got[0].Duct != "T2" || got[1].Duct != "T3" || got[0].Slow < 50*time.Second || got[0].Slow > time.Minute || got[0].Lift <= got[0].Needs || got[1].Last != wall ||
			got[1].Clear == nil || got[1].Clear.Open != 0b1010 || !strings.HasPrefix(got[1].Words, "chips probably lie in T3: ") {
			t.Errorf("after a minute: %+v", got)
		}
		if st := x.Status(); len(st.Ducts) != 2 || st.Ducts[1].Name != "T3" || st.Ducts[1].State != got[1].Words {
			t.Errorf("status: %+v", st.Ducts)
		}
		x.stop()
		x = beginWith(t, day, barn(t))
		time.Sleep(5 * time.Second)
		settled(x)
		synctest.Wait()
		again := settled(x)
		if len(again) != 2 || again[0].Slow != got[0].Slow.Round(time.Millisecond) || again[1].Words != got[1].Words {
			t.Errorf("after a restart: %+v", again)
		}
		topic, page := x.Door(seam.Topic), x.Door(seam.Page)
		if err := topic.Cleared(t.Context(), "T3"); err == nil || len(settled(x)) != 2 {
			t.Errorf("by a topic: %v", err)
		}
		if err := page.Cleared(t.Context(), "T9"); err == nil || !strings.Contains(err.Error(), `no duct "T9"`) {
			t.Errorf("a duct that is not there: %v", err)
		}
		if err := page.Cleared(t.Context(), "T3"); err != nil {
			t.Error(err)
		}
		if got := settled(x); len(got) != 1 || got[0].Duct != "T2" {
			t.Errorf("after T3 was cleared: %+v", got)
		}
		x.stop()
	})
}

// The file is read back as it was written; another shop, another piece and what is
// no figure are not believed.
func TestSettledFile(t *testing.T) {
	s := barn(t)
	list := []rig.Lying{{Piece: 5, Lying: duct.Lying{Slow: 90 * time.Second, Least: 12, Needs: 20, Swept: 3 * time.Second}, Last: time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)},
		{Piece: 7, Lying: duct.Lying{Slow: time.Hour, Least: 17, Needs: 28}}}
	text, err := settledText(s, list)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := readSettled(text, s); err != nil || !slices.Equal(got, list) {
		t.Errorf("%+v, %v; want %+v", got, err, list)
	}
	for _, c := range []struct {
		name, old, new string
		pieces         int // -1: an error
	}{
		{"another shop", `"the barn"`, `"the attic"`, 0},
		{"a piece of another name", `"T1"`, `"M1"`, 1},
		{"a piece of another size", `"diameter": 0.127`, `"diameter": 0.15`, 1},
		{"another format", `"format": 1`, `"format": 2`, -1},
		{"less than none", `"slow": 90`, `"slow": -90`, -1},
		{"longer than anything", `"slow": 90`, `"slow": 1e300`, -1},
		{"swept for good", `"swept": 3`, `"swept": 30`, -1},
		{"no need", `"needs": 28`, `"needs": 0`, -1},
		{"cut", `}`, ``, -1},
	} {
		bad := strings.Replace(string(text), c.old, c.new, 1)
		if bad == string(text) {
			t.Fatalf("%s: nothing is replaced in %s", c.name, text)
		}
		got, err := readSettled([]byte(bad), s)
		if (err != nil) != (c.pieces < 0) || len(got) != max(c.pieces, 0) {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
	}
}

// What is damaged is said, and the shop runs.
func TestSettledDamaged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		if err := os.WriteFile(filepath.Join(folder, settledFile), []byte("{"), 0o600); err != nil {
			t.Fatal(err)
		}
		x := beginWith(t, func(o *Options) { o.State = folder }, barn(t))
		time.Sleep(5 * time.Second)
		if !x.heard("notice: settled.json: ") || !x.Status().Ready {
			t.Errorf("%q", x.said)
		}
		x.stop()
	})
}

func FuzzReadSettled(f *testing.F) {
	s := barn(f)
	text, err := settledText(s, []rig.Lying{{Piece: 5, Lying: duct.Lying{Slow: time.Minute, Least: 12, Needs: 20}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"format":1,"shop":"the barn","pieces":[{}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		list, err := readSettled(text, s)
		if err != nil {
			return
		}
		for _, x := range list {
			if x.Slow <= 0 || x.Swept < 0 || x.Swept >= duct.SweepTime || x.Piece >= len(s.Duct().Segments) {
				t.Errorf("%+v", x)
			}
		}
		if _, err := settledText(s, list); err != nil {
			t.Error(err)
		}
	})
}
