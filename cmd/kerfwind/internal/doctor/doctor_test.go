package doctor

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"net"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"kerfwind/config"
)

var rewrite = flag.Bool("rewrite", false, "write the expected texts anew")

const trees = "../../../../testdata/doctor/"

const rigText = `
format = 1
adc = [
  { name = "a", chip = "mcp3208", port = "/dev/spidev0.0", rate = "1 kHz" },
  { name = "b", chip = "ads1115", port = "/dev/i2c-1", rate = "400 Hz", vref = "4.096 V" },
]
channel = [
  { name = "c0", adc = "a", input = 0, ratio = "30 A : 1 V" },
  { name = "c1", adc = "a", input = 1, ratio = "30 A : 1 V" },
  { name = "c2", adc = "a", input = 2, ratio = "30 A : 1 V" },
  { name = "c3", adc = "a", input = 3, ratio = "30 A : 1 V" },
  { name = "c4", adc = "b", input = 0, ratio = "30 A : 1 V", bias = "1.65 V" },
]
contact = [
  { name = "bin door", kind = "stop", chip = "pinctrl-bcm2835", line = 22, closed = "ok", series = true },
  { name = "button", kind = "button", chip = "switches", line = 0, closed = "pressed" },
]
actuator = [
  { name = "g0", kind = "servo", bus = "/dev/i2c-1", output = 0 },
  { name = "g1", kind = "motor", chip = "pinctrl-bcm2835", open_line = 23, shut_line = 24 },
  { name = "k0", kind = "relay", chip = "pinctrl-bcm2835", line = 25 },
]
heartbeat = { chip = "gpiochip0", line = 26 }
`

// tree is a recorded computer: its files are below testdata/doctor, the rest
// is given by the test.
func tree(name string) System {
	root := trees + name
	return System{
		Root: root,
		UID:  999,
		Access: func(path string) error {
			_, err := os.Stat(path)
			return err
		},
		Group: func(string) (string, bool) { return "root", false },
		Chips: func() ([]Chip, bool) {
			return []Chip{{"pinctrl-bcm2835", "gpiochip0", make([]Line, 54)}, {"switches", "gpiochip1", make([]Line, 16)}}, false
		},
		Space:  func(path string) (uint64, bool, error) { _, err := os.Stat(path); return 4 << 30, false, err },
		Synced: func() (bool, error) { return true, nil },
		Holder: func(string) (string, error) { return "", nil },
		Reach: func(address string) error {
			if address != "notices.example:443" {
				return syscall.ECONNREFUSED
			}
			return nil
		},
	}
}

const shopText = `
format = 1
units = "metric"
mains = { frequency = "50 Hz", voltage = "230 V" }
collector = { actuator = "k0" }
notice = [
  { name = "phone", url = "https://notices.example/s3cret" },
  { name = "log", url = "http://10.0.0.9:8080/s3cret" },
]
`

func options(t *testing.T, s System) Options {
	t.Helper()
	rig, err := config.ParseRig("rig.toml", []byte(rigText))
	if err != nil {
		t.Fatal(err)
	}
	return Options{Rig: rig, State: "/var/lib/kerfwind", Runtime: "/run/kerfwind", System: s}
}

func golden(t *testing.T, name string, found []Finding) {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, found); err != nil {
		t.Fatal(err)
	}
	path := trees + name + ".want"
	if *rewrite {
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("%s differs; got:\n%s", path, b.String())
	}
}

func TestGood(t *testing.T) {
	found := Examine(options(t, tree("good")))
	golden(t, "good", found)
	if n := len(found) - Count(found, OK); n != 0 {
		t.Errorf("%d findings of a good computer are not ok", n)
	}
}

func TestBad(t *testing.T) {
	s := tree("bad")
	s.UID = 0
	s.Access = func(path string) error {
		if strings.HasSuffix(path, "i2c-1") {
			return syscall.EACCES
		}
		_, err := os.Stat(path)
		return err
	}
	s.Chips = func() ([]Chip, bool) {
		lines := make([]Line, 25)
		lines[22] = Line{true, "spi0 CS0"}
		lines[23] = Line{true, ""}
		lines[24] = Line{true, "kerfwind g1"}
		return []Chip{{"pinctrl-bcm2835", "gpiochip0", lines}, {"switches", "gpiochip1", nil}, {"switches", "gpiochip2", nil}}, false
	}
	s.Space = func(path string) (uint64, bool, error) { _, err := os.Stat(path); return 20 << 20, false, err }
	s.Synced = func() (bool, error) { return false, nil }
	s.Holder = func(path string) (string, error) {
		if path != "/run/kerfwind/rig.lock" {
			t.Errorf("looks for the lock in %s", path)
		}
		return "812", nil
	}
	golden(t, "bad", Examine(options(t, s)))
}

