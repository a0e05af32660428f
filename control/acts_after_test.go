package control

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"os"
	"strings"
	"testing"
	"time"
)

// TestActsAfter goes on where TestActs ends: after every third input that does something
// in a state, and a moment, come some of all inputs, drawn by lot. What follows then is too
// much to read: testdata/acts/after.txt holds check sums of it. Where one is wrong the
// acts are printed: hold them against those of the version before.
func TestActsAfter(t *testing.T) {
	const file = "../testdata/acts/after.txt"
	held := map[string]string{}
	text, err := os.ReadFile(file)
	if err != nil && !*rewrite {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		name, was, _ := strings.Cut(strings.TrimSpace(line), " = ")
		held[name] = was
	}
	var all strings.Builder
	for _, s := range actStates() {
		t.Run(s.name, func(t *testing.T) {
			first := s.stage(t)
			still := first.play(Input{Kind: Tick}, nil)
			seen := map[string]bool{}
			for _, in := range first.inputs() {
				b := first.copy()
				b.step(in)
				key := string(b.c.AppendKey(nil, b.now))
				if key == still.key || seen[key] {
					continue
				}
				seen[key] = true
				if len(seen)%3 != 0 {
					continue
				}
				b.wait(time.Duration(len(seen)%5) * 700 * time.Millisecond)
				name := s.name + ", " + inputName(in)
				got := b.after(name)
				now := fmt.Sprintf("%08x", sum(got))
				if *rewrite {
					fmt.Fprintf(&all, "%s = %s\n", name, now)
				} else if held[name] != now {
					t.Fatalf("after %s: %s, was %s:\n%s", name, now, cmp.Or(held[name], "not held"), got)
				}
			}
		})
	}
	if *rewrite {
		if err := os.WriteFile(file, []byte(all.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// after writes what follows from some inputs, one of sixteen, drawn by their names.
func (b *stage) after(name string) string {
	var out strings.Builder
	still := b.play(Input{Kind: Tick}, nil)
	fmt.Fprintf(&out, "%s%v\n", moments(still.log, " "), still.shown)
	for _, in := range b.inputs() {
		if sum(name+inputName(in))>>8%16 == 0 {
			fmt.Fprintf(&out, "%s\n%s", inputName(in), changes(still, b.play(in, &still)))
		}
	}
	return out.String()
}

func sum(text string) uint32 {
	h := fnv.New32a()
	h.Write([]byte(text))
	return h.Sum32()
}
