package panel

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"strings"
	"sync"
)

// The icon is drawn once, in a box of iconBox: a duct seen from its end, and the blade of a
// gate half across it. What a launcher may crop (a fifth on each side) holds only ground.
const iconBox = 100

// An iconShape is a ring, or a rectangle with its corner at X, Y; R is the ring's radius and W
// the width of its line, or the sides of the rectangle.
type iconShape struct {
	Ring       bool
	X, Y, R, W float64
	Colour     color.RGBA
}

var (
	iconGround = color.RGBA{0x14, 0x18, 0x1a, 0xff}
	iconTag    = color.RGBA{0xf3, 0xea, 0xd7, 0xff}
	iconShapes = []iconShape{
		{false, 0, 0, iconBox, iconBox, iconGround},
		{true, 50, 50, 24, 7, iconTag},
		{false, 22, 50, 56, 8, iconGround}, // so that blade and duct stand apart
		{false, 22, 53, 56, 9, iconTag},
	}
)

// iconSVG is the icon for a browser's tab.
func iconSVG() []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %[1]d">`, iconBox)
	for _, s := range iconShapes {
		c := fmt.Sprintf("#%02x%02x%02x", s.Colour.R, s.Colour.G, s.Colour.B)
		if s.Ring {
			fmt.Fprintf(&b, `<circle cx="%g" cy="%g" r="%g" fill="none" stroke="%s" stroke-width="%g"/>`, s.X, s.Y, s.R, c, s.W)
		} else {
			fmt.Fprintf(&b, `<path fill="%s" d="M%g %gh%gv%gh%gz"/>`, c, s.X, s.Y, s.R, s.W, -s.R)
		}
	}
	b.WriteString("</svg>")
	return []byte(b.String())
}

// has reports whether a point is in a shape.
func (s *iconShape) has(x, y float64) bool {
	if s.Ring {
		return math.Abs(math.Hypot(x-s.X, y-s.Y)-s.R) <= s.W/2
	}
	return x >= s.X && x < s.X+s.R && y >= s.Y && y < s.Y+s.W
}

// iconPNG is the icon for a home screen, size pixels wide. Each pixel is the mean of 16
// points; two colours and their mixtures make it small.
func iconPNG(size int) []byte {
	const fine = 4
	var shades color.Palette
	for i := range fine*fine + 1 {
		mix := func(a, b uint8) uint8 { return uint8((int(a)*(fine*fine-i) + int(b)*i) / (fine * fine)) }
		shades = append(shades, color.RGBA{mix(iconGround.R, iconTag.R), mix(iconGround.G, iconTag.G), mix(iconGround.B, iconTag.B), 0xff})
	}
	m := image.NewPaletted(image.Rect(0, 0, size, size), shades)
	for y := range size {
		for x := range size {
			lit := uint8(0)
			for p := range fine * fine {
				at := func(pixel, part int) float64 {
					return (float64(pixel) + (float64(part)+.5)/fine) * iconBox / float64(size)
				}
				top := iconGround
				for i := range iconShapes {
					if iconShapes[i].has(at(x, p%fine), at(y, p/fine)) {
						top = iconShapes[i].Colour
					}
				}
				if top == iconTag {
					lit++
				}
			}
			m.SetColorIndex(x, y, lit)
		}
	}
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		panic(err) // it is written to memory
	}
	return b.Bytes()
}

// manifest lets a phone put the page on its home screen, with a window of its own.
const manifest = `{"name":"kerfwind","short_name":"kerfwind","id":"/","start_url":"/","scope":"/","display":"standalone",` +
	`"background_color":"#14181a","theme_color":"#14181a","icons":[` +
	`{"src":"/icon.svg","sizes":"any","type":"image/svg+xml"},` +
	`{"src":"/icon-192.png","sizes":"192x192","type":"image/png","purpose":"any"},` +
	`{"src":"/icon-512.png","sizes":"512x512","type":"image/png","purpose":"any"},` +
	`{"src":"/icon-512.png","sizes":"512x512","type":"image/png","purpose":"maskable"}]}`

// assets are the files that are served as they are: their types and what is in them.
var assets = map[string]assetOf{
	"style.css":            {"text/css; charset=utf-8", file("style.css")},
	"page.js":              {"text/javascript; charset=utf-8", file("page.js")},
	"acts.js":              {"text/javascript; charset=utf-8", file("acts.js")},
	"picture.css":          {"text/css; charset=utf-8", file("picture.css")},
	"wall.css":             {"text/css; charset=utf-8", file("wall.css")},
	"wall.js":              {"text/javascript; charset=utf-8", file("wall.js")},
	"icon.svg":             {"image/svg+xml", iconSVG},
	"icon-180.png":         {"image/png", drawn(180)},
	"icon-192.png":         {"image/png", drawn(192)},
	"icon-512.png":         {"image/png", drawn(512)},
	"manifest.webmanifest": {"application/manifest+json", func() []byte { return []byte(manifest) }},
}

type assetOf struct {
	kind string
	text func() []byte
}

func file(name string) func() []byte {
	return func() []byte {
		b, err := web.ReadFile("web/" + name)
		if err != nil {
			panic(err) // it is embedded: a name that is missing is a fault of the program
		}
		return b
	}
}

// drawn draws the icon when somebody first asks for it.
func drawn(size int) func() []byte { return sync.OnceValue(func() []byte { return iconPNG(size) }) }
