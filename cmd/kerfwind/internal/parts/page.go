package parts

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
	"kerfwind/control"
	"kerfwind/sensor"
)

// Page serves the page for the phone. It outlives a change of the shop.
type Page struct {
	state  string // folder
	seam   seam.Shop
	server *panel.Server
	movein *guide.Page
	notice func(error)
	hands  panel.Hands
}

// Open prepares the page of a running shop. Nothing is served until the shop's rig
// file asks for it.
func (p *Page) Open(o Options, shop seam.Shop) {
	notice := o.Out.Notice
	p.state, p.seam, p.notice, p.hands = o.State, shop, notice, o.Hands
	p.movein = &guide.Page{State: p.state, Notice: notice}
	log := &panel.Log{Path: filepath.Join(p.state, o.Audit)}
	p.server = panel.New(panel.Options{
		Version: o.Version, Simulated: o.Simulated, Passwords: filepath.Join(p.state, o.Passwords), Audit: log.Add, Notice: notice,
		Changes: func(most int) ([]panel.Row, error) {
			rows, _, err := log.Rows(most, func(panel.Row) bool { return true })
			return rows, err
		},
	})
}

// Close ends the page.
func (p *Page) Close() { p.server.Close() }

// start puts a shop on the page, where its rig file asks for one.
func (p *Page) start(s *daemon.Host) (daemon.Watcher, error) {
	at := s.Rig.Page
	if at == nil {
		p.server.Close() // a file that was read again may have taken it away
		return daemon.Watcher{}, nil
	}
	shop, learn, err := p.shop(s)
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
		Observer: shop,
		Second:   shop.Second,
		Reading: func(r sensor.Reading) {
			shop.Reading(r)
			learn.Reading(r)
		},
		Close: func() error {
			p.server.Leave(shop)
			learn.Close()
			return nil
		},
	}, nil
}

// soon bounds what the page asks of the shop.
func soon() (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.Background(), 5*time.Second)
}

// now is the state of the shop; empty if it does not say.
func (p *Page) now() seam.State {
	ctx, cancel := soon()
	defer cancel()
	st, err := p.seam.State(ctx)
	if err != nil {
		p.notice(err)
	}
	return st
}

// shop is the page's view of a running shop.
func (p *Page) shop(s *daemon.Host) (*panel.Shop, *guide.LessonPage, error) {
	clock, _, err := stamps(s)
	if err != nil {
		return nil, nil, err
	}
	shop := panel.NewShop(s.Shop, s.Names)
	shop.Now, shop.Speed = s.Now, s.Speed
	shop.Wall = func() (time.Time, bool) { st := clock(); return st.Wall, st.Trusted }
	shop.Ask = func(ctx context.Context, in control.Input) error { return pageAsk(ctx, s, in) }
	shop.Down = func(tell func(part string, why error)) {
		for _, x := range p.now().Parts {
			if x.Down != "" {
				tell(x.Name, errors.New(x.Down))
			}
		}
	}
	shop.Missing = func(tell func(name, why string, serves []string)) {
		for _, x := range p.now().Missing {
			tell(x.Name, x.Why, x.For)
		}
	}
	shop.Waits = func() string {
		x := p.now().Shop
		if x.Next == "" {
			return x.Waiting
		}
		return strings.Replace(x.Waiting, x.Next, strings.TrimSuffix(filepath.Base(x.Next), ".toml"), 1)
	}
	shop.Hertz = func() (float64, bool) { m := p.now().Mains; return m.Hertz, m.Measured }
	shop.Settled = func() (list []panel.Settled) {
		for _, x := range p.now().Air.Settled {
			list = append(list, panel.Settled{Duct: x.Duct, Words: x.Words})
		}
		return list
	}
	shop.Cleared = func(ctx context.Context, duct string) error { return p.seam.Cleared(ctx, duct) }
	shop.Hears = func() []string { return p.now().Hears }
	shop.Shops = &shopfiles.Page{Service: &shopfiles.Service{Folder: p.state, Owner: shopfiles.OwnerFolder(s.Rig.File), Rig: s.Rig, Shop: p.seam}, Files: s.Shop}
	book := panel.NewBook(p.state, clock, time.Local)
	shop.History, shop.Upkeep = book.Open, book
	if s.Rig.Converters() > 0 {
		shop.Tape = tape{s.Rig, p.seam}
	}
	p.movein.Open = func() (*guide.Guide, guide.Leave, error) {
		ctx, cancel := soon()
		defer cancel()
		return guide.Through(ctx, p.seam, guide.Options{State: p.state, Rig: s.Rig, Notice: p.notice, Guard: guide.Beside(p.notice),
			Today: func() string { return time.Now().Format(time.DateOnly) }})
	}
	shop.MoveIn, shop.Hands = p.movein, p.hands
	learn := &guide.LessonPage{Shop: s.Shop, Folder: p.state, Now: s.Now, Today: func() time.Time { return clock().Wall }, Guard: s.Guard,
		Reload: func() {
			ctx, cancel := soon()
			defer cancel()
			if _, err := p.seam.Reload(ctx); err != nil {
				p.notice(err)
			}
		},
		Listen: func(long time.Duration) { _ = p.seam.Listen(context.Background(), long) }, // where no shop is taken up, nothing is read
	}
	if len(learn.Machines()) > 0 {
		shop.Learn = learn
	}
	return shop, learn, nil
}

// pageAsk passes a request of the page on.
func pageAsk(ctx context.Context, s *daemon.Host, in control.Input) error {
	r := seam.Request{Kind: control.AskKind(in.State), For: in.For, Revision: s.Revision}
	if in.ID != control.NoID {
		r.Target = s.Gates[in.ID].Name
	}
	_, err := s.Seam.Ask(ctx, r)
	if no := (*seam.Refused)(nil); errors.As(err, &no) {
		return &panel.Refusal{Why: no.Why}
	}
	return err
}
