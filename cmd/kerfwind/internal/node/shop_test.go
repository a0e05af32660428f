package node

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/drive"
	"kerfwind/sensor"
	"kerfwind/testdata/peers"
)

// A larger shop: 8 nodes of 8 machines each, every computer a process of its
// own, and a real broker. A process tells what it does on its output, with
// instants of the clock that all processes of one computer share.

const childEnv = "KERFWIND_TEST_CHILD"

func TestMain(m *testing.M) {
	if what := os.Getenv(childEnv); what != "" {
		child(what, os.Getenv(childEnv+"_FOLDER"))
		return
	}
	os.Exit(m.Run())
}

// clock is the same in all processes of a computer.
func clock() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		panic(err)
	}
	return time.Duration(ts.Nano())
}

// say is one line of a child, in one write.
func say(format string, a ...any) { fmt.Fprintf(os.Stdout, format+" %d\n", append(a, clock())...) }

// spoken is hardware that tells when a line changes.
type spoken struct{ *bench }

func (s spoken) Output(l drive.Line, _ bool, _ string) (drive.Output, error) {
	return spokenPin{s, l}, nil
}

type spokenPin struct {
	s spoken
	l drive.Line
}

func (p spokenPin) Set(on bool) error {
	p.s.mu.Lock()
	defer p.s.mu.Unlock()
	if p.s.on[p.l] != on {
		say("line %d %v", p.l.Offset, on)
	}
	p.s.on[p.l] = on
	return nil
}
func (p spokenPin) Close() error { return nil }

// child is a node, named by what, or the computer that decides.
func child(what, folder string) {
	began := clock()
	now := func() time.Duration { return clock() - began }
	notice := func(err error) { say("notice %s", strings.ReplaceAll(err.Error(), "\n", " ")) }
	boot := fmt.Sprint(os.Getpid(), " ", began.Nanoseconds())
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	fail := func(err error) {
		if err != nil {
			fmt.Println("failed", err)
			os.Exit(1)
		}
	}
	if what == "decider" {
		r, err := config.LoadRig(filepath.Join(folder, "rig.toml"))
		fail(err)
		s, err := config.LoadShop(filepath.Join(folder, "shop.toml"), r)
		fail(err)
		var far *Decider
		up := false
		live, err := rig.Open(rig.Options{
			Shop: s, Hardware: spoken{newBench()}, Now: now, Notice: notice,
			Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return nil, nil },
			Far: func(o rig.Options, guard func(func())) (rig.Far, error) {
				far, err = NewDecider(DeciderOptions{Shop: o.Shop, Boot: boot, Now: o.Now, Notice: o.Notice, Guard: guard})
				return far, err
			},
			Applied: func(c control.Command) { say("command %v %d", c.Kind, c.ID) },
			After: func(time.Duration, int) {
				if is := down(far) == nil; is != up {
					up = is
					say("up %v", up)
				}
			},
		})
		fail(err)
		fail(live.Run(ctx, tell(func(events []control.Event) {
			for _, e := range events {
				say("event %v %s", e.Kind, s.NameOf(e.Subject(), e.ID))
			}
		})))
		return
	}
	r, err := config.LoadRig(filepath.Join(folder, what+".toml"))
	fail(err)
	c := &coil{channels: len(r.Channels), cut: map[int]bool{}}
	n, err := Open(Options{Rig: r, Boot: boot, Hardware: spoken{newBench()}, Now: now, Notice: notice, Say: func(s string) { say("say %s", s) },
		Sources: func(*config.Rig, func() time.Duration) ([]sensor.Source, error) { return []sensor.Source{c}, nil }})
	fail(err)
	go func() {
		for in := bufio.NewScanner(os.Stdin); in.Scan(); {
			var ch int
			var cut bool
			if _, err := fmt.Sscan(in.Text(), &ch, &cut); err == nil {
				c.set(ch, cut)
				say("cut %d %v", ch, cut)
			}
		}
		stop() // the test is gone
	}()
	fail(n.Run(ctx))
}

type tell func([]control.Event)

func (f tell) Observe(_ *control.Snapshot, events []control.Event) { f(events) }

// proc is a child as the test sees it.
type proc struct {
	t    testing.TB
	name string
	cmd  *exec.Cmd
	in   io.WriteCloser
	mu   sync.Mutex
	said []string
	at   []time.Duration
	done chan struct{}
}

