package main

import (
	"context"
	"errors"
	"io"
	"math"
	"path/filepath"
	"sync/atomic"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/lesson"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/pagebook"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/control"
	"kerfwind/sensor"
)

// auditFile is the record of what was changed on the page, in the state folder.
const auditFile = "audit.jsonl"

// page serves the page for the phone. It outlives a change of the shop.
type page struct {
	state  string // folder
	server *panel.Server
	reload func()                                  // the files are read again; set before it serves
	down   func(tell func(part string, why error)) // of the program; likewise
	bench  *pageBench
}

// newPage prepares the page. Nothing is served until a shop's rig file asks
// for it.
func newPage(folder string, simulated bool, notice func(error)) *page {
	p := &page{state: stateFolder(folder)}
	p.bench = newPageBench(p.state, notice)
	log := &panel.Log{Path: filepath.Join(p.state, auditFile)}
	p.server = panel.New(panel.Options{
		Version: versionText(), Simulated: simulated, Passwords: filepath.Join(p.state, passwordFile), Audit: log.Add, Notice: notice,
		Changes: func(most int) ([]panel.Row, error) {
			rows, _, err := log.Rows(most, func(panel.Row) bool { return true })
			return rows, err
		},
	})
	return p
}

// start puts a shop on the page, where its rig file asks for one.
func (p *page) start(s *daemon.Shop) (daemon.Watcher, error) {
	at := s.Rig.Page
	if at == nil {
		p.server.Close() // a file that was read again may have taken it away
		return daemon.Watcher{}, nil
	}
	shop, learn, err := p.shop(s)
	if err != nil {
		return daemon.Watcher{}, err
	}
	var hertz atomic.Uint64 // as measured; 0 it is not
	shop.Hertz = func() (float64, bool) {
		hz := math.Float64frombits(hertz.Load())
		return hz, hz > 0
	}
	shop.MoveIn = p.bench.page
	p.server.Show(shop)
	p.bench.attach(s)
	place := panel.Place{Listen: at.Listen, Hosts: at.Hosts}
	if at.CertFile != "" {
		folder := filepath.Dir(s.Rig.File)
		place.CertFile, place.KeyFile = mqttlink.Place(at.CertFile, folder), mqttlink.Place(at.KeyFile, folder)
	}
	p.server.Open(place, s.Fares)
	return daemon.Watcher{
		Observer: benchWatch{shop, p.bench, s},
		Second: func(snap *control.Snapshot, now time.Duration) {
			hz, measured := s.Live.Mains()
			if !measured {
				hz = 0
			}
			hertz.Store(math.Float64bits(hz))
			shop.Second(snap, now)
		},
		Reading: func(r sensor.Reading) {
			shop.Reading(r)
			learn.Reading(r)
			p.bench.reading(s, r)
		},
		Close: func() error {
			p.bench.detach(s)
			p.server.Leave(shop)
			learn.Close()
			return nil
		},
	}, nil
}

// shop is what the page sees of a running shop.
func (p *page) shop(s *daemon.Shop) (*panel.Shop, *lesson.Page, error) {
	clock, _, err := stamps(s)
	if err != nil {
		return nil, nil, err
	}
	shop := panel.NewShop(s.Shop)
	shop.Names, shop.Now, shop.Speed = s.Names, s.Now, s.Speed
	shop.Wall = func() (time.Time, bool) { st := clock(); return st.Wall, st.Trusted }
	shop.Ask = func(ctx context.Context, in control.Input) error {
		in.Kind, in.Origin = control.Ask, control.Page // nothing else comes from there
		err := s.Ask(ctx, in)
		if no := (*daemon.Refused)(nil); errors.As(err, &no) {
			return &panel.Refusal{Why: no.Why}
		}
		return err
	}
	shop.Down = p.down
	shop.Shops = &pageShops{state: p.state, shop: s.Shop, now: s.Choice, use: s.Use}
	book := pagebook.New(p.state, clock, time.Local)
	shop.History, shop.Upkeep = book.Open, book
	if s.Memory != nil {
		shop.Tape = pageTape{s.Memory}
	}
	learn := &lesson.Page{Shop: s.Shop, Folder: p.state, Now: s.Now, Today: func() time.Time { return clock().Wall }, Reload: p.reload, Guard: s.Guard, Listen: s.Live.Listen}
	if len(learn.Machines()) > 0 {
		shop.Learn = learn
	}
	return shop, learn, nil
}

// pageTape is the memory of the last minutes as the page has it.
type pageTape struct{ *record.Memory }

func (t pageTape) Write(w io.Writer, from, to time.Duration) error {
	_, err := t.Memory.Write(w, from, to)
	if errors.Is(err, record.ErrNothing) {
		err = panel.ErrNoTape
	}
	return err
}
