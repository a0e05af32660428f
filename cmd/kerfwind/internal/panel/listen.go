package panel

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"os"
	"runtime/debug"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// Bounds of connections: our own choice. A browser opens six at most.
const (
	mostConns  = 64
	strangers  = 40 // of these; the rest is for those who have signed in
	mostFrom   = 24 // from one address, but of this computer
	partingGap = 500 * time.Millisecond
	hangGap    = 2 * time.Second // for a request that was cut off: a disk may hang
	againGap   = 10 * time.Second
)

// Place is where the page is served, and how.
type Place struct {
	Listen            string // host:port
	CertFile, KeyFile string // "": no TLS
	Hosts             []string
}

// service is the page being served at a place, or being tried to.
type service struct {
	at     Place
	secure *certificate // nil: no TLS
	door   func(net.Listener) net.Listener
	server *http.Server
	ctx    context.Context // done when serving is to end
	end    context.CancelFunc
	done   chan struct{}
	again  time.Duration // between two tries
	busy   sync.RWMutex  // held for reading by each request

	mu    sync.Mutex
	addr  net.Addr    // nil: it is not served
	err   error       // why not
	fares func(error) // hears of it
}

// Open serves the page at a place, in place of any other. If that is
// where it is served already nothing is interrupted. What cannot be listened at
// yet is tried again and again, since a network may come later than the program.
// fares is told how it fares, until another Open.
func (s *Server) Open(at Place, fares func(error)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.names.Set(at.Hosts...)
	if v := s.service; v != nil {
		if v.at.Listen == at.Listen && v.at.CertFile == at.CertFile && v.at.KeyFile == at.KeyFile {
			v.mu.Lock()
			v.fares = fares
			v.mu.Unlock()
			v.tell(v.why())
			return
		}
		s.shut()
	}
	if err := s.access.broken(); err != nil {
		s.o.Notice(noEntry(err))
	}
	v := &service{at: at, again: againGap, done: make(chan struct{}), fares: fares}
	v.ctx, v.end = context.WithCancel(context.Background())
	if at.CertFile != "" {
		v.secure = &certificate{cert: at.CertFile, key: at.KeyFile, notice: s.o.Notice}
	}
	v.server, v.door = s.bounded(v.ctx), s.door
	v.server.Handler = v.counted(s)
	s.service = v
	l, err := v.listen()
	v.tell(err)
	if err != nil {
		s.o.Notice(fmt.Errorf("page: %w: kerfwind tries again every %s", err, againGap))
	}
	go func() {
		defer close(v.done)
		defer func() {
			if r := recover(); r != nil {
				err := fmt.Errorf("ended by a fault in the program: %v", r)
				v.tell(err)
				s.o.Notice(fmt.Errorf("page: %w\n%s", err, debug.Stack()))
			}
		}()
		v.serve(l)
	}()
}

// bounded is an HTTP server that gives nobody more time or room than he needs.
// Its requests end with ctx.
func (s *Server) bounded(ctx context.Context) *http.Server {
	h := &http.Server{
		Handler: s, ReadHeaderTimeout: headerWait, ReadTimeout: readWait, WriteTimeout: writeWait, IdleTimeout: idleWait, MaxHeaderBytes: mostHeader,
		ErrorLog:    log.New(io.Discard, "", 0), // what strangers do wrong fills no log; faults of ours are told by protect
		BaseContext: func(net.Listener) context.Context { return ctx }, ConnContext: porter.ConnContext,
		Protocols: new(http.Protocols),
	}
	h.Protocols.SetHTTP1(true) // one connection a request is simpler to bound than streams within one
	return h
}

// door bounds the connections of a listener. Those from where somebody has signed
// in go before strangers.
func (s *Server) door(l net.Listener) net.Listener {
	return porter.Listen(l, porter.Limits{All: mostConns, Strangers: strangers, From: mostFrom}, porter.Knows(s.access.familiar))
}

// listen begins to listen.
func (v *service) listen() (net.Listener, error) {
	var conf *tls.Config
	if v.secure != nil {
		if _, err := v.secure.get(nil); err != nil {
			return nil, err
		}
		conf = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: v.secure.get}
	}
	l, err := net.Listen("tcp", v.at.Listen)
	if err != nil {
		return nil, err
	}
	v.mu.Lock()
	v.addr = l.Addr()
	v.mu.Unlock()
	out := v.door(l)
	if conf != nil {
		out = tls.NewListener(out, conf)
	}
	return out, nil
}

// serve serves until the end. l is nil where nothing could be listened at.
func (v *service) serve(l net.Listener) {
	again := time.NewTicker(v.again)
	defer again.Stop()
	for {
		if l != nil {
			err := v.server.Serve(l)
			if errors.Is(err, http.ErrServerClosed) {
				return
			}
			v.tell(err)
		}
		select {
		case <-again.C:
		case <-v.ctx.Done():
			return
		}
		var err error
		l, err = v.listen()
		v.tell(err)
	}
}

// tell tells how it fares.
func (v *service) tell(err error) {
	v.mu.Lock()
	v.err = err
	fares := v.fares
	v.mu.Unlock()
	fares(err)
}

func (v *service) why() error {
	v.mu.Lock()
	defer v.mu.Unlock()
	return v.err
}

// Addr is where the page is served, nil if it is not.
func (s *Server) Addr() net.Addr {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.service == nil {
		return nil
	}
	s.service.mu.Lock()
	defer s.service.mu.Unlock()
	return s.service.addr
}

// Close ends serving. Sessions stay.
func (s *Server) Close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.shut()
}

// counted has each request known until it has ended.
func (v *service) counted(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v.busy.RLock()
		defer v.busy.RUnlock()
		h.ServeHTTP(w, r)
	})
}

// shut ends the service. Streams end first; what does not end in a moment is cut
// off, and a request that still hangs is left alone: whoever loads a shop waits
// for this. mu is held.
func (s *Server) shut() {
	v := s.service
	if v == nil {
		return
	}
	s.service = nil
	v.end()
	ctx, cancel := context.WithTimeout(context.Background(), partingGap)
	defer cancel()
	if v.server.Shutdown(ctx) != nil {
		_ = v.server.Close() // nothing is left to be done about it
	}
	<-v.done
	over := make(chan struct{})
	go func() {
		v.busy.Lock() // when the last request has ended
		defer v.busy.Unlock()
		close(over)
	}()
	limit := time.NewTimer(hangGap)
	defer limit.Stop()
	select {
	case <-over:
	case <-limit.C:
	}
}

// certificate is the one to show. It is read again when its files change; if
// that goes wrong the old one goes on.
type certificate struct {
	cert, key string // files
	notice    func(error)

	mu      sync.Mutex
	loaded  *tls.Certificate
	changed [2]time.Time // of the files as they were read last
}

func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var changed [2]time.Time
	for i, file := range []string{c.cert, c.key} {
		if info, err := os.Stat(file); err == nil {
			changed[i] = info.ModTime()
		}
	}
	if c.loaded != nil && changed == c.changed {
		return c.loaded, nil
	}
	c.changed = changed // a pair that does not fit is reported once, until it changes again
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		err = fmt.Errorf("page: certificate_file and key_file: %w", err)
		if c.loaded != nil {
			c.notice(fmt.Errorf("%w; the old certificate stays in use", err))
			return c.loaded, nil
		}
		return nil, err
	}
	c.loaded = &pair
	return c.loaded, nil
}
