package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/simrig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
	barnfiles "kerfwind/testdata/barn"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// barn is the demo's shop.
var barn = barnfiles.Shop

// short is a morning of two minutes: the saw runs twelve seconds of it.
const short = `length 2m
rate 1 kHz
mains 60 Hz
converter 12 bits, 3.3 V
channel c0: 30 A : 1 V, noise 1 counts
channel c1: 30 A : 1 V, noise 1 counts
channel c2: 30 A : 1 V, noise 1 counts
channel c3: 30 A : 1 V, 2 turns, noise 1 counts
channel c4: 30 A : 1 V, noise 1 counts
machine "band saw" on c0: induction motor, full load 9 A, run-up 900ms
at 20s "band saw" runs 12s
`

// trial is a daemon on a simulated rig, in the bubble's time.
type trial struct {
	*Daemon
	t      *testing.T
	mu     sync.Mutex
	said   []string
	events []string
	stuck  atomic.Bool // converters give nothing
	dead   atomic.Bool // the next shop's outputs cannot be opened
	plant  *simrig.Plant
	cancel context.CancelFunc
	end    chan error
}

// begin starts a daemon that keeps its state in a folder.
func begin(t *testing.T, folder string, shop *config.Shop, load func(Choice) (*config.Shop, error), m *rig.Manager, more ...Part) *trial {
	t.Helper()
	return beginWith(t, func(o *Options) {
		o.State, o.Load, o.Manager, o.Parts = folder, load, m, append(o.Parts, more...)
	}, shop)
}

// beginWith starts a daemon with options of a test's own.
func beginWith(t *testing.T, with func(*Options), shop *config.Shop) *trial {
	t.Helper()
	script, err := trace.ParseScript("short", strings.NewReader(short))
	if err != nil {
		t.Fatal(err)
	}
	x := &trial{t: t, end: make(chan error, 1)}
	say := func(text string) {
		x.mu.Lock()
		defer x.mu.Unlock()
		x.said = append(x.said, text)
	}
	o := Options{Program: "test", State: t.TempDir(), Simulated: true, Default: "barn.toml", Say: say, Notice: func(err error) { say("notice: " + err.Error()) },
		Parts: []Part{{Name: "diary", Start: func(s *Host) (Watcher, error) { return Watcher{Observer: x}, nil }}},
		Rig: rig.Options{
			Sources: func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
				list, err := simrig.New(script, 1).Sources(r, now)
				for i := range list {
					list[i] = &sticky{Source: list[i], x: x, closed: make(chan struct{})}
				}
				return list, err
			},
			Outputs: func(s *config.Shop, p *control.Params) (rig.Outputs, error) {
				if x.dead.Swap(false) {
					return nil, errors.New("no such bus")
				}
				x.plant = simrig.NewWorld(s, nil, nil).Outputs(s, p)
				return x.plant, nil
			},
		}}
	with(&o)
	x.Daemon = New(o)
	ctx, cancel := context.WithCancel(t.Context())
	x.cancel = cancel
	go func() { x.end <- x.Run(ctx, shop, Choice{File: "barn.toml"}) }()
	return x
}

// Observe notes the names of events.
func (x *trial) Observe(_ *control.Snapshot, events []control.Event) {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, e := range events {
		x.events = append(x.events, e.Kind.String())
	}
}

func (x *trial) happened(event string) int {
	synctest.Wait() // a part is told by a goroutine of its own
	x.mu.Lock()
	defer x.mu.Unlock()
	n := 0
	for _, e := range x.events {
		if e == event {
			n++
		}
	}
	return n
}

func (x *trial) heard(part string) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	return strings.Contains(strings.Join(x.said, "\n"), part)
}

func (x *trial) stop() {
	x.t.Helper()
	x.cancel()
	if err := <-x.end; err != nil {
		x.t.Error(err)
	}
	if !x.plant.Inert() {
		x.t.Error("the collector is on at the end")
	}
}

// said is what a request was answered.
type said struct{ Refused, Error, Note string }

// ask is a request of root's.
func (x *trial) ask(what, gate string) said { return x.askAt(seam.Console, what, gate, 5*time.Second) }

