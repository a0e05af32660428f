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

// Password lets one do everything on the page of a simulation. It is no secret: nothing
// real is moved there.
const Password = "sawdust and shavings"

// Daemon says what a rehearsal's daemon runs on: a folder with state and socket, the files
// of rig and shop, and addresses for page and topics.
type Daemon struct {
	Folder, Shop string
	rig          string // file; "": the demo's
	page, topics string
	made         bool // the folder is ours
}

// NewDaemon prepares a rehearsal of the files of a rig and a shop in a folder for its
// state; with no folder in one of its own, with no rig file of the demo's barn. listen
// is the page's address; "" is for this computer alone.
func NewDaemon(rig, shop, folder, listen string) (d *Daemon, err error) {
	d = &Daemon{Folder: folder, Shop: shop, rig: rig}
	if d.page, err = Place(listen, "127.0.0.1:8080"); err != nil {
		return nil, fmt.Errorf("--listen: %w", err)
	}
	if d.topics, err = Place("", "127.0.0.1:1883"); err != nil {
		return nil, err
	}
	if folder == "" {
		d.made = true
		if d.Folder, err = os.MkdirTemp("", "kerfwind-rehearsal-"); err != nil {
			return nil, err
		}
	}
	if err := d.fill(); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	return d, nil
}

// fill writes the password and, of the demo, the shop, which is a file, so that gates
// can be swapped as in a real one.
func (d *Daemon) fill() error {
	if err := os.MkdirAll(d.Folder, 0o700); err != nil {
		return err
	}
	key, err := panel.NewKey(Password)
	if err == nil {
		err = panel.SetPassword(d.Folder, panel.Setup, key)
	}
	if err != nil || d.rig != "" {
		return err
	}
	for _, name := range []string{Rig, Shop} {
		text, err := testdata.Demo.ReadFile(name)
		if err == nil {
			err = os.WriteFile(filepath.Join(d.Folder, filepath.Base(name)), text, 0o600)
		}
		if err != nil {
			return err
		}
	}
	d.Shop = filepath.Join(d.Folder, filepath.Base(Shop))
	return nil
}

// Close takes the folder away, where it was made for this.
func (d *Daemon) Close() error {
	if !d.made {
		return nil
	}
	return os.RemoveAll(d.Folder)
}

// Rig is the rig with a page of the rehearsal's own, and without what would reach
// others: the demo's topics go to a broker of its own.
func (d *Daemon) Rig() (*config.Rig, error) {
	own := fmt.Sprintf("format = 1\n[page]\nlisten = %q\n", d.page)
	if d.rig == "" {
		own += fmt.Sprintf("[broker]\nlisten = %q\n[mqtt]\nbroker = \"tcp://%s\"\n", d.topics, d.topics)
	}
	served, err := config.ParseRig("rehearsal", []byte(own))
	if err != nil {
		return nil, err
	}
	r, err := config.LoadRig(d.File())
	if err != nil {
		return nil, err
	}
	r.Page, r.Broker, r.MQTT, r.Metrics = served.Page, served.Broker, served.MQTT, nil
	return r, nil
}

// File is the rig's file, for other commands.
func (d *Daemon) File() string {
	if d.rig != "" {
		return d.rig
	}
	return filepath.Join(d.Folder, filepath.Base(Rig))
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
	if d.rig == "" {
		list = append(list, "The topics:  mosquitto_sub -p "+port+" -v -t 'kerfwind/#'")
	}
	folders := " --state " + d.Folder + " --runtime " + d.Folder
	return append(list, "In another terminal:", "             kerfwind status --runtime "+d.Folder,
		"             kerfwind movein --rig "+d.File()+folders, "             kerfwind learn --rig "+d.File()+folders)
}
