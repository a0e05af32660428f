package panel

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/control"
)

// The tests of this file come as somebody who means ill. Whatever they send,
// nothing is asked of the loop, nothing is written down as done, and no fault of
// the program is told of.

// besieged is a page with what was asked of it.
type besieged struct {
	*Server
	t         testing.TB
	passwords string // file

	mu      sync.Mutex
	asked   []control.Input
	rows    []Row
	notices []error
}

// passwordsOf makes the passwords of the tests once: each costs some time.
var passwordsOf = sync.OnceValue(func() Passwords {
	all := Passwords{}
	for r, word := range words {
		k, err := NewKey(word)
		if err != nil {
			panic(err)
		}
		all[r] = k
	}
	return all
})

var words = map[Role]string{Look: "look, do not touch", Operate: "operate at will", Setup: "set it all up"}

// fitted is Key.fits, which each pair is asked once: it takes long.
func fitted(k Key, word string) bool {
	fit, ok := pairs.Load(string(k) + word)
	if !ok {
		fit = k.fits(word)
		pairs.Store(string(k)+word, fit)
	}
	is, _ := fit.(bool)
	return is
}

var pairs sync.Map

// siege makes a page with passwords for roles.
func siege(t testing.TB, roles ...Role) *besieged {
	t.Helper()
	b := &besieged{t: t, passwords: filepath.Join(t.TempDir(), "passwords.json")}
	if len(roles) > 0 {
		b.set(roles...)
	}
	b.Server = New(Options{Version: "test", Passwords: b.passwords,
		Audit: func(r Row) error {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.rows = append(b.rows, r)
			return nil
		},
		Notice: func(err error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.notices = append(b.notices, err)
		},
	})
	b.requests = newPace(requestGap, 1<<20) // TestFlood is about it
	b.access.fits, b.access.atOnce = fitted, 1<<20
	shop := demoShop(t)
	on := onPage(shop, time.Minute)
	on.Ask = func(_ context.Context, in control.Input) error {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.asked = append(b.asked, in)
		return nil
	}
	on.Observe(atRest(shop), nil)
	b.Show(on)
	return b
}

// set puts passwords for roles in the place of those that are there.
func (b *besieged) set(roles ...Role) {
	b.t.Helper()
	all := Passwords{}
	for _, r := range roles {
		all[r] = passwordsOf()[r]
	}
	data, err := all.Encode()
	if err != nil {
		b.t.Fatal(err)
	}
	draft := b.passwords + ".new"
	if err := os.WriteFile(draft, data, 0o600); err != nil {
		b.t.Fatal(err)
	}
	if err := os.Rename(draft, b.passwords); err != nil {
		b.t.Fatal(err)
	}
}

// form makes a request as page and forms make it.
func form(method, path, body string) *http.Request {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.Host, r.RemoteAddr = "localhost:8080", "127.0.0.1:40000"
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", "http://localhost:8080")
	}
	return r
}

// send sends a request as somebody with a cookie. A stream ends by itself.
func (b *besieged) send(r *http.Request, cookie *http.Cookie) *httptest.ResponseRecorder {
	ctx, cancel := context.WithCancel(r.Context())
	cancel()
	r = r.WithContext(ctx)
	if cookie != nil {
		r.AddCookie(cookie)
	}
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	return w
}

// enter signs in.
func (b *besieged) enter(r Role) *http.Cookie {
	b.t.Helper()
	w := b.send(form("POST", "/sign-in", url.Values{"role": {r.String()}, "password": {words[r]}}.Encode()), nil)
	for _, c := range w.Result().Cookies() {
		if w.Code == http.StatusSeeOther && c.MaxAge > 0 {
			return c
		}
	}
	b.t.Fatalf("signing in to %s: %d %s", r.Words(), w.Code, w.Body)
	return nil
}

