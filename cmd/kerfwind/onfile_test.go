package main

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/journal"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/control/drive"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// linesFile names, in the environment, the file whose bytes are output lines:
// '1' is on, '0' off, ' ' never requested. It outlives the program, as the
// levels of a kernel do that leaves the lines of a killed program as they are.
const linesFile = "KERFWIND_TEST_LINES"

// lineCount is how many lines there are.
const lineCount = 32

// onFile is fake hardware: lines on a file, no contacts, no bus.
type onFile struct{ path string }

type lineOnFile struct {
	f  *os.File
	at int64
}

func (l lineOnFile) Set(on bool) error {
	level := []byte{'0'}
	if on {
		level[0] = '1'
	}
	_, err := l.f.WriteAt(level, l.at)
	return err
}
func (l lineOnFile) Close() error { return l.f.Close() }

func (o onFile) Output(l drive.Line, _ bool, _ string) (drive.Output, error) {
	f, err := os.OpenFile(o.path, os.O_WRONLY, 0)
	if err != nil {
		return nil, err
	}
	out := lineOnFile{f, int64(l.Offset)}
	return out, out.Set(false)
}
func (o onFile) Input(drive.Line, time.Duration, string) (drive.Input, error) {
	return nil, errors.New("no inputs")
}
func (o onFile) Bus(string) (drive.Bus, error) { return nil, errors.New("no bus") }

const fileRig = `format = 1
adc = [{ name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" }]
channel = [
  { name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" },
  { name = "c1", adc = "a", input = 1, ratio = "30 A : 1 V" },
]
actuator = [
  { name = "g0", kind = "relay", chip = "pins", line = 5 },
  { name = "g1", kind = "relay", chip = "pins", line = 6, active = "low" },
  { name = "k0", kind = "relay", chip = "pins", line = 17 },
  { name = "k1", kind = "relay", chip = "pins", line = 18 },
]
`

const fileShop = `format = 1
units = "metric"
mains = { frequency = "60 Hz", voltage = "240 V" }
machine = [
  { name = "saw", channels = ["c0"], gates = ["saw"], start = "2 A", stop = "1 A", stop_hold = "50 ms", run_on = "200 ms" },
  { name = "planer", channels = ["c1"], gates = ["planer"], start = "2 A", stop = "1 A", stop_hold = "50 ms", run_on = "200 ms" },
]
gate = [{ name = "saw", actuator = "g0", travel = "50 ms" }, { name = "planer", actuator = "g1", travel = "50 ms" }]
collector = { actuator = "k0", coast = "100 ms", clear_out = "100 ms", confirm = "50 ms", starts_per_hour = 60, min_on = "200 ms", min_off = "0 s" }
outlet = [{ name = "cleaner", actuator = "k1", follows = ["saw"], run_on = "300 ms" }]
limits = { power_up = "0 s", close_at_rest = true }
`

const fileScript = `length 3s
rate 1 kHz
mains 60 Hz
converter 12 bits, 3.3 V
channel c0: 30 A : 1 V, noise 1 counts
channel c1: 30 A : 1 V, noise 1 counts
machine saw on c0: induction motor, full load 9 A, run-up 100ms
machine planer on c1: induction motor, full load 9 A, run-up 100ms
at 300ms saw runs 900ms
at 900ms planer runs 800ms
`

// rigOnFile is that hardware with converters that read the script.
func rigOnFile() rig.Options {
	return rig.Options{Hardware: onFile{os.Getenv(linesFile)}, Sources: func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
		s, err := trace.ParseScript("onfile", strings.NewReader(fileScript))
		if err != nil {
			return nil, err
		}
		return simrig.New(s, 1).Sources(r, now)
	}}
}

// TestKillHalt kills "kerfwind run" with SIGKILL in random states, five times, or
// a hundred with KERFWIND_LONG, each time followed by "kerfwind halt". The
// outputs are real drivers' on lines that keep their level when the program
// dies. After halt every line is off; the next start finds nothing that keeps it
// from serving; the history is whole at the end.
//
// The kernel's own lines and buses, with servo pulses, are killed and halted in
// the virtual machine (.ci/vm/run).
func TestKillHalt(t *testing.T) {
	if testing.Short() {
		t.Skip("not in short mode")
	}
	t.Parallel() // it mostly waits
	rounds := 5
	if os.Getenv("KERFWIND_LONG") != "" {
		rounds = 100
	}
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
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	rigPath, shopPath, state := file("rig.toml", fileRig), file("shop.toml", fileShop), filepath.Join(dir, "state")
	lines := file("lines", strings.Repeat(" ", lineCount))
	levels := func() string {
		b, err := os.ReadFile(lines)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	off := []byte(strings.Repeat(" ", lineCount))
	for _, l := range []int{5, 6, 17, 18} {
		off[l] = '0'
	}
	program := func(args ...string) *exec.Cmd {
		cmd := exec.Command("kerfwind-on-file", args...)
		cmd.Env = append(os.Environ(), linesFile+"="+lines)
		return cmd
	}
	rnd := rand.New(rand.NewPCG(5, 8))
	left := map[string]int{} // levels that kills left
	for round := range rounds {
		run := program("run", "--rig", rigPath, "--shop", shopPath, "--state", state, "--runtime", runtime)
		if err := run.Start(); err != nil {
			t.Fatal(err)
		}
		if err := awaitStatus(runtime, func(s *socket.Status) bool { return s.Ready && s.PID == run.Process.Pid }); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Duration(rnd.IntN(2500)) * time.Millisecond) //clock:ok another program is killed at a random instant
		if err := run.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = run.Wait() // killed
		left[levels()]++
		if out, err := program("halt", "--rig", rigPath, "--runtime", runtime).CombinedOutput(); err != nil {
			t.Fatalf("round %d: halt: %v\n%s", round, err, out)
		}
		if got := levels(); got != string(off) {
			t.Fatalf("round %d: after halt the lines are %q, want %q", round, got, off)
		}
	}
	if err := journal.CheckFile(context.Background(), journal.Path(state)); err != nil {
		t.Errorf("the history after %d kills: %v", rounds, err)
	}
	if aside, err := filepath.Glob(filepath.Join(state, "*damaged*")); err != nil || len(aside) > 0 {
		t.Errorf("files were set aside: %q, %v", aside, err)
	}
	// Then it serves as ever.
	run := program("run", "--rig", rigPath, "--shop", shopPath, "--state", state, "--runtime", runtime)
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	if err := awaitStatus(runtime, func(s *socket.Status) bool {
		return s.PID == run.Process.Pid && !s.StoodDown && len(s.Faults) == 0 && strings.HasPrefix(s.Collector.State, "commanded on")
	}); err != nil {
		t.Errorf("the collector is not switched on after %d kills: %v", rounds, err)
	}
	if err := run.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := run.Wait(); err != nil || levels() != string(off) {
		t.Errorf("%v, and the lines are %q at the end", err, levels())
	}
	on := rounds - left[string(off)]
	t.Logf("%d kills: %d left something on, in %d states", rounds, on, len(left))
	if rounds > 20 && (on < rounds/4 || len(left) < 5) {
		t.Errorf("these are not random states: %v", left)
	}
}
