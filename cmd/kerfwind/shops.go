package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// chosenFlags find the shop that is in force, or comes next.
type chosenFlags struct {
	useFlags
	shop string
}

func (f *chosenFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&f.shop, "shop", "", "shop file, or the name of one (default: the one in use)")
	fl.StringVar(&f.state, "state", "", stateUsage)
	addRuntime(cmd, &f.runtime)
}

// stateUsage says what the flag --state is for.
const stateUsage = "folder of what is kept over a restart (default: systemd's, else /var/lib/kerfwind)"

// service swaps and chooses, in the kerfwind that runs or for the next.
func (f *useFlags) service(ctx context.Context) (*shopfiles.Service, error) {
	r, err := config.LoadRig(f.rig)
	if err != nil {
		return nil, &exitError{exitConfig, err}
	}
	shop, err := f.door(ctx)
	if err != nil {
		return nil, err
	}
	return &shopfiles.Service{Folder: stateFolder(f.state), Owner: shopfiles.OwnerFolder(f.rig), Rig: r, Shop: shop}, nil
}

// file is the path of the shop file: of --shop, else of the one in force or next.
func (f *chosenFlags) file(ctx context.Context) (string, error) {
	if f.shop != "" {
		return f.shelf().Find(f.shop)
	}
	file, _, err := f.chosen(ctx)
	return file, err
}

// chosen is the file of the shop that is in force or waits to be, and why.
func (f *useFlags) chosen(ctx context.Context) (file, why string, err error) {
	shop, err := f.door(ctx)
	if err != nil {
		return "", "", err
	}
	st, err := shop.State(ctx)
	switch {
	case err != nil:
		return "", "", &exitError{exitConfig, err}
	case st.Shop.Next != "":
		return st.Shop.Next, daemon.Choice{File: st.Shop.Next, Chosen: true}.Why(), nil
	case st.Shop.File != "":
		return st.Shop.File, st.Shop.Why, nil
	case st.NoShop:
		return "", "", errors.New(`no shop was chosen by "kerfwind use", and no kerfwind runs that could tell: name the file by --shop`)
	}
	return "", "", errors.New("kerfwind runs without a shop file: make one by kerfwind movein")
}

func newShops() *cobra.Command {
	var f useFlags
	cmd := &cobra.Command{
		Use:   "shops",
		Short: "List the shop files that are kept, and what is different in each",
		Args:  cobra.NoArgs,
		RunE:  func(cmd *cobra.Command, _ []string) error { return f.shops(cmd) },
	}
	diff := &cobra.Command{
		Use:   "diff SHOP SHOP",
		Short: "Say in words what is different in the second of two shop files",
		Args:  cobra.ExactArgs(2),
		RunE: func(cmd *cobra.Command, args []string) error {
			var files [2]string
			for i := range files {
				var err error
				if files[i], err = f.shelf().Find(args[i]); err != nil {
					return err
				}
			}
			list, err := shopfiles.Differences(files[0], files[1])
			if err != nil {
				return &exitError{exitConfig, err}
			}
			if len(list) == 0 {
				list = []string{"Nothing is different."}
			}
			shopfiles.Bullets(cmd.OutOrStdout(), list)
			return nil
		},
	}
	for _, c := range []*cobra.Command{cmd, diff} {
		c.Flags().StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file; the owner's shop files lie in the folder shops beside it")
		c.Flags().StringVar(&f.state, "state", "", stateUsage)
	}
	addRuntime(cmd, &f.runtime)
	cmd.AddCommand(diff)
	return cmd
}

func (f *useFlags) shops(cmd *cobra.Command) error {
	now, why, err := f.chosen(cmd.Context())
	if errors.As(err, new(*exitError)) {
		return err
	}
	st, err := socket.At(rig.Folder(f.runtime)).State(cmd.Context())
	return f.shelf().Print(cmd.OutOrStdout(), now, why, err == nil && st.Shop.Waiting != "")
}