// unharmed fails the test if anything came through.
func (b *besieged) unharmed() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.asked) > 0 {
		b.t.Errorf("asked of the loop: %+v", b.asked)
	}
	for _, r := range b.rows {
		if r.Result == "done" && !strings.HasPrefix(r.What, "/sign-") {
			b.t.Errorf("written down as done: %+v", r)
		}
	}
	for _, err := range b.notices {
		b.t.Errorf("told of: %v", err)
	}
}

// served is an address of the page.
type served struct {
	method, path string
	role         Role
	fields       []string
	stream       bool
}

// addresses walks the table of parts.
func addresses() (out []served) {
	for name := range assets {
		out = append(out, served{method: "GET", path: "/" + name})
	}
	out = append(out, served{method: "GET", path: "/sign-in"}, served{method: "POST", path: "/sign-in", fields: []string{"role", "password"}}, served{method: "POST", path: "/sign-out"})
	for _, p := range parts {
		out = append(out, served{"GET", p.Path, p.Role, p.Fields, false})
		for _, x := range p.Routes {
			out = append(out, served{x.Method, x.in(p), max(p.Role, x.Role), x.Fields, x.Stream})
		}
	}
	return out
}

// TestTable: what changes something is a POST for those who may operate.
func TestTable(t *testing.T) {
	n := 0
	for _, p := range parts {
		if p.Role < Look {
			t.Errorf("%s: nobody needs a role to see it", p.Path)
		}
		for _, x := range p.Routes {
			switch x.Method {
			case http.MethodPost:
				n++
				if x.Role < Operate || x.Stream {
					t.Errorf("%s: a POST of the role %s, stream %v", x.in(p), x.Role, x.Stream)
				}
			case http.MethodGet:
			default:
				t.Errorf("%s: %s", x.in(p), x.Method)
			}
		}
	}
	if n == 0 {
		t.Error("the table has no POST: what is tested below?")
	}
}

// TestRoles: every address for everybody, with the right form: only who has
// the role gets past the door.
func TestRoles(t *testing.T) {
	b := siege(t, Look, Operate, Setup)
	who := map[Role]*http.Cookie{None: nil, Look: b.enter(Look), Operate: b.enter(Operate), Setup: b.enter(Setup)}
	for _, a := range addresses() {
		for r, c := range who {
			if r >= a.role {
				continue
			}
			w := b.send(form(a.method, a.path, ""), c)
			if got := w.Code; got != http.StatusForbidden && (a.method != "GET" || got != http.StatusSeeOther || w.Header().Get("Location") != "/sign-in") {
				t.Errorf("%s %s as %s: %d", a.method, a.path, r, got)
			}
			if r == None && strings.Contains(w.Body.String(), "the barn") {
				t.Errorf("%s %s as %s: it gives the shop away", a.method, a.path, r)
			}
		}
	}
	b.unharmed()
}

// TestNoPassword: until one is set this computer may look, nobody else may,
// and nobody changes anything.
func TestNoPassword(t *testing.T) {
	b := siege(t)
	for _, a := range addresses() {
		if a.role == None {
			continue
		}
		for from, want := range map[string]int{"127.0.0.1:5": http.StatusOK, "[::1]:5": http.StatusOK, "192.168.1.20:5": http.StatusForbidden, "[fe80::1%eth0]:5": http.StatusForbidden, "": http.StatusForbidden} {
			r := form(a.method, a.path, "")
			r.RemoteAddr = from
			w := b.send(r, nil)
			if a.method == http.MethodPost {
				want = http.StatusForbidden
			} else if a.path != "/" && want == http.StatusOK {
				continue // what it answers without its backing is its own matter
			}
			if w.Code != want {
				t.Errorf("%s %s from %q: %d, want %d", a.method, a.path, from, w.Code, want)
			}
		}
	}
	b.unharmed()
}

