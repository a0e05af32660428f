// Package parts ties each looker-on of a running shop to the seam: history,
// metrics, notices, topics and the page. None is needed for control.
package parts

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/metrics"
	"kerfwind/cmd/kerfwind/internal/notices"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Options hold what the parts need beside the shop.
type Options struct {
	Version   string
	State     string // folder
	Passwords string // file of the page's, in it
	Audit     string // file of what was changed on the page, in it
	JSON      bool   // print one JSON object an event
	Simulated bool
	Hands     panel.Hands // in a simulated workshop; nil: none are
	Out       *live.Lines
}

// All are the parts. Each may fail without the others. web is the page, which outlives a
// change of the shop.
func All(o Options, web *Page) []daemon.Part {
	counts := &tally{state: o.State}
	link := &topics{state: o.State, version: o.Version, tally: counts}
	named := func(yes func(*config.Rig) bool) func(*config.Shop) bool {
		return func(s *config.Shop) bool { return yes(s.Rig) }
	}
	return []daemon.Part{
		{Name: "output", Bench: true, Start: func(s *daemon.Host) (daemon.Watcher, error) {
			return daemon.Watcher{Observer: &live.Events{Out: o.Out, Names: s.Names, JSON: o.JSON}}, nil
		}},
		{Name: "history", Start: o.history},
		{Name: "counts", After: "history", Wanted: named(func(r *config.Rig) bool { return r.MQTT != nil || r.Metrics != nil }), Start: counts.start},
		{Name: "broker", Bench: true, Wanted: named(func(r *config.Rig) bool { return r.Broker != nil }), Start: link.ownBroker},
		{Name: "mqtt", Bench: true, After: "broker", Door: seam.Topic, Wanted: named(func(r *config.Rig) bool { return r.MQTT != nil }), Start: link.start},
		{Name: "things", Bench: true, After: "broker", Senses: true, Wanted: onTopics, Start: link.things},
		{Name: "nodes", Bench: true, Door: seam.Local, Wanted: named(func(r *config.Rig) bool { return len(r.Nodes) > 0 }), Start: nodes},
		{Name: "metrics", Bench: true, Door: seam.Local, Wanted: named(func(r *config.Rig) bool { return r.Metrics != nil }),
			Start: func(s *daemon.Host) (daemon.Watcher, error) { return serveMetrics(s, link, counts, o.Version) }},
		{Name: "page", Bench: true, Door: seam.Page, Start: func(s *daemon.Host) (daemon.Watcher, error) { return web.start(s) }},
		{Name: "notices", Wanted: func(s *config.Shop) bool { return len(s.Notices) > 0 },
			Start: func(s *daemon.Host) (daemon.Watcher, error) { return sendNotices(s, o.Out) }},
	}
}

// stamps is the journal's clock. In a simulation that runs faster, the time of
// day does so too.
func stamps(s *daemon.Host) (now func() journal.Stamp, began time.Duration, err error) {
	c, err := journal.NewBootClock("/")
	if err != nil {
		return nil, 0, err
	}
	first, at := c.Stamp(), s.Now()
	if s.Speed == 1 {
		return c.Stamp, first.Mono - at, nil
	}
	return func() journal.Stamp {
		st := c.Stamp()
		ahead := s.Now() - at - (st.Mono - first.Mono)
		st.Mono += ahead
		st.Wall = st.Wall.Add(ahead)
		return st
	}, first.Mono - at, nil
}

