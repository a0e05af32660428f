package main

import (
	"kerfwind/cmd/kerfwind/internal/demo"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/panel"

	"context"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

// said hands over what the demo says.
type said chan string

func (s said) Write(b []byte) (int, error) {
	s <- string(b)
	return len(b), nil
}

// visitor is somebody on the demo's page.
type visitor struct {
	t      *testing.T
	client *http.Client
	page   string // address
}

// ask sends a form as the page's script does. It returns the status and what
// was said, or why not.
func (v *visitor) ask(path string, form url.Values) (int, string) {
	v.t.Helper()
	r, err := http.NewRequestWithContext(v.t.Context(), http.MethodPost, v.page+path, strings.NewReader(form.Encode()))
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "application/json")
	w, err := v.client.Do(r)
	if err != nil {
		v.t.Fatal(err)
	}
	defer func() { _ = w.Body.Close() }()
	var a struct{ Said, Error string }
	if err := json.NewDecoder(w.Body).Decode(&a); err != nil {
		v.t.Fatalf("%s: %s: %v", path, w.Status, err)
	}
	return w.StatusCode, a.Said + a.Error
}

// TestDemoPage runs the demo's daemon and stands it down from its page: that
// is on the disk before it is answered, is written down, and cannot be lifted
// from there.
func TestDemoPage(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	ctx, end := context.WithCancel(t.Context())
	defer end()
	lines := make(said, 1024)
	done := make(chan error, 1)
	go func() {
		done <- (&rehearsal{listen: "127.0.0.1:0", morning: true, runFlags: runFlags{speed: mostSpeed}}).run(ctx, live.NewLines(io.Discard, lines), strings.NewReader(""))
	}()
	var v *visitor
	folder := ""
	for v == nil || folder == "" {
		select {
		case line := <-lines:
			if m := regexp.MustCompile(`(http://\S+)/ `).FindStringSubmatch(line); m != nil {
				jar, err := cookiejar.New(nil)
				if err != nil {
					t.Fatal(err)
				}
				v = &visitor{t, &http.Client{Jar: jar, Transport: &http.Transport{DisableKeepAlives: true}}, m[1]}
			}
			if m := regexp.MustCompile(`--runtime (\S+)`).FindStringSubmatch(line); m != nil {
				folder = m[1]
			}
		case err := <-done:
			t.Fatal(err)
		}
	}
	for { // it begins to listen
		w, err := v.client.Get(v.page + "/")
		if err != nil || w.StatusCode != http.StatusOK {
			if err == nil {
				_ = w.Body.Close()
			}
			select {
			case err := <-done:
				t.Fatal(err)
			case <-time.After(10 * time.Millisecond): //clock:ok the daemon opens its listener in its own time
				continue
			}
		}
		_ = w.Body.Close()
		break
	}
	if status, text := v.ask("/stand-down", nil); status != http.StatusForbidden {
		t.Errorf("without signing in: %d %s", status, text)
	}
	if status, text := v.ask("/sign-in", url.Values{"role": {"setup"}, "password": {demo.Password}}); status != http.StatusOK {
		t.Fatalf("signing in: %d %s", status, text)
	}
	swap, err := v.client.Get(v.page + "/shops?kind=gates&a=planer")
	if err != nil {
		t.Fatal(err)
	}
	offer, err := io.ReadAll(swap.Body)
	_ = swap.Body.Close()
	if err != nil || !strings.Contains(string(offer), "Swap with router") {
		t.Errorf("a swap in the demo: %s, %v: %s", swap.Status, err, offer)
	}
	if status, text := v.ask("/stand-down", nil); status != http.StatusOK || !strings.Contains(text, "Not a lockout") {
		t.Fatalf("standing down: %d %s", status, text)
	}
	if _, err := os.Stat(filepath.Join(folder, "standdown")); err != nil {
		t.Errorf("it was answered, and is not on the disk: %v", err)
	}
	if status, text := v.ask("/hold", url.Values{"gate": {"floor sweep"}, "for": {"60"}}); status != http.StatusConflict {
		t.Errorf("a gate held while stood down: %d %s", status, text)
	}
	w, err := v.client.Post(v.page+"/lift", "application/x-www-form-urlencoded", nil)
	if err != nil {
		t.Fatal(err)
	}
	_ = w.Body.Close()
	if w.StatusCode != http.StatusNotFound {
		t.Errorf("lifting from the page: %s", w.Status)
	}
	record, err := os.ReadFile(filepath.Join(folder, panel.AuditFile))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"what":"/sign-in","result":"done"`, `"what":"/stand-down","result":"done"`, `"what":"/hold","with":{"for":["60"],"gate":["floor sweep"]},"result":"refused"`} {
		if !strings.Contains(string(record), want) {
			t.Errorf("not written down: %s\n%s", want, record)
		}
	}
	end()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(folder); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the folder is left behind: %v", err)
	}
}
