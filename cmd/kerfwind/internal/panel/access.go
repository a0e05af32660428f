package panel

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"os"
	"runtime/debug"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// Bounds of getting in: our own choice.
const (
	sessionLife  = 7 * 24 * time.Hour
	mostSessions = 64

	hashWait = 5 * time.Second // for the try before
)

// access knows who may do what: passwords, sessions and how often somebody may
// try.
type access struct {
	file   string
	notice func(error)

	mu       sync.Mutex
	seen     os.FileInfo // of the file as it was read; nil: there was none
	keys     Passwords
	err      error // the file cannot be used: nobody gets in
	sessions map[[sha256.Size]byte]*session
	tries    *tries
	atOnce   int // requests of a session

	wrong int       // passwords that were wrong and are not written down yet
	told  time.Time // when one was

	hashing chan struct{} // one password at a time: each takes 12 MiB
	fits    func(Key, string) bool
}

// session is somebody who has signed in.
type session struct {
	role Role
	ends time.Time
	said string // what was done, to be shown once

	from     netip.Prefix // where its last request came from
	requests *rate.Limiter
}

// who is a visitor.
type who struct {
	from    netip.Addr
	token   [sha256.Size]byte // of the session's cookie, hashed
	session *session          // nil: not signed in
}

func newAccess(file string, notice func(error)) *access {
	a := &access{file: file, notice: notice, fits: Key.fits, sessions: map[[sha256.Size]byte]*session{}, tries: newTries(), atOnce: requestsAtOnce, hashing: make(chan struct{}, 1)}
	a.look(true)
	return a
}

// look reads the passwords if they have changed. All sessions end then. mu is
// held but at first.
func (a *access) look(first bool) {
	info, err := os.Stat(a.file)
	switch {
	case errors.Is(err, os.ErrNotExist):
		info, err = nil, nil
	case err == nil && !first && a.err == nil && a.seen != nil && os.SameFile(info, a.seen) && info.ModTime().Equal(a.seen.ModTime()) && info.Size() == a.seen.Size():
		return
	}
	if !first && info == nil && a.seen == nil && err == nil && a.err == nil {
		return
	}
	a.keys, a.seen = nil, info
	if err == nil && info != nil {
		a.keys, err = readPasswords(a.file)
	}
	news := err != nil && !first && (a.err == nil || a.err.Error() != err.Error())
	a.err = err
	clear(a.sessions)
	if news {
		a.notice(noEntry(err))
	}
}

// noEntry says that passwords cannot be read.
func noEntry(err error) error { return fmt.Errorf("page: nobody can sign in: %w", err) }

// broken says why nobody gets in, or nil.
func (a *access) broken() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.look(false)
	return a.err
}

// roles are those for which there is a password.
func (a *access) roles() []Role {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.look(false)
	return a.keys.Roles()
}