// askAt is a request through a door.
func (x *trial) askAt(at seam.Door, what, gate string, long time.Duration) (s said) {
	r := seam.Request{ID: 4711, Target: gate, For: long}
	for k := control.AskHold; k <= control.AskReturn; k++ {
		if k.String() == what {
			r.Kind = k
		}
	}
	a, err := x.Door(at).Ask(x.t.Context(), r)
	no := (*seam.Refused)(nil)
	switch {
	case errors.As(err, &no):
		s.Refused = no.Why
	case err != nil:
		s.Error = err.Error()
	}
	if a.ID != r.ID || no != nil && no.ID != r.ID {
		x.t.Errorf("the answer is another request's: %+v, %v", a, err)
	}
	s.Note = a.Note
	return s
}

// Status is the state in words.
func (x *trial) Status() *socket.Status {
	x.t.Helper()
	d := x.Door(seam.Console)
	h, err := d.Hello(x.t.Context())
	if err != nil {
		x.t.Fatal(err)
	}
	st, err := d.State(x.t.Context())
	if err != nil {
		x.t.Fatal(err)
	}
	return socket.StatusOf(&h, &st)
}

// use chooses a shop file.
func (x *trial) use(file string) (waits bool, err error) {
	t, err := x.Door(seam.Console).Adopt(x.t.Context(), seam.Adoption{File: seam.File{Path: file}})
	return t.For != "", err
}

// sticky is a converter that may hang.
type sticky struct {
	sensor.Source
	x      *trial
	once   sync.Once
	closed chan struct{}
}

func (s *sticky) Next(f *sensor.Frame) error {
	if s.x.stuck.Load() {
		<-s.closed
		return io.EOF
	}
	return s.Source.Next(f)
}

func (s *sticky) Close() error {
	s.once.Do(func() { close(s.closed) })
	if c, ok := s.Source.(io.Closer); ok {
		return c.Close()
	}
	return nil
}

// A morning: homed, the saw served, requests answered, everything off at the
// end.
func TestMorning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		x := begin(t, folder, barn(t), nil, nil)
		time.Sleep(5 * time.Second)
		if st := x.Status(); !st.Ready || st.Shop != "the barn" || st.StoodDown || st.Running != 0 || len(st.Machines) != 4 || st.Machines[0].State != "idle" {
			t.Errorf("%+v", st)
		}
		time.Sleep(20 * time.Second) // the saw runs
		st := x.Status()
		if st.Running != 1 || !st.Moving || st.Collector.State != "running" || st.Collector.Why != "band saw runs" || st.Machines[0].State != "running" || st.Gates[0].State != "open" {
			t.Errorf("%+v", st)
		}
		if len(st.Parts) != 1 || st.Parts[0] != (socket.Thing{Name: "diary", State: "well"}) {
			t.Errorf("%+v", st.Parts)
		}
		if a := x.ask("test-open", "planer"); a.Refused == "" || a.Error != "" {
			t.Errorf("a test move while the saw runs: %+v", a)
		}
		if a := x.ask("hold", "lathe"); !strings.Contains(a.Error, `no gate "lathe"`) {
			t.Errorf("%+v", a)
		}
		if a := x.ask("hold", "floor sweep"); a.Error != "" || a.Refused != "" || x.happened("gate-held") != 1 {
			t.Errorf("%+v", a)
		}
		x.stop()
		if st := x.Status(); st.Shop != "" || st.Ready {
			t.Errorf("after the end: %+v", st)
		}
		if a := x.ask("reset", ""); a.Error == "" {
			t.Error("a request after the end was taken")
		}
	})
}

