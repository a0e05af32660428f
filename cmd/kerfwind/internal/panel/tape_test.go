package panel

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"kerfwind/control"
)

// fakeTape writes what it is asked for.
type fakeTape struct {
	from, to time.Duration
	err      error
}

func (t *fakeTape) Kept() (from, to time.Duration) { return t.from, t.to }
func (t *fakeTape) Extension() string              { return ".flac" }
func (t *fakeTape) Write(w io.Writer, from, to time.Duration) error {
	if t.err != nil {
		return t.err
	}
	_, err := fmt.Fprintf(w, "%v to %v", from, to)
	return err
}

func TestTape(t *testing.T) {
	const second = time.Second
	s, p := New(Options{Notice: func(err error) { t.Log(err) }}), onPage(demoShop(t), 600*second)
	s.Show(p)
	if body := look(s, "/signals").Body.String(); strings.Contains(body, "Save the last") {
		t.Error("offered where nothing is kept")
	}
	reads(t, look(s, "/signals/last"), http.StatusBadRequest, "no converter")
	reads(t, look(s, "/runs/recording?start=1"), http.StatusBadRequest, "no longer in memory")
	tape := &fakeTape{from: 400 * second, to: 600 * second}
	p.Tape = tape
	event := func(at time.Duration, kind control.EventKind, id control.ID) control.Event {
		return control.Event{At: at, Kind: kind, ID: id}
	}
	p.Observe(atRest(p.Shop), []control.Event{
		event(100*second, control.MachineStarted, 0), event(150*second, control.MachineStopped, 0), // gone
		event(395*second, control.MachineStarted, 1), event(450*second, control.MachineStopped, 1), // in part
		event(500*second, control.MachineStarted, 0), event(510*second, control.MachineStarted, 2), event(540*second, control.MachineStopped, 0),
	})
	w := look(s, "/runs")
	reads(t, w, http.StatusOK, "Save a recording (3 in memory)", "09:38:30 <b>drum sander</b> runs", "09:38:20 <b>band saw</b> 0:00:40", "09:36:35 <b>planer</b> 0:00:55",
		"/runs/recording?start=395000000000")
	if strings.Contains(w.Body.String(), "start=100000000000") {
		t.Error("a run is offered that is gone")
	}
	for start, want := range map[string]string{"395000000000": "6m40s to 7m35s", "500000000000": "8m15s to 9m5s", "510000000000": "8m25s to 10m0s"} {
		reads(t, look(s, "/runs/recording?start="+start), http.StatusOK, want)
	}
	one := look(s, "/runs/recording?start=500000000000")
	if got := one.Header().Get("Content-Disposition"); got != `attachment; filename="kerfwind-band-saw-20260302T093815.flac"` || one.Header().Get("Content-Type") != "audio/flac" {
		t.Error(one.Header())
	}
	reads(t, look(s, "/signals"), http.StatusOK, "Save the last two minutes")
	last := look(s, "/signals/last")
	reads(t, last, http.StatusOK, "8m0s to 10m0s")
	if got := last.Header().Get("Content-Disposition"); got != `attachment; filename="kerfwind-last-2-min-20260302T093800.flac"` {
		t.Error(got)
	}
	for _, bad := range []string{"", "?start=", "?start=x", "?start=1e3", "?start=-1", "?start=100000000000", "?start=99999999999999999999", "?end=3"} {
		reads(t, look(s, "/runs/recording"+bad), http.StatusBadRequest)
	}
	tape.err = ErrNoTape
	w = look(s, "/signals/last")
	reads(t, w, http.StatusBadRequest, "That time is no longer in memory.")
	if w.Header().Get("Content-Disposition") != "" {
		t.Error("a mistake is saved as a recording")
	}
	tape.err = errors.New("out of memory")
	reads(t, look(s, "/signals/last"), http.StatusInternalServerError, "Out of memory.")
}

func TestPlainName(t *testing.T) {
	for text, want := range map[string]string{"band saw": "band-saw", "Hobelmaschine Ä/1": "hobelmaschine-1", `..\"x`: "x", "": "machine", "☃": "machine", strings.Repeat("a", 99): strings.Repeat("a", 40)} {
		if got := plainName(text); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}