// visitor says who sends a request, and what he may do.
func (a *access) visitor(r *http.Request) (Role, who) {
	var w who
	w.from = porter.Address(r.RemoteAddr)
	if c, err := r.Cookie(cookieName(r)); err == nil {
		w.token = sha256.Sum256([]byte(c.Value))
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	role := a.role(&w)
	return role, w
}

// request counts a request of somebody who has signed in: known. wait is how
// long it has to be put off.
func (a *access) request(r *http.Request) (wait time.Duration, known bool) {
	_, w := a.visitor(r)
	if w.session == nil {
		return 0, false
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	w.session.from = porter.Source(w.from)
	return delay(w.session.requests), true
}

// familiar reports whether somebody who has signed in uses an address.
func (a *access) familiar(from netip.Addr) bool {
	source := porter.Source(from)
	now := time.Now()
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, s := range a.sessions {
		if s.from == source && now.Before(s.ends) {
			return true
		}
	}
	return false
}

// still returns what a visitor may do by now.
func (a *access) still(w who) Role {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.role(&w)
}

// role returns what a visitor may do, and finds his session. mu is held.
func (a *access) role(w *who) Role {
	a.look(false)
	w.session = nil
	if s := a.sessions[w.token]; s != nil {
		if time.Now().Before(s.ends) {
			w.session = s
			return s.role
		}
		delete(a.sessions, w.token)
	}
	switch {
	case a.err != nil:
		return None
	case len(a.keys) == 0 && !w.from.IsLoopback():
		return None // nobody has said yet who may see this
	case a.keys[Look] != "":
		return None
	}
	return Look
}

// remember keeps what was done until it is shown.
func (a *access) remember(w who, said string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if w.session != nil {
		w.session.said = said
	}
}

// recall returns what was done and not shown yet.
func (a *access) recall(w who) (said string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if w.session != nil {
		said, w.session.said = w.session.said, ""
	}
	return said
}

// A busy is the error of a try at a password that was not looked at.
type busy struct{ wait time.Duration }

func (b *busy) Error() string {
	return fmt.Sprintf("too many tries: wait %s s, then try again", seconds(b.wait))
}

// unreadable is what a visitor is told of a file of passwords that cannot be read.
const unreadable = "Nobody can sign in, since the passwords cannot be read. Set them again at the computer: kerfwind password"

// errWrong is the error of a password that is not the one.
var errWrong = errors.New("the password is wrong")

// enter looks at a password and begins a session. It returns the cookie's
// value.
func (a *access) enter(w who, role Role, password string) (token string, err error) {
	a.mu.Lock()
	a.look(false)
	key, seen, broken := a.keys[role], a.seen, a.err
	a.mu.Unlock()
	if broken != nil {
		return "", &Mistake{unreadable}
	}
	if key == "" {
		return "", &Mistake{"no password is set to " + role.Words()}
	}
	if wait := a.tries.wait(w.from); wait > 0 {
		return "", &busy{wait}
	}
	late := time.NewTimer(hashWait)
	defer late.Stop()
	select {
	case a.hashing <- struct{}{}:
	case <-late.C:
		return "", &busy{time.Second}
	}
	right := a.fits(key, password)
	debug.FreeOSMemory() // what it took is wanted elsewhere; this is no goroutine of the loop
	<-a.hashing
	if !right {
		return "", errWrong
	}
	var b [32]byte
	_, _ = rand.Read(b[:]) // it never fails
	token = base64.RawURLEncoding.EncodeToString(b[:])
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.look(false); a.seen != seen {
		return "", errWrong // the password has changed meanwhile
	}
	now := time.Now()
	var oldest [sha256.Size]byte
	first := time.Time{}
	for t, s := range a.sessions {
		if now.After(s.ends) {
			delete(a.sessions, t)
		} else if first.IsZero() || s.ends.Before(first) {
			oldest, first = t, s.ends
		}
	}
	if len(a.sessions) >= mostSessions {
		delete(a.sessions, oldest)
	}
	delete(a.sessions, w.token) // who signs in again is not in twice
	a.sessions[sha256.Sum256([]byte(token))] = &session{role: role, ends: now.Add(sessionLife),
		from: porter.Source(w.from), requests: rate.NewLimiter(rate.Every(requestGap), a.atOnce)}
	a.tries.in(w.from)
	return token, nil
}

// wrongGap is how often wrong passwords are written down: somebody who tries
// all day must not wear the disk out.
const wrongGap = time.Minute

// failed counts a wrong password. It reports whether to write it down, and how
// many were not written down before.
func (a *access) failed() (before int, write bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if now := time.Now(); a.told.IsZero() || now.Sub(a.told) >= wrongGap {
		before, a.wrong, a.told = a.wrong, 0, now
		return before, true
	}
	a.wrong++
	return 0, false
}

// leave ends a session.
func (a *access) leave(w who) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.sessions, w.token)
}

// cookieName is the name of the session's cookie. The prefix makes a browser
// refuse one that was set without TLS or for other hosts.
func cookieName(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-kerfwind"
	}
	return "kerfwind"
}

func cookie(r *http.Request, value string, life time.Duration) *http.Cookie {
	return &http.Cookie{Name: cookieName(r), Value: value, Path: "/", MaxAge: int(life / time.Second), HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode}
}
