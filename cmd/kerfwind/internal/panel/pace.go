package panel

import (
	"math"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"kerfwind/cmd/kerfwind/internal/porter"
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
	source := porter.Source(from)
	p.mu.Lock()
	defer p.mu.Unlock()
	l := p.all[source]
	if l == nil {
		p.forget()
		l = rate.NewLimiter(rate.Every(p.gap), p.atOnce)
		p.all[source] = l
	}
	return delay(l)
}

// forget makes room for an address: it drops the one that is nearest to being as
// if it had never come. mu is held.
func (p *pace) forget() {
	if len(p.all) < mostSources {
		return
	}
	var least netip.Prefix
	tokens := math.Inf(-1)
	for x, l := range p.all {
		if n := l.Tokens(); n > tokens {
			least, tokens = x, n
		}
	}
	delete(p.all, least)
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
