package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	"kerfwind/cmd/kerfwind/internal/console"
	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/config"
)

// Seconds of the demo's morning in a second: slow enough to follow on the
// page, fast enough to see much in the live view.
const (
	pageSpeed = 3.0
	viewSpeed = 15.0
)

// demoPage runs the whole daemon on the simulated rig until ctx is done.
func demoPage(ctx context.Context, stop func(), out *console.Lines, listen string, speed float64) (err error) {
	defer out.End()
	r := runFlags{simulate: true, speed: cmp.Or(speed, pageSpeed)}
	if r.speed > mostSpeed {
		return &exitError{exitUsage, fmt.Errorf("--speed %v: give %d at most", r.speed, mostSpeed)}
	}
	d, err := demo.NewDaemon(listen)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	r.state, r.runtime, r.shop = d.Folder, d.Folder, d.Shop
	load := func(c daemon.Choice) (*config.Shop, error) { return loadShop(d.Rig, c) }
	first, err := load(daemon.Choice{File: d.Shop})
	if err != nil {
		return &exitError{exitConfig, err}
	}
	how, err := r.simulated()
	if err != nil {
		return err
	}
	for _, line := range d.Ways(first.Rig.Page) {
		out.Say(line)
	}
	return r.serve(ctx, stop, out, load, how, fmt.Sprintf("the demo's barn, simulated, %g s in a second; Ctrl-C ends it", r.speed))
}