// What does less than was asked says so.
func TestRemarks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := begin(t, t.TempDir(), barn(t), nil, nil)
		time.Sleep(15 * time.Second) // the wait after power-up
		for _, c := range []struct {
			ask  string
			long time.Duration
			want string
		}{
			{"hold", 2 * time.Hour, "for 30 min, the longest that the shop file allows"},
			{"hold", 0, "for 30 min, the longest that the shop file allows"},
			{"hold", 10 * time.Second, ""},
			{"lift", 0, "it was not stood down"},
			{"stand-down", 0, ""},
			{"stand-down", 0, "it was stood down already"},
			{"lift", 0, ""},
		} {
			gate := ""
			if c.ask == "hold" {
				gate = "router"
			}
			a := x.askAt(seam.Console, c.ask, gate, c.long)
			if a.Error != "" || a.Refused != "" || a.Note != c.want {
				t.Errorf("%s for %v: %+v, want %q", c.ask, c.long, a, c.want)
			}
		}
		x.stop()
	})
}

// A stand-down is on the disk before it is acknowledged, and holds at the next
// start until it is lifted by the right person.
func TestStandDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		file := filepath.Join(folder, "standdown")
		x := begin(t, folder, barn(t), nil, nil)
		time.Sleep(25 * time.Second) // the saw runs
		if x.plant.Inert() {
			t.Fatal("the collector is not on")
		}
		if a := x.ask("stand-down", ""); a.Error != "" || a.Refused != "" {
			t.Fatalf("%+v", a)
		}
		if _, err := os.Stat(file); err != nil {
			t.Error(err)
		}
		time.Sleep(10 * time.Millisecond) // the plant's answer
		if !x.plant.Inert() {
			t.Error("the collector is on")
		}
		x.stop()

		x = begin(t, folder, barn(t), nil, nil)
		time.Sleep(30 * time.Second) // the saw runs
		if st := x.Status(); !st.StoodDown || !x.plant.Inert() || x.happened("gate-opening") != 0 || x.happened("machine-started") != 1 {
			t.Errorf("%+v", st)
		}
		if a := x.askAt(seam.Local, "lift", "", 0); a.Error == "" || !x.Status().StoodDown {
			t.Errorf("somebody of the group lifted it: %+v", a)
		}
		if a := x.askAt(seam.Local, "reset", "", 0); !strings.Contains(a.Error, "root") {
			t.Errorf("somebody of the group reset: %+v", a)
		}
		if a := x.ask("reset", ""); a.Error != "" {
			t.Errorf("root may not reset: %+v", a)
		}
		if a := x.ask("lift", ""); a.Error != "" || a.Refused != "" {
			t.Errorf("%+v", a)
		}
		if _, err := os.Stat(file); !errors.Is(err, os.ErrNotExist) {
			t.Error(err)
		}
		if x.happened("collector-on") != 0 {
			t.Error("lifting started something")
		}
		x.stop()
	})
}

// What cannot be read counts as stood down; what cannot be written is said, is
// in force all the same, and is tried again.
func TestStandDownOnBadDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := filepath.Join(t.TempDir(), "state")
		if err := os.WriteFile(folder, nil, 0o600); err != nil { // no folder
			t.Fatal(err)
		}
		x := begin(t, folder, barn(t), nil, nil)
		time.Sleep(time.Second)
		if !x.Status().StoodDown || !x.heard("cannot be read") {
			t.Errorf("%q", x.said)
		}
		if a := x.ask("lift", ""); !strings.Contains(a.Error, "a restart may not know") || x.Status().StoodDown {
			t.Errorf("%+v", a)
		}
		if a := x.ask("stand-down", ""); !strings.Contains(a.Error, "it has taken effect") || !x.Status().StoodDown {
			t.Errorf("%+v", a)
		}
		if !x.heard("notice: the stand-down could not be kept") {
			t.Errorf("%q", x.said)
		}
		if err := os.Remove(folder); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * lastTry)
		if down, why := StoodDown(folder); !down || strings.Contains(why, "cannot") {
			t.Errorf("%v, %s", down, why)
		}
		if a := x.ask("stand-down", ""); a.Error != "" || a.Refused != "" {
			t.Errorf("%+v", a)
		}
		x.stop()
	})
}

