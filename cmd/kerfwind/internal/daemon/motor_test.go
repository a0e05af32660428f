package daemon

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/config"
	"kerfwind/control"
)

// The start budget and the minimum time off hold over a reload, and nothing
// waits as after a power cut.
func TestReloadBudget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := begin(t, t.TempDir(), barn(t), func(Choice) (*config.Shop, error) { return barn(t), nil }, nil)
		time.Sleep(25 * time.Second) // the saw runs
		before := x.Status().StartsIn
		x.Reload()
		for range 600 { // far more than run-on, minimum time on and coast take
			if x.heard("take effect") {
				break
			}
			time.Sleep(time.Second)
		}
		time.Sleep(time.Second)
		st := x.Status()
		if before < 1 || st.StartsIn != before || st.T > 2.5 {
			t.Errorf("%d starts left before the reload, %d after, at %v s", before, st.StartsIn, st.T)
		}
		if st.Collector.Why == "the power has just returned" || x.session().live.Snapshot().Collector.Why.Cause == control.ByPowerUp {
			t.Errorf("%+v", st.Collector)
		}
		x.stop()
	})
}

// What an earlier run of the program knew counts in the same boot only; one
// that was killed while the collector was on has just switched it off.
func TestMotorFile(t *testing.T) {
	folder := t.TempDir()
	boot, now := "a", 100*time.Second
	clock := func() (string, time.Duration) { return boot, now }
	var notices []string
	open := func() *motor {
		return newMotor(folder, clock, func(err error) { notices = append(notices, err.Error()) })
	}
	switched := func(m *motor, k control.EventKind) {
		m.Observe(nil, []control.Event{{Kind: control.GateOpening}, {Kind: k}})
		if err := m.write(); err != nil {
			t.Fatal(err)
		}
	}
	const minOff = 90 * time.Second
	is := func(m *motor, speed float64, want control.Past) {
		t.Helper()
		if got := m.past(minOff, speed); !reflect.DeepEqual(got, want) {
			t.Errorf("%+v, want %+v", got, want)
		}
	}
	m := open()
	is(m, 1, control.Past{})
	switched(m, control.CollectorIsOn)
	now += 30 * time.Second
	switched(m, control.CollectorIsOff)
	now += 10 * time.Second
	want := control.Past{Starts: []time.Duration{40 * time.Second}, MinOff: 80 * time.Second}
	is(m, 1, want)
	is(m, 2, control.Past{Starts: []time.Duration{80 * time.Second}, MinOff: 70 * time.Second})
	is(open(), 1, want)
	switched(m, control.CollectorIsOn) // and killed
	now += 20 * time.Second
	is(open(), 1, control.Past{Starts: []time.Duration{60 * time.Second, 20 * time.Second}, MinOff: minOff})
	now += time.Hour
	is(m, 1, control.Past{Starts: []time.Duration{time.Hour + 60*time.Second, time.Hour + 20*time.Second}})
	for range 2 * control.MaxStarts {
		switched(m, control.CollectorIsOn)
	}
	if n := len(open().past(minOff, 1).Starts); n != control.MaxStarts {
		t.Errorf("%d starts are kept", n)
	}
	boot = "b"
	is(open(), 1, control.Past{})
	if len(notices) != 0 {
		t.Errorf("%q", notices)
	}
	for _, bad := range []string{"", "{", `{"format":2}`} {
		if err := os.WriteFile(filepath.Join(folder, motorFile), []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		notices = nil
		is(open(), 1, control.Past{})
		if len(notices) != 1 || !strings.Contains(notices[0], "do not count") {
			t.Errorf("%q: %q", bad, notices)
		}
	}
}

// A shop that is closed homes nothing and tells of a machine that runs; its
// hours are those of a clock that can be trusted, and take effect within a second
// or two.
func TestHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		opens := began.Add(50 * time.Second)
		var trusted atomic.Bool
		x := beginWith(t, func(o *Options) {
			o.Wall = func() (time.Time, bool) {
				now := time.Date(2026, 11, 23, 7, 0, 0, 0, time.UTC).Add(time.Since(opens))
				return now, trusted.Load()
			}
		}, barn(t, "[collector]", "[hours]\nopen = \"07:00\"\nclose = \"19:00\"\n\n[collector]"))
		time.Sleep(3 * time.Second)
		if x.Status().Closed {
			t.Error("closed by a clock that may be wrong")
		}
		trusted.Store(true)
		time.Sleep(3 * time.Second)
		if !x.Status().Closed || x.happened("shop-closed") != 1 {
			t.Errorf("open before seven: %q", x.events)
		}
		if a := x.ask("test-open", "planer"); a.Refused == "" {
			t.Errorf("%+v: a test move in a closed shop", a)
		}
		time.Sleep(25*time.Second - time.Since(began)) // the saw runs
		if n := x.happened("closed-shop-run"); n != 1 || x.happened("collector-on") != 1 {
			t.Errorf("%q", x.events)
		}
		time.Sleep(53*time.Second - time.Since(began))
		if x.Status().Closed || x.happened("shop-open") != 1 {
			t.Errorf("closed after seven: %q", x.events)
		}
		x.stop()
	})
}
