package panel

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"runtime/debug"
	"strconv"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/porter"
)

// routes is the table of parts as a handler, with signing in and the files
// that are served as they are.
func (s *Server) routes() *http.ServeMux {
	mux := http.NewServeMux()
	for name := range assets {
		mux.HandleFunc("GET /"+name, asset)
	}
	mux.HandleFunc("GET /sign-in", s.signInForm)
	mux.HandleFunc("POST /sign-in", s.signIn)
	mux.HandleFunc("POST /sign-out", s.signOut)
	for _, p := range parts {
		mux.HandleFunc("GET "+exactly(p.Path), func(w http.ResponseWriter, r *http.Request) {
			s.visit(w, r, p, p.Role, p.Fields, func(v *Visit) { s.show(v, http.StatusOK, "") })
		})
		for _, x := range p.Routes {
			do := s.get
			if x.Method == http.MethodPost {
				do = s.change
			}
			mux.HandleFunc(x.Method+" "+exactly(x.in(p)), func(w http.ResponseWriter, r *http.Request) {
				s.visit(w, r, p, max(p.Role, x.Role), x.Fields, func(v *Visit) { do(v, &x) })
			})
		}
	}
	return mux
}

// astray answers what no route is for: an address that is not there, or one for forms alone.
func (s *Server) astray(next *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h, pattern := next.Handler(r)
		if pattern != "" {
			next.ServeHTTP(w, r)
			return
		}
		was := &unwritten{header: w.Header()}
		h.ServeHTTP(was, r)
		text := "There is no such page."
		if was.status == http.StatusMethodNotAllowed {
			text = "There is nothing to see at this address: forms are sent there."
		}
		s.wrong(s.stranger(w, r), was.status, text)
	})
}

// unwritten takes a status and nothing else.
type unwritten struct {
	header http.Header
	status int
}

func (u *unwritten) Header() http.Header         { return u.header }
func (u *unwritten) WriteHeader(status int)      { u.status = status }
func (u *unwritten) Write(b []byte) (int, error) { return len(b), nil }

// in is the route's whole path.
func (x *Route) in(p *Part) string { return strings.TrimSuffix(p.Path, "/") + x.Path }

// exactly is the pattern of one path and none below it.
func exactly(path string) string {
	if strings.HasSuffix(path, "/") {
		return path + "{$}"
	}
	return path
}

// visit lets somebody in who has the role, if a shop is loaded.
func (s *Server) visit(w http.ResponseWriter, r *http.Request, p *Part, need Role, fields []string, do func(*Visit)) {
	v := &Visit{W: w, R: r, Part: p, Shop: s.shop.Load(), s: s}
	v.Role, v.who = s.access.visitor(r)
	switch {
	case v.Role >= need:
	case s.access.broken() != nil:
		s.wrong(v, http.StatusServiceUnavailable, unreadable)
		return
	case len(s.access.roles()) == 0 && v.Role == None:
		s.wrong(v, http.StatusForbidden, "No password is set yet, so only the computer itself can show this page. Set one there: kerfwind password")
		return
	case len(s.access.roles()) == 0:
		s.wrong(v, http.StatusForbidden, "No password is set yet, so nothing can be changed here. Set one at the computer: kerfwind password")
		return
	case r.Method == http.MethodGet && !asksJSON(r):
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
		return
	default:
		s.wrong(v, http.StatusForbidden, "Sign in first, with the password to "+need.Words()+".")
		return
	}
	if v.Shop == nil {
		w.Header().Set("Retry-After", "2")
		if r.Method == http.MethodGet {
			w.Header().Set("Refresh", "2") // a browser looks again by itself, as after a swap
		}
		s.wrong(v, http.StatusServiceUnavailable, "No shop is loaded just now. Try again in a moment.")
		return
	}
	var err error
	if v.fields, err = fieldsOf(r, fields); err != nil {
		s.failed(v, nil, err)
		return
	}
	do(v)
}

// get carries out a GET.
func (s *Server) get(v *Visit, x *Route) {
	if x.Stream {
		end, ok := s.stream(v)
		if !ok {
			v.W.Header().Set("Retry-After", "10")
			s.wrong(v, http.StatusServiceUnavailable, "Too many pages are open already. This one does not follow by itself. Close others, then load it again.")
			return
		}
		defer end()
	}
	if err := x.Do(v); err != nil {
		s.failed(v, x, err)
	}
}

// stream takes a place among the streams, which are long answers. The stream's
// request ends where the place is wanted by somebody with more claim to it.
func (s *Server) stream(v *Visit) (end func(), ok bool) {
	ctx, cancel := context.WithCancel(v.R.Context())
	source, standing := "", porter.Stranger
	switch {
	case v.who.session != nil:
		source, standing = string(v.who.token[:]), porter.Known
	case !v.who.from.IsLoopback():
		source = porter.Source(v.who.from).String()
	}
	g := s.streams.Enter(source, standing, cancel)
	if g == nil {
		cancel()
		return nil, false
	}
	v.R = v.R.WithContext(ctx)
	done := g.Busy()
	return func() {
		done()
		g.Leave()
		cancel()
	}, true
}

