package panel

import (
	"net/http"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// policy lets a browser load and send only what is of this very page.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// protect checks every request first.
func (s *Server) protect(next http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		bare(w, http.StatusForbidden, "Refused: the request comes from another page.")
	}))
	same := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer s.recovered(w)
		h := w.Header()
		wait, known := s.access.request(r)
		if !known {
			wait = s.requests.wait(porter.Address(r.RemoteAddr))
		}
		if c := porter.Of(r.Context()); c != nil {
			if known {
				c.Rise(porter.Known)
			}
			defer c.Busy()()
		}
		if wait > 0 {
			h.Set("Retry-After", seconds(wait))
			h.Set("Connection", "close")
			bare(w, http.StatusTooManyRequests, "Too many requests. Wait a moment.")
			return
		}
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin") // no-referrer would make every form's origin "null"
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.names.Allow(r.Host) {
			http.Error(w, "Refused: the page is not served under this name. Use the computer's address or its own name. Other names are allowed at the computer.",
				http.StatusMisdirectedRequest)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		same.ServeHTTP(w, r)
	})
}