// TestUnreadablePasswords: then nobody gets in, since looking may want one.
func TestUnreadablePasswords(t *testing.T) {
	b := siege(t, Operate)
	c := b.enter(Operate)
	for name, data := range map[string]string{"cut off": `{"format":1,"ke`, "newer": `{"format":2,"keys":{}}`, "a weak key": `{"format":1,"keys":{"setup":"$argon2id$v=19$m=8,t=1,p=1$AAAA$AAAA"}}`, "no role": `{"format":1,"keys":{"root":"x"}}`} {
		if err := os.WriteFile(b.passwords, []byte(data), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, r := range []*http.Request{form("GET", "/", ""), form("POST", "/stand-down", "")} {
			if w := b.send(r, c); w.Code != http.StatusServiceUnavailable {
				t.Errorf("%s: %s: %d", name, r.Method, w.Code)
			}
		}
		if len(b.notices) != 1 {
			t.Errorf("%s: told of: %v", name, b.notices)
		}
		b.notices = nil
	}
	b.unharmed()
}

// TestHosts: a name that is not the computer's own is refused before all else.
func TestHosts(t *testing.T) {
	own, err := os.Hostname()
	if err != nil {
		t.Fatal(err)
	}
	b := siege(t, Operate)
	b.names.Set("Barn.lan")
	c := b.enter(Operate)
	for host, want := range map[string]bool{
		"localhost": true, "LOCALHOST:8080": true, "127.0.0.1": true, "127.0.0.1:8080": true, "[::1]:8080": true, "[::1]": true, "192.168.1.20:80": true,
		own: true, own + ".local:8080": true, "barn.lan": true, "barn.lan.:8080": true,
		"": false, "example.com": false, "evil.barn.lan": false, "barn.lan.example.com": false, "localhost.example.com": false, "127.0.0.1.example.com": false,
		"barn.lan@example.com": false, "barn.lan/": false, "[::1%25lo]": false, "0x7f000001": false, "127.1": false, "localhost:8080:8080": false, "barn.lan\x00": false,
	} {
		for _, a := range addresses() {
			r := form(a.method, a.path, "")
			r.Host = host
			r.Header.Set("Origin", "http://"+host) // the name is its own origin
			w := b.send(r, c)
			if got := w.Code != http.StatusMisdirectedRequest; got != want {
				t.Errorf("host %q: %s %s: %d", host, a.method, a.path, w.Code)
			}
			if want {
				break
			}
		}
	}
	b.unharmed()
}

// TestOtherOrigin: a page elsewhere sends forms with the visitor's cookie, as
// far as a browser lets it.
func TestOtherOrigin(t *testing.T) {
	b := siege(t, Operate)
	c := b.enter(Operate)
	for _, h := range []http.Header{
		{"Origin": {"http://evil.example"}},
		{"Origin": {"null"}},
		{"Origin": {"http://localhost:9090"}},
		{"Origin": {"http://localhost"}},
		{"Origin": {"http://localhost:8080.evil.example"}},
		{"Origin": {""}, "Sec-Fetch-Site": {"cross-site"}},
		{"Origin": {"http://localhost:8080"}, "Sec-Fetch-Site": {"cross-site"}},
		{"Origin": {"http://localhost:8080"}, "Sec-Fetch-Site": {"same-site"}},
	} {
		for _, a := range addresses() {
			if a.method != http.MethodPost {
				continue
			}
			r := form(a.method, a.path, "")
			maps.Copy(r.Header, h)
			if w := b.send(r, c); w.Code != http.StatusForbidden {
				t.Errorf("%v: %s: %d", h, a.path, w.Code)
			}
		}
	}
	if w := b.send(form("GET", "/", ""), c); !strings.Contains(w.Body.String(), "Sign out") {
		t.Error("a page elsewhere has signed somebody out")
	}
	b.unharmed()
}

// TestOldCookies: after signing out, after the password has changed, after a
// week, and cookies that never were.
func TestOldCookies(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := siege(t, Operate, Setup)
		refused := func(what string, c *http.Cookie) {
			t.Helper()
			for _, a := range addresses() {
				if a.role <= Look {
					continue
				}
				if w := b.send(form(a.method, a.path, ""), c); w.Code != http.StatusForbidden && w.Code != http.StatusSeeOther {
					t.Errorf("%s: %s: %d", what, a.path, w.Code)
				}
			}
		}
		refused("none", nil)
		for _, value := range []string{"", "x", strings.Repeat("A", 43), strings.Repeat("A", 4000), "../../etc", "setup"} {
			refused("made up", &http.Cookie{Name: "kerfwind", Value: value})
		}
		c := b.enter(Operate)
		refused("of TLS", &http.Cookie{Name: "__Host-kerfwind", Value: c.Value})
		if w := b.send(form("POST", "/sign-out", ""), c); w.Code != http.StatusSeeOther {
			t.Errorf("signing out: %d", w.Code)
		}
		refused("signed out", c)

		c, other := b.enter(Operate), b.enter(Setup)
		b.set(Operate, Setup)
		refused("a password was set", c)
		refused("a password was set", other)

		time.Sleep(time.Minute)
		c = b.enter(Operate)
		time.Sleep(sessionLife + time.Second)
		refused("a week old", c)

		time.Sleep(time.Minute)
		first := b.enter(Operate)
		for i := range mostSessions - 1 {
			b.access.sessions[sha256.Sum256([]byte{byte(i)})] = &session{role: Operate, ends: time.Now().Add(sessionLife + time.Hour)}
		}
		time.Sleep(time.Minute)
		b.enter(Operate)
		refused("too many have come since", first)
		if n := len(b.access.sessions); n > mostSessions {
			t.Errorf("%d sessions are kept", n)
		}
		b.unharmed()
	})
}

