package main

import (
	"html"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/guide"
	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/movein/moveintest"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
)

// sawNowAndThen is a shop in which one machine runs now and then, on another sensor
// than the demo's shop says.
const sawNowAndThen = `length 1m
rate 1 kHz
mains 60 Hz
converter 12 bits, 3.3 V
channel c0: 30 A : 1 V, noise 1.2 counts
channel c1: 30 A : 1 V, noise 1.2 counts
channel c2: 30 A : 1 V, noise 1.2 counts
channel c3: 30 A : 1 V, 2 turns, noise 1.2 counts
channel c4: 30 A : 1 V, noise 1.2 counts
machine saw on c4: induction motor, full load 9 A, run-up 900ms
at 30s saw runs 6s
`

// moveInVisitor is somebody who is signed in and has no script.
type moveInVisitor struct {
	t      *testing.T
	origin string
	c      http.Client
}

func (v *moveInVisitor) post(path string, fields ...string) {
	v.t.Helper()
	form := url.Values{}
	for i := 0; i < len(fields); i += 2 {
		form.Set(fields[i], fields[i+1])
	}
	r, err := http.NewRequest(http.MethodPost, v.origin+path, strings.NewReader(form.Encode()))
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", v.origin)
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	a, err := v.c.Do(r)
	if err != nil {
		v.t.Fatal(err)
	}
	_ = a.Body.Close() // the page is looked at anew
}

var (
	moveInRevision = regexp.MustCompile(`name="revision" value="(\d+)"`)
	htmlTags       = regexp.MustCompile(`<[^>]*>`)
)

// look is the part's text, and the revision of its question.
func (v *moveInVisitor) look() (text, revision string) {
	v.t.Helper()
	a, err := v.c.Get(v.origin + "/move-in")
	if err != nil {
		v.t.Fatal(err)
	}
	b, err := io.ReadAll(a.Body)
	if _ = a.Body.Close(); err != nil {
		v.t.Fatal(err)
	}
	if m := moveInRevision.FindSubmatch(b); m != nil {
		revision = string(m[1])
	}
	return strings.Join(strings.Fields(html.UnescapeString(htmlTags.ReplaceAllString(string(b), " "))), " "), revision
}

// until waits for a text on the page.
func (v *moveInVisitor) until(want ...string) string {
	v.t.Helper()
	text := ""
	for end := time.Now().Add(90 * time.Second); time.Now().Before(end); { //clock:ok another program
		text, _ = v.look()
		for _, w := range want {
			if strings.Contains(text, w) {
				return w
			}
		}
		time.Sleep(100 * time.Millisecond) //clock:ok another program
	}
	v.t.Fatalf("never %q:\n%s", want, text)
	return ""
}

func (v *moveInVisitor) answer(text string) {
	v.t.Helper()
	_, revision := v.look()
	v.post("/move-in/answer", "revision", revision, "answer", text)
}

