package mqttlink

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/testdata/peers"
)

// brisk is timing for tests: nothing here waits for a time to pass, but faults
// must be noticed before the test's deadline.
var brisk = timing{connect: time.Second, ack: 700 * time.Millisecond, write: 300 * time.Millisecond, echo: 500 * time.Millisecond, echoAgain: 100 * time.Millisecond,
	backoff: 20 * time.Millisecond, backoffMax: 200 * time.Millisecond, settled: time.Minute, bye: 2 * time.Second, keepAlive: 2 * time.Second, ping: 500 * time.Millisecond}

// patience is how long a condition may take to come true.
const patience = 20 * time.Second

// until waits for a condition.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for tick := time.NewTicker(5 * time.Millisecond); !ok(); <-tick.C { //clock:ok a broker answers when it likes
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// mosquitto is a broker of its own, started by the test.
type mosquitto struct {
	t    *testing.T
	dir  string
	addr string
	cmd  *exec.Cmd
	log  bytes.Buffer
}

// free is an address that was free a moment ago.
func free(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// start starts a broker; more goes into its configuration, where DIR is its
// folder, which prepare fills.
func start(t *testing.T, more string, prepare ...func(*mosquitto)) *mosquitto {
	t.Helper()
	if testing.Short() {
		t.Skip("starts a broker")
	}
	peers.Require(t, "mosquitto", "Debian package mosquitto")
	b := &mosquitto{t: t, dir: t.TempDir(), addr: free(t)}
	_, port, err := net.SplitHostPort(b.addr)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(more, "allow_anonymous") {
		more += "\nallow_anonymous true"
	}
	// root, so that it can read files that only root may; a long queue, so that
	// it drops nothing itself.
	conf := fmt.Sprintf("user root\nlog_type all\nmax_queued_messages 0\nmax_inflight_messages 0\nlistener %s 127.0.0.1\n%s\n", port, strings.ReplaceAll(more, "DIR", b.dir))
	b.write("mosquitto.conf", conf)
	for _, p := range prepare {
		p(b)
	}
	b.run()
	t.Cleanup(b.kill)
	return b
}

func (b *mosquitto) write(name, text string) string {
	b.t.Helper()
	path := filepath.Join(b.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
	return path
}

func (b *mosquitto) run() {
	b.t.Helper()
	path, err := exec.LookPath("mosquitto")
	if err != nil {
		b.t.Fatal(err)
	}
	b.cmd = exec.Command(path, "-c", filepath.Join(b.dir, "mosquitto.conf"))
	b.cmd.Stdout, b.cmd.Stderr = &b.log, &b.log
	if err := b.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	until(b.t, "mosquitto listens", func() bool {
		c, err := net.Dial("tcp", b.addr)
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	})
}

// end ends it with a signal and waits.
func (b *mosquitto) end(s os.Signal) {
	if b.cmd != nil {
		_ = b.cmd.Process.Signal(s)
		_ = b.cmd.Wait()
		b.cmd = nil
	}
}

func (b *mosquitto) kill() { b.end(syscall.SIGKILL) }

// listener is a client of the test's own that keeps what it hears.
type listener struct {
	mqtt.Client
	mu    sync.Mutex
	heard []received
}

// listen connects a client and subscribes.
func listen(t *testing.T, b *mosquitto, id string, clean bool, topics ...string) *listener {
	t.Helper()
	x := &listener{}
	o := mqtt.NewClientOptions().AddBroker("tcp://" + b.addr).SetClientID(id).SetCleanSession(clean).SetAutoReconnect(false).SetOrderMatters(true).
		SetUsername("test").SetPassword("test").SetWriteTimeout(time.Second)
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		x.mu.Lock()
		defer x.mu.Unlock()
		x.heard = append(x.heard, received{topic: m.Topic(), payload: m.Payload(), retained: m.Retained()})
	})
	x.Client = mqtt.NewClient(o)
	wait(t, x.Connect())
	for _, topic := range topics {
		wait(t, x.Subscribe(topic, 1, nil))
	}
	t.Cleanup(func() { x.Disconnect(50) })
	return x
}

