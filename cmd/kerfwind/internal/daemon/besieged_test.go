package daemon

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/config"
	"kerfwind/control/loop"
)

// besiege is the address of the page that TestBesiege attacks.
const besiege = "KERFWIND_BESIEGE"

// BenchmarkCommandBesieged is BenchmarkCommand while another process tries
// passwords as fast as it can.
func BenchmarkCommandBesieged(b *testing.B) {
	file := filepath.Join(b.TempDir(), "passwords.json")
	key, err := panel.NewKey("sawdust and shavings")
	if err != nil {
		b.Fatal(err)
	}
	data, err := panel.Passwords{panel.Setup: key}.Encode()
	if err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(file, data, 0o600); err != nil {
		b.Fatal(err)
	}
	server := panel.New(panel.Options{Passwords: file, Audit: func(panel.Row) error { return nil }, Notice: func(err error) { b.Error(err) }})
	server.Open(panel.Place{Listen: "127.0.0.1:0"}, func(err error) {
		if err != nil {
			b.Error(err)
		}
	})
	defer server.Close()
	attack := exec.Command(os.Args[0], "-test.run=^TestBesiege$", "-test.v")
	attack.Env = append(os.Environ(), besiege+"=http://"+server.Addr().String())
	var said strings.Builder
	attack.Stdout = &said
	stdin, err := attack.StdinPipe() // its end ends the attack
	if err != nil {
		b.Fatal(err)
	}
	if err := attack.Start(); err != nil {
		b.Fatal(err)
	}
	benchmarkCommand(b, func(s *config.Shop) loop.Observer {
		names := rig.Names(s)
		shop := panel.NewShop(s, &names)
		shop.Speed, shop.Now = 1, func() time.Duration { return shop.Snapshot().At }
		shop.Wall = func() (time.Time, bool) { return time.Now(), true }
		server.Show(shop)
		return shop
	})
	if err := stdin.Close(); err != nil {
		b.Error(err)
	}
	if err := attack.Wait(); err != nil {
		b.Error(err, said.String())
	}
	b.Log(said.String())
}

// TestBesiege tries passwords until its standard input ends. It is the other
// process of BenchmarkCommandBesieged.
func TestBesiege(t *testing.T) {
	address := os.Getenv(besiege)
	if address == "" {
		t.Skip("it is part of BenchmarkCommandBesieged")
	}
	ended := make(chan struct{})
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		close(ended)
	}()
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 8}, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	var tries, looked, in atomic.Int64
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			for {
				select {
				case <-ended:
					return
				default:
				}
				n := tries.Add(1)
				r, err := client.PostForm(address+"/sign-in", url.Values{"role": {"setup"}, "password": {fmt.Sprint("guess ", n)}})
				if err != nil {
					continue // cut off
				}
				_, _ = io.Copy(io.Discard, r.Body)
				_ = r.Body.Close()
				switch r.StatusCode {
				case http.StatusForbidden:
					looked.Add(1)
				case http.StatusSeeOther:
					in.Add(1)
				}
			}
		})
	}
	all.Wait()
	client.CloseIdleConnections()
	t.Logf("%d tries, %d looked at, %d got in", tries.Load(), looked.Load(), in.Load())
	if in.Load() > 0 {
		t.Error("a guess got in")
	}
}