// Changed files take effect at rest, not before; bad ones change nothing.
func TestReload(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		answers := []func() (*config.Shop, error){
			func() (*config.Shop, error) { return nil, errors.New("shop.toml:3: no such thing") },
			func() (*config.Shop, error) { return barn(t, `"the barn"`, `"the shed"`), nil },
		}
		load := func(Choice) (*config.Shop, error) {
			a := answers[0]
			answers = answers[1:]
			return a()
		}
		x := begin(t, t.TempDir(), barn(t), load, nil)
		time.Sleep(25 * time.Second) // the saw runs
		x.Reload()
		time.Sleep(time.Second)
		if !x.heard("shop.toml:3") || x.Status().Reload != "" {
			t.Errorf("%q", x.said)
		}
		x.Reload()
		time.Sleep(4 * time.Second)
		if st := x.Status(); st.Shop != "the barn" || st.Reload == "" || st.Running != 1 || !x.heard("wait until the shop is at rest") {
			t.Errorf("%+v, %q", st, x.said)
		}
		// Run-on, minimum time on, coast.
		for range 120 {
			if x.Status().Shop == "the shed" {
				break
			}
			time.Sleep(time.Second)
		}
		time.Sleep(2 * time.Second)
		if st := x.Status(); st.Shop != "the shed" || st.Reload != "" || !st.Ready || !x.heard("take effect") {
			t.Errorf("%+v, %q", st, x.said)
		}
		if n := x.happened("collector-on"); n != 1 {
			t.Errorf("%d starts", n)
		}
		time.Sleep(30 * time.Second)
		if x.happened("collector-on") != 2 {
			t.Error("the new shop does not work")
		}
		x.stop()
	})
}

// A shop that is chosen is stored at once and takes effect at rest; a bad one
// changes nothing; one whose hardware cannot be opened leaves shop and choice as
// they were; "" is the owner's default again.
func TestUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		folder := t.TempDir()
		shed := filepath.Join(folder, "shops/shed.toml")
		var x *trial
		x = begin(t, folder, barn(t), func(c Choice) (*config.Shop, error) {
			switch c {
			case Choice{File: "barn.toml"}:
				return barn(t), nil
			case Choice{shed, true}:
				return barn(t, `"the barn"`, `"the shed"`), nil
			case Choice{"/bad.toml", true}:
				return nil, errors.New("/bad.toml:3: no such thing")
			case Choice{"/dead.toml", true}:
				x.dead.Store(true)
				return barn(t, `"the barn"`, `"the ruin"`), nil
			}
			return nil, fmt.Errorf("%+v", c)
		}, nil)
		stored := func(want string) {
			t.Helper()
			synctest.Wait()
			if got, err := ActiveShop(folder); got != want || err != nil {
				t.Errorf("stored is %q, %v, not %q", got, err, want)
			}
		}
		inForce := func(name, file, why string) {
			t.Helper()
			if st := x.Status(); st.Shop != name || st.File != file || !strings.Contains(st.FileWhy, why) || st.Reload != "" {
				t.Errorf("%s, %s, %s, %s", st.Shop, st.File, st.FileWhy, st.Reload)
			}
		}
		use := func(file string, want bool, fault string) {
			t.Helper()
			waits, err := x.use(file)
			if waits != want || (err == nil) != (fault == "") || err != nil && !strings.Contains(err.Error(), fault) {
				t.Errorf("%s: %v, %v", file, waits, err)
			}
		}
		time.Sleep(25 * time.Second) // the saw runs
		inForce("the barn", "barn.toml", "--shop names")
		use("/bad.toml", false, "bad.toml:3")
		stored("")
		use("shops/shed.toml", true, "")
		stored(shed)
		time.Sleep(4 * time.Second)
		if st := x.Status(); st.Shop != "the barn" || !strings.Contains(st.Reload, "shed.toml waits") {
			t.Errorf("%+v", st)
		}
		for x.Status().Shop == "the barn" {
			time.Sleep(time.Second)
		}
		inForce("the shed", shed, "chosen")
		rest := func() {
			for !rig.Rested(x.session().live.Snapshot()) {
				time.Sleep(time.Second)
			}
		}
		rest()
		use("/dead.toml", false, "")
		time.Sleep(2 * time.Second)
		inForce("the shed", shed, "chosen")
		stored(shed)
		if !x.heard("no such bus: the shop stays as it was") {
			t.Errorf("%q", x.said)
		}
		rest()
		use("", false, "")
		stored("")
		time.Sleep(2 * time.Second)
		inForce("the barn", "barn.toml", "--shop names")
		x.stop()
	})
}

