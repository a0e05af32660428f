package rig

import (
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"
)

// Manager is the service manager. A nil Manager is one that does not listen:
// every method does nothing and returns nil.
type Manager struct {
	conn     *net.UnixConn
	watchdog time.Duration
	fed      time.Duration
	ever     bool
}

// OpenManager connects to the service manager that the environment names (os.Getenv
// in the daemon; pid is its own). It returns nil and no error where none does.
func OpenManager(getenv func(string) string, pid int) (*Manager, error) {
	name := getenv("NOTIFY_SOCKET")
	if name == "" {
		return nil, nil
	}
	// A leading @ means Linux's abstract namespace, as in package net.
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return nil, fmt.Errorf("service manager: %w", err)
	}
	m := &Manager{conn: conn}
	usec := getenv("WATCHDOG_USEC")
	if usec == "" {
		return m, nil
	}
	if whose := getenv("WATCHDOG_PID"); whose != "" && whose != strconv.Itoa(pid) {
		return m, nil // another process is watched
	}
	n, err := strconv.ParseInt(usec, 10, 64)
	if err != nil || n <= 0 || n > int64(time.Hour/time.Microsecond) {
		return nil, errors.Join(fmt.Errorf("service manager: WATCHDOG_USEC is %q: it must be a number of microseconds, an hour at most", usec), conn.Close())
	}
	m.watchdog = time.Duration(n) * time.Microsecond
	return m, nil
}

// send writes one datagram of NAME=VALUE lines.
func (m *Manager) send(lines ...string) error {
	if m == nil {
		return nil
	}
	if _, err := m.conn.Write([]byte(strings.Join(lines, "\n"))); err != nil {
		return fmt.Errorf("service manager: %w", err)
	}
	return nil
}

// status is one line for people, in "systemctl status".
func status(text string) string {
	return "STATUS=" + strings.Join(strings.Fields(text), " ")
}

// Ready says that outputs are safe and the loop runs.
func (m *Manager) Ready(text string) error { return m.send("READY=1", status(text)) }

// Status replaces the line for people.
func (m *Manager) Status(text string) error { return m.send(status(text)) }

// Begins says that the start takes so long more.
func (m *Manager) Begins(more time.Duration, text string) error {
	return m.send(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", more.Microseconds()), status(text))
}

// Stopping says that the daemon is on its way out.
func (m *Manager) Stopping(text string) error { return m.send("STOPPING=1", status(text)) }

// Alive feeds the watchdog, at most four times in its period. The control loop
// calls it after a completed step, with the instant of its stream, only if a
// frame has arrived since the last call. A frame that reports a read error
// counts: the program is well, and what a lost sensor means is decided by
// control. A hung sampler delivers nothing, so nothing feeds the watchdog.
func (m *Manager) Alive(now time.Duration) error {
	if m == nil || m.watchdog == 0 || m.ever && now-m.fed < m.watchdog/4 {
		return nil
	}
	m.fed, m.ever = now, true
	return m.send("WATCHDOG=1")
}

// Close ends the connection.
func (m *Manager) Close() error {
	if m == nil {
		return nil
	}
	return m.conn.Close()
}