func (b *barnShop8) start(name string) *proc {
	b.t.Helper()
	p := &proc{t: b.t, name: name, done: make(chan struct{})}
	p.cmd = exec.Command(os.Args[0])
	p.cmd.Env = append(os.Environ(), childEnv+"="+name, childEnv+"_FOLDER="+b.dir, "GOMAXPROCS=2")
	p.cmd.Stderr = os.Stderr
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		b.t.Fatal(err)
	}
	if p.in, err = p.cmd.StdinPipe(); err != nil {
		b.t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	go func() {
		defer close(p.done)
		for s := bufio.NewScanner(out); s.Scan(); {
			i := strings.LastIndexByte(s.Text(), ' ')
			ns, _ := strconv.ParseInt(s.Text()[i+1:], 10, 64) // 0 where there is none
			p.mu.Lock()
			p.said, p.at = append(p.said, s.Text()[:max(i, 0)]), append(p.at, time.Duration(ns))
			p.mu.Unlock()
		}
	}()
	b.t.Cleanup(func() { p.kill(syscall.SIGKILL) })
	return p
}

func (p *proc) kill(s os.Signal) {
	_ = p.cmd.Process.Signal(s) // it may have ended
	<-p.done
	_ = p.cmd.Wait() // its exit is what was asked for
}

// cut lets a channel of a node cut, or not.
func (p *proc) cut(ch int, on bool) { fmt.Fprintln(p.in, ch, on) }

// len is how much was said so far.
func (p *proc) len() int { p.mu.Lock(); defer p.mu.Unlock(); return len(p.said) }

// find is when something that begins with text was said, from line number on.
func (p *proc) find(from int, text string) (at time.Duration, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := from; i < len(p.said); i++ {
		if strings.HasPrefix(p.said[i], text) {
			return p.at[i], true
		}
	}
	return 0, false
}

// wait waits until it is said.
func (p *proc) wait(from int, text string) time.Duration {
	p.t.Helper()
	for tick, end := time.NewTicker(2*time.Millisecond), clock()+20*time.Second; ; <-tick.C { //clock:ok other processes answer when they like
		if at, ok := p.find(from, text); ok {
			return at
		}
		if clock() > end {
			p.mu.Lock()
			defer p.mu.Unlock()
			p.t.Fatalf("%s does not say %q; it says:\n%s", p.name, text, strings.Join(p.said[max(from, len(p.said)-30):], "\n"))
		}
	}
}

// barnShop8 is the shop, its broker and its processes.
type barnShop8 struct {
	t       testing.TB
	dir     string
	addr    string
	broker  *exec.Cmd
	nodes   []*proc
	decider *proc
}

const nodeCount, perNode = 8, 8

