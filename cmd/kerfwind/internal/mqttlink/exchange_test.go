package mqttlink

import (
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"kerfwind/config"
)

// The program's own broker may begin after the exchange does: the first try that
// fails is told of by nobody, the second is.
func TestExchangeIsPatient(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	tries, early := 0, 0
	var notices []string
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			tries++
			if tries <= 2 {
				early += len(notices)
			}
			mu.Unlock()
			_ = c.Close() // no broker yet
		}
	}()
	x := NewExchange(ExchangeOptions{Client: "annex", Status: "kerfwind/node/annex/status", Taken: func(Letter) {}, Options: Options{
		MQTT: config.MQTT{Broker: "tcp://" + l.Addr().String(), Topic: "kerfwind"}, Boot: "b1", Now: func() time.Duration { return 0 },
		Notice: func(err error) { mu.Lock(); defer mu.Unlock(); notices = append(notices, err.Error()) },
	}})
	until(t, "the second failure is told", func() bool { mu.Lock(); defer mu.Unlock(); return tries >= 2 && len(notices) > 0 })
	x.Close()
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	<-done
	if early > 0 || !strings.Contains(notices[0], "control goes on without it") {
		t.Errorf("%d notices before the second try: %q", early, notices)
	}
}