func wait(t *testing.T, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(patience) || token.Error() != nil {
		t.Fatalf("%T: %v", token, token.Error())
	}
}

// say publishes.
func (x *listener) say(t *testing.T, topic, text string, retained bool) {
	t.Helper()
	wait(t, x.Publish(topic, 1, retained, text))
}

// all returns what was heard so far.
func (x *listener) all() []received {
	x.mu.Lock()
	defer x.mu.Unlock()
	return slices.Clone(x.heard)
}

// has reports whether a message on a topic holds a text.
func (x *listener) has(topic, part string) bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	for _, m := range x.heard {
		if m.topic == topic && strings.Contains(string(m.payload), part) {
			return true
		}
	}
	return false
}

// numbers lists the events heard, each once, and the numbers said to be
// dropped.
func numbers(t *testing.T, heard []received) (events map[uint64]bool, order []uint64, dropped map[uint64]bool) {
	t.Helper()
	events, dropped = map[uint64]bool{}, map[uint64]bool{}
	for _, m := range heard {
		if m.topic != "kerfwind/event" {
			continue
		}
		var e struct {
			Boot  string
			Seq   uint64
			Event string
			From  uint64
			T     float64
		}
		if err := json.Unmarshal(m.payload, &e); err != nil || e.Boot != "b1" {
			t.Fatalf("%s: %v", m.payload, err)
		}
		if e.Event == "events-dropped" {
			for n := e.From; n <= e.Seq; n++ {
				dropped[n] = true
			}
			continue
		}
		if !events[e.Seq] {
			order = append(order, e.Seq)
		}
		if e.T != float64(e.Seq) {
			t.Fatalf("event %d carries %v", e.Seq, e.T)
		}
		events[e.Seq] = true
	}
	return events, order, dropped
}

// complete checks that each of n numbers came once, in order, or is said to be
// dropped; not both.
func complete(t *testing.T, heard []received, n int) (events, dropped int) {
	t.Helper()
	got, order, gone := numbers(t, heard)
	for i := 1; i < len(order); i++ {
		if order[i] <= order[i-1] {
			t.Fatalf("event %d after %d", order[i], order[i-1])
		}
	}
	for i := uint64(1); i <= uint64(n); i++ {
		if got[i] == gone[i] {
			t.Fatalf("number %d: arrived %v, dropped %v", i, got[i], gone[i])
		}
	}
	if len(got)+len(gone) != n {
		t.Fatalf("%d + %d numbers, want %d", len(got), len(gone), n)
	}
	return len(got), len(gone)
}

// feed observes n events more, the k-th at k seconds.
type feeder struct {
	l    *Link
	snap *control.Snapshot
	n    int
}

func (f *feeder) put(n int) {
	for range n {
		f.n++
		// The state changes with every event, as it may.
		s := *f.snap
		s.Machines = append([]control.MachineView(nil), s.Machines...)
		s.Machines[0].Since = time.Duration(f.n) * time.Second
		f.l.Observe(&s, []control.Event{{Kind: control.GateIsOpen, ID: 1, At: time.Duration(f.n) * time.Second}})
	}
}

// linked starts a link to an address.
func linked(t *testing.T, w *world, addr string, m config.MQTT, change func(*Options)) (*Link, *feeder) {
	t.Helper()
	shop := barn(t)
	if m.Broker == "" {
		m.Broker = "tcp://" + addr
	}
	m.Requests = true
	o := w.options(shop, m)
	o.timing = brisk
	if change != nil {
		change(&o)
	}
	l, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.Close)
	l.Snapshot(snapshot(t, shop))
	return l, &feeder{l: l, snap: snapshot(t, shop)}
}

// noticed reports whether a notice holds a text.
func (w *world) noticed(part string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, n := range w.notices {
		if strings.Contains(n, part) {
			return true
		}
	}
	return false
}