// history records in the state folder.
func (o *Options) history(s *daemon.Host) (daemon.Watcher, error) {
	clock, origin, err := stamps(s)
	if err != nil {
		return daemon.Watcher{}, err
	}
	dir, err := filepath.Abs(o.State)
	if err != nil {
		return daemon.Watcher{}, err
	}
	var mu sync.Mutex
	down := map[journal.NoticeKind]error{} // what is wrong now
	j := journal.Start(journal.Options{
		Dir: dir, Clock: clock, Origin: origin, Shop: s.Name, NameOf: s.NameOf, Program: o.Version,
		Budget: s.Collector.StartsPerHour,
		Notice: func(n journal.Notice) {
			err := errors.New(n.Text)
			s.Notice(err)
			mu.Lock()
			defer mu.Unlock()
			switch n.Kind {
			case journal.NoStorage, journal.Refused, journal.EventsLost, journal.NoBackup:
				delete(down, n.Kind)
				if !n.Clear {
					down[n.Kind] = err
				}
			case journal.Repaired, journal.AirWeak: // news of the shop, or of what is well again
				return
			}
			var all []error
			for k := journal.NoStorage; k <= journal.NoBackup; k++ {
				if down[k] != nil {
					all = append(all, down[k])
				}
			}
			s.Fares(errors.Join(all...))
		},
	})
	w := daemon.Watcher{Observer: j, Close: j.Close}
	if ch := s.Collector.Channel; ch >= 0 {
		next := time.Duration(0)
		w.Reading = func(r sensor.Reading) {
			if r.Channel == ch && r.At >= next && r.Verdict != sensor.Unknown {
				next = r.At + time.Second
				j.Draw(r.At, float64(r.Amps))
			}
		}
	}
	return w, nil
}

// serveMetrics serves the metrics where the rig file says so.
func serveMetrics(s *daemon.Host, link *topics, counts *tally, version string) (daemon.Watcher, error) {
	m := metrics.New(s.Shop, version)
	m.Tally(counts.latest)
	link.measure(m, s)
	state := func() seam.State { return stateOf(s) }
	for i := range s.Rig.Nodes {
		m.Node(s.Rig.Nodes[i].Name, func() bool { n := state().Nodes; return i < len(n) && n[i].Down == "" })
	}
	if net := s.Duct(); net != nil {
		m.Air(net, func(open uint64) (total float64, flow []float64, ok bool) {
			a := state().Air
			return a.Total, a.Flow, a.Known && a.Open == open
		})
	}
	l, err := net.Listen("tcp", s.Rig.Metrics.Listen)
	if err != nil {
		return daemon.Watcher{}, err
	}
	server := m.Server(s.Rig.Metrics.Hosts)
	var serving sync.WaitGroup
	serving.Go(func() {
		s.Guard(func() {
			if err := server.Serve(metrics.Door(l)); !errors.Is(err, http.ErrServerClosed) {
				s.Fares(err)
				s.Notice(fmt.Errorf("metrics: %w", err))
			}
		})
	})
	return daemon.Watcher{
		Observer: m, Frame: m.Frame, Reading: m.Reading, Applied: m.Applied, Answered: m.Answered, Late: m.Late, Second: m.Snapshot,
		Close: func() error {
			defer serving.Wait()
			return server.Close()
		},
	}, nil
}

// stateOf is the state of the shop; empty if it does not say.
func stateOf(s *daemon.Host) seam.State {
	st, err := s.Seam.State(context.Background())
	if err != nil {
		s.Fares(err)
	}
	return st
}

// sendNotices sends news to the addresses that the shop file names.
func sendNotices(s *daemon.Host, out *live.Lines) (daemon.Watcher, error) {
	clock, _, err := stamps(s)
	if err != nil {
		return daemon.Watcher{}, err
	}
	n := notices.New(notices.Options{
		Shop: s.Name, Notices: s.Notices, Log: out.Say,
		Words: func(e control.Event) (subject, text string) {
			return s.Names.Name(e.Subject(), e.ID), timeline.Sentence(e, s.Names)
		},
		Wall:  func() (time.Time, bool) { st := clock(); return st.Wall, st.Trusted },
		Guard: s.Guard,
	})
	ctx, cancel := context.WithCancel(context.Background())
	var sending sync.WaitGroup
	sending.Go(func() { s.Guard(func() { n.Run(ctx) }) })
	return daemon.Watcher{Observer: n, Close: func() error {
		cancel()
		sending.Wait()
		return nil
	}}, nil
}