// TestMoveInDaemon: the kerfwind that runs takes up the move-in's shop at rest,
// finds a sensor and moves a gate for the page, and goes back to the shop before.
func TestMoveInDaemon(t *testing.T) {
	if os.Getenv("KERFWIND_LONG") == "" {
		t.Skip("set KERFWIND_LONG=1 for a whole move-in in a browser")
	}
	t.Parallel() // it waits most of the time
	shop := startBarn(t, sawNowAndThen, 3)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	v := &moveInVisitor{t: t, origin: "http://" + shop.addr, c: http.Client{Jar: jar, Timeout: 20 * time.Second}}
	v.post("/sign-in", "role", "setup", "password", pagePassword+" setup")
	v.until("Is the rig in a new shop?")
	if _, err := os.Stat(filepath.Join(shop.dir, guide.File)); err == nil {
		t.Error("a look has begun a move-in")
	}
	v.post("/move-in/begin")
	v.until("Name of the new shop")
	for _, a := range []string{"garage", "metric", "240 V 60 Hz", "none", "band saw", "unknown", "collector", "none", "unknown"} {
		v.answer(a)
	}
	v.until("Sensor c4 showed")
	v.answer("yes")
	v.until("Sensor of the collector")
	v.answer("skip")
	v.until("Gate on output g0")
	v.answer("move")
	for v.until("Which gate moved?", "A machine runs", "a machine runs") != "Which gate moved?" {
		v.answer("move")
	}
	v.answer("machine:band saw")
	v.until("Direction of the gate on g0")
	v.post("/move-in/leave")
	v.until("Go on where you stopped")
	for end := time.Now().Add(60 * time.Second); ; { //clock:ok another program
		out, err := exec.Command("kerfwind", "status", "--runtime", shop.dir).CombinedOutput()
		if err == nil && strings.Contains(string(out), "barn.toml (the default") {
			break
		}
		if time.Now().After(end) { //clock:ok another program
			t.Fatalf("the shop before is not in force again: %v\n%s", err, out)
		}
		time.Sleep(200 * time.Millisecond) //clock:ok another program
	}
}

// TestMoveInNear: where no kerfwind runs, the move-in takes the rig itself.
func TestMoveInNear(t *testing.T) {
	if testing.Short() {
		t.Skip("a rig at the pace of the clock")
	}
	t.Parallel() // it waits most of the time
	w, old, err := moveintest.Barn(1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	script := filepath.Join(dir, "script.txt")
	if err := os.WriteFile(script, []byte(sawNowAndThen), 0o600); err != nil {
		t.Fatal(err)
	}
	how, err := (&runFlags{script: script, speed: 3}).simulated(config.StandIn(w.Rig, config.StandInOptions{}), false, func(string) {})
	if err != nil {
		t.Fatal(err)
	}
	notice := func(err error) { t.Log(err) }
	keep := daemon.NewKeep(dir, func(string) {}, notice)
	defer keep.End()
	near := &guide.Near{Runtime: dir, How: how, Up: keep.Up}
	g, bench, err := near.Through(t.Context(), seam.Refuses{}, guide.Options{State: dir, Rig: w.Rig, Before: movein.Before{File: "barn.toml", Text: old},
		Today: func() string { return "today" }, Notice: notice})
	if err != nil {
		t.Fatal(err)
	}
	answer := func(texts ...string) {
		t.Helper()
		for _, text := range texts {
			v, _ := g.View()
			if err := g.Answer(v.Revision, text); err != nil {
				t.Fatalf("%s: %v: %+v", text, err, v)
			}
		}
	}
	until := func(want ...string) string {
		t.Helper()
		limit := time.After(90 * time.Second) //clock:ok bounds a test that hangs
		for {
			v, changed := g.View()
			text := v.Title + " " + strings.Join(v.Text, " ") + v.Wrong
			for _, x := range want {
				if strings.Contains(text, x) {
					return x
				}
			}
			select {
			case <-changed:
			case <-limit:
				t.Fatalf("never %q: %+v", want, v)
			}
		}
	}
	answer("garage", "metric", "240 V 60 Hz", "none", "band saw", "unknown", "collector", "none", "unknown")
	until("Sensor c4 showed")
	if _, err := rig.TakeLock(dir); err == nil {
		t.Error("the rig's lock is free meanwhile")
	}
	answer("yes", "skip", "move")
	for until("Which gate moved?", "A machine runs") != "Which gate moved?" {
		answer("move")
	}
	answer("machine:band saw", "shut", "")
	if v, _ := g.View(); v.Step != "gate/g1" {
		t.Errorf("%+v", v)
	}
	g.Close()
	if err := bench.Leave(); err != nil {
		t.Error(err)
	}
	lock, err := rig.TakeLock(dir)
	if err != nil {
		t.Fatal(err)
	}
	_ = lock.Free() // the test ends
}
