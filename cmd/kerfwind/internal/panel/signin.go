package panel

import (
	"errors"
	"fmt"
	"net/http"
	"time"
)

// signInForm asks for a password.
func (s *Server) signInForm(w http.ResponseWriter, r *http.Request) {
	s.askPassword(s.stranger(w, r), http.StatusOK, 0, "")
}

// stranger is a visit to no part.
func (s *Server) stranger(w http.ResponseWriter, r *http.Request) *Visit {
	v := &Visit{W: w, R: r, Part: &Part{}, Shop: s.shop.Load(), s: s}
	v.Role, v.who = s.access.visitor(r)
	return v
}

// askPassword shows the form. role is chosen on it, 0 none.
func (s *Server) askPassword(v *Visit, status int, role Role, wrong string) {
	if asksJSON(v.R) {
		answer(v.W, status, map[string]string{"error": wrong})
		return
	}
	f := s.frame(v)
	if f.Closed {
		s.wrong(v, http.StatusForbidden, "No password is set yet. Set one at the computer: kerfwind password")
		return
	}
	f.Title, f.Wrong, f.Main = "Sign in", wrong, role
	s.render(v.W, status, "signin.html", f)
}

// signIn looks at a password.
func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	v := s.stranger(w, r)
	var err error
	if v.fields, err = fieldsOf(r, []string{"role", "password"}); err != nil {
		s.failed(v, nil, err)
		return
	}
	role, err := ParseRole(v.Field("role"))
	password := v.Field("password")
	v.fields = nil // it goes into no record
	if err != nil {
		s.failed(v, nil, &Mistake{err.Error()})
		return
	}
	token, err := s.access.enter(v.who, role, password)
	var late *busy
	var m *Mistake
	switch {
	case errors.As(err, &late):
		w.Header().Set("Retry-After", seconds(late.wait))
		s.askPassword(v, http.StatusTooManyRequests, role, sentence(err.Error()))
		return
	case errors.As(err, &m):
		s.failed(v, nil, err)
		return
	case err != nil:
		if before, write := s.access.failed(); write {
			text := "to " + role.Words() + ": " + err.Error()
			if before > 0 {
				text += fmt.Sprintf("; and %d more before this one", before)
			}
			s.audit(v, "/sign-in", "refused", text)
		}
		s.askPassword(v, http.StatusForbidden, role, sentence(err.Error()))
		return
	}
	v.Role = role
	s.audit(v, "/sign-in", "done", "to "+role.Words())
	http.SetCookie(w, cookie(r, token, sessionLife))
	s.went(v)
}

// signOut ends a session.
func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	v := s.stranger(w, r)
	if v.who.session != nil {
		s.access.leave(v.who)
		s.audit(v, "/sign-out", "done", "")
	}
	http.SetCookie(w, cookie(r, "", -time.Second))
	s.went(v)
}

// went goes to the first part.
func (s *Server) went(v *Visit) {
	if asksJSON(v.R) {
		answer(v.W, http.StatusOK, map[string]string{"said": ""})
		return
	}
	http.Redirect(v.W, v.R, "/", http.StatusSeeOther)
}
