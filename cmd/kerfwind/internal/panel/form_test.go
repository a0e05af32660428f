package panel

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

// FuzzForm: whatever a form holds, it is refused or has only fields that are
// asked for, each once, of some length and without control characters.
func FuzzForm(f *testing.F) {
	for what, body := range nonsense {
		f.Add(strings.ReplaceAll(body, "%s", what))
	}
	f.Add("gate=planer&for=3+min")
	f.Add("gate=floor+sweep")
	f.Fuzz(func(t *testing.T, body string) {
		allowed := []string{"gate", "for"}
		v, err := parseFields(body, allowed)
		if err != nil {
			return
		}
		for name, list := range v {
			if name != "gate" && name != "for" || len(list) != 1 || len(list[0]) > mostField || !utf8.ValidString(list[0]) || strings.ContainsFunc(list[0], unicode.IsControl) {
				t.Errorf("%q: %q", name, list)
			}
		}
		again, err := parseFields(v.Encode(), allowed)
		if err != nil || again.Encode() != v.Encode() {
			t.Errorf("%q became %q, %v", v, again, err)
		}
	})
}

// FuzzRequest sends anything to an address that changes something: the answer
// is a refusal, and the program has no fault.
func FuzzRequest(f *testing.F) {
	f.Add("/hold", "gate=planer&for=3+min", "application/x-www-form-urlencoded", "kerfwind=x")
	f.Add("/sign-in", "role=operate&password=x", "application/x-www-form-urlencoded; charset=utf-8", "")
	f.Add("/air?gate=x", "", "", "kerfwind=;;")
	b := siege(f, Operate)
	f.Fuzz(func(t *testing.T, path, body, kind, cookie string) {
		u, err := url.ParseRequestURI(path)
		if err != nil || u.Host != "" {
			return
		}
		for _, method := range []string{http.MethodPost, http.MethodGet} {
			r := httptest.NewRequest(method, "/", strings.NewReader(body))
			r.URL, r.Host, r.RemoteAddr = u, "localhost", "192.168.1.9:1"
			r.Header.Set("Content-Type", kind)
			r.Header.Set("Cookie", cookie)
			if w := b.send(r, nil); w.Code >= 500 && u.Path != "/events" {
				t.Errorf("%s %s: %d %s", method, path, w.Code, w.Body)
			}
		}
		b.t = t
		b.unharmed()
	})
}
