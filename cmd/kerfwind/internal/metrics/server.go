package metrics

import (
	"io"
	"log"
	"net"
	"net/http"
	"time"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// Bounds of the listener: our own choice. A Prometheus server keeps one
// connection.
const (
	mostConns  = 16
	mostFrom   = 8 // from one address, but of this computer
	headerWait = 5 * time.Second
	answerWait = 10 * time.Second
	idleWait   = 2 * time.Minute // twice the usual gap between two scrapes
)

// Door bounds the connections of a listener.
func Door(l net.Listener) net.Listener {
	return porter.Listen(l, porter.Limits{All: mostConns, From: mostFrom}, porter.Greeting(headerWait))
}

// Server serves the metrics under /metrics, to those who ask for this computer
// by an address, by its own name or by one of hosts.
func (m *Metrics) Server(hosts []string) *http.Server {
	var names porter.Names
	names.Set(hosts...)
	mux := http.NewServeMux()
	mux.Handle("/metrics", m.Handler())
	guarded := names.Guard(mux, "Use the computer's address or its own name, or add the name to hosts in the table metrics of the rig file.")
	busy := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c := porter.Of(r.Context()); c != nil {
			defer c.Busy()()
		}
		guarded.ServeHTTP(w, r)
	})
	return &http.Server{Handler: busy, ConnContext: porter.ConnContext,
		ReadHeaderTimeout: headerWait, ReadTimeout: answerWait, WriteTimeout: answerWait, IdleTimeout: idleWait, MaxHeaderBytes: 16 << 10,
		ErrorLog: log.New(io.Discard, "", 0), // what strangers do wrong fills no log
	}
}