// One thing at a time goes wrong on a good computer, and is told.
func TestFindings(t *testing.T) {
	denied := func(name string) func(string) error {
		return func(path string) error {
			if strings.HasSuffix(path, name) {
				return syscall.EACCES
			}
			_, err := os.Stat(path)
			return err
		}
	}
	tests := map[string]struct {
		spoil func(*System)
		level Level
		about string
		says  string
		do    string
	}{
		"no group": {func(s *System) { s.Access = denied("i2c-1") }, Bad, "/dev/i2c-1", "only root may open it", "60-kerfwind.rules"},
		"not in the group": {func(s *System) {
			s.Access = denied("spidev0.0")
			s.Group = func(string) (string, bool) { return "spi", true }
		}, Bad, "/dev/spidev0.0", "this user may not open it", "usermod -aG spi USER"},
		"no device": {func(s *System) {
			s.Access = func(path string) error { return os.ErrNotExist }
		}, Bad, "/dev/spidev0.0", "no such device", "dtparam=spi=on"},
		"broken device":     {func(s *System) { s.Access = func(string) error { return syscall.EIO } }, Bad, "/dev/i2c-1", "input/output error", "dmesg"},
		"no chips":          {func(s *System) { s.Chips = func() ([]Chip, bool) { return nil, false } }, Bad, "pinctrl-bcm2835", "no GPIO chip at all", "the computer that the rig is plugged into"},
		"chips denied":      {func(s *System) { s.Chips = func() ([]Chip, bool) { return nil, true } }, Bad, "pinctrl-bcm2835", "may not be opened", "group gpio"},
		"read-only":         {func(s *System) { s.Space = func(string) (uint64, bool, error) { return 1 << 40, true, nil } }, Bad, "/var/lib/kerfwind", "read-only", "mount it read-write"},
		"little room":       {func(s *System) { s.Space = func(string) (uint64, bool, error) { return littleDisk - 1, false, nil } }, Warn, "/var/lib/kerfwind", "299 MB are free", "make room"},
		"disk broken":       {func(s *System) { s.Space = func(string) (uint64, bool, error) { return 0, false, syscall.EIO } }, Bad, "/var/lib/kerfwind", "input/output error", "look at"},
		"state not ours":    {func(s *System) { s.Access = denied("var/lib/kerfwind") }, Bad, "/var/lib/kerfwind", "may not write", "chown"},
		"clock unknown":     {func(s *System) { s.Synced = func() (bool, error) { return false, syscall.EPERM } }, Warn, "clock", "cannot tell", "timedatectl"},
		"lock unknown":      {func(s *System) { s.Holder = func(string) (string, error) { return "", syscall.EACCES } }, Warn, "lock", "cannot tell", "/run/kerfwind"},
		"no watchdog":       {func(s *System) { s.Root = trees + "bad/var" }, Warn, "watchdog", "no hardware watchdog", "heartbeat"},
		"spidev not loaded": {func(s *System) { s.Root = trees + "bad/var"; s.Access = func(string) error { return nil } }, Bad, "spidev", "no spidev in the kernel", "dtparam=spi=on"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			s := tree("good")
			tt.spoil(&s)
			for _, f := range Examine(options(t, s)) {
				if f.Level == tt.level && f.About == tt.about && strings.Contains(f.Says, tt.says) && strings.Contains(f.Do, tt.do) {
					return
				}
			}
			t.Errorf("no finding %v %s: %q, %q in %+v", tt.level, tt.about, tt.says, tt.do, Examine(options(t, s)))
		})
	}
}