// TestSignInAgain: the old cookie is worth nothing then.
func TestSignInAgain(t *testing.T) {
	b := siege(t, Operate)
	c := b.enter(Operate)
	r := form("POST", "/sign-in", url.Values{"role": {"operate"}, "password": {words[Operate]}}.Encode())
	if w := b.send(r, c); w.Code != http.StatusSeeOther {
		t.Fatal(w.Code)
	}
	if w := b.send(form("POST", "/stand-down", ""), c); w.Code != http.StatusForbidden {
		t.Errorf("the old cookie: %d", w.Code)
	}
	b.unharmed()
}

// TestTries: ten thousand wrong passwords, five hundred a second. Few of them are
// looked at, and from elsewhere the right one gets in right after.
func TestTries(t *testing.T) {
	for name, from := range map[string]func(int) string{
		"one address":        func(int) string { return "192.168.1.66:1" },
		"one house":          func(i int) string { return fmt.Sprintf("[2001:db8:0:1::%x]:1", i+1) },
		"a thousand of them": func(i int) string { return fmt.Sprintf("10.0.%d.%d:1", i%1000/250, i%250+1) },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := siege(t, Operate)
				if name != "one address" { // once is enough for what takes long
					b.access.fits = func(_ Key, word string) bool { return word == words[Operate] }
				}
				began := time.Now()
				looked := 0
				for i := range 10_000 {
					time.Sleep(2 * time.Millisecond)
					r := form("POST", "/sign-in", url.Values{"role": {"operate"}, "password": {fmt.Sprint("guess ", i)}}.Encode())
					r.RemoteAddr = from(i)
					if i%10 > 0 {
						r.Header.Set("Accept", "application/json") // takes less to make
					}
					switch w := b.send(r, nil); w.Code {
					case http.StatusForbidden:
						looked++
					case http.StatusTooManyRequests:
						if w.Header().Get("Retry-After") == "" || !strings.Contains(w.Body.String(), "Too many tries") {
							t.Fatalf("not civil: %v %s", w.Header(), w.Body)
						}
					default:
						t.Fatalf("try %d: %d", i, w.Code)
					}
				}
				most := triesAtOnce + int(time.Since(began)/triesGap) + 1
				if name == "a thousand of them" {
					most = 1
					for _, kind := range allTries[fresh:] { // nobody there has ever signed in
						most += kind.atOnce + int(time.Since(began)/kind.gap)
					}
				}
				if looked > most || looked < most/2 {
					t.Errorf("%d were looked at, at most %d may be", looked, most)
				}
				if n, m := len(b.access.tries.each.all), len(b.access.tries.from); n > mostSources || m > mostSources {
					t.Errorf("%d and %d addresses are remembered", n, m)
				}
				b.mu.Lock()
				if n := len(b.rows); n > 1+int(time.Since(began)/wrongGap) {
					t.Errorf("%d rows for %d tries", n, looked)
				}
				b.mu.Unlock()
				b.enter(Operate)
				b.unharmed()
			})
		})
	}
}

