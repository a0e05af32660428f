package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
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
				file, err := f.find(args[0])
				if err != nil {
					return err
				}
				return f.choose(cmd, file)
			}
			return f.list(cmd)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&f.state, "state", "", "folder of what is kept over a restart (default: systemd's, else /var/lib/kerfwind)")
	fl.BoolVar(&f.back, "default", false, "the shop that --shop of \"kerfwind run\" names")
	addRuntime(cmd, &f.runtime)
	return cmd
}

// folders are where shops lie.
func (f *useFlags) folders() []string {
	return []string{filepath.Join(stateFolder(f.state), "shops"), filepath.Join(filepath.Dir(f.rig), "shops")}
}

// find is the absolute path of a shop.
func (f *useFlags) find(name string) (string, error) {
	try := []string{name}
	if !strings.ContainsRune(name, filepath.Separator) {
		for _, dir := range f.folders() {
			try = append(try, filepath.Join(dir, strings.TrimSuffix(name, ".toml")+".toml"))
		}
	}
	for _, path := range try {
		switch st, err := os.Stat(path); {
		case err == nil && st.Mode().IsRegular():
			return filepath.Abs(path)
		case err != nil && !errors.Is(err, fs.ErrNotExist):
			return "", err
		}
	}
	return "", fmt.Errorf("there is no shop %q: looked for %s; kerfwind shops lists those that are kept", name, strings.Join(try, ", "))
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
	when := "comes in force now"
	switch {
	case t.ID == 0:
		when = "in force from the next start"
	case t.For != "":
		when = `waits until the shop is at rest: see "kerfwind status"`
	}
	_, err := fmt.Fprintf(w, "%s: %s\n", what, when)
	return err
}

// list prints the shops that lie in the usual folders.
func (f *useFlags) list(cmd *cobra.Command) error {
	chosen, err := daemon.ActiveShop(stateFolder(f.state))
	if err != nil {
		return err
	}
	var all []string
	if chosen != "" {
		all = append(all, chosen)
	}
	for _, dir := range f.folders() {
		found, err := filepath.Glob(filepath.Join(dir, "*.toml"))
		if err != nil {
			return err
		}
		for _, path := range found {
			if !slices.Contains(all, path) {
				all = append(all, path)
			}
		}
	}
	w := cmd.OutOrStdout()
	for _, path := range all {
		mark := " "
		if path == chosen {
			mark = "*"
		}
		fmt.Fprintln(w, mark, path)
	}
	if chosen == "" {
		fmt.Fprintln(w, `none is chosen: "kerfwind run" runs the one that its --shop names`)
	}
	return nil
}
