package main

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// envHour is how long TestHour runs.
const envHour = "KERFWIND_HOUR"

// envTape names, in the environment, the script that a converter repeats.
const envTape = "KERFWIND_TEST_TAPE"

// rigOnTape is rigOnFile with a converter that costs nothing: it repeats a
// recording that was made before.
func rigOnTape() rig.Options {
	o := rigOnFile()
	o.Sources = func(_ *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
		s, err := trace.ParseScript("tape", strings.NewReader(os.Getenv(envTape)))
		if err != nil {
			return nil, err
		}
		p := tapeOf(trace.NewMaker(s, false), 100)
		p.now = now
		return []sensor.Source{p}, nil
	}
	return o
}

// holds is what a process holds, and what it has used.
type holds struct {
	resident, most, goroutines, files int // kB, kB
	cpu                               time.Duration
	written                           int // bytes, to disks
}

var number = regexp.MustCompile(`\d+`)

// holdsOf asks the kernel, and the process's metrics.
func holdsOf(t *testing.T, pid int, metrics string) (h holds) {
	t.Helper()
	read := func(name string) []byte {
		b, err := os.ReadFile(fmt.Sprintf("/proc/%d/%s", pid, name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	after := func(text []byte, key string) int {
		_, rest, ok := bytes.Cut(text, []byte(key))
		n, err := strconv.Atoi(string(number.Find(rest)))
		if !ok || err != nil {
			t.Fatalf("no %s: %v", key, err)
		}
		return n
	}
	status := read("status")
	h.resident, h.most = after(status, "VmRSS:"), after(status, "VmHWM:")
	h.written = after(read("io"), "\nwrite_bytes:")
	files, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		t.Fatal(err)
	}
	h.files = len(files)
	_, stat, _ := bytes.Cut(read("stat"), []byte(") "))
	for _, f := range bytes.Fields(stat)[11:13] { // utime, stime in hundredths (proc_pid_stat(5))
		n, err := strconv.Atoi(string(f))
		if err != nil {
			t.Fatal(err)
		}
		h.cpu += time.Duration(n) * 10 * time.Millisecond
	}
	resp, err := http.Get(metrics)
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(resp.Body)
	if cerr := resp.Body.Close(); err != nil || cerr != nil {
		t.Fatal(err, cerr)
	}
	h.goroutines = after(body, "\ngo_goroutines ")
	return h
}

// TestHour runs "kerfwind run" on the clock for as long as KERFWIND_HOUR says,
// with real drivers on fake lines, history and metrics, and a converter of two
// channels at 1 kHz that costs nothing; first at rest, then with two machines a
// minute. It holds memory, goroutines and descriptors to what they were after a
// tenth of each part, and says what processor and disk were used.
func TestHour(t *testing.T) {
	whole, err := time.ParseDuration(os.Getenv(envHour))
	if err != nil {
		t.Skipf("set %s to a length of time, such as 1h", envHour)
	}
	for name, script := range map[string]string{"at rest": "", "at work": "at 5s saw runs 15s\nat 15s planer runs 15s\n"} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			runtime, err := os.MkdirTemp("", "kw") // a socket's path is short
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() {
				if err := os.RemoveAll(runtime); err != nil {
					t.Error(err)
				}
			})
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			address := l.Addr().String()
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			head, _, _ := strings.Cut(fileScript, "at ")
			for file, text := range map[string]string{
				"rig.toml": fileRig + "metrics = { listen = \"" + address + "\" }\n", "shop.toml": fileShop, "lines": strings.Repeat(" ", lineCount),
			} {
				if err := os.WriteFile(filepath.Join(dir, file), []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			cmd := exec.Command("kerfwind-on-tape", "run", "--rig", filepath.Join(dir, "rig.toml"), "--shop", filepath.Join(dir, "shop.toml"),
				"--state", filepath.Join(dir, "state"), "--runtime", runtime)
			cmd.Env = append(os.Environ(), linesFile+"="+filepath.Join(dir, "lines"), envTape+"="+strings.Replace(head, "length 3s", "length 1m", 1)+script)
			began := time.Now()
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			if err := awaitReady(runtime); err != nil {
				t.Fatal(err)
			}
			t.Logf("ready after %v", time.Since(began).Round(10*time.Millisecond))
			at := func(d time.Duration) holds {
				<-time.After(d - time.Since(began)) //clock:ok a process on the clock is measured
				h := holdsOf(t, cmd.Process.Pid, "http://"+address+"/metrics")
				t.Logf("after %v: %+v", time.Since(began).Round(time.Second), h)
				return h
			}
			part := whole / 2
			first := at(part / 10)
			last := at(part)
			long := part - part/10
			t.Logf("%.2f %% of a core, %d bytes written to disks in an hour", 100*(last.cpu-first.cpu).Seconds()/long.Seconds(), int(float64(last.written-first.written)/long.Hours()))
			if last.resident > first.resident+first.resident/10+2048 || last.goroutines > first.goroutines+2 || last.files > first.files+1 { // some come and go
				t.Errorf("%+v, before it was %+v", last, first)
			}
			st := statusNow(t, runtime)
			for _, p := range st.Parts {
				if p.State != "well" {
					t.Errorf("%s: %s", p.Name, p.Why)
				}
			}
			if len(st.Faults) > 0 {
				t.Errorf("%+v", st.Faults)
			}
			if err := cmd.Process.Signal(os.Interrupt); err != nil {
				t.Fatal(err)
			}
			if err := cmd.Wait(); err != nil {
				t.Error(err)
			}
		})
	}
}
