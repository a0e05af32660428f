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
		name, sum, _ := strings.Cut(strings.TrimSpace(line), " = ")
		held[name] = sum
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
				h := fnv.New32a()
				h.Write([]byte(got))
				sum := fmt.Sprintf("%08x", h.Sum32())
				if *rewrite {
					fmt.Fprintf(&all, "%s = %s\n", name, sum)
				} else if held[name] != sum {
					t.Fatalf("after %s: %s, was %s:\n%s", name, sum, cmp.Or(held[name], "not held"), got)
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

// after writes what follows from some inputs, nine or so, drawn by the name.
func (b *stage) after(name string) string {
	var out strings.Builder
	inputs := b.inputs()
	still := b.play(Input{Kind: Tick}, nil)
	fmt.Fprintf(&out, "%s%v\n", moments(still.log, " "), still.shown)
	h := fnv.New64a()
	h.Write([]byte(name))
	for lot := h.Sum64(); lot > 0; lot /= uint64(len(inputs)) {
		in := inputs[lot%uint64(len(inputs))]
		fmt.Fprintf(&out, "%s\n%s", inputName(in), changes(still, b.play(in, &still)))
	}
	return out.String()
}