// A stand-down that is not on the disk outlasts a reload too.
func TestReloadStoodDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := begin(t, t.TempDir(), barn(t), func(Choice) (*config.Shop, error) { return barn(t), nil }, nil)
		time.Sleep(15 * time.Second)
		if a := x.ask("stand-down", ""); a.Error != "" || a.Refused != "" {
			t.Fatalf("%+v", a)
		}
		time.Sleep(30 * time.Second)
		x.Reload()
		time.Sleep(2 * time.Second)
		if st := x.Status(); !x.heard("take effect") || !st.StoodDown {
			t.Errorf("%+v, %q", st, x.said)
		}
		x.stop()
	})
}

// Parts that fail are down, and nothing else is.
func TestPartsFail(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		x := begin(t, t.TempDir(), barn(t), nil, nil,
			Part{Name: "not there", Start: func(*Host) (Watcher, error) { return Watcher{}, errors.New("no disk") }},
			Part{Name: "not wanted", Wanted: func(*config.Shop) bool { return false }, Start: func(*Host) (Watcher, error) { return Watcher{}, nil }},
			Part{Name: "faulty", Start: func(*Host) (Watcher, error) { return Watcher{Observer: observe(func() { panic("a fault") })}, nil }},
			Part{Name: "stalled", Start: func(*Host) (Watcher, error) { return Watcher{Observer: observe(func() { <-release })}, nil }})
		time.Sleep(30 * time.Second)
		st := x.Status()
		if x.plant.Inert() || st.Running != 1 || len(st.Parts) != 4 {
			t.Errorf("%+v", st)
		}
		for i, want := range []string{"", "no disk", "a fault", ""} {
			if got := st.Parts[i]; (got.State == "well") != (want == "") || !strings.Contains(got.Why, want) {
				t.Errorf("%+v", got)
			}
		}
		x.stop()
		if !x.heard("notice: stalled: it does not end") {
			t.Errorf("%q", x.said)
		}
		close(release)
	})
}

// A part that panics on the control thread, or in a goroutine of its own, is
// down from then on, and nobody else notices: each function that the loop calls
// is tried.
func TestPartsPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var calls atomic.Int64
		fault := func() { calls.Add(1); panic("a fault") }
		well := Watcher{Observer: observe(func() {})}
		with := func(change func(*Watcher)) Watcher { w := well; change(&w); return w }
		var list []Part
		for name, w := range map[string]Watcher{
			"observe": {Observer: observe(fault)},
			"frame":   with(func(w *Watcher) { w.Frame = func(*sensor.Frame, time.Duration) { fault() } }),
			"reading": with(func(w *Watcher) { w.Reading = func(sensor.Reading) { fault() } }),
			"second":  with(func(w *Watcher) { w.Second = func(*control.Snapshot, time.Duration) { fault() } }),
		} {
			list = append(list, Part{Name: name, Start: func(*Host) (Watcher, error) { return w, nil }})
		}
		list = append(list,
			Part{Name: "start", Start: func(*Host) (Watcher, error) { fault(); return well, nil }},
			Part{Name: "goroutine", Start: func(s *Host) (Watcher, error) {
				go s.Guard(func() { time.Sleep(time.Second); fault() })
				w := well
				w.Second = func(*control.Snapshot, time.Duration) { s.Fares(nil) } // a fault stays
				w.Close = func() error { panic("at the end") }
				return w, nil
			}})
		x := begin(t, t.TempDir(), barn(t), nil, nil, list...)
		time.Sleep(30 * time.Second)
		st := x.Status()
		if x.plant.Inert() || st.Running != 1 || len(st.Parts) != len(list)+1 || st.Parts[0].State != "well" {
			t.Fatalf("%+v", st)
		}
		for _, p := range st.Parts[1:] {
			if p.State != "down" || p.Why != "ended by a fault in the program: a fault" || !x.heard("notice: "+p.Name+": ended by a fault") {
				t.Errorf("%+v", p)
			}
		}
		if n := calls.Load(); n != int64(len(list)) {
			t.Errorf("%d calls that panic, want one of each of %d parts", n, len(list))
		}
		x.stop()
		if !x.heard("notice: goroutine: ended by a fault in the program: at the end") {
			t.Errorf("%q", x.said)
		}
	})
}

