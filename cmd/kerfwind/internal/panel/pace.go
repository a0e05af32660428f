package panel

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// mostSources bounds how many addresses are told apart.
const mostSources = 1024

// pace lets each address do something only so often.
type pace struct {
	gap    time.Duration // between two times, in the long run
	atOnce int

	mu  sync.Mutex
	all map[netip.Prefix]*rate.Limiter
}

func newPace(gap time.Duration, atOnce int) *pace {
	return &pace{gap: gap, atOnce: atOnce, all: map[netip.Prefix]*rate.Limiter{}}
}

// wait is how long somebody must wait before the next time; 0 lets him.
func (p *pace) wait(from netip.Addr) time.Duration {
	bits := 32
	if from.Is6() {
		bits = 64 // a network of its own for every house: its owner has all addresses of it
	}
	source, _ := from.Prefix(bits) // the zero one for an address that is not known
	p.mu.Lock()
	defer p.mu.Unlock()
	l := p.all[source]
	if l == nil {
		if len(p.all) >= mostSources {
			for x, old := range p.all {
				if old.Tokens() >= float64(p.atOnce) {
					delete(p.all, x) // as if it had never come
				}
			}
		}
		if len(p.all) >= mostSources {
			return p.gap
		}
		l = rate.NewLimiter(rate.Every(p.gap), p.atOnce)
		p.all[source] = l
	}
	return delay(l)
}

// delay takes a turn, or says how long it is until there is one.
func delay(l *rate.Limiter) time.Duration {
	r := l.Reserve()
	d := r.Delay()
	if d > 0 {
		r.Cancel()
	}
	return d
}

// addressOf is the address of a "host:port", without a zone.
func addressOf(hostport string) netip.Addr {
	at, err := netip.ParseAddrPort(hostport)
	if err != nil {
		return netip.Addr{}
	}
	return at.Addr().Unmap().WithZone("")
}
