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