// TestPlain: states, events, requests and answers through a broker that asks
// for a password and allows what the documentation asks for, and no more; the
// last words.
func TestPlain(t *testing.T) {
	b := start(t, "allow_anonymous false\npassword_file DIR/passwords\nacl_file DIR/acl", func(b *mosquitto) {
		b.write("passwords", "")
		_, acl, _ := strings.Cut(topicsPage(t), "```\nuser barn\n")
		acl, _, ok := strings.Cut(acl, "```")
		if !ok {
			t.Fatal("the documentation has no access list")
		}
		b.write("acl", "user barn\n"+acl+"user test\ntopic readwrite #\n")
		for _, who := range [][2]string{{"barn", "secret"}, {"test", "test"}} {
			if out, err := exec.Command("mosquitto_passwd", "-b", filepath.Join(b.dir, "passwords"), who[0], who[1]).CombinedOutput(); err != nil {
				t.Fatalf("%v %s", err, out)
			}
		}
	})
	wrong := &world{}
	linked(t, wrong, b.addr, config.MQTT{User: "barn", Client: "wrong"}, func(o *Options) { o.Password = "guess" })
	until(t, "a wrong password is noticed", func() bool { return wrong.noticed("login") })

	w := &world{}
	b.write("pw", "secret\n")
	m := config.MQTT{User: "barn", PasswordFile: "pw", Discovery: "homeassistant", Homie: true}
	password, _, err := Secrets(m, b.dir)
	if err != nil || password != "secret" {
		t.Fatal(password, err)
	}
	x := listen(t, b, "test", true, "kerfwind/#", "homie/#", "homeassistant/device/#")
	l, f := linked(t, w, b.addr, m, func(o *Options) { o.Password = password })
	f.put(3)
	until(t, "the echo", func() bool { return l.Counts().Echo && l.Counts().Connected })
	for topic, part := range map[string]string{"kerfwind/status": "online", "kerfwind/gate/planer": `"position":"open"`, "kerfwind/machine/band-saw": `"since":3`,
		"kerfwind/event": `"seq":3`, "homie/5/kerfwind/$state": "ready", "homie/5/kerfwind/gate-planer/position": "open",
		"homeassistant/device/kerfwind/config": "components"} {
		until(t, topic, func() bool { return x.has(topic, part) })
	}
	x.say(t, "kerfwind/ask", `{"ask":"hold","gate":"planer","for":60,"id":"a1"}`, false)
	until(t, "the answer", func() bool {
		return x.has("kerfwind/answer", `"id":"a1","ask":"hold","gate":"planer","answer":"taken"`)
	})
	x.say(t, "homie/5/kerfwind/gate-planer/held/set", "true", false)
	until(t, "two requests", func() bool { w.mu.Lock(); defer w.mu.Unlock(); return len(w.inputs) == 2 })
	l.Close()
	until(t, "the last words", func() bool {
		return x.has("kerfwind/status", "offline") && x.has("homie/5/kerfwind/$state", "disconnected")
	})
	complete(t, x.all(), 3)
	if late := listen(t, b, "late", true, "kerfwind/#"); true {
		until(t, "the retained states", func() bool { return late.has("kerfwind/gate/planer", "open") && late.has("kerfwind/status", "offline") })
		if late.has("kerfwind/event", "") || late.has("kerfwind/answer", "") {
			t.Error("events or answers are retained")
		}
	}
	if len(w.notices) > 0 {
		t.Errorf("notices: %q", w.notices)
	}
	b.kill() // before its log is read
	if strings.Contains(b.log.String(), "Denied") {
		t.Errorf("something was denied:\n%s", b.log.String())
	}
}

// TestRetainedRequest: one that the broker keeps is refused at each start.
func TestRetainedRequest(t *testing.T) {
	b := start(t, "")
	x := listen(t, b, "test", true, "kerfwind/answer")
	x.say(t, "kerfwind/ask", `{"ask":"stand-down"}`, true)
	w := &world{}
	linked(t, w, b.addr, config.MQTT{}, nil)
	until(t, "the refusal", func() bool { return x.has("kerfwind/answer", "retained") })
	if len(w.inputs) > 0 {
		t.Errorf("%+v", w.inputs)
	}
}

