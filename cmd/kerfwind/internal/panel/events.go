package panel

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"strconv"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/scene"
)

// Pace of a stream: our own choice. page.js takes a stream for lost after
// three beats.
const (
	streamGap   = 250 * time.Millisecond // between two messages at least
	eventGap    = 50 * time.Millisecond  // but where something has happened
	streamLook  = 500 * time.Millisecond // currents are looked at this often
	streamBeat  = 2 * time.Second        // a message at least this often
	streamWrite = 5 * time.Second        // a visitor who takes nothing for so long is gone
)

// cells are the values on the page that follow by themselves, by their keys:
// an element with data-v="KEY" shows a text, one with data-s="KEY" has a state,
// data-t="KEY" is a clock (see clock.Code), data-w="KEY" the width of a bar
// in per cent.
type cells struct {
	text, state, clock, width map[string]string
	troubles                  []trouble
	begun                     bool
}

func newCells() *cells {
	return &cells{text: map[string]string{}, state: map[string]string{}, clock: map[string]string{}, width: map[string]string{}}
}

// liveCells put the values of the parts. They are called some times a second
// while a page is open.
var liveCells = []func(*Shop, *cells){nowCells}

// message holds what a stream sends: only what is not as it was.
type message struct {
	T        float64           `json:"t"`            // the instant of the stream, s
	ID       string            `json:"id,omitempty"` // of the page's make-up: another one needs another page
	Text     map[string]string `json:"v,omitempty"`
	State    map[string]string `json:"s,omitempty"`
	Clock    map[string]string `json:"c,omitempty"`
	Width    map[string]string `json:"w,omitempty"`
	Troubles *[][4]string      `json:"x,omitempty"` // key, what, what to do, clock; all of them
}

// feed holds what all streams of a shop send. It is made again when one of them
// asks, at most once in a streamGap, so that many phones cost little more than
// one.
type feed struct {
	mu    sync.Mutex
	made  time.Time
	last  *cells
	since map[string]uint64 // by kind and key: the version that brought the value
	now   uint64            // the newest version
	moved uint64            // Shop.moved when it was made

	from, to uint64 // of the message made last
	text     []byte
}

// next returns what has changed since a version, nil if nothing has, and the
// version that it leads to.
func (f *feed) next(s *Shop, have uint64) ([]byte, uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.last == nil || time.Since(f.made) >= streamGap*4/5 || s.moved.Load() != f.moved && time.Since(f.made) >= eventGap*4/5 {
		f.renew(s)
	}
	if have == f.now {
		return nil, have
	}
	if f.text == nil || f.from != have || f.to != f.now {
		f.text, f.from, f.to = f.message(s, have), have, f.now
	}
	return f.text, f.now
}

// renew looks at the shop. f.mu is held.
func (f *feed) renew(s *Shop) {
	moved := s.moved.Load()
	c := newCells()
	for _, put := range liveCells {
		put(s, c)
	}
	old := f.last
	if old == nil {
		old, f.since = &cells{}, map[string]uint64{}
	}
	version, news := f.now+1, f.last == nil
	differ := func(kind string, was, is map[string]string) {
		for k, v := range is {
			if w, ok := was[k]; !ok || w != v {
				f.since[kind+k], news = version, true
			}
		}
	}
	differ("v", old.text, c.text)
	differ("s", old.state, c.state)
	differ("c", old.clock, c.clock)
	differ("w", old.width, c.width)
	if !equalTroubles(old.troubles, c.troubles) {
		f.since["x"], news = version, true
	}
	if old.begun != c.begun {
		f.since["id"], news = version, true
	}
	if news {
		f.now = version
	}
	f.made, f.last, f.moved = time.Now(), c, moved
}

