package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"kerfwind/cmd/kerfwind/internal/bundle"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/mqttlink"
	"kerfwind/cmd/kerfwind/internal/outfile"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/shopfiles"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
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
	r, err := config.LoadRig(f.rig)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	file, err := f.find(name)
	if err != nil {
		return err
	}
	shop, err := config.LoadShop(file, r)
	if err != nil {
		return &exitError{exitConfig, err}
	}
	lock, other, err := f.idle(cmd.Context(), file, shop)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()

	folder, etc := stateFolder(f.state), filepath.Dir(f.rig)
	secrets, err := shopfiles.Secrets(folder, passwordFile, shop, func(path string) string { return mqttlink.Place(path, etc) })
	if err != nil {
		return err
	}
	base := filepath.Join(f.to, state.Slug(shop.Name))
	files := []string{base + "-sheet.html", base + "-sheet.txt", base + "-backup.zip"}
	for _, path := range files {
		if err := outfile.Free(path, false); err != nil {
			return err
		}
	}
	if st, err := os.Stat(f.to); err != nil || !st.IsDir() {
		return fmt.Errorf("there is no folder %s for sheet and backup: make it, or plug in what --to names; nothing was written or erased", f.to)
	}
	w := cmd.OutOrStdout()
	fmt.Fprintf(w, "%q (%s) is given up. Written first:\n", shop.Name, file)
	bullets(w, files)
	erased, kept := split(secrets)
	if len(erased) > 0 {
		fmt.Fprintln(w, "Then erased for good:")
		bullets(w, erased)
		if other != "" {
			fmt.Fprintln(w, wrapText(fmt.Sprintf("kerfwind runs %q with them: nobody can sign in to its page then until kerfwind password sets new ones.", other), "! ", "  "))
		}
	} else {
		fmt.Fprintln(w, "No password and no key lies in the state folder: nothing is to be erased there.")
	}
	fmt.Fprint(w, "Type the shop's name to do it: ")
	answer, err := firstLine(cmd.InOrStdin())
	fmt.Fprintln(w)
	if err != nil || answer != shop.Name {
		return errors.Join(err, fmt.Errorf("that is not %q: nothing was written or erased", shop.Name))
	}

	if err := f.export(cmd, shop, files, etc); err != nil {
		return fmt.Errorf("nothing was erased: %w", err)
	}
	if err := shopfiles.Erase(secrets); err != nil {
		return fmt.Errorf("not all was erased: %w", err)
	}
	fmt.Fprintln(w, "Written:")
	bullets(w, files)
	if len(erased) > 0 {
		fmt.Fprintln(w, "Erased:")
		bullets(w, erased)
		fmt.Fprintln(w, wrapText("On a memory card the old bytes may be there until they are written over: use none of these passwords again.", "", ""))
	}
	hand, err := shopfiles.ByHand(folder, etc, guide.File, auditFile)
	if err != nil {
		return err
	}
	if hand = append(kept, hand...); len(hand) > 0 {
		fmt.Fprintln(w, "For you to erase by hand, if nobody is to have it:")
		bullets(w, hand)
	}
	fmt.Fprintln(w, wrapText("Kept: the rig file with its calibration, learned levels, history and shop files. The next shop begins by kerfwind movein.", "", ""))
	return nil
}

// split says in words which secrets the program erases and which it does not.
func split(list []shopfiles.Secret) (erased, kept []string) {
	for _, s := range list {
		text := s.Path + ", " + s.What
		if s.Own {
			erased = append(erased, text)
		} else {
			kept = append(kept, text)
		}
	}
	return erased, kept
}

// export writes the sheet and the backup.
func (f *retireFlags) export(cmd *cobra.Command, shop *config.Shop, files []string, etc string) error {
	now := time.Now()
	sheet := wiresheet.Cabinet(shop, true, now.Format(time.DateOnly))
	if err := errors.Join(outfile.Write(files[0], false, sheet.WriteHTML), outfile.Write(files[1], false, sheet.WriteText)); err != nil {
		return err
	}
	parts, lacking, err := bundle.Folders{Config: etc, State: stateFolder(f.state)}.Backup(cmd.Context(), files[2], false, now)
	if err != nil {
		return err
	}
	for _, x := range lacking {
		fmt.Fprintf(cmd.ErrOrStderr(), lackingText, x)
	}
	_, err = fmt.Fprintln(cmd.OutOrStdout(), wrapText("The backup holds "+strings.Join(parts, ", ")+".", "", ""))
	return err
}