// TestTLS: a broker that wants a certificate and shows one; a foreign one is
// refused.
func TestTLS(t *testing.T) {
	peers.Require(t, "openssl", "Debian package openssl")
	b := start(t, "")
	openssl := func(args ...string) {
		t.Helper()
		cmd := exec.Command("openssl", args...)
		cmd.Dir = b.dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("openssl %v: %v\n%s", args, err, out)
		}
	}
	b.write("san", "subjectAltName=DNS:localhost,IP:127.0.0.1\n")
	for _, ca := range []string{"ca", "other"} {
		openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-keyout", ca+".key", "-out", ca+".pem", "-days", "2", "-subj", "/CN="+ca)
	}
	for _, who := range []string{"server", "barn"} {
		openssl("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-keyout", who+".key", "-out", who+".csr", "-subj", "/CN="+who)
		openssl("x509", "-req", "-in", who+".csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-out", who+".pem", "-days", "2", "-extfile", "san")
	}
	secure := free(t)
	_, port, err := net.SplitHostPort(secure)
	if err != nil {
		t.Fatal(err)
	}
	_, open, err := net.SplitHostPort(b.addr)
	if err != nil {
		t.Fatal(err)
	}
	b.kill()
	b.write("mosquitto.conf", fmt.Sprintf("user root\nper_listener_settings true\nlistener %s 127.0.0.1\nallow_anonymous true\nlistener %s 127.0.0.1\nallow_anonymous false\nrequire_certificate true\nuse_identity_as_username true\ncafile %s/ca.pem\ncertfile %s/server.pem\nkeyfile %s/server.key\n", open, port, b.dir, b.dir, b.dir))
	b.run()
	x := listen(t, b, "test", true, "kerfwind/status")
	with := func(m config.MQTT) *world {
		t.Helper()
		m.Broker = "ssl://localhost:" + port
		_, conf, err := Secrets(m, b.dir)
		if err != nil {
			t.Fatal(err)
		}
		w := &world{}
		linked(t, w, "", m, func(o *Options) { o.TLS = conf })
		return w
	}
	foreign := with(config.MQTT{CAFile: "other.pem", CertFile: "barn.pem", KeyFile: "barn.key", Client: "foreign"})
	until(t, "a foreign authority is noticed", func() bool { return foreign.noticed("certificate") })
	bare := with(config.MQTT{CAFile: "ca.pem", Client: "bare"})
	until(t, "a missing certificate is noticed", func() bool { return bare.noticed("control goes on without it") })
	good := with(config.MQTT{CAFile: "ca.pem", CertFile: "barn.pem", KeyFile: "barn.key"})
	until(t, "online over TLS", func() bool { return x.has("kerfwind/status", "online") })
	if len(good.notices) > 0 {
		t.Errorf("%q", good.notices)
	}
	for _, m := range []config.MQTT{{CAFile: "none.pem"}, {CAFile: "ca.key"}, {CertFile: "barn.pem", KeyFile: "ca.key"}, {PasswordFile: "none"}} {
		m.Broker = "ssl://localhost:1"
		if _, _, err := Secrets(m, b.dir); err == nil {
			t.Errorf("%+v: no error", m)
		}
	}
	if _, err := Start(Options{MQTT: config.MQTT{Broker: "ssl://localhost:1"}, Boot: "x"}); err == nil {
		t.Error("TLS without certificates to trust")
	}
}

// TestRefused: what the access list forbids is noticed, whether the broker
// throws us out for it or throws the messages away; and so is that all is well
// again.
func TestRefused(t *testing.T) {
	for may, notice := range map[string]string{"read": "access list refuse kerfwind/#", "write": "does not pass them on"} {
		b := start(t, "acl_file DIR/acl", func(b *mosquitto) { b.write("acl", "topic "+may+" kerfwind/#\n") })
		w := &world{}
		l, _ := linked(t, w, b.addr, config.MQTT{}, nil)
		until(t, "may only "+may+": noticed", func() bool { return w.noticed(notice) })
		if l.Counts().Echo {
			t.Error("echo")
		}
		if n := len(w.told()); n > 3 {
			t.Errorf("told %d times: %q", n, w.told())
		}
		b.write("acl", "topic readwrite kerfwind/#\n")
		if err := b.cmd.Process.Signal(syscall.SIGHUP); err != nil { // it reads its access list again
			t.Fatal(err)
		}
		until(t, "the echo comes again", func() bool { return l.Counts().Echo })
	}
}

