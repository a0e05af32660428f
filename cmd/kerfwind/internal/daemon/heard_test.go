package daemon

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// plays makes the rig's converters play a script.
func plays(t *testing.T, o *Options, text string) {
	t.Helper()
	script, err := trace.ParseScript("heard", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	o.Rig.Sources = func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
		return simrig.New(script, 1).Sources(r, now)
	}
}

// hears is what the daemon says of crosstalk.
func (x *trial) hears() []string {
	x.t.Helper()
	st, err := x.Door(seam.Console).State(x.t.Context())
	if err != nil {
		x.t.Fatal(err)
	}
	return st.Hears
}

// TestPairsKept: what one channel hears of another in ordinary use is said, kept with
// the sensors, and known at once after a restart, behind somebody's bench and in
// another shop, until a channel is calibrated again. All four others have been heard; that
// three hear nothing is kept of them too.
func TestPairsKept(t *testing.T) {
	loud := strings.Replace(short, "channel c1: 30 A : 1 V, noise 1 counts", "channel c1: 30 A : 1 V, noise 1 counts, crosstalk 4 % of c0", 1)
	quiet, _, _ := strings.Cut(short, "machine ")
	const words = "c1 hears 4 % of c0: move the clamp or the cable"
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		next := func() *config.Shop { return barn(t) }
		start := func(text string) *trial {
			return beginWith(t, func(o *Options) {
				o.State = folder
				o.Load = func(Choice) (*config.Shop, error) { return next(), nil }
				plays(t, o, text)
			}, next())
		}
		x := start(loud)
		time.Sleep(15 * time.Second)
		if got := x.hears(); len(got) != 0 {
			t.Errorf("before anything ran: %q", got)
		}
		time.Sleep(30 * time.Second)
		if got := x.hears(); !slices.Equal(got, []string{words}) {
			t.Errorf("%q", got)
		}
		time.Sleep(hearsEach)
		x.stop()
		l, err := state.ReadLearned(folder)
		if err != nil || len(l.Pairs) != 4 || l.Pairs[0].Size() < 0.035 || l.Pairs[0].Size() > 0.045 || !strings.HasPrefix(l.Pairs[0].Channel, "c1: ") || l.Pairs[0].Amps < 8 {
			t.Fatalf("%+v, %v", l.Pairs, err)
		}

		x = start(quiet)
		known := func(when string, want int) {
			t.Helper()
			time.Sleep(2 * time.Second)
			if got := x.hears(); len(got) != want || want > 0 && got[0] != words {
				t.Errorf("%s: %q", when, got)
			}
		}
		known("after a restart", 1)
		b, err := x.Door(seam.Page).Bench(t.Context(), seam.BenchWish{Text: shopText(t, "bench"), For: time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		x.until("the bench", func(s *seam.State) bool { return s.Shop.Bench && s.Ready })
		known("on a bench", 1)
		if _, err := x.Door(seam.Page).Bench(t.Context(), seam.BenchWish{Lease: b.Lease}); err != nil {
			t.Fatal(err)
		}
		x.until("the shop before", func(s *seam.State) bool { return !s.Shop.Bench && s.Ready })
		known("after a bench", 1)
		next = func() *config.Shop { return barn(t, `"the barn"`, `"the shed"`) }
		x.Reload()
		x.until("another shop", func(s *seam.State) bool { return s.Shop.Name == "the shed" && s.Ready })
		known("in another shop", 1)
		x.stop()

		next = func() *config.Shop {
			s := barn(t)
			s.Rig.Channels[0].Turns++
			return s
		}
		x = start(quiet)
		known("with a turn more", 0)
		x.stop()
	})
}
