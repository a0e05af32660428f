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
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/bundle"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/config"
)

// defaultConfig is where the owner's files lie.
const defaultConfig = "/etc/kerfwind"

// backupFlags is what backup and restore are asked for.
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
		Long: `Backup writes one ZIP file with the rig, all shops, the learned levels and the
whole history as of now, and says what is not there to be put into it. The
daemon may run meanwhile. A stand-down is not part of it: it belongs to the
shop, not to its papers. Nor are the page's passwords and its record of changes.`,
		Example: `  kerfwind backup barn.zip`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return backup(cmd.OutOrStdout(), cmd.ErrOrStderr(), args[0], &f, time.Now())
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
		Long: `Restore checks a backup whole, and only then puts its files in place. What is
there already is not touched without --force; with it, it is kept aside in a
folder of its own. The daemon must not run.`,
		Example: `  kerfwind restore barn.zip`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			return restore(cmd.OutOrStdout(), args[0], &f, time.Now())
		},
	}
	f.add(cmd, "keep aside what is there, and restore")
	return cmd
}

// owned lists what belongs into a backup, but for the history: names in it and
// where they lie.
func owned(f *backupFlags) (names, paths []string, err error) {
	add := func(place, dir, pattern string) {
		found, e := filepath.Glob(filepath.Join(dir, pattern)) // dir may hold no magic
		err = errors.Join(err, e)
		for _, p := range found {
			if st, e := os.Stat(p); e != nil || !st.Mode().IsRegular() || strings.HasPrefix(filepath.Base(p), ".") {
				continue
			}
			names = append(names, place+"/"+filepath.ToSlash(strings.TrimPrefix(p, filepath.Clean(dir)+string(filepath.Separator))))
			paths = append(paths, p)
		}
	}
	for _, dir := range []string{f.config, f.state} {
		if strings.ContainsAny(dir, `*?[\`) {
			return nil, nil, fmt.Errorf("%s: a folder with * ? [ or \\ in its name cannot be backed up", dir)
		}
	}
	add(bundle.Config, f.config, "rig.toml")
	add(bundle.Config, f.config, "shops/*.toml")
	add(bundle.State, f.state, "learned.json")
	add(bundle.State, f.state, "active")
	add(bundle.State, f.state, "shops/*.toml")
	return names, paths, err
}

// lacking says what a backup of these names would be without.
func lacking(names []string, f *backupFlags) []string {
	var out []string
	has := func(name string) bool { return slices.Contains(names, name) }
	if !has(bundle.Config + "/rig.toml") {
		out = append(out, "rig file in "+f.config)
	}
	if !slices.ContainsFunc(names, func(n string) bool { return strings.Contains(n, "/shops/") }) {
		out = append(out, fmt.Sprintf("shop file in %s or %s", filepath.Join(f.config, "shops"), filepath.Join(f.state, "shops")))
	}
	if !has(bundle.State + "/history.db") {
		out = append(out, "history in "+f.state)
	}
	return out
}

func backup(w, notices io.Writer, file string, f *backupFlags, now time.Time) error {
	names, paths, err := owned(f)
	if err != nil {
		return err
	}
	ctx := context.Background()
	db, err := journal.OpenReader(ctx, f.state)
	switch {
	case errors.Is(err, journal.ErrNone):
	case err != nil:
		return err
	default:
		// The copy lies where there is room for it: beside the backup.
		dir, err := os.MkdirTemp(folderOf(file), ".kerfwind-backup-*")
		if err != nil {
			return errors.Join(err, db.Close())
		}
		defer os.RemoveAll(dir) //nolint:errcheck // a copy that stays is no harm, and nobody could act on it
		tmp := filepath.Join(dir, "history.db")
		if err := errors.Join(db.Export(ctx, tmp), db.Close()); err != nil {
			return err
		}
		names, paths = append(names, bundle.State+"/history.db"), append(paths, tmp)
	}
	if len(names) == 0 {
		return fmt.Errorf("nothing to back up in %s and %s: name the folders with --config and --state", f.config, f.state)
	}
	err = writeFile(file, f.force, func(out io.Writer) error {
		b := bundle.NewWriter(out, "kerfwind", now)
		for i, name := range names {
			in, err := os.Open(paths[i])
			if err != nil {
				return err
			}
			if err := errors.Join(b.Add(name, in), in.Close()); err != nil {
				return err
			}
		}
		return b.Close()
	})
	if err != nil {
		return err
	}
	for _, x := range lacking(names, f) {
		fmt.Fprintf(notices, "notice: there is no %s, so none is in the backup: --config and --state name the folders\n", x)
	}
	if file != "-" {
		_, err = fmt.Fprintf(w, "%s: %s\n", file, strings.Join(names, ", "))
	}
	return err
}

func folderOf(file string) string {
	if file == "-" {
		return os.TempDir()
	}
	return filepath.Dir(file)
}

// restored is one part on its way to its place.
type restored struct {
	name, tmp, to string
}

func restore(w io.Writer, file string, f *backupFlags, now time.Time) (err error) {
	in, err := os.Open(file)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	st, err := in.Stat()
	if err != nil {
		return err
	}
	b, err := bundle.Read(in, st.Size())
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	for _, dir := range []string{f.config, f.state} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
	}
	lock, err := journal.Lock(f.state)
	if err != nil {
		if errors.Is(err, journal.ErrInUse) {
			err = fmt.Errorf("%w: stop the daemon first (systemctl stop kerfwind)", err)
		}
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	var parts []restored
	defer func() {
		for _, p := range parts {
			if e := os.Remove(p.tmp); e != nil && !errors.Is(e, fs.ErrNotExist) {
				err = errors.Join(err, e)
			}
		}
	}()
	for _, p := range b.Parts {
		place, rest, _ := strings.Cut(p.Name, "/")
		dir := f.config
		if place == bundle.State {
			dir = f.state
		}
		r := restored{name: p.Name, to: filepath.Join(dir, filepath.FromSlash(rest))}
		r.tmp = filepath.Join(filepath.Dir(r.to), ".restored-"+filepath.Base(r.to))
		parts = append(parts, r)
		if err := unpack(b, p, r.tmp); err != nil {
			return err
		}
	}
	if err := checkRestored(parts); err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	aside, err := keepAside(parts, f, now)
	if err != nil {
		return err
	}
	for _, p := range parts {
		if err := os.Rename(p.tmp, p.to); err != nil {
			return err
		}
	}
	if err := syncFolders(parts); err != nil {
		return err
	}
	fmt.Fprintf(w, "restored %s, made %s\n", plural(int64(len(parts)), "file"), b.Made.Local().Format(time.DateTime))
	if len(aside) > 0 {
		fmt.Fprintf(w, "what was there lies in %s\n", strings.Join(aside, " and "))
	}
	return nil
}

// unpack writes a part beside its place, lasting.
func unpack(b *bundle.Bundle, p bundle.Part, tmp string) error {
	if dir := filepath.Dir(tmp); filepath.Base(dir) == "shops" {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
		if err := journal.LikeFolder(dir); err != nil {
			return err
		}
	}
	out, err := os.OpenFile(tmp, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	err = b.Copy(out, p)
	if err == nil {
		err = errors.Join(out.Sync(), journal.LikeFolder(tmp))
	}
	return errors.Join(err, out.Close())
}

// checkRestored makes sure that this program can use what is to be restored.
func checkRestored(parts []restored) error {
	var errs []error
	var rig *config.Rig
	for _, p := range parts {
		if p.name != bundle.Config+"/rig.toml" {
			continue
		}
		data, err := os.ReadFile(p.tmp)
		if err == nil {
			rig, err = config.ParseRig(p.name, data)
		}
		errs = append(errs, err)
	}
	for _, p := range parts {
		switch {
		case p.name == bundle.State+"/history.db":
			errs = append(errs, journal.CheckFile(context.Background(), p.tmp))
		case rig != nil && strings.HasSuffix(p.name, ".toml") && strings.Contains(p.name, "/shops/"):
			data, err := os.ReadFile(p.tmp)
			if err == nil {
				_, err = config.ParseShop(p.name, data, rig)
			}
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// keepAside moves what is in the way into a folder of its own in each place,
// and says which. Without --force it refuses, and moves nothing.
func keepAside(parts []restored, f *backupFlags, now time.Time) ([]string, error) {
	var there []string
	for _, p := range parts {
		ends := []string{""}
		if strings.HasSuffix(p.name, "/history.db") {
			ends = []string{"", "-wal", "-shm"}
		}
		for _, end := range ends {
			if _, err := os.Lstat(p.to + end); err == nil {
				there = append(there, p.to+end)
			}
		}
	}
	if len(there) == 0 {
		return nil, nil
	}
	if !f.force {
		return nil, fmt.Errorf("these are there already:\n  %s\nnothing was changed: --force keeps them aside and restores", strings.Join(there, "\n  "))
	}
	var aside []string
	for _, path := range there {
		dir := f.state
		if rel, err := filepath.Rel(f.config, path); err == nil && filepath.IsLocal(rel) {
			dir = f.config
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return aside, err
		}
		keep := filepath.Join(dir, "before-restore-"+now.Format("20060102T150405"))
		if !slices.Contains(aside, keep) {
			if _, err := os.Lstat(keep); err == nil {
				return aside, fmt.Errorf("%s is there already: try again in a second", keep)
			}
			aside = append(aside, keep)
		}
		if err := os.MkdirAll(filepath.Join(keep, filepath.Dir(rel)), 0o755); err != nil {
			return aside, err
		}
		if err := os.Rename(path, filepath.Join(keep, rel)); err != nil {
			return aside, err
		}
	}
	return aside, nil
}

// syncFolders makes the renames lasting.
func syncFolders(parts []restored) error {
	var done []string
	var errs []error
	for _, p := range parts {
		dir := filepath.Dir(p.to)
		if slices.Contains(done, dir) {
			continue
		}
		done = append(done, dir)
		d, err := os.Open(dir)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		errs = append(errs, d.Sync(), d.Close())
	}
	return errors.Join(errs...)
}
