package shopfiles

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/cmd/kerfwind/internal/wiresheet"
	"kerfwind/config"
)

// Retirement gives a shop up: it writes sheet and backup, then erases passwords
// and keys.
type Retirement struct {
	Shop *config.Shop
	File string // of the shop

	State, Etc, To            string // folders: the state, the rig file's, the one for sheet and backup
	Passwords, Begun, Changes string // files in the state folder: the page's passwords, a move-in that was begun, what was changed on the page

	Place func(name string) string // where a file lies that the rig file names
	Other string                   // the shop that a kerfwind runs with these passwords; "" none

	In           io.Reader
	Out, Notices io.Writer
}

// Bullets prints a list.
func Bullets(w io.Writer, list []string) {
	for _, x := range list {
		fmt.Fprintln(w, live.Wrap(x, "- ", "  "))
	}
}

// Run says what it is going to do, asks, and does it.
func (r *Retirement) Run(ctx context.Context) error {
	secrets, err := Secrets(r.State, r.Passwords, r.Shop, r.Place)
	if err != nil {
		return err
	}
	base := filepath.Join(r.To, state.Slug(r.Shop.Name))
	files := []string{base + "-sheet.html", base + "-sheet.txt", base + "-backup.zip"}
	for _, path := range files {
		if err := state.FreePath(path, false); err != nil {
			return err
		}
	}
	if st, err := os.Stat(r.To); err != nil || !st.IsDir() {
		return fmt.Errorf("there is no folder %s for sheet and backup: make it, or plug in what --to names; nothing was written or erased", r.To)
	}
	erased, kept := split(secrets)
	if err := r.ask(files, erased); err != nil {
		return err
	}
	if err := r.export(ctx, files); err != nil {
		return fmt.Errorf("nothing was erased: %w", err)
	}
	if err := Erase(secrets); err != nil {
		return fmt.Errorf("not all was erased: %w", err)
	}
	w := r.Out
	fmt.Fprintln(w, "Written:")
	Bullets(w, files)
	if len(erased) > 0 {
		fmt.Fprintln(w, "Erased:")
		Bullets(w, erased)
		fmt.Fprintln(w, live.Wrap("On a memory card the old bytes may be there until they are written over: use none of these passwords again.", "", ""))
	}
	hand, err := ByHand(r.State, r.Etc, r.Begun, r.Changes)
	if err != nil {
		return err
	}
	if hand = append(kept, hand...); len(hand) > 0 {
		fmt.Fprintln(w, "For you to erase by hand, if nobody is to have it:")
		Bullets(w, hand)
	}
	fmt.Fprintln(w, live.Wrap("Kept: the rig file with its calibration, learned levels, history and shop files. The next shop begins by kerfwind movein.", "", ""))
	return nil
}

// ask says what will be written and erased, and has the shop's name typed.
func (r *Retirement) ask(files, erased []string) error {
	w := r.Out
	fmt.Fprintf(w, "%q (%s) is given up. Written first:\n", r.Shop.Name, r.File)
	Bullets(w, files)
	if len(erased) > 0 {
		fmt.Fprintln(w, "Then erased for good:")
		Bullets(w, erased)
		if r.Other != "" {
			fmt.Fprintln(w, live.Wrap(fmt.Sprintf("kerfwind runs %q with them: nobody can sign in to its page then until kerfwind password sets new ones.", r.Other), "! ", "  "))
		}
	} else {
		fmt.Fprintln(w, "The state folder holds no password and no key: there is nothing to erase.")
	}
	fmt.Fprint(w, "Type the shop's name to do it: ")
	answer, err := live.FirstLine(r.In)
	fmt.Fprintln(w)
	if err != nil || strings.TrimSpace(answer) != r.Shop.Name {
		return errors.Join(err, fmt.Errorf("that is not %q: nothing was written or erased", r.Shop.Name))
	}
	return nil
}

// split says in words which secrets the program erases and which it does not.
func split(list []Secret) (erased, kept []string) {
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
func (r *Retirement) export(ctx context.Context, files []string) error {
	now := time.Now()
	sheet := wiresheet.Cabinet(r.Shop, true, now.Format(time.DateOnly))
	if err := errors.Join(state.WriteFile(files[0], false, sheet.WriteHTML), state.WriteFile(files[1], false, sheet.WriteText)); err != nil {
		return err
	}
	parts, lacking, err := Folders{Config: r.Etc, State: r.State}.Backup(ctx, files[2], false, now)
	if err != nil {
		return err
	}
	SayLacking(r.Notices, lacking)
	_, err = fmt.Fprintln(r.Out, live.Wrap("The backup holds "+strings.Join(parts, ", ")+".", "", ""))
	return err
}