// TestNotStarved: while many addresses guess, an owner signs in at the first try
// from where he has signed in before, and soon from anywhere else.
func TestNotStarved(t *testing.T) {
	for _, guessers := range []int{120, 1000} {
		synctest.Test(t, func(t *testing.T) {
			b := siege(t, Operate)
			b.access.fits = func(_ Key, word string) bool { return word == words[Operate] }
			guess := func(from, word string) int {
				r := form("POST", "/sign-in", url.Values{"role": {"operate"}, "password": {word}}.Encode())
				r.RemoteAddr = from
				r.Header.Set("Accept", "application/json")
				return b.send(r, nil).Code
			}
			if code := guess("192.168.1.20:1", words[Operate]); code != http.StatusOK {
				t.Fatal(code)
			}
			n := 0
			flood := func(tries int) {
				for range tries {
					guess(fmt.Sprintf("10.0.%d.%d:1", n%guessers/250, n%250+1), "a guess")
					n++
					time.Sleep(10 * time.Millisecond)
				}
			}
			flood(6 * guessers)
			if code := guess("192.168.1.20:1", words[Operate]); code != http.StatusOK {
				t.Errorf("%d guess: an owner who comes back: %d", guessers, code)
			}
			tries := 1
			for guess("192.168.1.21:1", words[Operate]) != http.StatusOK {
				if tries++; tries > 3 {
					t.Errorf("%d guess: an owner with another phone is kept out", guessers)
					break
				}
				flood(300)
			}
		})
	}
}

// TestFlood: one address gets only so many answers that cost anything, and
// others are served meanwhile.
func TestFlood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := siege(t, Look)
		cookie := b.enter(Look)
		b.requests = newPace(requestGap, requestsAtOnce)
		served := 0
		began := time.Now()
		for range 10_000 {
			time.Sleep(time.Millisecond)
			switch w := b.send(form("GET", "/icon.svg", ""), nil); w.Code {
			case http.StatusOK:
				served++
			case http.StatusTooManyRequests:
				if h := w.Header(); h.Get("Retry-After") == "" || h.Get("Connection") != "close" {
					t.Fatal(h)
				}
			default:
				t.Fatal(w.Code)
			}
		}
		if most := requestsAtOnce + int(time.Since(began)/requestGap); served > most || served < most/2 {
			t.Errorf("%d were served, at most %d may be", served, most)
		}
		r := form("GET", "/icon.svg", "")
		r.RemoteAddr = "192.168.1.20:1"
		if w := b.send(r, nil); w.Code != http.StatusOK {
			t.Errorf("another one: %d", w.Code)
		}
		if w := b.send(form("GET", "/icon.svg", ""), cookie); w.Code != http.StatusOK {
			t.Errorf("one who has signed in, behind the same proxy: %d", w.Code)
		}
	})
}

// TestBusy: while one password is looked at, another waits for its turn, and
// not for ever.
func TestBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := siege(t, Operate)
		b.access.hashing <- struct{}{}
		w := b.send(form("POST", "/sign-in", url.Values{"role": {"operate"}, "password": {words[Operate]}}.Encode()), nil)
		if w.Code != http.StatusTooManyRequests || w.Header().Get("Retry-After") != "1" {
			t.Errorf("%d %v", w.Code, w.Header())
		}
		go func() {
			time.Sleep(hashWait / 2)
			<-b.access.hashing
		}()
		b.enter(Operate)
	})
}

