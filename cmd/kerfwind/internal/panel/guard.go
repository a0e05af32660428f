package panel

import (
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"sync/atomic"
)

// guard knows the names under which the page may be asked for. Others are
// refused: a page elsewhere may point a name of its own at this computer, and
// a browser would take the two for one origin.
type guard struct {
	names atomic.Pointer[map[string]bool]
}

func (g *guard) set(hosts []string) {
	names := map[string]bool{"localhost": true}
	if h, err := os.Hostname(); err == nil {
		h = strings.ToLower(h)
		first, _, _ := strings.Cut(h, ".")
		names[h], names[first], names[first+".local"] = true, true, true
	}
	for _, h := range hosts {
		names[strings.ToLower(strings.TrimSuffix(h, "."))] = true
	}
	g.names.Store(&names)
}

// allows tells whether the page may be asked for under a Host header.
func (g *guard) allows(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	} else {
		name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	}
	if a, err := netip.ParseAddr(name); err == nil {
		return a.Zone() == ""
	}
	return (*g.names.Load())[strings.ToLower(strings.TrimSuffix(name, "."))]
}

// policy lets a browser load and send only what is of this very page.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// protect stands before every request.
func (s *Server) protect(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "Refused: the request comes from another page.", http.StatusForbidden)
	}))
	same := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer s.recovered(w)
		h := w.Header()
		if wait := s.requests.wait(addressOf(r.RemoteAddr)); wait > 0 {
			h.Set("Retry-After", seconds(wait))
			h.Set("Connection", "close")
			http.Error(w, "Too many requests. Wait a moment.", http.StatusTooManyRequests)
			return
		}
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin") // no-referrer would make every form's origin "null"
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.guard.allows(r.Host) {
			http.Error(w, "Refused: the page is not served under this name. Use the computer's address or its own name, or add the name to hosts in the table page of the rig file.",
				http.StatusMisdirectedRequest)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		same.ServeHTTP(w, r)
	})
}
