package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// moveInFlags are the flags of movein.
type moveInFlags struct {
	hardwareFlags
	fresh bool
}

func newMoveIn() *cobra.Command {
	var f moveInFlags
	cmd := &cobra.Command{
		Use:   "movein --rig FILE [--shop FILE]",
		Short: "Match the rig to a new shop, question by question",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := untilEnded(cmd.Context())
			defer stop()
			return f.run(ctx, cmd)
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&f.fresh, "fresh", false, "throw away the answers of a move-in that was left, and begin again")
	return cmd
}

// before is a shop file as the shop before.
func before(file string, chosen bool) (b movein.Before, err error) {
	if file == "" {
		return b, nil
	}
	b.Chosen = chosen
	if b.Text, err = os.ReadFile(file); err == nil {
		b.File, err = filepath.Abs(file)
	}
	if err != nil {
		return b, &exitError{exitConfig, err}
	}
	return b, nil
}

func (f *moveInFlags) run(ctx context.Context, cmd *cobra.Command) (err error) {
	o := guide.Options{State: stateFolder(f.state), Notice: noticeTo(cmd.ErrOrStderr()), Today: func() string { return time.Now().Format(time.DateOnly) }}
	if o.Rig, err = config.LoadRig(f.rig); err != nil {
		return &exitError{exitConfig, err}
	}
	if o.Before, err = before(f.shop, true); err != nil {
		return err
	}
	shop := socket.At(rig.Folder(f.runtime))
	open := guide.Through
	if _, err := shop.Hello(ctx); errors.Is(err, socket.ErrNobody) {
		c, _, err := daemon.First(o.State, "")
		if err != nil {
			return &exitError{exitConfig, err}
		}
		if f.shop == "" {
			if o.Before, err = before(c.File, c.Chosen); err != nil {
				return err
			}
		}
		uses := useFlags{rig: f.rig, state: f.state, runtime: f.runtime}
		keep := daemon.NewKeep(o.State, func(text string) { o.Notice(errors.New(text)) }, o.Notice)
		defer keep.End()
		shop, open = uses.stored(), (&guide.Near{Runtime: f.runtime, How: realRig(), Up: keep.Up}).Through
	} else if err != nil {
		return err
	}
	g, bench, err := open(ctx, shop, o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, bench.Leave()) }()
	defer g.Close()
	if f.fresh {
		if err := g.Fresh(); err != nil {
			return err
		}
	}
	return guide.NewTerminal(g, cmd.OutOrStdout()).Run(ctx, cmd.InOrStdin())
}
