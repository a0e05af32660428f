package replay

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"kerfwind/config"
	"kerfwind/sensor/trace"
	"kerfwind/testdata"
)

var rewrite = flag.Bool("rewrite", false, "write the demo's expected timeline afresh")

// expectFile is the demo's expected timeline, seen from this package.
const expectFile = "../../../../testdata/demo/expect.jsonl"

const expectHead = `# What kerfwind makes of the demo's morning: kerfwind replay --power-up --expect …
# Written by: go test ./cmd/kerfwind/internal/replay -run Demo -rewrite
{"format":1,"tolerance":0.05}
`

// TestDemo holds every byte of the demo's timeline, on every processor.
func TestDemo(t *testing.T) {
	read := func(name string) []byte {
		b, err := testdata.Demo.ReadFile("demo/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	rig, err := config.ParseRig("rig.toml", read("rig.toml"))
	if err != nil {
		t.Fatal(err)
	}
	shop, err := config.ParseShop("barn.toml", read("shops/barn.toml"), rig)
	if err != nil {
		t.Fatal(err)
	}
	src, err := trace.NewReader("barn.flac", bytes.NewReader(read("barn.flac")), trace.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, _ := replayed(t, Options{Trace: src, Rig: rig, Shop: shop, Plant: bytes.NewReader(read("plant.txt")), PlantName: "plant.txt", PowerUp: true})
	want := append([]byte(expectHead), got.out...)
	if *rewrite {
		if err := os.WriteFile(expectFile, want, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if d := cmp.Diff(strings.Split(string(read("expect.jsonl")), "\n"), strings.Split(string(want), "\n")); d != "" {
		t.Errorf("the demo's timeline has changed (-stored +now); if that is right, run with -rewrite\n%s", d)
	}
}
