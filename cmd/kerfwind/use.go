package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// useFlags are the flags of use.
type useFlags struct {
	rig, state, runtime string
	back                bool
}

func newUse() *cobra.Command {
	var f useFlags
	cmd := &cobra.Command{
		Use:   "use [SHOP]",
		Short: "Choose the shop that kerfwind runs, or list those there are",
		Args:  cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case len(args) == 1 && f.back:
				return &exitError{exitUsage, errors.New("give a shop or --default, not both")}
			case f.back:
				return f.choose(cmd, "")
			case len(args) == 1:
				file, err := f.shelf().Find(args[0])
				if err != nil {
					return err
				}
				return f.choose(cmd, file)
			}
			chosen, err := daemon.ActiveShop(stateFolder(f.state))
			if err != nil {
				return err
			}
			return f.shelf().Names(cmd.OutOrStdout(), chosen)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&f.state, "state", "", stateUsage)
	fl.BoolVar(&f.back, "default", false, "the shop that --shop of \"kerfwind run\" names")
	addRuntime(cmd, &f.runtime)
	return cmd
}

// shelf is where shop files lie.
func (f *useFlags) shelf() shopfiles.Shelf {
	return shopfiles.Shelf{State: stateFolder(f.state), Owner: shopfiles.OwnerFolder(f.rig)}
}

// stored is a shop that does not run.
func (f *useFlags) stored() seam.Shop {
	ofRig := func(do func(*config.Rig) (*config.Shop, error)) (*config.Shop, error) {
		r, err := config.LoadRig(f.rig)
		if err != nil {
			return nil, &exitError{exitConfig, err}
		}
		s, err := do(r)
		if err != nil {
			return nil, &exitError{exitConfig, err}
		}
		return s, nil
	}
	return &daemon.Stored{
		Refuses: seam.Refuses{Err: socket.ErrNobody}, Folder: stateFolder(f.state),
		Load: func(c daemon.Choice) (*config.Shop, error) {
			return ofRig(func(r *config.Rig) (*config.Shop, error) { return config.LoadShop(c.File, r) })
		},
		Parse: func(path string, text []byte) (*config.Shop, error) {
			return ofRig(func(r *config.Rig) (*config.Shop, error) { return config.ParseShop(path, text, r) })
		},
	}
}

// door is the kerfwind that runs or, where none does, the next one's shop.
func (f *useFlags) door(ctx context.Context) (seam.Shop, error) {
	shop := socket.At(rig.Folder(f.runtime))
	switch _, err := shop.Hello(ctx); {
	case errors.Is(err, socket.ErrNobody):
		return f.stored(), nil
	case err != nil:
		return nil, err
	}
	return shop, nil
}

// choose lets the daemon choose or, where none runs, does so for the next.
func (f *useFlags) choose(cmd *cobra.Command, file string) error {
	shop, err := f.door(cmd.Context())
	if err != nil {
		return err
	}
	t, err := shop.Adopt(cmd.Context(), seam.Adoption{File: seam.File{Path: file}, Always: true})
	if err != nil {
		return err
	}
	what := file
	if file == "" {
		what = `the shop that "kerfwind run" is started with`
	}
	return sayTicket(cmd.OutOrStdout(), what, &t)
}

// sayTicket says when a shop takes effect.
func sayTicket(w io.Writer, what string, t *seam.Ticket) error {
	when := "takes effect now"
	switch {
	case t.ID == 0:
		when = "takes effect at the next start"
	case t.For != "":
		when = `waits until the shop is at rest: see "kerfwind status"`
	}
	_, err := fmt.Fprintf(w, "%s: %s\n", what, when)
	return err
}
