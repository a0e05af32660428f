package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"

	"kerfwind/cmd/kerfwind/internal/console"
	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/config"
	"kerfwind/testdata"
)

// Seconds of the demo's morning in a second: slow enough to follow on the
// page, fast enough to see much in the live view.
const (
	pageSpeed = 3.0
	viewSpeed = 15.0
)

// demoPassword lets one do everything on the demo's page. It is no secret: the
// page shows a simulation.
const demoPassword = "sawdust and shavings"

// demoPage runs the whole daemon on the simulated rig until ctx is done.
func demoPage(ctx context.Context, stop func(), out *console.Lines, listen string, speed float64) (err error) {
	defer out.End()
	r := runFlags{simulate: true, speed: cmp.Or(speed, pageSpeed)}
	if r.speed > mostSpeed {
		return &exitError{exitUsage, fmt.Errorf("--speed %v: give %d at most", r.speed, mostSpeed)}
	}
	at, err := demo.Place(listen, "127.0.0.1:8080")
	if err != nil {
		return &exitError{exitUsage, fmt.Errorf("--listen: %w", err)}
	}
	topics, err := demo.Place("", "127.0.0.1:1883")
	if err != nil {
		return err
	}
	folder, err := os.MkdirTemp("", "kerfwind-demo-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	r.state, r.runtime = folder, folder
	key, err := panel.NewKey(demoPassword)
	if err != nil {
		return err
	}
	if err := setPassword(folder, panel.Setup, key, io.Discard); err != nil {
		return err
	}
	rigFile := func() (*config.Rig, error) {
		text, err := testdata.Demo.ReadFile(demo.Rig)
		if err != nil {
			return nil, err
		}
		return config.ParseRig(demo.Rig, fmt.Appendf(text, "\n[page]\nlisten = %q\n[broker]\nlisten = %q\n[mqtt]\nbroker = \"tcp://%s\"\n", at, topics, topics))
	}
	// The shop is a file, so that gates can be swapped as in a real one.
	text, err := testdata.Demo.ReadFile(demo.Shop)
	if err != nil {
		return err
	}
	r.shop = filepath.Join(folder, filepath.Base(demo.Shop))
	if err := os.WriteFile(r.shop, text, 0o600); err != nil {
		return err
	}
	load := func(c daemon.Choice) (*config.Shop, error) { return loadShop(rigFile, c) }
	first, err := load(daemon.Choice{File: r.shop})
	if err != nil {
		return &exitError{exitConfig, err}
	}
	how, err := r.simulated()
	if err != nil {
		return err
	}
	_, port, _ := net.SplitHostPort(topics) // it is of place's making
	out.Say("The page:    " + first.Rig.Page.Address() + "  to do more than look, sign in there with the password: " + demoPassword)
	if !first.Rig.Page.Local {
		for _, a := range demo.Addresses(at) {
			out.Say("             " + a + "  from the network")
		}
	}
	out.Say("The topics:  mosquitto_sub -p " + port + " -v -t 'kerfwind/#'")
	out.Say("Commands:    kerfwind status --runtime " + folder)
	return r.serve(ctx, stop, out, load, how, "the demo's barn, simulated, "+fmt.Sprintf("%g s in a second; Ctrl-C ends it", r.speed))
}