// TestRestart: the broker is ended and started again under load. What it had
// acknowledged it has kept, so the one who listens gets every event.
func TestRestart(t *testing.T) {
	b := start(t, "persistence true\npersistence_location DIR/\n")
	x := listen(t, b, "test", false, "kerfwind/event")
	w := &world{}
	l, f := linked(t, w, b.addr, config.MQTT{Keep: 400}, nil)
	var heard []received
	for round := range 3 {
		f.put(150)
		until(t, "some have come", func() bool { return len(x.all()) > 20 })
		f.put(100)
		b.end(syscall.SIGTERM)
		f.put(400 * round) // the last round is too much for the store
		x.Disconnect(50)
		heard = append(heard, x.all()...)
		b.run()
		x = listen(t, b, "test", false, "kerfwind/event")
	}
	until(t, "all is sent", func() bool { return l.Counts().Waiting == 0 && l.Counts().Connected })
	f.put(1)
	until(t, "the last has come", func() bool { return x.has("kerfwind/event", fmt.Sprintf(`"seq":%d,`, f.n)) })
	heard = append(heard, x.all()...)
	events, dropped := complete(t, heard, f.n)
	if int64(dropped) != l.Counts().Dropped || dropped == 0 {
		t.Errorf("%d said to be dropped, %d counted", dropped, l.Counts().Dropped)
	}
	t.Logf("%d events arrived, %d dropped, of %d, over 3 restarts", events, dropped, f.n)
}

// TestKilled: the broker is killed. Everything that it acknowledged or was
// given again is there, as the wire shows.
func TestKilled(t *testing.T) {
	b := start(t, "")
	p := proxied(t, b.addr)
	w := &world{}
	l, f := linked(t, w, p.addr, config.MQTT{Keep: 5000}, nil)
	for range 3 {
		f.put(200)
		until(t, "some are acknowledged", func() bool { return len(p.acknowledged()) > f.n-150 })
		b.kill()
		f.put(100)
		b.run()
	}
	until(t, "all are acknowledged", func() bool { n, _, _ := numbers(t, p.acknowledged()); return len(n) == f.n && l.Counts().Waiting == 0 })
	events, dropped := complete(t, p.acknowledged(), f.n)
	if dropped != 0 {
		t.Errorf("%d dropped", dropped)
	}
	t.Logf("%d events acknowledged over 3 kills", events)
}

// TestHung: the broker's process is stopped, then goes on; Observe never waits.
func TestHung(t *testing.T) {
	b := start(t, "")
	p := proxied(t, b.addr)
	w := &world{}
	l, f := linked(t, w, p.addr, config.MQTT{Keep: 5000}, nil)
	f.put(10)
	until(t, "they are acknowledged", func() bool { return len(p.acknowledged()) >= 10 })
	if err := b.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	f.put(1000)
	until(t, "it is noticed", func() bool { return !l.Counts().Connected && len(w.told()) > 0 })
	if err := l.Publish("x", "ON"); err == nil {
		t.Error("published through a hung broker")
	}
	if err := b.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	until(t, "all are acknowledged", func() bool { n, _, _ := numbers(t, p.acknowledged()); return len(n) == f.n })
	complete(t, p.acknowledged(), f.n)
}

func (w *world) told() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return append([]string(nil), w.notices...)
}

