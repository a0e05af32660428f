package rig

import (
	"net"
	"path/filepath"
	"testing"
	"time"
)

// listen stands in for the service manager and returns what it hears.
func listen(t *testing.T, name string) (next func() string) {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return func() string {
		t.Helper()
		if err := conn.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 4096)
		n, err := conn.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		return string(buf[:n])
	}
}

func env(pairs ...string) func(string) string {
	return func(key string) string {
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == key {
				return pairs[i+1]
			}
		}
		return ""
	}
}

// What is sent, as sd_notify(3) says it is written.
func TestMessages(t *testing.T) {
	for _, name := range []string{filepath.Join(t.TempDir(), "notify"), "@kerfwind-notify-" + filepath.Base(t.TempDir())} {
		next := listen(t, name)
		m, err := OpenManager(env("NOTIFY_SOCKET", name), 1)
		if err != nil {
			t.Fatal(err)
		}
		for _, tt := range []struct {
			send func(string) error
			text string
			want string
		}{
			{m.Ready, "at rest", "READY=1\nSTATUS=at rest"},
			{m.Status, "planer runs", "STATUS=planer runs"},
			{m.Status, "two\nREADY=1\tlines ", "STATUS=two READY=1 lines"}, // a name cannot smuggle a line in
			{m.Stopping, "asked to", "STOPPING=1\nSTATUS=asked to"},
		} {
			if err := tt.send(tt.text); err != nil {
				t.Fatal(err)
			}
			if got := next(); got != tt.want {
				t.Errorf("sent %q, want %q", got, tt.want)
			}
		}
		if err := m.Close(); err != nil {
			t.Error(err)
		}
	}
}

// The watchdog is fed by Alive alone, and not more often than it helps.
func TestAlive(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	next := listen(t, name)
	m, err := OpenManager(env("NOTIFY_SOCKET", name, "WATCHDOG_USEC", "4000000", "WATCHDOG_PID", "77"), 77)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = m.Close() }()
	fed := 0
	for now := time.Duration(0); now < 10*time.Second; now += 10 * time.Millisecond {
		if err := m.Alive(now); err != nil {
			t.Fatal(err)
		}
	}
	if err := m.Status("end"); err != nil {
		t.Fatal(err)
	}
	for next() == "WATCHDOG=1" {
		fed++
	}
	if fed != 10 { // at 0 s, 1 s, ... 9 s
		t.Errorf("fed %d times in 10 s with a period of 4 s, want once a second", fed)
	}
}

func TestNobodyListens(t *testing.T) {
	m, err := OpenManager(env(), 1)
	if m != nil || err != nil {
		t.Fatal(m, err)
	}
	if err := m.Ready(""); err != nil {
		t.Error(err)
	}
	if err := m.Alive(0); err != nil {
		t.Error(err)
	}
	if err := m.Close(); err != nil {
		t.Error(err)
	}
}

// A watchdog that is somebody else's, or none, is not fed.
func TestNotWatched(t *testing.T) {
	for _, e := range [][]string{{"WATCHDOG_USEC", "4000000", "WATCHDOG_PID", "76"}, {}} {
		name := filepath.Join(t.TempDir(), "notify")
		next := listen(t, name)
		m, err := OpenManager(env(append(e, "NOTIFY_SOCKET", name)...), 77)
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Alive(0); err != nil {
			t.Fatal(err)
		}
		if err := m.Status("end"); err != nil {
			t.Fatal(err)
		}
		if got := next(); got != "STATUS=end" {
			t.Errorf("%q: sent %q", e, got)
		}
		_ = m.Close()
	}
}

func TestOpenRefuses(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	if _, err := OpenManager(env("NOTIFY_SOCKET", name), 1); err == nil {
		t.Error("a socket that is not there is taken")
	}
	listen(t, name)
	for _, usec := range []string{"soon", "-1", "0", "9223372036854775807"} {
		if _, err := OpenManager(env("NOTIFY_SOCKET", name, "WATCHDOG_USEC", usec), 1); err == nil {
			t.Errorf("WATCHDOG_USEC=%s is taken", usec)
		}
	}
}