// The supply's and the processor's figures, each side of their limits.
func TestFigures(t *testing.T) {
	const throttled = "sys/devices/platform/soc/soc:firmware/get_throttled"
	const heat = "sys/class/thermal/thermal_zone0/temp"
	const memory = "proc/meminfo"
	for _, tt := range []struct {
		file, text, about string
		want              Level // 0: nothing is said
	}{
		{throttled, "0\n", "supply", OK},
		{throttled, "1\n", "supply", Bad},
		{throttled, "50005\n", "supply", Bad},
		{throttled, "0x50000\n", "supply", Warn},
		{throttled, "40000\n", "supply", OK}, // throttled once, by heat
		{throttled, "nonsense\n", "supply", 0},
		{"sys/class/hwmon/hwmon3/name", "cpu\n", "supply", 0},
		{heat, "74999\n", "heat", OK},
		{heat, "75000\n", "heat", Warn},
		{heat, "85000\n", "heat", Bad},
		{heat, "\n", "heat", 0},
		{memory, "MemAvailable:   65536 kB\n", "memory", OK},
		{memory, "MemAvailable:   65535 kB\n", "memory", Warn},
		{memory, "MemAvailable:   24575 kB\n", "memory", Bad},
		{memory, "MemAvailable:", "memory", 0},
		{memory, "MemAvailable: many kB", "memory", 0},
		{"sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "1\n", "outputs", Warn},
		{"sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "0\n", "outputs", OK},
	} {
		root := t.TempDir()
		path := filepath.Join(root, tt.file)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(tt.text), 0o644); err != nil {
			t.Fatal(err)
		}
		s := tree("good")
		s.Root = root
		var got Level
		for _, f := range Examine(options(t, s)) {
			if f.About == tt.about {
				got = f.Level
			}
		}
		if got != tt.want {
			t.Errorf("%s %q: %s is %v, want %v", tt.file, tt.text, tt.about, got, tt.want)
		}
	}
}

// What files and drivers call themselves goes to a terminal.
func TestPrintable(t *testing.T) {
	for in, want := range map[string]string{"abc\n": "abc", "model\x00": "model", "a\x1b[31mb": "a [31mb", "\xff": `"\xff"`} {
		if got := printable([]byte(in)); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// With a shop, the way to those who are told of news is tried too.
func TestNotices(t *testing.T) {
	o := options(t, tree("good"))
	var err error
	if o.Shop, err = config.ParseShop("shop.toml", []byte(shopText), o.Rig); err != nil {
		t.Fatal(err)
	}
	found := Examine(o)
	got := found[len(found)-2:]
	want := []Finding{
		{OK, "notice phone", "notices.example can be reached", ""},
		{Warn, "notice log", "10.0.0.9 cannot be reached: connection refused", "look at the network, and at the name in the shop file; control goes on without it"},
	}
	if !slices.Equal(got, want) {
		t.Errorf("got %+v\nwant %+v", got, want)
	}
}

// The broker is looked at where the rig names one.
func TestBroker(t *testing.T) {
	for name, x := range map[string]struct {
		rig  *config.Rig
		err  error
		want []Finding
	}{
		"none":   {&config.Rig{}, nil, nil},
		"well":   {&config.Rig{MQTT: &config.MQTT{Broker: "tcp://broker:1883", Topic: "barn"}}, nil, []Finding{{OK, "broker", "a message under barn came back from tcp://broker:1883 after 12ms", ""}}},
		"silent": {&config.Rig{MQTT: &config.MQTT{Broker: "tcp://broker:1883", Topic: "barn"}}, errors.New("it passes nothing on"), []Finding{{Warn, "broker", "it passes nothing on", "see that the broker runs, and that its users and access list are as the rig file's; control goes on without it"}}},
	} {
		e := &exam{Options: Options{Rig: x.rig, Echo: func() (time.Duration, error) { return 12 * time.Millisecond, x.err }}}
		if e.broker(); !reflect.DeepEqual(e.found, x.want) {
			t.Errorf("%s: %+v", name, e.found)
		}
	}
}

func TestReachHere(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := reach(l.Addr().String()); err != nil {
		t.Error(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := reach(l.Addr().String()); err == nil {
		t.Error("a closed port is reached")
	}
}

// The format of /proc/locks: proc_locks(5).
func TestLockedBy(t *testing.T) {
	const locks = "1: POSIX  ADVISORY  WRITE 590 00:19:567 0 EOF\n2: FLOCK  ADVISORY  WRITE 812 00:19:567 0 EOF\n3: FLOCK  ADVISORY  WRITE 99 08:02:1337 0 EOF\nshort\n"
	for file, want := range map[string]string{"00:19:567": "812", "08:02:1337": "99", "08:02:1": ""} {
		if got := lockedBy(locks, file); got != want {
			t.Errorf("%s: %q, want %q", file, got, want)
		}
	}
}

func TestHolderHere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "rig.lock")
	if pid, err := holder(path); pid != "" || err != nil {
		t.Errorf("no file: held by %q, %v", pid, err)
	}
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	if pid, err := holder(path); pid != "" || err != nil {
		t.Errorf("nobody: held by %q, %v", pid, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	if pid, err := holder(path); err != nil || pid == "" {
		t.Errorf("held by %q, %v", pid, err)
	}
}

func TestGroupName(t *testing.T) {
	path := filepath.Join(t.TempDir(), "group")
	if err := os.WriteFile(path, []byte("root:x:0:\nspi:x:997:kerfwind\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	for gid, want := range map[string]string{"997": "spi", "12": "12"} {
		if got := groupName(path, gid); got != want {
			t.Errorf("%s: %q, want %q", gid, got, want)
		}
	}
}

func TestJSON(t *testing.T) {
	b, err := json.Marshal(Finding{Level: Bad, About: "clock", Says: "slow"})
	if want := `{"level":"bad","about":"clock","says":"slow"}`; err != nil || string(b) != want {
		t.Errorf("%s, %v; want %s", b, err, want)
	}
}
