package porter

import (
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"sync/atomic"
)

// Names are those under which a listener may be asked for, besides addresses.
// Others are refused: a page elsewhere may point a name of its own at this
// computer, and a browser would take the two for one origin.
type Names struct {
	names atomic.Pointer[map[string]bool]
}

// Set allows this computer's own names and some more.
func (n *Names) Set(hosts ...string) {
	names := map[string]bool{"localhost": true}
	if h, err := os.Hostname(); err == nil {
		h = strings.ToLower(h)
		first, _, _ := strings.Cut(h, ".")
		names[h], names[first], names[first+".local"] = true, true, true
	}
	for _, h := range hosts {
		names[strings.ToLower(strings.TrimSuffix(h, "."))] = true
	}
	n.names.Store(&names)
}

// Allow reports whether a Host header names this computer.
func (n *Names) Allow(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	} else {
		name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	}
	if a, err := netip.ParseAddr(name); err == nil {
		return a.Zone() == ""
	}
	names := n.names.Load()
	return names != nil && (*names)[strings.ToLower(strings.TrimSuffix(name, "."))]
}

// Guard refuses requests under a foreign name before h sees them. remedy ends
// what the visitor is told.
func (n *Names) Guard(h http.Handler, remedy string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !n.Allow(r.Host) {
			http.Error(w, "Refused: nothing is served under this name. "+remedy, http.StatusMisdirectedRequest)
			return
		}
		h.ServeHTTP(w, r)
	})
}
