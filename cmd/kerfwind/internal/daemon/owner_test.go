package daemon

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
)

// inShop is what the model of the owner knows: which shop is to be in force, which
// one waits, and who has a bench.
type inShop struct {
	base, runs string // file of the shop, and of what runs; a bench is "bench N"
	waits      string // what comes at the next rest; "": nothing
	reread     bool   // files that were read again wait for the end of the bench
	lease      uint64
	until      time.Duration
	leases     uint64
}

// end is the end of the bench.
func (m *inShop) end() {
	m.lease, m.waits = 0, ""
	if m.reread || m.runs != m.base {
		m.waits = m.base
	}
	m.reread = false
}

// The owner of the shop in force does, whatever comes in which order, what a much
// smaller model says: a bench ends by itself, what was read again waits for its end,
// what cannot be opened leaves the shop before, and every ticket ends as what happened.
func TestOwner(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		shop := &config.Shop{Name: "shop"}
		first := taken{shop, Choice{File: "first"}}
		o := newOwner(first)
		o.opened(move{place: place{taken: first}})
		m := inShop{base: "first", runs: "first"}
		now, files := time.Duration(0), 0
		var issued []uint64
		adopt := func(always bool) bool {
			a := seam.Adoption{Always: always}
			if rapid.Bool().Draw(t, "seen") {
				a.Before = o.revision
			}
			err := o.may(&a)
			if want := m.lease != 0 && !always || a.Before != 0 && m.waits != ""; (err != nil) != want {
				t.Fatalf("adopting: %v, want an error: %v", err, want)
			}
			if err != nil {
				return false
			}
			files++
			file := fmt.Sprintf("shop %d", files)
			issued = append(issued, o.adopt(taken{shop, Choice{file, true}}).ID)
			if m.lease != 0 {
				m.end()
			}
			m.waits, m.reread = file, false
			return true
		}
		t.Repeat(map[string]func(*rapid.T){
			"adopt":        func(*rapid.T) { adopt(false) },
			"adopt always": func(*rapid.T) { adopt(true) },
			"reload": func(*rapid.T) {
				issued = append(issued, o.again(o.base).ID)
				if m.lease != 0 {
					m.reread = true
				} else {
					m.waits = m.base
				}
			},
			"bench": func(t *rapid.T) {
				long := time.Duration(rapid.IntRange(1, 5).Draw(t, "seconds")) * time.Second
				ticketed := o.next != nil && o.next.ticket != 0
				b, err := o.take(&seam.BenchWish{Text: []byte("bench"), For: long}, shop, now)
				if want := m.lease != 0 || ticketed; (err != nil) != want {
					t.Fatalf("a bench: %v, want an error: %v", err, want)
				}
				if err == nil {
					m.leases++
					m.lease, m.until, m.waits = m.leases, now+long, fmt.Sprintf("bench %d", m.leases)
					if b.Lease != m.lease || b.Outcome != seam.Waits {
						t.Fatalf("%+v", b)
					}
				}
			},
			"renew": func(t *rapid.T) {
				which := uint64(rapid.IntRange(1, int(m.leases)+1).Draw(t, "lease"))
				w := &seam.BenchWish{Lease: which, For: time.Second}
				var s *config.Shop
				if rapid.Bool().Draw(t, "another text") {
					files++
					s, w.Text = shop, fmt.Appendf(nil, "text %d", files)
				}
				b, err := o.take(w, s, now)
				if err != nil || (b.Outcome == seam.Failed) != (which != m.lease) {
					t.Fatalf("%+v, %v, the lease is %d", b, err, m.lease)
				}
				if which == m.lease {
					m.until = now + time.Second
					if s != nil {
						m.waits = fmt.Sprintf("bench %d", m.lease)
					}
				}
			},
			"give back": func(*rapid.T) {
				if o.bench != nil {
					o.end(whyBack)
					m.end()
				}
			},
			"time": func(t *rapid.T) {
				now += time.Duration(rapid.IntRange(1, 3000).Draw(t, "ms")) * time.Millisecond
				over := m.lease != 0 && now >= m.until
				if o.lapse(now) != over {
					t.Fatalf("lapsed: %v", !over)
				}
				if over {
					m.end()
				}
			},
			"rest": func(t *rapid.T) { // what waits is opened, which may fail
				mv := o.comes()
				if o.next == nil {
					return
				}
				for range 3 {
					if rapid.IntRange(0, 3).Draw(t, "fails") > 0 || mv.place == (place{taken: o.base}) {
						break
					}
					was := mv
					mv = o.failed(mv, errors.New("no such bus"))
					if was.bench != 0 && was.bench == m.lease {
						m.end()
						if m.waits != "" {
							continue
						}
					}
					m.waits = ""
				}
				// Meanwhile somebody may give the bench back, or choose another shop.
				coming, had := m.waits, m.lease
				changed := false
				switch rapid.IntRange(0, 3).Draw(t, "meanwhile") {
				case 0:
					if o.bench != nil {
						o.end(whyBack)
						m.end()
						changed = true
					}
				case 1:
					if adopt(true) {
						changed = true
					}
				}
				if !changed && m.waits == coming {
					m.waits = ""
				}
				o.opened(mv)
				if m.runs = mv.choice.File; mv.bench == 0 {
					m.base = m.runs
					return
				}
				m.runs = fmt.Sprintf("bench %d", mv.bench)
				if had != m.lease && m.waits == "" {
					m.waits = m.base
				}
			},
			"": func(t *rapid.T) {
				waits := ""
				if o.next != nil {
					if waits = o.next.choice.File; o.next.bench != 0 {
						waits = fmt.Sprintf("bench %d", o.next.bench)
					}
				}
				runs := o.runs.choice.File
				if o.runs.bench != 0 {
					runs = fmt.Sprintf("bench %d", o.runs.bench)
				}
				lease := uint64(0)
				if o.bench != nil {
					lease = o.bench.Lease
				}
				if got := (inShop{o.base.choice.File, runs, waits, o.asked != nil, lease, m.until, m.leases}); got != m {
					t.Fatalf("%+v, want %+v", got, m)
				}
				open := 0
				for _, id := range issued[max(0, len(issued)-ticketsKept):] {
					k, err := o.ticket(id)
					switch {
					case err != nil:
						t.Fatal(err)
					case k.Outcome == seam.Waits:
						open++
						if k.For == "" {
							t.Fatalf("%+v does not say what it waits for", k)
						}
					case k.Outcome == seam.TookEffect && k.Revision == 0, k.Outcome == seam.Failed && k.Why == "":
						t.Fatalf("%+v", k)
					}
				}
				want := 0
				if o.next != nil && o.next.ticket != 0 {
					want++
				}
				if o.asked != nil {
					want++
				}
				if open != want {
					t.Fatalf("%d tickets wait, %d things do", open, want)
				}
				if f := o.inForce(); (f.Waiting != "") != (m.waits != "" || m.reread) || f.Bench != (o.runs.bench != 0) {
					t.Fatalf("%+v", f)
				}
			},
		})
	})
}
