// Package panel is the page for the phone: it shows what the shop does and why,
// and takes in requests. It looks on like any other observer and never delays a
// command; a request goes into the loop as an input of origin Page, so it can
// do no more than the state machine allows from there.
//
// A part of the page is a row of the table in parts.go with a template in the
// folder web. A Server lives as long as the program: sessions and the listener
// outlive a change of the shop, which Show and Leave bring and take away.
package panel

import (
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// Options say how to serve.
type Options struct {
	Version   string
	Simulated bool

	// Passwords is the file that Passwords.Encode made; none yet is no error.
	// It is looked at again whenever it changes.
	Passwords string

	// Audit writes down a change, or a try at one. It may take its time.
	Audit func(Row) error

	// Changes are the newest rows of that record, the newest first. nil: nobody
	// has it.
	Changes func(most int) ([]Row, error)

	// Notice tells people what is wrong. It must not wait.
	Notice func(error)
}

// Server is the page.
type Server struct {
	o    Options
	shop atomic.Pointer[Shop]
	mux  *http.ServeMux
	all  http.Handler

	names    porter.Names
	requests *pace
	access   *access
	streams  *porter.Room

	mu      sync.Mutex
	service *service // nil: not served
}

// Bounds of the server: our own choice.
const (
	mostBody    = 8 << 10          // bytes of a form
	mostHeader  = 16 << 10         // bytes
	headerWait  = 5 * time.Second  // for a header
	readWait    = 10 * time.Second // for a whole request
	writeWait   = 15 * time.Second // for a whole answer, but of a stream
	idleWait    = 60 * time.Second // for the next request of a connection
	mostStreams = 24               // open at a time
	strange     = 12               // of these; the rest is for those who have signed in
	streamsEach = 4                // of one session, or of one address

	// From one address or of one session: a page is five requests. More than that would cost a
	// small computer what it needs for the shop.
	requestGap     = 20 * time.Millisecond // in the long run
	requestsAtOnce = 300
)

// New makes the page. It serves nothing yet.
func New(o Options) *Server {
	s := &Server{o: o, streams: porter.NewRoom(porter.Limits{All: mostStreams, Strangers: strange, From: streamsEach}), access: newAccess(o.Passwords, o.Notice),
		requests: newPace(requestGap, requestsAtOnce)}
	s.names.Set()
	s.mux = s.routes()
	s.all = s.protect(s.astray(s.mux))
	return s
}

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) { s.all.ServeHTTP(w, r) }

// Show puts a shop on the page, in the place of another.
func (s *Server) Show(shop *Shop) { s.shop.Store(shop) }

// Leave takes a shop off the page, if it is still there: until another is
// loaded, the page says so. Streams end.
func (s *Server) Leave(shop *Shop) {
	s.shop.CompareAndSwap(shop, nil)
	shop.leave()
}
