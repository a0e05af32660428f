package main

import (
	"context"
	"errors"
	"path/filepath"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/control"
)

// auditFile is the record of what was changed on the page, in the state folder.
const auditFile = "audit.jsonl"

// page serves the page for the phone. It outlives a change of the shop.
type page struct {
	state  string // folder
	server *panel.Server
}

// newPage prepares the page. Nothing is served until a shop's rig file asks
// for it.
func newPage(folder string, simulated bool, notice func(error)) *page {
	p := &page{state: stateFolder(folder)}
	log := &panel.Log{Path: filepath.Join(p.state, auditFile)}
	p.server = panel.New(panel.Options{
		Version: versionText(), Simulated: simulated, Passwords: filepath.Join(p.state, passwordFile), Audit: log.Add, Notice: notice,
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
	shop, err := p.shop(s)
	if err != nil {
		return daemon.Watcher{}, err
	}
	p.server.Show(shop)
	place := panel.Place{Listen: at.Listen, Hosts: at.Hosts}
	if at.CertFile != "" {
		folder := filepath.Dir(s.Rig.File)
		place.CertFile, place.KeyFile = mqttlink.Place(at.CertFile, folder), mqttlink.Place(at.KeyFile, folder)
	}
	p.server.Open(place, s.Fares)
	return daemon.Watcher{
		Observer: shop, Reading: shop.Reading, Second: shop.Second,
		Close: func() error {
			p.server.Leave(shop)
			return nil
		},
	}, nil
}

// shop is what the page sees of a running shop.
func (p *page) shop(s *daemon.Shop) (*panel.Shop, error) {
	clock, _, err := stamps(s)
	if err != nil {
		return nil, err
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
	shop.History = historyFor(p.state)
	shop.Upkeep = &pageUpkeep{p.state, clock, time.Local}
	return shop, nil
}