// nonsense are forms that no browser sends. %s is a field of the form, if it
// has one.
var nonsense = map[string]string{
	"a field of nobody's": "nobody=1", "a broken escape": "%s=%%zz", "a semicolon": "%s=1;x=2", "a field twice": "%[1]s=1&%[1]s=2",
	"not UTF-8": "%s=%%ff%%fe", "a control character": "%s=%%00", "a new line": "%s=a%%0ab", "a long field": "%s=" + strings.Repeat("a", mostField+1),
	"many fields": strings.Repeat("a=&", 2000), "no name": "=1", "JSON": `{"gate":"planer"}`,
}

// TestBrokenBodies: every address, with forms that cannot be used, as one who
// may do everything.
func TestBrokenBodies(t *testing.T) {
	b := siege(t, Setup)
	c := b.enter(Setup)
	b.rows = nil
	for _, a := range addresses() {
		field := "nobody"
		if len(a.fields) > 0 {
			field = a.fields[0]
		}
		try := func(what string, r *http.Request, want ...int) {
			t.Helper()
			w := b.send(r, c)
			if !slices.Contains(want, w.Code) {
				t.Errorf("%s %s: %s: %d, want %d: %.200s", a.method, a.path, what, w.Code, want, w.Body)
			}
		}
		for what, body := range nonsense {
			if strings.Contains(body, "%") {
				body = fmt.Sprintf(body, field)
			}
			if a.method == http.MethodPost {
				if a.path == "/sign-out" {
					continue // takes no form, and does the same whatever comes
				}
				try(what, form(a.method, a.path, body), http.StatusBadRequest)
			} else if a.role > None && what != "JSON" {
				r := form(a.method, a.path, "")
				r.URL.RawQuery = body
				try(what+" in the address", r, http.StatusBadRequest)
			}
		}
		if a.method == http.MethodPost && a.path != "/sign-out" {
			try("oversized", form(a.method, a.path, strings.Repeat("a", mostBody+1)), http.StatusRequestEntityTooLarge)
			r := form(a.method, a.path, "x=1")
			r.Body, r.ContentLength = io.NopCloser(io.MultiReader(strings.NewReader("x="), &cutOff{})), -1
			try("cut off", r, http.StatusBadRequest)
			for _, kind := range []string{"", "text/plain", "application/json", "multipart/form-data; boundary=x", ";;;"} {
				r := form(a.method, a.path, "x=1")
				r.Header.Set("Content-Type", kind)
				try("of the type "+kind, r, http.StatusBadRequest)
			}
			try("in the address", form(a.method, a.path+"?x=1", ""), http.StatusBadRequest)
		}
		for _, m := range []string{"PUT", "DELETE", "PATCH", "TRACE", "CONNECT", "OPTIONS", "X"} {
			try(m, form(m, a.path, ""), http.StatusMethodNotAllowed, http.StatusForbidden, http.StatusBadRequest, http.StatusNotFound)
		}
		// A HEAD must not do what a GET does not.
		b.send(form("HEAD", a.path, ""), c)
	}
	for _, path := range []string{"//", "/../etc/passwd", "/web/now.html", "/now.html", "/stand-down/", "/%2e%2e/x", "/sign-in/x"} {
		if w := b.send(form("GET", path, ""), c); w.Code == http.StatusOK {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
	b.unharmed()
}

// cutOff ends a body early.
type cutOff struct{}

func (*cutOff) Read([]byte) (int, error) { return 0, io.ErrUnexpectedEOF }

// TestHeaders: every answer forbids what a browser could be made to do with it.
func TestHeaders(t *testing.T) {
	b := siege(t, Operate)
	c := b.enter(Operate)
	for _, a := range append(addresses(), served{method: "GET", path: "/nothing"}) {
		h := b.send(form(a.method, a.path, ""), c).Header()
		if h.Get("Content-Security-Policy") != policy || h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Cross-Origin-Resource-Policy") != "same-origin" {
			t.Errorf("%s %s: %v", a.method, a.path, h)
		}
		if h.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s %s: others may read it", a.method, a.path)
		}
		if _, static := assets[strings.TrimPrefix(a.path, "/")]; !static && h.Get("Cache-Control") != "no-store" {
			t.Errorf("%s %s: it may be kept: %s", a.method, a.path, h.Get("Cache-Control"))
		}
	}
}

