package doctor

import (
	"crypto/tls"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// certificateLeft is how long before its end a certificate is to be looked at.
const certificateLeft = 14 * 24 * time.Hour

// owns reports whether a folder is this user's.
func (e *exam) owns(folder string) bool {
	info, err := os.Stat(folder)
	if err != nil {
		return true
	}
	s, ok := info.Sys().(*syscall.Stat_t)
	return !ok || int(s.Uid) == e.System.UID
}

// sealed tells of passwords that cannot be read. Of a user who does not own them
// it says nothing about the service.
func (e *exam) sealed(about string, err error, owner bool) {
	if !owner && errors.Is(err, fs.ErrPermission) {
		e.warn(about, "this user may not see whether a password is set", "run kerfwind doctor as root or as the user that runs the service")
		return
	}
	e.bad(about, fmt.Sprintf("the passwords cannot be read, so nobody gets in: %v", err), "give the file to the user that runs the service")
}

// page looks at what the page for the phone needs: its passwords and, with
// TLS, its certificate.
func (e *exam) page() {
	p := e.Rig.Page
	if p == nil {
		return
	}
	const about = "page"
	content, err := os.ReadFile(filepath.Join(e.System.Root, e.State, "passwords.json"))
	switch {
	case errors.Is(err, fs.ErrNotExist) && p.Local:
		e.ok(about, "at %s; no password is set, so it is to look at only", p.Address())
	case errors.Is(err, fs.ErrNotExist):
		e.warn(about, "no password is set: until one is, nobody but this computer sees it", "kerfwind password, as the user that runs the service or as root")
	case err != nil:
		e.sealed(about, err, e.owns(filepath.Join(e.System.Root, e.State)))
	case e.Passwords != nil && e.Passwords(content) != nil:
		e.bad(about, fmt.Sprintf("nobody gets in: passwords.json: %v", e.Passwords(content)), "remove the file and set the passwords again: kerfwind password")
	default:
		e.ok(about, "at %s, with a password", p.Address())
	}
	if p.CertFile == "" {
		return
	}
	cert, key := p.CertFile, p.KeyFile
	if e.Place != nil {
		cert, key = e.Place(cert), e.Place(key)
	}
	pair, err := tls.LoadX509KeyPair(filepath.Join(e.System.Root, cert), filepath.Join(e.System.Root, key))
	if err != nil {
		e.bad(about, fmt.Sprintf("its certificate cannot be used, so it is not served: %v", err), "put certificate_file and key_file of the table page right")
		return
	}
	switch left := time.Until(pair.Leaf.NotAfter); {
	case left < 0:
		e.warn(about, fmt.Sprintf("its certificate ended on %s: browsers will warn of the page", pair.Leaf.NotAfter.Format(time.DateOnly)), "put a new one in its place; it is taken up at once")
	case left < certificateLeft:
		e.warn(about, fmt.Sprintf("its certificate ends on %s", pair.Leaf.NotAfter.Format(time.DateOnly)), "put a new one in its place; it is taken up at once")
	default:
		e.ok(about, "its certificate is good until %s", pair.Leaf.NotAfter.Format(time.DateOnly))
	}
}
