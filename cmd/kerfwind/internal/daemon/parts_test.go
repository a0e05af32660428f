package daemon

import (
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
			Part{Name: "stuck", Start: func(*Shop) (Watcher, error) {
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
		if st := x.Status(); st.Shop != "the shed" || !st.Ready || !x.heard("stuck: it does not end") {
			t.Errorf("%+v, %q", st, x.said)
		}
		close(release)
		x.stop()
	})
}

// A part that does not start keeps nothing from being served; one that starts
// late is closed.
func TestPartStartHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release, closed := make(chan struct{}), false
		x := begin(t, t.TempDir(), barn(t), nil, nil,
			Part{Name: "late", Start: func(*Shop) (Watcher, error) {
				<-release
				return Watcher{Observer: observe(func() { t.Error("what was left behind is told") }), Close: func() error { closed = true; return nil }}, nil
			}})
		time.Sleep(time.Minute)
		if st := x.Status(); !st.Ready || !x.heard("late: it did not start within 10s") {
			t.Errorf("%+v, %q", st, x.said)
		}
		close(release)
		synctest.Wait()
		if !closed {
			t.Error("it was not closed")
		}
		x.stop()
	})
}