// TestNoShop: while none is taken up every address says so.
func TestNoShop(t *testing.T) {
	b := siege(t, Setup)
	c := b.enter(Setup)
	b.Leave(b.shop.Load())
	for _, a := range addresses() {
		if a.role == None {
			continue
		}
		if w := b.send(form(a.method, a.path, ""), c); w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
			t.Errorf("%s %s: %d", a.method, a.path, w.Code)
		}
	}
	b.unharmed()
}

// TestNoSecrets: neither the record of changes nor a page repeats a password.
func TestNoSecrets(t *testing.T) {
	b := siege(t, Operate)
	const secret = "hunter2hunter2"
	for _, fields := range []url.Values{{"role": {"operate"}, "password": {secret}}, {"role": {secret}, "password": {secret}}, {"role": {"look"}, "password": {secret}}} {
		w := b.send(form("POST", "/sign-in", fields.Encode()), nil)
		if strings.Contains(w.Body.String(), secret) && fields.Get("role") != secret {
			t.Errorf("%v: the page repeats it", fields)
		}
	}
	c := b.enter(Operate)
	for _, r := range b.rows {
		if s := fmt.Sprint(r); strings.Contains(s, secret) || strings.Contains(s, words[Operate]) || strings.Contains(s, c.Value) {
			t.Errorf("written down: %s", s)
		}
	}
	data, err := os.ReadFile(b.passwords)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(data, []byte(words[Operate])) {
		t.Error("the password is kept as it is")
	}
}

// TestFault: a fault of the program in a request ends that one only.
func TestFault(t *testing.T) {
	b := siege(t, Operate)
	c := b.enter(Operate)
	b.shop.Load().Ask = func(context.Context, control.Input) error { panic("a fault") }
	if w := b.send(form("POST", "/stand-down", ""), c); w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "a fault\n") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if len(b.notices) != 1 || !strings.Contains(b.notices[0].Error(), "a fault") {
		t.Errorf("told: %v", b.notices)
	}
	if w := b.send(form("GET", "/", ""), c); w.Code != http.StatusOK {
		t.Errorf("after it: %d", w.Code)
	}
}

// TestChange: what is right does come through, is written down with who did
// it, and is told once.
func TestChange(t *testing.T) {
	b := siege(t, Operate)
	c := b.enter(Operate)
	b.rows = nil
	w := b.send(form("POST", "/stand-down", ""), c)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if len(b.asked) != 1 || control.AskKind(b.asked[0].State) != control.AskStandDown {
		t.Errorf("asked: %+v", b.asked)
	}
	if len(b.rows) != 1 || b.rows[0].What != "/stand-down" || b.rows[0].Result != "done" || b.rows[0].Role != "operate" || b.rows[0].From != "127.0.0.1" || b.rows[0].Shop == "" {
		t.Errorf("written down: %+v", b.rows)
	}
	if w := b.send(form("GET", "/", ""), c); !strings.Contains(w.Body.String(), b.rows[0].Text) {
		t.Errorf("it is not told: %s", w.Body)
	}
	b.shop.Load().Ask = func(context.Context, control.Input) error { return &Refusal{"it stands against what must hold"} }
	r := form("POST", "/stand-down", "")
	r.Header.Set("Accept", "application/json")
	if w := b.send(r, c); w.Code != http.StatusConflict || strings.TrimSpace(w.Body.String()) != `{"error":"It stands against what must hold.","to":"/"}` {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if n := len(b.rows); n != 2 || b.rows[1].Result != "refused" {
		t.Errorf("written down: %+v", b.rows)
	}
}
