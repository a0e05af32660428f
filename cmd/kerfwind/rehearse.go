package main

import (
	"context"
	"errors"
	"io"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/config"
)

// rehearsal are the flags of rehearse, and of the demo's page.
type rehearsal struct {
	runFlags
	really, listen string
	morning        bool // the demo's machines run by themselves
}

func newRehearse() *cobra.Command {
	var r rehearsal
	cmd := &cobra.Command{
		Use:   "rehearse [--rig FILE [--shop FILE]]",
		Short: "Run your own shop in simulation, with your hands in it: switch machines on, jam gates, cut wires",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			return r.run(ctx, live.NewLines(cmd.OutOrStdout(), cmd.ErrOrStderr()), cmd.InOrStdin())
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&r.rig, "rig", "", "rig file (default: the demo's barn)")
	fl.StringVar(&r.shop, "shop", "", "shop file (default: each channel a machine, each gate actuator a gate)")
	fl.StringVar(&r.really, "really", "", "shop file of how the workshop truly is (default: as --shop)")
	fl.StringVar(&r.script, "script", "", "script of what machines do until somebody touches them, as for \"trace make\"")
	fl.Float64Var(&r.speed, "speed", 1, "seconds of the shop in a second")
	fl.StringVar(&r.listen, "listen", "", `serve the page at this address, e.g. ":8080" for a phone in the network (default: for this computer alone)`)
	fl.StringVar(&r.state, "state", "", "folder that keeps what is learned and chosen (default: one that is removed at the end)")
	fl.BoolVar(&r.json, "json", false, "print one JSON object an event")
	return cmd
}

// run runs the workshop until ctx is done or somebody leaves.
func (r *rehearsal) run(ctx context.Context, out *live.Lines, in io.Reader) (err error) {
	defer out.End()
	r.simulate = true
	if err := r.paced(); err != nil {
		return err
	}
	if r.rig == "" && r.shop+r.really != "" {
		return &exitError{exitUsage, errors.New("--shop and --really need the --rig that they belong to")}
	}
	d, err := demo.NewDaemon(r.rig, r.shop, r.state, r.listen)
	if err != nil {
		return &exitError{exitUsage, err}
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	r.state, r.runtime, r.shop = d.Folder, d.Folder, d.Shop
	load := func(c daemon.Choice) (*config.Shop, error) {
		s, err := loadShop(d.Rig, c)
		if err == nil {
			s.Notices = nil // nobody is to be woken by a rehearsal
			r.learned(s, out)
		}
		return s, err
	}
	first, err := load(daemon.Choice{File: r.shop})
	if err != nil {
		return err
	}
	truth := first
	if r.really != "" {
		if truth, err = load(daemon.Choice{File: r.really}); err != nil {
			return err
		}
	}
	how, err := r.simulated(truth, r.morning, out.Say)
	if err != nil {
		return err
	}
	for _, line := range d.Ways(first.Rig.Page) {
		out.Say(line)
	}
	return demo.Run(ctx, r.hands, in, func(ctx context.Context) error {
		return r.serve(ctx, func() {}, out, load, how, "a rehearsal: nothing real is read or moved; Ctrl-C ends it")
	})
}