// TestStalled: the connection takes nothing and brings nothing, and is not
// closed.
func TestStalled(t *testing.T) {
	b := start(t, "")
	p := proxied(t, b.addr)
	w := &world{}
	l, f := linked(t, w, p.addr, config.MQTT{Keep: 20000}, nil)
	f.put(10)
	until(t, "they are acknowledged", func() bool { return len(p.acknowledged()) >= 10 })
	p.stall(true)
	f.put(5000)
	until(t, "it is noticed", func() bool { return !l.Counts().Connected && len(w.told()) > 0 })
	p.stall(false)
	until(t, "all are acknowledged", func() bool { n, _, _ := numbers(t, p.acknowledged()); return len(n) == f.n })
	complete(t, p.acknowledged(), f.n)
}

// TestTakenOver: another client of the same name puts us out; it is said, we
// come back when it has gone, and nothing is lost.
func TestTakenOver(t *testing.T) {
	b := start(t, "")
	x := listen(t, b, "test", true, "kerfwind/event")
	w := &world{}
	l, f := linked(t, w, b.addr, config.MQTT{}, nil)
	f.put(5)
	until(t, "five", func() bool { return x.has("kerfwind/event", `"seq":5,`) })
	for i := 0; !w.noticed("another client"); i++ {
		if i == 20 {
			t.Fatalf("never noticed: %q", w.told())
		}
		until(t, "a link", func() bool { return l.Counts().Connected })
		thief := listen(t, b, "kerfwind-barn", true)
		f.put(1)
		until(t, "it is put out", func() bool { return !thief.IsConnectionOpen() })
	}
	f.put(5)
	until(t, "the last", func() bool { return x.has("kerfwind/event", fmt.Sprintf(`"seq":%d,`, f.n)) })
	complete(t, x.all(), f.n)
}

// TestDay: as many events as a busy day has, at once.
func TestDay(t *testing.T) {
	b := start(t, "")
	x := listen(t, b, "test", true, "kerfwind/event")
	w := &world{}
	_, f := linked(t, w, b.addr, config.MQTT{Keep: 10000}, nil)
	const day = 8000 // 400 runs of twenty events
	f.put(day)
	until(t, "the last", func() bool { return x.has("kerfwind/event", fmt.Sprintf(`"seq":%d,`, day)) })
	if events, dropped := complete(t, x.all(), day); events != day || dropped != 0 {
		t.Errorf("%d events, %d dropped", events, dropped)
	}
}

// TestOutput: something on a topic is told what to do, and a gate on a
// topic reports.
func TestOutput(t *testing.T) {
	b := start(t, "")
	x := listen(t, b, "test", true, "sweep/set")
	shop := barn(t, `{ name = "g2", kind = "motor", chip = "soc", open_line = 9, shut_line = 10 } => { name = "g2", kind = "topic", topic = "sweep/set", on = "up", off = "down", state = "sweep", stale = "20 s" }`)
	w := &world{}
	o := w.options(shop, config.MQTT{Broker: "tcp://" + b.addr})
	o.timing = brisk
	l, err := StartThings(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.Close)
	until(t, "a link", func() bool { return l.Counts().Connected })
	if err := l.Publish("sweep/set", "up"); err != nil {
		t.Fatal(err)
	}
	if err := l.Publish("sweep/set", "down"); err != nil {
		t.Fatal(err)
	}
	until(t, "both words", func() bool { return x.has("sweep/set", "up") && x.has("sweep/set", "down") })
	x.say(t, "sweep", "up", false)
	until(t, "the gate's report", func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		return len(w.inputs) > 0 && w.inputs[len(w.inputs)-1] == control.Input{Kind: control.GateIs, ID: 2, State: uint8(control.ShownOpen)}
	})
}

// TestHubStarts: when the hub says that it has started, the discovery comes
// again.
func TestHubStarts(t *testing.T) {
	b := start(t, "")
	x := listen(t, b, "test", true, "hub/device/#")
	linked(t, &world{}, b.addr, config.MQTT{Discovery: "hub"}, nil)
	count := func() int { return len(x.all()) }
	until(t, "discovery", func() bool { return count() == 1 })
	x.say(t, "hub/status", "online", false)
	until(t, "discovery again", func() bool { return count() == 2 })
}