// change carries out a POST, writes it down and shows the part again.
func (s *Server) change(v *Visit, x *Route) {
	if err := x.Do(v); err != nil {
		s.failed(v, x, err)
		return
	}
	s.audit(v, x.in(v.Part), "done", v.said)
	if asksJSON(v.R) {
		answer(v.W, http.StatusOK, map[string]string{"said": v.said, "to": v.Part.Path})
		return
	}
	s.access.remember(v.who, v.said)
	http.Redirect(v.W, v.R, v.Part.Path, http.StatusSeeOther)
}

// failed tells why something was not done. x is nil if it was not tried.
func (s *Server) failed(v *Visit, x *Route, err error) {
	status := http.StatusInternalServerError
	var m *Mistake
	var no *Refusal
	var big *http.MaxBytesError
	switch {
	case errors.As(err, &m):
		status = http.StatusBadRequest
	case errors.As(err, &big):
		status = http.StatusRequestEntityTooLarge
		err = fmt.Errorf("the form is larger than %d bytes", big.Limit)
	case errors.As(err, &no):
		status = http.StatusConflict
	}
	if x != nil && x.Method == http.MethodPost {
		result := "failed"
		if status != http.StatusInternalServerError {
			result = "refused"
		}
		s.audit(v, x.in(v.Part), result, err.Error())
	}
	if asksJSON(v.R) || x == nil || x.Method != http.MethodPost {
		s.wrong(v, status, sentence(err.Error()))
		return
	}
	s.show(v, status, sentence(err.Error()))
}

// show shows a part.
func (s *Server) show(v *Visit, status int, wrong string) {
	f := s.frame(v)
	f.Title, f.Wrong = v.Part.Title, wrong
	f.Said = s.access.recall(v.who)
	if wrong != "" {
		f.sent = v.fields
	}
	var err error
	if f.Main, err = v.Part.Data(v); err != nil {
		s.failed(v, nil, err)
		return
	}
	if m, ok := f.Main.(interface{ says(wrong string) bool }); ok && m.says(wrong) {
		f.Wrong = "" // once is enough
	}
	s.render(v.W, status, v.Part.File, f)
}

// wrong says what is wrong and no more.
func (s *Server) wrong(v *Visit, status int, text string) {
	if asksJSON(v.R) {
		answer(v.W, status, map[string]string{"error": text, "to": v.Part.Path})
		return
	}
	f := s.frame(v)
	f.Title, f.Main = notDone(status), text
	s.render(v.W, status, "wrong.html", f)
}

// notDone is the title of a page that says what is wrong and no more.
func notDone(status int) string {
	switch status {
	case http.StatusNotFound, http.StatusMethodNotAllowed:
		return "No such page"
	case http.StatusForbidden:
		return "Not allowed"
	case http.StatusServiceUnavailable:
		return "One moment"
	}
	return "Not done"
}

// frame returns what every page shows.
func (s *Server) frame(v *Visit) *Frame {
	f := &Frame{Version: s.o.Version, Simulated: s.o.Simulated, Shop: "kerfwind", Part: v.Part, Role: v.Role,
		SignedIn: v.who.session != nil, Roles: s.access.roles()}
	f.Closed = len(f.Roles) == 0
	if v.Shop != nil && v.Role >= Look {
		f.Shop, f.Head = v.Shop.Name, v.Shop.head()
	}
	for _, p := range parts {
		if v.Role >= p.Role && !p.Aside {
			f.Parts = append(f.Parts, Link{p.Path, p.Title, p == v.Part})
		}
	}
	return f
}

// Can reports whether the visitor has a role, by its name.
func (f *Frame) Can(role string) (bool, error) {
	r, err := ParseRole(role)
	return err == nil && f.Role >= r, err
}

// asksJSON reports whether a script asks, which wants its answer as JSON.
func asksJSON(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/json")
}

// answer answers a script.
func answer(w http.ResponseWriter, status int, x any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(x) // the visitor may be gone
}

// sentence makes a sentence of an error.
func sentence(text string) string {
	if text == "" {
		return ""
	}
	text = strings.ToUpper(text[:1]) + text[1:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}

// recovered ends a request in which the program has a fault; control goes on.
func (s *Server) recovered(w http.ResponseWriter) {
	r := recover()
	if r == nil {
		return
	}
	if r == http.ErrAbortHandler { //nolint:errorlint // it is this very value, not an error that wraps it
		panic(r)
	}
	s.o.Notice(fmt.Errorf("page: a request ended by a fault in the program: %v\n%s", r, debug.Stack()))
	bare(w, http.StatusInternalServerError, "A fault in the program.")
}

// seconds is a wait for a Retry-After, rounded up.
func seconds(d time.Duration) string { return strconv.Itoa(int((d + time.Second - 1) / time.Second)) }