// The functions that only real outputs call are kept from the loop's thread as
// well.
func TestPartsPanicOnOutputs(t *testing.T) {
	for name, w := range map[string]Watcher{
		"applied":  {Applied: func(control.Command, time.Duration) { panic("a fault") }},
		"answered": {Answered: func(control.Input, time.Duration) { panic("a fault") }},
		"late":     {Late: func(time.Duration) { panic("a fault") }},
	} {
		var h hub
		told := 0
		p := &part{name: name, notice: func(error) { told++ }, stream: h.follow(meanwhile), ready: make(chan struct{}), over: make(chan struct{})}
		p.stream.only(w.wants())
		for range 2 {
			h.command(control.Command{}, 0)
			h.answer(control.Input{}, 0)
			h.delay(0, 0)
		}
		p.run(nil, func() (Watcher, error) { return w, nil })
		if told != 1 || p.down() == nil {
			t.Errorf("%s: told %d times, down %v", name, told, p.down())
		}
	}
}

type observe func()

func (o observe) Observe(*control.Snapshot, []control.Event) { o() }

// manager is a service manager that hears everything.
func manager(t *testing.T, watchdog time.Duration) (*rig.Manager, func() []string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "kw") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var heard []string
	done := make(chan struct{})
	go func() {
		defer close(done)
		b := make([]byte, 1000)
		for {
			n, err := c.Read(b)
			if err != nil || string(b[:n]) == "end" {
				return
			}
			mu.Lock()
			heard = append(heard, string(b[:n]))
			mu.Unlock()
		}
	}()
	env := map[string]string{"NOTIFY_SOCKET": filepath.Join(dir, "notify"), "WATCHDOG_USEC": fmt.Sprint(watchdog.Microseconds())}
	m, err := rig.OpenManager(func(k string) string { return env[k] }, 1)
	if err != nil {
		t.Fatal(err)
	}
	return m, func() []string {
		last, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: env["NOTIFY_SOCKET"], Net: "unixgram"})
		if err != nil {
			t.Fatal(err)
		}
		_, err = last.Write([]byte("end")) // after all else: datagrams come in order
		err = errors.Join(err, last.Close(), m.Close())
		<-done
		if err := errors.Join(err, c.Close(), os.RemoveAll(dir)); err != nil {
			t.Error(err)
		}
		return heard
	}
}

// READY comes after the first frames, WATCHDOG from steps on fresh samples
// only, STOPPING before the end.
func TestServiceManager(t *testing.T) {
	m, heard := manager(t, 5*time.Second)
	synctest.Test(t, func(t *testing.T) {
		x := begin(t, t.TempDir(), barn(t), nil, m)
		time.Sleep(30 * time.Second)
		x.stuck.Store(true)
		time.Sleep(30 * time.Second)
		x.stop()
	})
	list := heard()
	fed := 0
	for _, x := range list {
		if x == "WATCHDOG=1" {
			fed++
		}
	}
	// Every quarter of five seconds of the first thirty, and not after.
	if fed < 22 || fed > 25 {
		t.Errorf("the watchdog was fed %d times", fed)
	}
	all := strings.Join(list, "|")
	if !strings.HasPrefix(all, "READY=1\nSTATUS=outputs are safe") || !strings.HasSuffix(all, "STOPPING=1\nSTATUS=ending: outputs off") ||
		!strings.Contains(all, "STATUS=1 machine runs, collector on") || !strings.Contains(all, "STATUS=at rest") {
		t.Errorf("%q", list)
	}
}