func equalTroubles(a, b []trouble) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// message puts what is newer than a version into a message. f.mu is held.
func (f *feed) message(s *Shop, have uint64) []byte {
	newer := func(kind string, is map[string]string) map[string]string {
		out := map[string]string{}
		for k, v := range is {
			if f.since[kind+k] > have {
				out[k] = v
			}
		}
		return out
	}
	m := message{T: s.Now().Seconds(), Text: newer("v", f.last.text), State: newer("s", f.last.state), Clock: newer("c", f.last.clock), Width: newer("w", f.last.width)}
	if have == 0 || f.since["id"] > have {
		m.ID = s.makeUp(f.last.begun)
	}
	if have == 0 || f.since["x"] > have {
		list := make([][4]string, len(f.last.troubles))
		for i, t := range f.last.troubles {
			list[i] = [4]string{t.Key, t.What, t.Do, t.Clock.Code()}
		}
		m.Troubles = &list
	}
	b, err := json.Marshal(&m)
	if err != nil {
		panic(err) // it is made of strings and a number
	}
	return b
}

// makeUp tells one make-up of the page from another: things by other names, or
// another program, need another page.
func (s *Shop) makeUp(begun bool) string {
	h := sha256.New()
	fmt.Fprintf(h, "%q %v %v %s %s", s.Names, begun, s.Speed, stamp("page.js"), stamp("layout.html"))
	return hex.EncodeToString(h.Sum(nil)[:6])
}

// events is the stream of what changes on the page.
func events(v *Visit) error {
	s := v.Shop
	news, end := s.News()
	defer end()
	look := time.NewTicker(streamLook)
	defer look.Stop()
	h := v.W.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	to := http.NewResponseController(v.W)
	var have uint64
	var wrote, asked time.Time
	stirred, ok := false, false // news has come already; the visitor is still there
	for {
		b, version := s.feed.next(s, have)
		have = version
		if b == nil && time.Since(wrote) >= streamBeat {
			b = strconv.AppendFloat([]byte(`{"t":`), s.Now().Seconds(), 'f', 3, 64)
			b = append(b, '}')
		}
		if b != nil {
			if err := send(v.W, to, b); err != nil {
				return nil // the visitor is gone
			}
			wrote = time.Now()
			if stirred, ok = s.pause(v.R.Context(), news); !ok {
				return nil
			}
		}
		if !stirred {
			select {
			case <-news:
			case <-look.C:
			case <-v.R.Context().Done():
				return nil
			case <-s.Left():
				return nil
			}
		}
		stirred = false
		if time.Since(asked) >= time.Second {
			asked = time.Now()
			if !v.Still() {
				return nil // the script asks again, and hears why not
			}
		}
	}
}

// pause keeps two messages apart: by streamGap, or by eventGap where something happens
// meanwhile. stirred reports whether there was news, ok whether to go on.
func (s *Shop) pause(ctx context.Context, news <-chan struct{}) (stirred, ok bool) {
	seen := s.moved.Load()
	short, long := time.NewTimer(eventGap), time.NewTimer(streamGap)
	defer short.Stop()
	defer long.Stop()
	over := false // the short one
	for {
		select {
		case <-short.C:
			over = true
		case <-long.C:
			return stirred, true
		case <-news:
			stirred = true
		case <-ctx.Done():
			return stirred, false
		case <-s.Left():
			return stirred, false
		}
		if over && s.moved.Load() != seen {
			return stirred, true
		}
	}
}

// send writes one message.
func send(w http.ResponseWriter, to *http.ResponseController, b []byte) error {
	if err := to.SetWriteDeadline(time.Now().Add(streamWrite)); err != nil && !errors.Is(err, http.ErrNotSupported) && !errors.Is(err, os.ErrNoDeadline) {
		return err
	}
	if _, err := fmt.Fprintf(w, "data: %s\n\n", b); err != nil {
		return err
	}
	return to.Flush()
}

