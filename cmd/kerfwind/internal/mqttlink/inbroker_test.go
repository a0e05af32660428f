package mqttlink

import (
	"errors"
	"os/exec"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"kerfwind/testdata/peers"
)

// Addr is where it listens.
func (b *Broker) Addr() string { return b.listen.Addr().String() }

// TestOpen: no broker that everybody in the network could use.
func TestBrokerOpen(t *testing.T) {
	for _, addr := range []string{":0", "0.0.0.0:0", "[::]:0", "192.0.2.1:0", "nonsense"} {
		if b, err := StartBroker(addr, "", ""); !errors.Is(err, ErrOpen) {
			t.Errorf("%s: %v %v", addr, b, err)
		}
	}
	if _, err := StartBroker("0.0.0.0:0", "barn", ""); !errors.Is(err, ErrOpen) {
		t.Errorf("a user without a password: %v", err)
	}
	b, err := StartBroker("127.0.0.1:0", "", "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := StartBroker(b.Addr(), "", ""); err == nil {
		t.Error("two at one address")
	}
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}

// login tries to log in.
func login(t *testing.T, addr, user, password string, got func(string)) (mqtt.Client, error) {
	t.Helper()
	o := mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(t.Name() + user + password).SetUsername(user).SetPassword(password).
		SetAutoReconnect(false).SetConnectTimeout(5 * time.Second)
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) { got(m.Topic() + " " + string(m.Payload())) })
	c := mqtt.NewClient(o)
	token := c.Connect()
	if !token.WaitTimeout(5 * time.Second) {
		t.Fatal("no answer")
	}
	return c, token.Error()
}

// TestPassword: who knows it is in, others are not; messages pass and retained
// ones stay; a foreign client speaks with it too.
func TestPassword(t *testing.T) {
	b, err := StartBroker("127.0.0.1:0", "barn", "secret")
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}()
	for _, who := range [][2]string{{"", ""}, {"barn", ""}, {"barn", "Secret"}, {"shop", "secret"}} {
		if _, err := login(t, b.Addr(), who[0], who[1], nil); err == nil {
			t.Errorf("%q is in", who)
		}
	}
	got := make(chan string, 10)
	c, err := login(t, b.Addr(), "barn", "secret", func(s string) { got <- s })
	if err != nil {
		t.Fatal(err)
	}
	defer c.Disconnect(50)
	for _, token := range []mqtt.Token{c.Publish("kerfwind/status", 1, true, "online"), c.Subscribe("kerfwind/#", 1, nil)} {
		if !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			t.Fatal(token.Error())
		}
	}
	select {
	case s := <-got:
		if s != "kerfwind/status online" {
			t.Error(s)
		}
	case <-time.After(5 * time.Second): //clock:ok the broker is a server with goroutines of its own
		t.Error("no retained message")
	}
	sub := peers.Require(t, "mosquitto_sub", "Debian package mosquitto-clients")
	host, port, _ := strings.Cut(b.Addr(), ":")
	out, err := exec.Command(sub, "-h", host, "-p", port, "-u", "barn", "-P", "secret", "-t", "kerfwind/status", "-C", "1", "-W", "10").CombinedOutput()
	if err != nil || strings.TrimSpace(string(out)) != "online" {
		t.Errorf("%v %s", err, out)
	}
}
