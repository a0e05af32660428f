package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// retireFlags are the flags of retire.
type retireFlags struct {
	useFlags
	to string
}

func newRetire() *cobra.Command {
	var f retireFlags
	cmd := &cobra.Command{
		Use:   "retire SHOP",
		Short: "Give a shop up: print its sheet, put all into a backup, erase passwords and keys",
		Args:  cobra.ExactArgs(1),
		RunE:  func(cmd *cobra.Command, args []string) error { return f.run(cmd, args[0]) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.rig, "rig", "/etc/kerfwind/rig.toml", "rig file")
	fl.StringVar(&f.state, "state", "", stateUsage)
	fl.StringVar(&f.to, "to", ".", "folder for sheet and backup")
	addRuntime(cmd, &f.runtime)
	return cmd
}

// idle makes sure that kerfwind does not run this shop. It returns the lock of
// the state folder, or the other shop that a kerfwind runs, which holds it.
func (f *retireFlags) idle(ctx context.Context, file string, s *config.Shop) (lock io.Closer, other string, err error) {
	st, err := statusOf(ctx, rig.Folder(f.runtime))
	switch {
	case errors.Is(err, socket.ErrNobody):
		held, err := journal.Lock(stateFolder(f.state))
		if errors.Is(err, journal.ErrInUse) {
			err = fmt.Errorf("%w: stop it first (systemctl stop kerfwind)", err)
		}
		return held, "", err
	case err != nil:
		return nil, "", err
	}
	running := st.File
	if st.Shop == s.Name || st.File == "" || shopfiles.Same(running, file) || st.Bench {
		return nil, "", fmt.Errorf("kerfwind runs %q (%s): stop it first (systemctl stop kerfwind), or choose the next shop (kerfwind use)", st.Shop, running)
	}
	return nopCloser{}, st.Shop, nil
}

type nopCloser struct{}

func (nopCloser) Close() error { return nil }

func (f *retireFlags) run(cmd *cobra.Command, name string) (err error) {
	rg, err := config.LoadRig(f.rig)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	etc := filepath.Dir(f.rig)
	r := shopfiles.Retirement{State: stateFolder(f.state), Etc: etc, To: f.to, Passwords: panel.PasswordFile, Begun: guide.File, Changes: panel.AuditFile,
		Place: func(path string) string { return mqttlink.Place(path, etc) },
		In:    cmd.InOrStdin(), Out: cmd.OutOrStdout(), Notices: cmd.ErrOrStderr()}
	if r.File, err = f.shelf().Find(name); err != nil {
		return err
	}
	if r.Shop, err = config.LoadShop(r.File, rg); err != nil {
		return &exitError{exitConfig, err}
	}
	lock, other, err := f.idle(cmd.Context(), r.File, r.Shop)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	r.Other = other
	return r.Run(cmd.Context())
}
