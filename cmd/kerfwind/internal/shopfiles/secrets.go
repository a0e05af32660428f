package shopfiles

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"kerfwind/config"
)

// Secret is a file that lets somebody in, or holds what does.
type Secret struct {
	Path string
	What string // "the page's passwords"
	Own  bool   // it lies in the state folder, where the program may erase it
}

// Secrets lists the files with passwords and keys that belong to a rig and its
// shop, as far as they exist. passwords is the file of the page's passwords, in
// the state folder; place says where a file named in the rig file lies.
func Secrets(folder, passwords string, s *config.Shop, place func(string) string) ([]Secret, error) {
	var out []Secret
	var errs []error
	within := resolved(folder)
	add := func(path, what string) {
		st, err := os.Lstat(path)
		if errors.Is(err, os.ErrNotExist) {
			return
		}
		if err != nil {
			errs = append(errs, err)
			return
		}
		// A link into the folder or out of it is the owner's doing.
		rel, err := filepath.Rel(within, resolved(path))
		own := err == nil && filepath.IsLocal(rel) && st.Mode().IsRegular()
		out = append(out, Secret{path, what, own})
	}
	add(filepath.Join(folder, passwords), "the page's passwords")
	named := func(name, what string) {
		if name != "" {
			add(place(name), what)
		}
	}
	if m := s.Rig.MQTT; m != nil {
		named(m.PasswordFile, "password to the broker")
		named(m.KeyFile, "key to the broker")
	}
	if b := s.Rig.Broker; b != nil {
		named(b.PasswordFile, "password of kerfwind's own broker")
	}
	if p := s.Rig.Page; p != nil {
		named(p.KeyFile, "key of the page's certificate")
	}
	return out, errors.Join(errs...)
}

// Erase removes secrets of the state folder for good, as far as a file system
// does so.
func Erase(list []Secret) error {
	var errs []error
	for _, s := range list {
		if !s.Own {
			continue
		}
		if err := os.Remove(s.Path); err != nil {
			errs = append(errs, err)
			continue
		}
		d, err := os.Open(filepath.Dir(s.Path))
		if err == nil {
			err = errors.Join(d.Sync(), d.Close())
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("%s is erased, but might come back after a power cut: %w", s.Path, err))
		}
	}
	return errors.Join(errs...)
}

// WithNotices lists the shop files of a list that hold addresses for news:
// such an address may itself be a key.
func WithNotices(folder string, list []Kept) []string {
	var out []string
	for i := range list {
		path := At(folder, list[i].File)
		text, err := read(path)
		if err != nil {
			continue
		}
		if d, err := config.ParseDraft(path, text); err == nil && len(d.Notice) > 0 {
			out = append(out, path)
		}
	}
	return out
}

// ByHand lists what may hold a key and is not the program's to erase: in the state
// folder and in that of the rig file. begun is the file of a move-in that was
// begun, changes that of what was changed on the page.
func ByHand(folder, etc, begun, changes string) ([]string, error) {
	list, err := List(folder, filepath.Join(etc, "shops"))
	if err != nil {
		return nil, err
	}
	isFile := func(path string) bool {
		st, err := os.Stat(path)
		return err == nil && st.Mode().IsRegular()
	}
	var out []string
	notices := WithNotices(folder, list)
	for _, path := range notices {
		out = append(out, path+", addresses for notices (take the tables notice out)")
	}
	if path := filepath.Join(folder, begun); len(notices) > 0 && isFile(path) {
		out = append(out, path+", a move-in that was begun, with the shop before in it")
	}
	for _, dir := range []string{folder, etc} {
		found, err := filepath.Glob(filepath.Join(dir, "before-restore-*"))
		if err != nil {
			return nil, err
		}
		for _, path := range found {
			out = append(out, path+", kept aside by a restore")
		}
	}
	if path := filepath.Join(folder, changes); isFile(path) {
		out = append(out, path+", who changed what on the page (no passwords)")
	}
	return out, nil
}