// Without a frame the daemon is not ready.
func TestNotReadyWithoutFrames(t *testing.T) {
	m, heard := manager(t, 5*time.Second)
	synctest.Test(t, func(t *testing.T) {
		x := beginWith(t, func(o *Options) {
			o.Manager = m
			sources := o.Rig.Sources
			o.Rig.Sources = func(r *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
				list, err := sources(r, now)
				for _, src := range list {
					if s, ok := src.(*sticky); ok {
						s.x.stuck.Store(true)
					}
				}
				return list, err
			}
		}, barn(t))
		time.Sleep(20 * time.Second)
		if x.Status().Ready {
			t.Error("ready")
		}
		x.stop()
	})
	for _, x := range heard() {
		if strings.Contains(x, "READY") || strings.Contains(x, "WATCHDOG") {
			t.Errorf("%q", x)
		}
	}
}

func TestActiveShop(t *testing.T) {
	folder := t.TempDir()
	if got, err := ActiveShop(folder); got != "" || err != nil {
		t.Errorf("%q, %v", got, err)
	}
	for shop, want := range map[string]string{"shops/barn.2.toml": filepath.Join(folder, "shops/barn.2.toml"), "/etc/kerfwind/shops/barn.toml": "/etc/kerfwind/shops/barn.toml"} {
		if err := SetActiveShop(folder, shop); err != nil {
			t.Fatal(err)
		}
		if got, err := ActiveShop(folder); got != want || err != nil {
			t.Errorf("%q, %v", got, err)
		}
	}
	if err := SetActiveShop(folder, filepath.Join(folder, "shops/barn.3.toml")); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(filepath.Join(folder, "active")); err != nil || !strings.Contains(string(b), "'shops/barn.3.toml'") {
		t.Errorf("%s, %v", b, err)
	}
	for text, want := range map[string]string{"format = 2\nshop = \"a\"": "format is 2", "format = 1": "names no shop", "format": "kerfwind use", "": "format is 0"} {
		if err := os.WriteFile(filepath.Join(folder, "active"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := ActiveShop(folder); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", text, err)
		}
		if _, err := Choose(folder, "barn.toml"); err == nil {
			t.Errorf("%q: the default is taken instead of a choice that cannot be read", text)
		}
	}
	if err := SetActiveShop(folder, ""); err != nil {
		t.Fatal(err)
	}
	for byDefault, want := range map[string]string{"barn.toml": "barn.toml (the default", "": "no shop file"} {
		if c, err := Choose(folder, byDefault); err != nil || !strings.HasPrefix(c.String(), want) {
			t.Errorf("%s, %v", c, err)
		}
	}
}

// Each thing that is not rest keeps a shop from being replaced.
func TestRested(t *testing.T) {
	rest := func() *control.Snapshot {
		return &control.Snapshot{Machines: []control.MachineView{{Sensed: control.Idle}, {Sensed: control.Unknown}}, Gates: []control.GateView{{Position: control.PositionOpen}},
			Collector: control.CollectorView{Sensed: control.Idle, Switch: control.Auto}, Outlets: []control.OutletView{{}}}
	}
	latched := rest()
	latched.Kept = control.Kept{Stopped: true, Failed: control.CollectorNoCurrent, Aside: 1, Left: 1}
	latched.StoodDown = true
	if !rig.Rested(rest()) || !rig.Rested(latched) || rig.Rested(nil) {
		t.Error("at rest is not rest")
	}
	for name, spoil := range map[string]func(*control.Snapshot){
		"run":     func(s *control.Snapshot) { s.Machines[1].Run = true },
		"running": func(s *control.Snapshot) { s.Machines[0].Sensed = control.Running }, "run-on": func(s *control.Snapshot) { s.Machines[0].RunOn = 1 },
		"opening": func(s *control.Snapshot) { s.Gates[0].Position = control.PositionOpening }, "closing": func(s *control.Snapshot) { s.Gates[0].Position = control.PositionShutting },
		"held": func(s *control.Snapshot) { s.Gates[0].Held = 1 }, "test": func(s *control.Snapshot) { s.Gates[0].Why.Cause = control.ByTest },
		"on": func(s *control.Snapshot) { s.Collector.Commanded = true }, "hand": func(s *control.Snapshot) { s.Collector.Switch = control.Hand },
		"still on": func(s *control.Snapshot) { s.Collector.Sensed = control.Running }, "coasts": func(s *control.Snapshot) { s.Collector.Why.Cause = control.ByCoast },
		"power-up": func(s *control.Snapshot) { s.Collector.Why.Cause = control.ByPowerUp }, "outlet": func(s *control.Snapshot) { s.Outlets[0].Commanded = true },
	} {
		s := rest()
		spoil(s)
		if rig.Rested(s) {
			t.Errorf("%s is taken for rest", name)
		}
	}
}

// deadSource is a converter that gives an error now and then, and no frame.
type deadSource struct {
	now    func() time.Duration
	closed chan struct{}
}

func (s deadSource) Next(f *sensor.Frame) error {
	select {
	case <-s.closed:
		return io.EOF
	case <-time.After(5 * time.Second):
	}
	*f = sensor.Frame{Channels: f.Channels, At: s.now(), Err: errors.New("no answer"), Raw: f.Raw[:0]}
	return nil
}

func (s deadSource) Close() error { close(s.closed); return nil }

// A converter that does not answer keeps the daemon neither from being ready nor from
// feeding the watchdog, and is listed with what it serves.
func TestReadyWithADeadConverter(t *testing.T) {
	m, heard := manager(t, 5*time.Second)
	synctest.Test(t, func(t *testing.T) {
		x := beginWith(t, func(o *Options) {
			o.Manager = m
			o.Rig.Sources = func(_ *config.Rig, now func() time.Duration) ([]sensor.Source, error) {
				return []sensor.Source{deadSource{now, make(chan struct{})}}, nil
			}
		}, barn(t))
		time.Sleep(30 * time.Second)
		if st := x.Status(); !st.Ready || len(st.Missing) != 1 || st.Missing[0].Why != "no answer" || !strings.Contains(st.Missing[0].State, "not served: machine ") {
			t.Errorf("ready %v, missing %v", st.Ready, st.Missing)
		}
		x.stop()
	})
	fed := 0
	for _, x := range heard() {
		if x == "WATCHDOG=1" {
			fed++
		}
	}
	if fed < 12 { // once in two seconds at least
		t.Errorf("the watchdog was fed %d times in 25 s", fed)
	}
}

// Under a service manager the daemon waits for the contactor's line, says so, and runs
// once it is there; without one it ends.
func TestWaitsForTheContactor(t *testing.T) {
	m, heard := manager(t, 5*time.Second)
	synctest.Test(t, func(t *testing.T) {
		x := beginWith(t, func(o *Options) {
			o.Manager = m
			outputs, tries := o.Rig.Outputs, 0
			o.Rig.Outputs = func(s *config.Shop, p *control.Params) (rig.Outputs, error) {
				if tries++; tries < 4 {
					return nil, errors.New("k0: no such chip")
				}
				return outputs(s, p)
			}
		}, barn(t))
		time.Sleep(startEvery)
		if st := x.Status(); st.Ready || len(st.Missing) != 1 || st.Missing[0].Why != "k0: no such chip" {
			t.Errorf("ready %v, missing %v", st.Ready, st.Missing)
		}
		time.Sleep(2*startEvery + 3*time.Second)
		if st := x.Status(); !st.Ready || len(st.Missing) != 0 {
			t.Errorf("ready %v, missing %v", st.Ready, st.Missing)
		}
		x.mu.Lock()
		said := strings.Count(strings.Join(x.said, "\n"), "k0: no such chip")
		x.mu.Unlock()
		if said != 1 {
			t.Errorf("said %d times", said)
		}
		x.stop()
	})
	all := strings.Join(heard(), "|")
	if strings.Count(all, "EXTEND_TIMEOUT_USEC=20000000\nSTATUS=nothing is served: k0: no such chip") != 3 || !strings.Contains(all, "READY=1") {
		t.Error(all)
	}
	synctest.Test(t, func(t *testing.T) {
		x := beginWith(t, func(o *Options) {
			o.Rig.Outputs = func(*config.Shop, *control.Params) (rig.Outputs, error) { return nil, errors.New("k0: no such chip") }
		}, barn(t))
		if err := <-x.end; !errors.As(err, new(*OpenError)) {
			t.Errorf("%v", err)
		}
		x.cancel()
	})
}
