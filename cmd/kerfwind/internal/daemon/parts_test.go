package daemon

import (
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/config"
)

// A part that does not end does not keep the next shop from being served.
func TestPartHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		x := begin(t, t.TempDir(), barn(t), func(Choice) (*config.Shop, error) { return barn(t, `"the barn"`, `"the shed"`), nil }, nil,
			Part{Name: "stuck", Start: func(*Host) (Watcher, error) {
				return Watcher{Observer: observe(func() {}), Close: func() error { <-release; return nil }}, nil
			}})
		time.Sleep(time.Second)
		x.Reload()
		for range 200 { // it comes to rest first
			if st := x.Status(); st.Shop == "the shed" && st.Ready {
				break
			}
			time.Sleep(time.Second)
		}
		time.Sleep(15 * time.Second)
		if st := x.Status(); st.Shop != "the shed" || !st.Ready || !x.heard("stuck: it does not end") {
			t.Errorf("%+v, %q", st, x.said)
		}
		close(release)
		x.stop()
	})
}

// Parts that hang at their start keep nothing from being served, at the start and at a
// reload: the first machine is served at the same instant as without them. One that
// starts late works from then on, and is closed.
func TestPartStartHangs(t *testing.T) {
	served := map[bool][]time.Duration{}
	for _, hang := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			release := make(chan struct{})
			var closed, observed atomic.Int64
			late := func(*Host) (Watcher, error) {
				if hang {
					<-release
				}
				return Watcher{Observer: observe(func() { observed.Add(1) }), Close: func() error { closed.Add(1); return nil }}, nil
			}
			began := time.Now()
			x := begin(t, t.TempDir(), barn(t), func(Choice) (*config.Shop, error) { return barn(t, `"the barn"`, `"the shed"`), nil }, nil,
				Part{Name: "late", Start: late}, Part{Name: "later", Start: late})
			until := func(what string, yes func() bool) {
				t.Helper()
				for range 3000 {
					if yes() {
						served[hang] = append(served[hang], time.Since(began))
						return
					}
					time.Sleep(100 * time.Millisecond)
				}
				t.Fatalf("never %s: %+v, %q", what, x.Status(), x.said)
			}
			until("it is ready", func() bool { return x.Status().Ready })
			until("a machine is served", func() bool { return x.happened("collector-on") == 1 })
			if hang && (x.heard("late: it has not started within 10s") != x.heard("later: it has not started within 10s") || x.Status().Parts[1].State != "down") {
				t.Errorf("%+v, %q", x.Status(), x.said)
			}
			x.Reload()
			until("the next shop", func() bool { st := x.Status(); return st.Shop == "the shed" && st.Ready })
			until("a machine of the next shop is served", func() bool { return x.happened("collector-on") == 2 })
			close(release)
			time.Sleep(time.Minute)
			if st := x.Status(); observed.Load() == 0 || st.Parts[1].State != "well" || hang && closed.Load() != 2 {
				t.Errorf("one that starts late: told %d times, %+v; %d closed", observed.Load(), st.Parts, closed.Load())
			}
			x.stop()
			if closed.Load() != 4 {
				t.Errorf("%d closed", closed.Load())
			}
		})
	}
	t.Logf("ready, first machine, next shop ready, its first machine: after %v", served[true])
	if !slices.Equal(served[false], served[true]) {
		t.Errorf("served after %v with parts that hang, after %v without", served[true], served[false])
	}
}