func newShop8(t testing.TB) *barnShop8 {
	t.Helper()
	peers.Require(t, "mosquitto", "Debian package mosquitto")
	b := &barnShop8{t: t, dir: t.TempDir()}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.addr = l.Addr().String()
	_ = l.Close() // the broker takes it
	_, port, _ := net.SplitHostPort(b.addr)
	mqtt := fmt.Sprintf("mqtt = { broker = \"tcp://%s\" }\n", b.addr)
	texts := map[string]string{"mosquitto.conf": "listener " + port + " 127.0.0.1\nallow_anonymous true\n"}
	rigText := "format = 1\nname = \"barn\"\nactuator = [{ name = \"k0\", kind = \"relay\", chip = \"soc\", line = 1 }]\n" + mqtt
	gates, machines := "", ""
	for n := range nodeCount {
		name := fmt.Sprintf("n%d", n)
		rigText += fmt.Sprintf("[[node]]\nrig = \"%s.toml\"\nstale = \"1500 ms\"\n", name)
		channels, actuators := "", ""
		for c := range perNode {
			channels += fmt.Sprintf("  { name = \"c%d\", adc = \"a\", input = %d, ratio = \"30 A : 1 V\" },\n", c, c)
			actuators += fmt.Sprintf("  { name = \"g%d\", kind = \"relay\", chip = \"soc\", line = %d },\n", c, 10+c)
			gates += fmt.Sprintf("  { name = \"%s%d\", actuator = \"%s/g%d\", travel = \"100 ms\" },\n", name, c, name, c)
			machines += fmt.Sprintf("  { name = \"%s%d\", channels = [\"%s/c%d\"], gates = [\"%s%d\"], start = \"2 A\", stop = \"1 A\", stop_hold = \"0 s\", run_on = \"100 ms\" },\n", name, c, name, c, name, c)
		}
		texts[name+".toml"] = "format = 1\nname = \"" + name + "\"\nrole = \"node\"\nadc = [{ name = \"a\", chip = \"mcp3208\", port = \"/dev/spidev0.0\", rate = \"1 kHz\" }]\nchannel = [\n" +
			channels + "]\nactuator = [\n" + actuators + "  { name = \"k1\", kind = \"relay\", chip = \"soc\", line = 30 },\n]\n" + mqtt
	}
	texts["rig.toml"] = rigText
	texts["shop.toml"] = "format = 1\nunits = \"metric\"\nmains = { frequency = \"50 Hz\", voltage = \"230 V\" }\ngate = [\n" + gates + "]\nmachine = [\n" + machines +
		"]\noutlet = [{ name = \"air\", actuator = \"n1/k1\", follows = [\"n10\"], run_on = \"1 s\" }]\n" +
		"collector = { actuator = \"k0\", coast = \"1 s\", clear_out = \"500 ms\", starts_per_hour = 60, min_on = \"0 s\", min_off = \"0 s\" }\nlimits = { power_up = \"0 s\", close_at_rest = true }\n"
	for name, text := range texts {
		if err := os.WriteFile(filepath.Join(b.dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	b.run()
	t.Cleanup(func() { b.killBroker() })
	for n := range nodeCount {
		b.nodes = append(b.nodes, b.start(fmt.Sprintf("n%d", n)))
	}
	b.decider = b.start("decider")
	b.decider.wait(0, "up true")
	return b
}

// run starts the broker.
func (b *barnShop8) run() {
	b.t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		b.t.Fatal(err)
	}
	b.broker = exec.Command(path, "-c", filepath.Join(b.dir, "mosquitto.conf"))
	if err := b.broker.Start(); err != nil {
		b.t.Fatal(err)
	}
}

func (b *barnShop8) killBroker() {
	_ = b.broker.Process.Kill() // it may have ended
	_ = b.broker.Wait()
}

// mark is how much each process has said.
func (b *barnShop8) mark() (out []int) {
	for _, n := range b.nodes {
		out = append(out, n.len())
	}
	return append(out, b.decider.len())
}

// turn lets machine i start or stop and waits for its gate. It returns how long
// it took from the decision to the line, and from the current to the line.
func (b *barnShop8) turn(i int, on bool) (decided, all time.Duration) {
	b.t.Helper()
	n, m := b.nodes[i/perNode], b.mark()
	n.cut(i%perNode, on)
	began := n.wait(m[i/perNode], fmt.Sprintf("cut %d %v", i%perNode, on))
	line := n.wait(m[i/perNode], fmt.Sprintf("line %d %v", 10+i%perNode, on))
	what := "gate-shut"
	if on {
		what = "gate-open"
	}
	command := b.decider.wait(m[nodeCount], fmt.Sprintf("command %s %d", what, i))
	return line - command, line - began
}

// spread words the median and the 99th percentile.
func spread(took []time.Duration) string {
	slices.Sort(took)
	at := func(q float64) time.Duration {
		return took[min(len(took)-1, int(q*float64(len(took))))].Round(10 * time.Microsecond)
	}
	return fmt.Sprintf("median %v, 99 %% %v, worst %v (%d)", at(0.5), at(0.99), at(1), len(took))
}

// TestShopOf64 runs 64 machines on 8 nodes through mosquitto: starts are served;
// then the broker dies in mid-cut and comes back, a node is killed and starts
// again, the deciding computer is killed and starts again.
func TestShopOf64(t *testing.T) {
	if os.Getenv("KERFWIND_LONG") == "" {
		t.Skip("starts ten processes, which want both cores; set KERFWIND_LONG=1")
	}
	b := newShop8(t)
	const kept = 9 // n11 cuts all the time, so that gates shut again
	b.turn(kept, true)
	b.decider.wait(0, "event collector-on")
	b.decider.wait(0, "line 1 true")
	var decided, all []time.Duration
	for k := range 24 {
		i := (k*11 + 16) % 64
		if i == kept {
			continue
		}
		d, a := b.turn(i, true)
		decided, all = append(decided, d), append(all, a)
		d, _ = b.turn(i, false)
		decided = append(decided, d)
	}
	t.Logf("decision to line: %s; current to line: %s", spread(decided), spread(all))

	// The broker dies in mid-cut.
	m := b.mark()
	b.turn(8, true) // n10, which has an outlet
	b.nodes[1].wait(0, "line 30 true")
	died := clock()
	b.killBroker()
	lost := b.decider.wait(m[8], "event machine-unknown n10")
	b.nodes[1].wait(m[1], "notice the computer that decides is lost")
	off := b.nodes[1].wait(m[1], "line 30 false")
	t.Logf("the broker dies: unknown after %v, an outlet with a run-on of 1 s off after %v", lost-died, off-died)
	b.nodes[1].cut(0, false) // and n10 stops meanwhile
	b.run()
	back := clock()
	b.decider.wait(m[8], "up true")
	b.decider.wait(m[8], "event machine-stopped n10")
	t.Logf("the broker is back: all at work after %v", clock()-back)
	if at, was := b.decider.find(m[8], "line 1 false"); was {
		t.Errorf("the collector went off in mid-cut, %v after the broker", at-died)
	}
	if at, was := b.nodes[1].find(m[1], "line 11 false"); was {
		t.Errorf("the gate of a running machine moved, %v after the broker died", at-died)
	}
	b.turn(40, true)
	b.turn(40, false)

	// The broker's process is stopped, and goes on: what it held back is too old.
	m = b.mark()
	if err := b.broker.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	b.nodes[2].cut(7, true) // n27 starts meanwhile
	b.decider.wait(m[8], "notice node n2: lost")
	b.decider.wait(m[8], "event machine-unknown n11")
	stopped := clock()
	if err := b.broker.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	b.decider.wait(m[8], "event machine-started n27")
	b.nodes[2].wait(m[2], "line 17 true")
	b.decider.wait(m[8], "up true")
	t.Logf("the broker hangs and goes on: all at work after %v", clock()-stopped)
	if at, was := b.decider.find(m[8], "line 1 false"); was {
		t.Errorf("the collector went off, %v after the broker", at-stopped)
	}
	b.turn(23, false)

	// A node is killed.
	m = b.mark()
	died = clock()
	b.nodes[1].kill(syscall.SIGKILL)
	lost = b.decider.wait(m[8], "event machine-unknown n11")
	t.Logf("a node is killed: unknown after %v", lost-died)
	b.turn(17, true) // the others are served
	if at, was := b.decider.find(m[8], "line 1 false"); was {
		t.Errorf("the collector went off, %v after the node", at-died)
	}
	m = b.mark()
	b.nodes[1] = b.start("n1")
	b.nodes[1].cut(1, true)
	b.decider.wait(m[8], "up true")
	b.nodes[1].wait(0, "line 11 true") // commanded open again
	if _, ok := b.decider.find(m[8], "notice node n1 is back after a restart"); !ok {
		t.Error("nobody says that the node has restarted")
	}

	// The deciding computer is killed.
	m = b.mark()
	died = clock()
	b.decider.kill(syscall.SIGKILL)
	lost = b.nodes[1].wait(m[1], "notice the computer that decides is lost")
	t.Logf("the deciding computer is killed: lost after %v", lost-died)
	if at, was := b.nodes[1].find(m[1], "line 11 false"); was {
		t.Errorf("the gate moved, %v after the deciding computer died", at-died)
	}
	back = clock()
	b.decider = b.start("decider")
	b.decider.wait(0, "up true")
	t.Logf("it is back: all at work after %v", clock()-back)
	b.nodes[1].wait(m[1], "line 11 false") // off, as at its start
	b.nodes[1].wait(m[1], "line 11 true")  // its machine runs
	b.decider.wait(0, "event collector-on")

	// It ends, and says so.
	m = b.mark()
	b.decider.kill(syscall.SIGTERM)
	b.nodes[1].wait(m[1], "say the computer that decides ends: outputs off")
	b.nodes[1].wait(m[1], "line 11 false")
}

// BenchmarkShopOf64 measures a start and a stop of one machine after another in
// the shop of TestShopOf64.
func BenchmarkShopOf64(b *testing.B) {
	s := newShop8(b)
	s.turn(9, true)
	var decided, all []time.Duration
	b.ResetTimer()
	for k := range b.N {
		if i := (k*11 + 16) % 64; i != 9 {
			d, a := s.turn(i, true)
			decided, all = append(decided, d), append(all, a)
			d, _ = s.turn(i, false)
			decided = append(decided, d)
		}
	}
	b.StopTimer()
	ms := func(list []time.Duration, q float64) float64 {
		slices.Sort(list)
		return float64(list[min(len(list)-1, int(q*float64(len(list))))].Microseconds()) / 1e3
	}
	b.ReportMetric(ms(decided, 0.5), "ms-median")
	b.ReportMetric(ms(decided, 0.99), "ms-p99")
	b.ReportMetric(ms(all, 0.5), "ms-current-median")
	b.ReportMetric(ms(all, 0.99), "ms-current-p99")
}
