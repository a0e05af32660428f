package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"regexp"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/rogpeppe/go-internal/testscript"

	"kerfwind/testdata"
)

// topicsWait bounds what these commands wait for.
const topicsWait = 20 * time.Second

// topicsSetup writes the demo's rig and shop, with a broker within the program,
// a link to it and metrics: topics-setup RIG SHOP.
func topicsSetup(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: topics-setup RIG SHOP")
	}
	free := func() net.Listener {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		ts.Check(err)
		return l
	}
	first, second := free(), free() // both at once, so that they differ
	broker, metrics := first.Addr().String(), second.Addr().String()
	ts.Check(errors.Join(first.Close(), second.Close()))
	rig, err := testdata.Demo.ReadFile("demo/rig.toml")
	ts.Check(err)
	shop, err := testdata.Demo.ReadFile("demo/shops/barn.toml")
	ts.Check(err)
	rig = fmt.Appendf(rig, "\n[mqtt]\nbroker = \"tcp://%s\"\nuser = \"barn\"\npassword_file = \"password\"\n[broker]\nlisten = %q\nuser = \"barn\"\npassword_file = \"password\"\n[metrics]\nlisten = %q\n", broker, broker, metrics)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), rig, 0o600))
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), shop, 0o600))
	morning, err := testdata.Demo.ReadFile("demo/morning.txt")
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs("morning.txt"), morning, 0o600))
	ts.Check(os.WriteFile(ts.MkAbs("password"), []byte("secret\n"), 0o600))
	ts.Setenv("BROKER", broker)
	ts.Setenv("METRICS", metrics)
}

// topicsAsk publishes a request, again and again, until an answer or an event
// holds a text: topics-ask REQUEST TEXT.
func topicsAsk(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: topics-ask REQUEST TEXT")
	}
	heard := make(chan string, 1000)
	// A name of its own: the broker may still be busy forgetting the last one.
	o := mqtt.NewClientOptions().AddBroker("tcp://" + ts.Getenv("BROKER")).SetClientID("test-" + rand.Text()).SetUsername("barn").SetPassword("secret").
		SetAutoReconnect(false).SetConnectRetry(true).SetConnectRetryInterval(50 * time.Millisecond)
	o.SetDefaultPublishHandler(func(_ mqtt.Client, m mqtt.Message) {
		select {
		case heard <- string(m.Payload()):
		default:
		}
	})
	c := mqtt.NewClient(o)
	defer c.Disconnect(50)
	wait := func(t mqtt.Token) {
		if !t.WaitTimeout(topicsWait) {
			ts.Fatalf("%T: no answer", t)
		}
		ts.Check(t.Error())
	}
	wait(c.Connect())
	wait(c.SubscribeMultiple(map[string]byte{"kerfwind/answer": 1, "kerfwind/event": 1}, nil))
	limit := time.After(topicsWait)          //clock:ok a broker answers when it likes
	again := time.NewTicker(2 * time.Second) //clock:ok a broker answers when it likes: it listens to one a second
	var all []string
	wait(c.Publish("kerfwind/ask", 1, false, args[0]))
	for {
		select {
		case text := <-heard:
			if strings.Contains(text, args[1]) {
				return
			}
			all = append(all, text)
		case <-again.C:
			wait(c.Publish("kerfwind/ask", 1, false, args[0]))
		case <-limit:
			ts.Fatalf("nothing heard that holds %q:\n%s", args[1], strings.Join(all, "\n"))
		}
	}
}

// topicsMetric waits until the metrics hold a line: topics-metric LINE.
func topicsMetric(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: topics-metric REGEXP")
	}
	line := regexp.MustCompile("(?m)^" + args[0] + "$")
	text := ""
	deadline := time.Now().Add(topicsWait)
	for tick := time.NewTicker(50 * time.Millisecond); time.Now().Before(deadline); <-tick.C { //clock:ok a broker answers when it likes
		resp, err := http.Get("http://" + ts.Getenv("METRICS") + "/metrics")
		if err != nil {
			text = err.Error()
			continue
		}
		b, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		ts.Check(err)
		if text = string(b); line.MatchString(text) {
			return
		}
	}
	ts.Fatalf("no line %s in\n%s", args[0], text)
}
