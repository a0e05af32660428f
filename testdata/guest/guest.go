// Package guest is the far side of the fake hardware in the virtual machine
// that .ci/vm/run starts: it closes contacts, reads outputs, records what the
// kernel did to every line, and makes the chips fail. Tests named Guest use it;
// elsewhere they skip.
package guest

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// The chips of the virtual machine, by label.
const (
	Own      = "barn-pins" // the computer's own lines, 28 of them
	Expander = "switches"  // 8 lines more
)

// Parameters of the fake buses; see fakei2c.c and fakespi.c.
const (
	I2C = "/sys/module/fakei2c/parameters/"
	SPI = "/sys/module/fakespi/parameters/"
)

// Require skips the test unless it runs in the virtual machine.
func Require(t testing.TB) {
	t.Helper()
	if os.Getenv("KERFWIND_GUEST") == "" {
		t.Skip("runs in the virtual machine of .ci/vm/run")
	}
}

// Write writes a value into a file of /sys.
func Write(t testing.TB, path string, value any) {
	t.Helper()
	if err := os.WriteFile(path, fmt.Append(nil, value), 0); err != nil {
		t.Fatal(err)
	}
}

// Read reads a file of /sys.
func Read(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// chip is a fake chip: its device and the number of its first line among all
// lines.
type chip struct {
	name string
	base int
}

var (
	mu    sync.Mutex
	chips = map[string]chip{}
	files = map[string]string{}
)

func find(t testing.TB, label string) chip {
	t.Helper()
	mu.Lock()
	defer mu.Unlock()
	if c, ok := chips[label]; ok {
		return c
	}
	const path = "/sys/kernel/debug/gpio"
	re := regexp.MustCompile(`(?m)^(gpiochip\d+): GPIOs (\d+)-\d+, .*\b` + label + `:?`)
	m := re.FindStringSubmatch(Read(t, path))
	if m == nil {
		t.Fatalf("%s has no chip %q:\n%s", path, label, Read(t, path))
	}
	base, err := strconv.Atoi(m[2])
	if err != nil {
		t.Fatal(err)
	}
	chips[label] = chip{m[1], base}
	return chips[label]
}

// far is the file of a line's far side.
func far(t testing.TB, label string, line int, file string) string {
	t.Helper()
	pattern := fmt.Sprintf("/sys/devices/platform/gpio-sim.*/%s/sim_gpio%d/%s", find(t, label).name, line, file)
	mu.Lock()
	defer mu.Unlock()
	if p, ok := files[pattern]; ok {
		return p
	}
	found, err := filepath.Glob(pattern)
	if err != nil || len(found) != 1 {
		t.Fatalf("%s: %d of them, %v", pattern, len(found), err)
	}
	files[pattern] = found[0]
	return found[0]
}

// Contact closes or opens the contact at a line: it pulls the line to ground
// or lets the pull-up have it.
func Contact(t testing.TB, chip string, line int, closed bool) {
	t.Helper()
	pull := "pull-up"
	if closed {
		pull = "pull-down"
	}
	Write(t, far(t, chip, line, "pull"), pull)
}

// High tells whether a line is high.
func High(t testing.TB, chip string, line int) bool {
	t.Helper()
	return Read(t, far(t, chip, line, "value")) == "1"
}

// Until waits for something to become true: the clock here is the real one.
func Until(t testing.TB, what string, is func() bool) {
	t.Helper()
	for began := time.Now(); !is(); time.Sleep(5 * time.Millisecond) {
		if time.Since(began) > 15*time.Second {
			t.Fatalf("not within 15 s: %s", what)
		}
	}
}

// Currents sets the currents at the converter's inputs, as heights of sines in
// codes. Inputs that are not named carry a little noise.
func Currents(t testing.TB, peak map[int]int) {
	t.Helper()
	var list []string
	for i := range 8 {
		p, ok := peak[i]
		if !ok {
			p = 3
		}
		list = append(list, strconv.Itoa(p))
	}
	Write(t, SPI+"peak", strings.Join(list, ","))
}

// Register reads a register of the PCA9685 from the chip's side.
func Register(t testing.TB, n int) int {
	t.Helper()
	v, err := strconv.Atoi(strings.Split(Read(t, I2C+"reg"), ",")[n])
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Change is one thing that the kernel did to a line: "set 1", "out", "in", …
type Change struct {
	At   float64 // s
	Line int
	What string
}

// Trace lists what the kernel did to the lines of a chip, in order.
type Trace []Change

const tracing = "/sys/kernel/tracing/"

var event = regexp.MustCompile(`(\d+\.\d+): gpio_(value|direction): (\d+)\s+(\S+)\s+\(?(-?\d+)`)

// Record traces the lines of a chip while do runs.
func Record(t testing.TB, label string, do func()) Trace {
	t.Helper()
	Write(t, tracing+"events/gpio/enable", 1)
	Write(t, tracing+"trace", "")
	Write(t, tracing+"tracing_on", 1)
	do()
	Write(t, tracing+"tracing_on", 0)
	Write(t, tracing+"events/gpio/enable", 0)
	base := find(t, label).base
	var out Trace
	for _, m := range event.FindAllStringSubmatch(Read(t, tracing+"trace"), -1) {
		at, _ := strconv.ParseFloat(m[1], 64) // the pattern lets only numbers through
		n, _ := strconv.Atoi(m[3])
		what := m[4]
		if m[2] == "value" {
			what += " " + m[5]
		}
		out = append(out, Change{at, n - base, what})
	}
	return out
}

// Outputs returns what was done to one line, without reads.
func (tr Trace) Outputs(line int) []string {
	var out []string
	for _, c := range tr {
		if c.Line == line && !strings.HasPrefix(c.What, "get") {
			out = append(out, c.What)
		}
	}
	return out
}

// On counts how often a line was switched on, which is high or low, and tells
// whether it begins and ends off.
func (tr Trace) On(line int, activeLow bool) (times int, offAtEnds bool) {
	on := "set 1"
	if activeLow {
		on = "set 0"
	}
	list := tr.Outputs(line)
	is := false
	for _, w := range list {
		if w == on && !is {
			times++
		}
		if strings.HasPrefix(w, "set") {
			is = w == on
		}
	}
	return times, len(list) > 0 && list[0] != on && !is
}