// nowCells puts the values of the part Now, and the line in every page's head.
func nowCells(s *Shop, c *cells) {
	in := s.nowIn()
	v := makeNow(in)
	c.begun, c.troubles = v.Begun, v.Troubles
	h := makeHead(v)
	c.state["head"], c.text["head"] = h.State, h.Word
	c.text["note"] = v.Note
	w := s.waits(in.Snap)
	c.text["waits"], c.state["waits"] = w.Text, w.State
	if v.Begun {
		d := in.dock()
		c.state["dock"] = d.State
		for i := range d.Gates {
			c.state[d.Gates[i].Key] = d.Gates[i].State
		}
	}
	s.picture().put(c, v)
	c.state["down"] = ""
	if v.StoodDown {
		c.state["down"] = "down"
	}
	for i := range v.Collectors {
		k := &v.Collectors[i]
		c.state[k.Key] = k.State
		c.text[k.Key+".word"], c.text[k.Key+".note"], c.text[k.Key+".starts"] = k.Word, k.Note, k.Starts
		c.clock[k.Key+".on"], c.clock[k.Key+".ends"], c.clock[k.Key+".more"] = k.Clock.Code(), k.Ends.Code(), k.More.Code()
	}
	for i := range v.Machines {
		m := &v.Machines[i]
		c.state[m.Key] = m.State
		c.text[m.Key+".word"], c.text[m.Key+".note"], c.text[m.Key+".amps"] = m.Word, m.Note, m.Amps
		c.clock[m.Key] = m.Clock.Code()
	}
	for i := range v.Gates {
		g := &v.Gates[i]
		c.state[g.Key] = g.State
		c.text[g.Key+".word"], c.text[g.Key+".note"] = g.Word, g.Note
		c.clock[g.Key] = g.Clock.Code()
	}
	for i := range v.Outlets {
		o := &v.Outlets[i]
		c.state[o.Key], c.text[o.Key+".word"], c.clock[o.Key] = o.State, o.Word, o.Clock.Code()
	}
	for i := range v.Circuits {
		u := &v.Circuits[i]
		c.state[u.Key], c.text[u.Key+".word"], c.text[u.Key+".amps"], c.width[u.Key] = u.State, u.Word, u.Amps, strconv.Itoa(u.Part)
	}
}

// head is the line at the top of every part.
type head struct {
	ID    string // the page's make-up
	State string // calm, work, alarm, down
	Word  string
	Speed float64
	At    time.Duration
	Down  bool
	Waits waiting
	Dock  *dock // nil: nothing can be asked yet
}

// makeHead is no calmer than the scene.
func makeHead(v *nowView) head {
	n := len(v.Troubles)
	switch {
	case v.StoodDown:
		return head{State: "down", Word: "stood down", Down: true}
	case n == 1:
		return head{State: "alarm", Word: "1 thing is wrong"}
	case n > 1:
		return head{State: "alarm", Word: fmt.Sprintf("%d things are wrong", n)}
	case !v.Begun:
		return head{State: "calm", Word: "begins"}
	case v.Bare:
		return head{State: "alarm", Word: "no machine is served"}
	case v.Scene.Tone == scene.Bad:
		return head{State: "alarm", Word: "NOT collected"}
	case v.Scene.Tone == scene.Warn:
		return head{State: "alarm", Word: "look here"}
	case v.Scene.Flow == scene.Moves:
		return head{State: "work", Word: v.Collectors[0].Name + " " + v.Scene.Fan.Word}
	case v.Scene.Tone == scene.Wait:
		return head{State: "work", Word: "waits"}
	}
	return head{State: "calm", Word: "no fault"}
}

// head is the line for a page that is shown now.
func (s *Shop) head() *head {
	in := s.nowIn()
	v := makeNow(in)
	h := makeHead(v)
	h.Waits = s.waits(in.Snap)
	if v.Begun {
		h.Dock = in.dock()
	}
	h.ID, h.Speed, h.At = s.makeUp(v.Begun), s.Speed, s.Now()
	return &h
}

// Seconds is the instant at which the page was made.
func (h *head) Seconds() string { return strconv.FormatFloat(h.At.Seconds(), 'f', 3, 64) }
