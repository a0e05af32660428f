package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/testdata/peers"
)

// diskScript is a morning whose events lie far apart.
const diskScript = "length 2m\n" + sawAndRouter + `at 20s "band saw" runs 12s
at 26s router runs 20s
`

// happening is one event line.
type happening struct {
	t    float64
	text string // all of it but times
}

// TestDisks runs the whole program on disks that a shop's computer may have:
// full, read-only, dead while it runs, and one whose every sync takes 200 ms (by
// strace's fault injection); and finds the same events, in the same order, as on a
// good one, with the history down where it must be. As root, with
// KERFWIND_LONG. TestControlIsNotDisturbed compares the commands to the
// nanosecond, in virtual time.
func TestDisks(t *testing.T) {
	if os.Getenv("KERFWIND_LONG") == "" {
		t.Skip("set KERFWIND_LONG=1 to run on bad disks")
	}
	if os.Geteuid() != 0 {
		t.Skip("mounting needs root")
	}
	strace := peers.Require(t, "strace", "Debian package strace")
	dir, err := os.MkdirTemp("", "kw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	script := filepath.Join(dir, "script")
	if err := os.WriteFile(script, []byte(diskScript), 0o600); err != nil {
		t.Fatal(err)
	}
	sh := func(t *testing.T, args ...string) {
		t.Helper()
		if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
	}
	image := func(t *testing.T, at string) {
		t.Helper()
		sh(t, "truncate", "-s", "16M", at+".image")
		sh(t, "mkfs.ext4", "-q", "-F", at+".image")
	}
	disks := []struct {
		name    string
		mount   func(t *testing.T, at string) []string // arguments of mount
		spoil   func(t *testing.T, at string)          // once it runs
		history string                                 // how it is at the end
	}{
		{"good", nil, nil, "well"},
		{"full", func(*testing.T, string) []string { return []string{"-t", "tmpfs", "-o", "size=1m", "tmpfs"} }, func(_ *testing.T, at string) {
			_ = os.WriteFile(filepath.Join(at, "ballast"), make([]byte, 2<<20), 0o600) // as much as there is room for
		}, "down"},
		{"read-only", func(t *testing.T, at string) []string {
			image(t, at)
			return []string{"-o", "loop,ro", at + ".image"}
		}, nil, "down"},
		{"dead", func(t *testing.T, at string) []string {
			image(t, at)
			return []string{"-o", "loop", at + ".image"}
		}, func(t *testing.T, at string) {
			// As when the card is pulled: whatever is asked is an error from here on.
			const shutdown, noFlush = 0x8004587d, 2 // EXT4_IOC_SHUTDOWN, EXT4_GOING_FLAGS_NOLOGFLUSH (linux/fs/ext4)
			f, err := os.Open(at)
			if err != nil {
				t.Fatal(err)
			}
			if err := errors.Join(unix.IoctlSetPointerInt(int(f.Fd()), shutdown, noFlush), f.Close()); err != nil {
				t.Fatal(err)
			}
		}, "down"},
		{"slow", nil, nil, "well"},
	}
	results := make([][]happening, len(disks))
	t.Run("on", func(t *testing.T) {
		for i, d := range disks {
			t.Run(d.name, func(t *testing.T) {
				t.Parallel()
				state, runtime := filepath.Join(dir, d.name), filepath.Join(dir, "r"+d.name)
				if err := os.Mkdir(state, 0o700); err != nil {
					t.Fatal(err)
				}
				if d.mount != nil {
					sh(t, append(append([]string{"mount"}, d.mount(t, state)...), state)...)
					t.Cleanup(func() {
						if err := syscall.Unmount(state, syscall.MNT_DETACH); err != nil {
							t.Error(err)
						}
					})
				}
				args := []string{"kerfwind", "run", "--simulate", "--script", script, "--json", "--speed", "2", "--state", state, "--runtime", runtime}
				if d.name == "slow" {
					args = append([]string{strace, "-f", "-qq", "--seccomp-bpf", "-o", state + ".trace", "-e", "trace=fsync,fdatasync",
						"-e", "inject=fsync,fdatasync:delay_exit=200000"}, args...)
				}
				cmd := exec.Command(args[0], args[1:]...)
				out, err := cmd.StdoutPipe()
				if err != nil {
					t.Fatal(err)
				}
				if err := cmd.Start(); err != nil {
					t.Fatal(err)
				}
				if err := awaitReady(runtime); err != nil {
					t.Fatal(err)
				}
				if d.spoil != nil {
					d.spoil(t, state)
				}
				lines, offs := bufio.NewScanner(out), 0
				for offs < 1 && lines.Scan() {
					h := happened(t, lines.Bytes())
					results[i] = append(results[i], h)
					if strings.Contains(h.text, "collector-off") {
						offs++
					}
				}
				st := statusNow(t, runtime)
				for _, p := range st.Parts {
					if p.Name == "history" && p.State != d.history {
						t.Errorf("the history is %s (%s), want %s", p.State, p.Why, d.history)
					}
				}
				if err := syscall.Kill(st.PID, syscall.SIGTERM); err != nil {
					t.Error(err)
				}
				for lines.Scan() {
				}
				if err := cmd.Wait(); err != nil {
					t.Error(err)
				}
				if d.history == "well" {
					if err := journal.CheckFile(t.Context(), journal.Path(state)); err != nil {
						t.Error(err)
					}
				}
				if d.name == "slow" {
					b, err := os.ReadFile(state + ".trace")
					if n := strings.Count(string(b), "(DELAYED)"); err != nil || n < 5 {
						t.Errorf("%v, %d syncs were slow", err, n)
					} else {
						t.Logf("%d syncs took 200 ms longer", n)
					}
				}
			})
		}
	})
	texts := func(list []happening) (out []string) {
		for _, h := range list {
			out = append(out, h.text)
		}
		return out
	}
	good := results[0]
	if len(good) < 12 {
		t.Fatalf("hardly anything happened: %v", good)
	}
	for i, d := range disks[1:] {
		if diff := cmp.Diff(texts(good), texts(results[i+1])); diff != "" {
			t.Errorf("%s: events differ:\n%s", d.name, diff)
			continue
		}
		most := 0.0
		for k, h := range results[i+1] {
			most = max(most, math.Abs(h.t-good[k].t))
		}
		t.Logf("%s: %d events as on a good disk, at most %.0f ms of the shop apart", d.name, len(good), most*1000)
	}
}

// happened reads an event line.
func happened(t *testing.T, line []byte) happening {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(line, &m); err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	at, _ := m["t"].(float64)
	for k, v := range m {
		if _, ok := v.(float64); ok {
			delete(m, k)
		}
	}
	return happening{at, fmt.Sprint(m)} // maps are printed in order
}
