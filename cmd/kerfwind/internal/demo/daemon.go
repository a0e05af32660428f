package demo

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/config"
	"kerfwind/testdata"
)

// Password lets one do everything on the demo's page. It is no secret: the page
// shows a simulation.
const Password = "sawdust and shavings"

// Daemon is what the demo's daemon runs on: a folder with state, socket and shop
// file, and addresses for page and topics.
type Daemon struct {
	Folder, Shop string
	page, topics string
}

// NewDaemon makes the folder. listen is the page's address; "" is for this computer
// alone.
func NewDaemon(listen string) (d *Daemon, err error) {
	d = &Daemon{}
	if d.page, err = Place(listen, "127.0.0.1:8080"); err != nil {
		return nil, fmt.Errorf("--listen: %w", err)
	}
	if d.topics, err = Place("", "127.0.0.1:1883"); err != nil {
		return nil, err
	}
	if d.Folder, err = os.MkdirTemp("", "kerfwind-demo-"); err != nil {
		return nil, err
	}
	if err := d.fill(); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	return d, nil
}

// fill writes the password and the shop, which is a file, so that gates can be
// swapped as in a real one.
func (d *Daemon) fill() error {
	key, err := panel.NewKey(Password)
	if err == nil {
		err = panel.SetPassword(d.Folder, panel.Setup, key)
	}
	if err != nil {
		return err
	}
	text, err := testdata.Demo.ReadFile(Shop)
	if err != nil {
		return err
	}
	d.Shop = filepath.Join(d.Folder, filepath.Base(Shop))
	return os.WriteFile(d.Shop, text, 0o600)
}

// Close takes the folder away.
func (d *Daemon) Close() error { return os.RemoveAll(d.Folder) }

// Rig is the demo's rig with page, broker and topics.
func (d *Daemon) Rig() (*config.Rig, error) {
	text, err := testdata.Demo.ReadFile(Rig)
	if err != nil {
		return nil, err
	}
	return config.ParseRig(Rig, fmt.Appendf(text, "\n[page]\nlisten = %q\n[broker]\nlisten = %q\n[mqtt]\nbroker = \"tcp://%s\"\n", d.page, d.topics, d.topics))
}

// Ways are the ways to look at it, a line each.
func (d *Daemon) Ways(p *config.Page) []string {
	_, port, _ := net.SplitHostPort(d.topics) // it is of Place's making
	list := []string{"The page:    " + p.Address() + "  to do more than look, sign in there with the password: " + Password}
	if !p.Local {
		for _, a := range Addresses(d.page) {
			list = append(list, "             "+a+"  from the network")
		}
	}
	return append(list, "The topics:  mosquitto_sub -p "+port+" -v -t 'kerfwind/#'", "Commands:    kerfwind status --runtime "+d.Folder)
}
