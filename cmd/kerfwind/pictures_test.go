package main

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/chromedp/chromedp"
)

// envPictures makes TestPictures write the pictures of deploy/pictures again.
const envPictures = "KERFWIND_PICTURES"

// mostPicture bounds a picture, in bytes: people read the documents over thin
// lines too.
const mostPicture = 60 << 10

// picturesFolder is where they are.
var picturesFolder = filepath.Join(moduleRoot, "deploy", "pictures")

// pictured is what goes on in the demo's barn while the pictures are taken.
const pictured = `length 5m
rate 1 kHz
mains 60 Hz off 0.1 %
converter 12 bits, 3.3 V
seed 1847
channel c0: 30 A : 1 V, noise 1.2 counts, offset 9 counts
channel c1: 30 A : 1 V, noise 1.2 counts, offset -14 counts
channel c2: 30 A : 1 V, noise 1.2 counts, offset 3 counts
channel c3: 30 A : 1 V, 2 turns, noise 1.2 counts, offset -5 counts
channel c4: 30 A : 1 V, noise 1.2 counts, offset 6 counts
machine "band saw" on c0: induction motor, full load 9 A, run-up 900ms
machine planer on c1: induction motor, full load 15 A, run-up 1200ms
machine "drum sander" on c2: induction motor, full load 8 A, run-up 500ms
machine router on c3: universal motor, 1440 W, 120 V, soft start
machine lamp on c4: heater, 60 W, 120 V
machine "glue pot" on c4: heater, 300 W, 120 V
at 3s lamp runs 4m50s
at 14s "band saw" runs 12s
at 16s "band saw" cuts 8s at 60 %
at 38s router runs 70s
at 40s router cuts 65s at 50 %
at 45s planer runs 25s
at 48s planer cuts 18s at 75 %
at 50s "glue pot" runs 90s
at 84s c3 unplugged 20s
at 116s "drum sander" runs 20s
at 119s "drum sander" cuts 12s at 60 %
`

// TestPictures takes the pictures of the page from the running program, on a
// simulated rig. It does so only with KERFWIND_PICTURES=1; else
// it looks whether the pictures are there and small.
func TestPictures(t *testing.T) {
	names := []string{"now-phone-dark", "now-phone-light", "air-desktop", "runs", "upkeep", "signals"}
	if os.Getenv(envPictures) == "" {
		for _, n := range names {
			info, err := os.Stat(filepath.Join(picturesFolder, n+".png"))
			if err != nil {
				t.Error(err)
			} else if info.Size() > mostPicture {
				t.Errorf("%s: %d bytes, at most %d", n, info.Size(), mostPicture)
			}
		}
		return
	}
	b := browser(t)
	shop := startBarn(t, pictured, 3)
	origin := "http://" + shop.addr
	x := newTab(t, b)
	x.screen(360, 740, "dark")
	x.signIn(origin, "setup")
	runs := func(machine string) string {
		return `document.querySelector('[data-s=` + machine + `]').dataset.state === 'run'`
	}
	x.until("the band saw runs", runs("m0"))
	cuts := `parseFloat(document.querySelector('[data-v="m1.amps"]').textContent)`
	x.until("router and planer cut", runs("m3")+" && "+runs("m1")+" && "+collectorIs+" === 'run' && document.querySelector('[data-t=m1]').textContent > '0:10' && "+cuts+" > 9")
	x.take("now-phone-dark", 360, 740, 2, "dark")

	x.open(origin + "/air")
	x.take("air-desktop", 1180, 900, 1, "light")

	x.open(origin + "/")
	x.until("the router's sensor is lost while it runs", `document.querySelector('[data-s=m3]').dataset.state === 'lost' &&
		document.querySelectorAll('#troubles li').length === 1 && document.querySelector('#troubles time').textContent > '0:04'`)
	x.take("now-phone-light", 360, 740, 2, "light")

	x.until("the sander runs", runs("m2"))
	x.until("and stops", "!("+runs("m2")+")")
	x.open(origin + "/signals")
	x.take("signals", 360, 740, 2, "dark")
	x.open(origin + "/runs")
	x.take("runs", 1180, 800, 1, "dark")
	x.open(origin + "/upkeep")
	x.take("upkeep", 360, 740, 2, "light")
}

// take takes a picture of the tab.
func (x *tab) take(name string, width, height int64, scale float64, light string) {
	x.t.Helper()
	x.screen(width, height, light)
	x.do(chromedp.EmulateViewport(width, height, chromedp.EmulateScale(scale)))
	b, err := chromedp.Run(x.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		x.t.Fatal(err)
	}
	small, err := fewColours(b)
	if err != nil {
		x.t.Fatal(err)
	}
	if len(small) > mostPicture {
		x.t.Errorf("%s: %d bytes, at most %d", name, len(small), mostPicture)
	}
	if err := os.MkdirAll(picturesFolder, 0o755); err != nil { //nolint:gosec // part of the repository
		x.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(picturesFolder, name+".png"), small, 0o644); err != nil { //nolint:gosec // part of the repository
		x.t.Fatal(err)
	}
}

// fewColours makes a picture of flat areas small: it keeps the 64 commonest
// colours, which are those of the areas and of the edges of the letters.
func fewColours(data []byte) ([]byte, error) {
	from, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	count := map[color.RGBA]int{}
	box := from.Bounds()
	at := func(x, y int) color.RGBA {
		r, g, b, _ := from.At(x, y).RGBA() // a page is opaque
		return color.RGBA{uint8(r >> 8), uint8(g >> 8), uint8(b >> 8), 255}
	}
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			count[at(x, y)]++
		}
	}
	all := make([]color.RGBA, 0, len(count))
	for c := range count {
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b color.RGBA) int {
		if d := count[b] - count[a]; d != 0 {
			return d
		}
		return int(a.R)<<16 + int(a.G)<<8 + int(a.B) - int(b.R)<<16 - int(b.G)<<8 - int(b.B)
	})
	var few color.Palette
	for _, c := range all[:min(64, len(all))] {
		few = append(few, c)
	}
	to, index := image.NewPaletted(box, few), map[color.RGBA]uint8{}
	for y := box.Min.Y; y < box.Max.Y; y++ {
		for x := box.Min.X; x < box.Max.X; x++ {
			c := at(x, y)
			i, ok := index[c]
			if !ok {
				i = uint8(few.Index(c))
				index[c] = i
			}
			to.SetColorIndex(x, y, i)
		}
	}
	var b bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestCompression}
	err = e.Encode(&b, to)
	return b.Bytes(), err
}
