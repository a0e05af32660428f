package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/shopfiles"
)

// defaultConfig is where the owner's files lie.
const defaultConfig = "/etc/kerfwind"

// backupFlags holds the flags of backup and restore.
type backupFlags struct {
	config, state string
	force         bool
}

func (f *backupFlags) add(cmd *cobra.Command, force string) {
	stateFlag(cmd, &f.state)
	cmd.Flags().StringVar(&f.config, "config", defaultConfig, "folder of rig.toml and shops/")
	cmd.Flags().BoolVar(&f.force, "force", false, force)
}

func newBackup() *cobra.Command {
	var f backupFlags
	cmd := &cobra.Command{
		Use:   "backup FILE",
		Short: "Put rig, shops, learned levels and history into one file",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.backup(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr(), args[0])
		},
	}
	f.add(cmd, "replace the file")
	return cmd
}

func newRestore() *cobra.Command {
	var f backupFlags
	cmd := &cobra.Command{
		Use:   "restore FILE",
		Short: "Bring back what backup has put into a file",
		Args:  cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.restore(cmd.Context(), cmd.OutOrStdout(), args[0])
		},
	}
	f.add(cmd, "keep aside what is there, and restore")
	return cmd
}

func (f *backupFlags) folders() shopfiles.Folders {
	return shopfiles.Folders{Config: f.config, State: f.state}
}

func (f *backupFlags) backup(ctx context.Context, w, notices io.Writer, file string) error {
	names, lacking, err := f.folders().Backup(ctx, file, f.force, time.Now())
	if err != nil {
		return err
	}
	shopfiles.SayLacking(notices, lacking)
	if file != "-" {
		_, err = fmt.Fprintf(w, "%s: %s\n", file, strings.Join(names, ", "))
	}
	return err
}

func (f *backupFlags) restore(ctx context.Context, w io.Writer, file string) error {
	got, err := f.folders().Restore(ctx, file, f.force, time.Now())
	if err != nil {
		return err
	}
	files := "1 file"
	if got.Files != 1 {
		files = fmt.Sprintf("%d files", got.Files)
	}
	fmt.Fprintf(w, "restored %s, made %s\n", files, got.Made.Local().Format(time.DateTime))
	if len(got.Aside) > 0 {
		fmt.Fprintf(w, "what it replaced is in %s\n", strings.Join(got.Aside, " and "))
	}
	return nil
}
