package config

import (
	"fmt"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The tables of the rig file that are about topics and metrics, and those of a
// machine and an actuator that hang on a topic.

type rawMQTT struct {
	at
	Broker      string  `toml:"broker" need:"1" eg:"\"tcp://broker.local:1883\""`
	Client      *string `toml:"client"` // nil: made of the rig's name
	User        *string `toml:"user"`
	Password    *string `toml:"password_file"`
	CA          *string `toml:"ca_file"`
	Certificate *string `toml:"certificate_file"`
	Key         *string `toml:"key_file"`
	Topic       string  `toml:"topic" def:"kerfwind"`
	Discovery   string  `toml:"discovery" def:"homeassistant"`
	Homie       bool    `toml:"homie" def:"false"`
	Requests    bool    `toml:"requests" def:"true"`
	Keep        int     `toml:"keep" def:"10000" min:"100" max:"200000"`
}

type rawBroker struct {
	at
	Listen   string  `toml:"listen" def:"127.0.0.1:1883"`
	User     *string `toml:"user"`
	Password *string `toml:"password_file"`
}

type rawMetrics struct {
	at
	Listen string   `toml:"listen" def:"127.0.0.1:9464"`
	Hosts  []string `toml:"hosts"`
}

type rawMessage struct {
	at
	Path  *string       `toml:"path"`
	Start *float64      `toml:"start" min:"0" max:"1000000"`
	Stop  *float64      `toml:"stop" min:"0" max:"1000000"`
	Stale time.Duration `toml:"stale" def:"2 min" min:"1 s" max:"24 h"`
}

// MQTT is the link to a broker.
type MQTT struct {
	Broker       string // URL: tcp://host:port, or ssl://host:port for TLS
	Client       string
	User         string
	PasswordFile string // "": no password
	CAFile       string // "": the computer's own list of authorities
	CertFile     string
	KeyFile      string
	Topic        string // everything of ours is below it
	Discovery    string // prefix of the hub's discovery topics; "": none
	Homie        bool
	Requests     bool // requests are listened to
	Keep         int  // events that wait while there is no link
}

// Broker is an MQTT broker within the program.
type Broker struct {
	Listen       string
	User         string
	PasswordFile string // "": no password, and nobody but this computer gets in
}

// Metrics is where the metrics are served.
type Metrics struct {
	Listen string
	Hosts  []string // names they may be asked for by, besides the computer's own
}

// Message says how to read what a remote sensor publishes about a machine.
type Message struct {
	Path        string  // names in the JSON object, joined by dots; "": the message is the value
	Levels      bool    // the value is a number, and these are its levels
	Start, Stop float64 // in the message's own unit: runs from Start on, stopped below Stop
	Stale       time.Duration
}

// topics reads the rig's tables that are about topics and metrics.
func (raw *rawRig) topics(f *file, r *Rig) {
	if m := raw.MQTT; m != nil {
		r.MQTT = m.mqtt(f, raw.clientName())
		if forgeable := raw.forgeable(); forgeable != "" && m.exposed() {
			r.warn(f, m.key("broker"), fmt.Sprintf("mqtt: the link to %s has no TLS: whoever listens in there learns its password%s", m.Broker, forgeable),
				`use a broker that speaks TLS and write broker = "ssl://…:8883"`)
		}
	} else {
		for i := range raw.Actuator {
			if a := &raw.Actuator[i]; a.Kind != 0 && !a.Kind.Wired() {
				f.add(a.key("kind"), f.tableName(a.path)+": it is told over a topic, and the rig has no link to a broker", `add [mqtt] with broker = "tcp://…:1883", or use an actuator that is wired`)
			}
		}
	}
	if b := raw.Broker; b != nil {
		r.Broker = &Broker{Listen: b.Listen}
		set(&r.Broker.User, b.User)
		set(&r.Broker.PasswordFile, b.Password)
		local := f.listens(b.key("listen"), b.Listen, "1883")
		f.both(b.at, "user", b.User, "password_file", b.Password)
		if !local && b.Password == nil {
			f.add(b.key("listen"), fmt.Sprintf("broker: everybody in the network could publish at %s: no password is set", b.Listen),
				`add user and password_file, or listen = "127.0.0.1:1883"`)
		}
		if !local && b.Password != nil {
			r.warn(f, b.key("listen"), fmt.Sprintf("the broker is open to the network at %s without TLS: whoever listens in there learns its password%s", b.Listen, raw.forgeable()),
				"keep it to a network of the shop's own, or run a broker that speaks TLS and name it in mqtt")
		}
	}
	if m := raw.Metrics; m != nil {
		if !f.listens(m.key("listen"), m.Listen, "9464") {
			r.warn(f, m.key("listen"), fmt.Sprintf("the metrics are open to the network at %s: whoever reaches it reads when the shop works", m.Listen),
				`write listen = "127.0.0.1:9464", or let only the Prometheus server through the firewall`)
		}
		f.hosts(m.key("hosts"), "metrics", m.Hosts)
		r.Metrics = &Metrics{m.Listen, m.Hosts}
	}
	if raw.Page != nil {
		r.Page = raw.Page.page(f, r)
	}
}

// warn adds a warning about a place in the rig file.
func (r *Rig) warn(f *file, path, message, remedy string) {
	r.Warnings = append(r.Warnings, f.problem(path, message, remedy))
}

// forgeable says what else the password of a broker opens where nodes sense and
// drive over it.
func (raw *rawRig) forgeable() string {
	if len(raw.Node) == 0 && raw.Role == nil {
		return ""
	}
	return ", and with it speaks for every node: reports machines that do not run, opens stop contacts, drives outputs"
}

// exposed reports whether the link passes the network without TLS.
func (raw *rawMQTT) exposed() bool {
	u, err := url.Parse(raw.Broker)
	if err != nil || u.Scheme != "tcp" {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback())
}

// clientName is a link's login where the file gives none.
func (raw *rawRig) clientName() string {
	if raw.Role != nil {
		return "kerfwind-node-" + Slug(raw.Name)
	}
	return "kerfwind-" + Slug(raw.Name)
}

func (raw *rawMQTT) mqtt(f *file, client string) *MQTT {
	m := &MQTT{Broker: raw.Broker, Client: client, Topic: raw.Topic, Discovery: raw.Discovery, Homie: raw.Homie, Requests: raw.Requests, Keep: raw.Keep}
	if raw.Client == nil {
		f.defaulted(raw.key("client"), strconv.Quote(m.Client))
	}
	set(&m.Client, raw.Client)
	set(&m.User, raw.User)
	set(&m.PasswordFile, raw.Password)
	set(&m.CAFile, raw.CA)
	set(&m.CertFile, raw.Certificate)
	set(&m.KeyFile, raw.Key)
	u, err := url.Parse(raw.Broker)
	secure := false
	switch {
	case raw.Broker == "": // reported already
	case err != nil || u.Host == "" || u.Port() == "" || (u.Scheme != "tcp" && u.Scheme != "ssl"):
		f.add(raw.key("broker"), fmt.Sprintf("mqtt: %q is no broker's address", raw.Broker), `write broker = "tcp://broker.local:1883", or with TLS "ssl://broker.local:8883"`)
	case u.User != nil:
		f.add(raw.key("broker"), "mqtt: a password in the address would be shown by check", "write user and password_file instead")
	default:
		secure = u.Scheme == "ssl"
		if (raw.CA != nil || raw.Certificate != nil) && !secure {
			f.add(raw.key("broker"), "mqtt: certificates are given, and the address is one without TLS", `write broker = "ssl://…:8883", or take them out`)
		}
	}
	f.both(raw.at, "certificate_file", raw.Certificate, "key_file", raw.Key)
	if raw.Password != nil && raw.User == nil {
		f.add(raw.key("password_file"), "mqtt: a password without a user", "add the user")
	}
	for key, topic := range map[string]string{"topic": raw.Topic, "discovery": raw.Discovery} {
		f.isTopic(raw.key(key), "mqtt", topic)
	}
	if m.Discovery == "none" {
		m.Discovery = ""
	}
	return m
}

// both reports one of two keys that belong together.
func (f *file) both(table at, a string, av *string, b string, bv *string) {
	if (av == nil) != (bv == nil) {
		f.add(table.path, fmt.Sprintf("%s: %s and %s belong together, and one is missing", table.path, a, b), "add it, or take the other out")
	}
}

// isTopic reports what cannot be one topic.
func (f *file) isTopic(path, who, topic string) {
	switch {
	case topic == "" || strings.ContainsAny(topic, "+#\x00") || len(topic) > 200:
		f.add(path, fmt.Sprintf("%s: %q is a pattern, not a topic", who, topic), "write one topic without + and #")
	case strings.HasPrefix(topic, "/") || strings.HasSuffix(topic, "/") || strings.HasPrefix(topic, "$"):
		f.add(path, fmt.Sprintf("%s: a topic like %q hides from others", who, topic), "leave out the slash or $ at its ends")
	}
}

// listens reports what cannot be listened at, and reports whether only this
// computer can reach it. usual is the port of the example.
func (f *file) listens(path, addr, usual string) (local bool) {
	host, port, err := net.SplitHostPort(addr)
	if n, e := strconv.Atoi(port); err != nil || e != nil || n < 1 || n > 65535 || (host != "" && host != "localhost" && net.ParseIP(host) == nil) {
		f.add(path, fmt.Sprintf("%s: %q is no address to listen at", f.tableOf(path), addr), fmt.Sprintf("write \"127.0.0.1:%[1]s\" for this computer alone, or \":%[1]s\" for the whole network", usual))
		return true
	}
	return host == "localhost" || host != "" && net.ParseIP(host).IsLoopback()
}

// Slug is a name as topics have it: lower case, other signs than letters
// and digits of ASCII become one "-". Different names may have one slug.
func Slug(name string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	if s := strings.TrimSuffix(b.String(), "-"); s != "" {
		return s
	}
	return "x"
}

// Slugs are the slugs of names, made different by a number where need be.
func Slugs(names []string) []string {
	out := make([]string, len(names))
	for i, n := range names {
		out[i] = Slug(n)
		for k := 2; slices.Contains(out[:i], out[i]); k++ {
			out[i] = fmt.Sprintf("%s-%d", Slug(n), k)
		}
	}
	return out
}

// message reads how a machine's topic is to be understood.
func (b *builder) message(raw *rawMachine, m *Machine) {
	m.Message.Stale = blank[rawMessage]().Stale
	r := raw.Message
	if raw.Topic != nil {
		b.isTopic(raw.key("topic"), b.tableName(raw.path), *raw.Topic)
		if b.rig.MQTT == nil {
			b.add(raw.key("topic"), b.tableName(raw.path)+": it is known by a topic, and the rig has no link to a broker", `add [mqtt] with broker = "tcp://…:1883" to the rig file, or take the topic out`)
		}
		if r == nil {
			b.defaulted(raw.key("message.stale"), strconv.Quote(FormatDuration(m.Message.Stale)))
		}
	}
	if r == nil {
		return
	}
	who := b.tableName(raw.path)
	if raw.Topic == nil {
		b.add(r.path, who+": message is about its topic, and it has none", "add the topic, or take message out")
	}
	m.Message = Message{Stale: r.Stale, Levels: r.Start != nil}
	set(&m.Message.Path, r.Path)
	set(&m.Message.Start, r.Start)
	m.Message.Stop = m.Message.Start * 2 / 3
	set(&m.Message.Stop, r.Stop)
	switch {
	case r.Start == nil && r.Stop != nil:
		b.add(r.key("stop"), who+": message has a level stop and none to start", "add start, in the same unit")
	case r.Stop != nil && *r.Stop > *r.Start:
		b.add(r.key("stop"), who+": message stops above the level at which it starts", "write a stop below start: two thirds is usual")
	case r.Start != nil && r.Stop == nil:
		b.defaulted(r.key("stop"), number(m.Message.Stop))
	}
	for part := range strings.SplitSeq(m.Message.Path, ".") {
		if part == "" && m.Message.Path != "" {
			b.add(r.key("path"), fmt.Sprintf("%s: %q is no path", who, m.Message.Path), `join the names by single dots: path = "energy.power"`)
			break
		}
	}
}

// describe says how a message is read.
func (m *Message) describe(topic string) string {
	what := "topic " + topic
	if m.Path != "" {
		what += ", " + m.Path + ","
	}
	if m.Levels {
		return fmt.Sprintf("%s reads %s or more (stopped: below %s; unknown after %s without a message)", what, number(m.Start), number(m.Stop), FormatDuration(m.Stale))
	}
	return fmt.Sprintf("%s says so (unknown after %s without a message)", what, FormatDuration(m.Stale))
}

// describe says what is linked.
func (m *MQTT) describe() string {
	s := fmt.Sprintf("Broker %s as %q, topics below %s", m.Broker, m.Client, m.Topic)
	for _, x := range []struct{ what, value string }{{"user", m.User}, {"password in", m.PasswordFile}, {"authorities in", m.CAFile}, {"certificate in", m.CertFile},
		{"key in", m.KeyFile}, {"discovery below", m.Discovery}} {
		if x.value != "" {
			s += ", " + x.what + " " + x.value
		}
	}
	if m.Homie {
		s += ", Homie 5 below homie/5"
	}
	if !m.Requests {
		s += ", requests are not listened to"
	}
	return s + fmt.Sprintf("; %d events wait at most", m.Keep)
}

// describeTopics lists the links of a rig.
func (r *Rig) describeTopics(p *page) {
	if r.MQTT != nil {
		p.line(1, "%s", r.MQTT.describe())
	}
	if b := r.Broker; b != nil {
		who := "without a password, so for this computer alone"
		if b.PasswordFile != "" {
			who = fmt.Sprintf("for user %s with the password in %s", b.User, b.PasswordFile)
		}
		p.line(1, "A broker of its own at %s, %s", b.Listen, who)
	}
	if r.Metrics != nil {
		also := ""
		if len(r.Metrics.Hosts) > 0 {
			also = ", also under " + strings.Join(r.Metrics.Hosts, ", ")
		}
		p.line(1, "Metrics at http://%s/metrics%s", r.Metrics.Listen, also)
	}
	if r.Page != nil {
		p.line(1, "%s", r.Page.describe())
	}
}
