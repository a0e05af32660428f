package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control/duct"
)

// settledFile holds where chips settled. It is of one shop; what it held of
// another is gone with its ducts.
const settledFile = "settled.json"

// settledEvery is how often it is written while it changes.
const settledEvery = time.Minute

// settledState is that file.
type settledState struct {
	Format int          `json:"format"`
	Shop   string       `json:"shop"`
	Pieces []settledOne `json:"pieces"`
}

// settledOne is a piece. One of another name or size is another piece: nothing is
// known of it.
type settledOne struct {
	Duct     string    `json:"duct"`
	Diameter float64   `json:"diameter"` // m
	Length   float64   `json:"length"`   // m
	Slow     float64   `json:"slow"`     // s
	Least    float64   `json:"least"`    // m/s
	Needs    float64   `json:"needs"`    // m/s
	Swept    float64   `json:"swept"`    // s
	Last     time.Time `json:"last,omitzero"`
}

func seconds(d time.Duration) float64 { return d.Round(time.Millisecond).Seconds() }

// settledText is the file for what lies in a shop's ducts.
func settledText(s *config.Shop, list []rig.Lying) ([]byte, error) {
	f := settledState{Format: 1, Shop: s.Name, Pieces: []settledOne{}}
	for _, x := range list {
		g := &s.Duct().Segments[x.Piece]
		f.Pieces = append(f.Pieces, settledOne{g.Name, g.Diameter, g.Length, seconds(x.Slow), x.Least, x.Needs, seconds(x.Swept), x.Last})
	}
	return json.MarshalIndent(f, "", "  ")
}

// readSettled finds in a file what lies in a shop's ducts.
func readSettled(text []byte, s *config.Shop) ([]rig.Lying, error) {
	var f settledState
	if err := json.Unmarshal(text, &f); err != nil {
		return nil, err
	}
	if f.Format != 1 {
		return nil, fmt.Errorf("format is %d, this program knows 1", f.Format)
	}
	n := s.Duct()
	if n == nil || f.Shop != s.Name {
		return nil, nil
	}
	var out []rig.Lying
	for _, p := range f.Pieces {
		// Also false for what is no number.
		if !(p.Slow > 0 && p.Slow < 1e8 && p.Needs > 0 && p.Needs < 1000 && p.Least >= 0 && p.Swept >= 0 && p.Swept < duct.SweepTime.Seconds()) {
			return nil, fmt.Errorf("duct %q: these figures cannot be", p.Duct)
		}
		for i := range n.Segments {
			if g := &n.Segments[i]; g.Name == p.Duct && g.Diameter == p.Diameter && g.Length == p.Length {
				length := func(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
				out = append(out, rig.Lying{Piece: i, Lying: duct.Lying{Slow: length(p.Slow), Least: p.Least, Needs: p.Needs, Swept: length(p.Swept)}, Last: p.Last})
				break
			}
		}
	}
	return out, nil
}

// restoreSettled lets a session know what lay in its ducts.
func (d *Daemon) restoreSettled(s *session) {
	text, err := state.Read(d.o.State, settledFile)
	if errors.Is(err, os.ErrNotExist) {
		return
	}
	var list []rig.Lying
	if err == nil {
		list, err = readSettled(text, s.shop)
	}
	if err != nil {
		d.o.Notice(fmt.Errorf("%s: %w: where chips lie in the ducts is not known from before; delete the file", settledFile, err))
		return
	}
	s.live.Air.Restore(list)
	s.settled = s.live.Air.Lying()
}

// settle notes, about once a second, where chips settle, and now and then keeps it
// for the next start.
func (d *Daemon) settle(s *session, now time.Duration) {
	snap := s.live.Snapshot()
	if s.bench != 0 || snap == nil {
		return
	}
	var wall time.Time
	if d.o.Wall != nil {
		if t, trusted := d.o.Wall(); trusted {
			wall = t
		}
	}
	s.live.Air.Pass(snap, now, wall)
	if now >= s.settledAt+settledEvery {
		s.settledAt = now
		d.keepSettled(s)
	}
}

// keepSettled writes where chips lie if that has changed.
func (d *Daemon) keepSettled(s *session) {
	list := s.live.Air.Lying()
	if len(list) == len(s.settled) && (len(list) == 0 || &list[0] == &s.settled[0]) {
		return
	}
	s.settled = list
	d.chore(func() {
		text, err := settledText(s.shop, list)
		if err == nil {
			err = state.Write(d.o.State, settledFile, text)
		}
		if err != nil {
			d.o.Notice(fmt.Errorf("the next start will not know where chips lie in the ducts: %w", err))
		}
	})
}

// Cleared takes a duct as cleared by hand.
func (x door) Cleared(_ context.Context, duct string) error {
	s := x.d.session()
	switch {
	case x.at == seam.Topic:
		return errors.New("only somebody in the shop can say that a duct is clear: say it on the page or at the computer")
	case s == nil:
		return seam.ErrNoShop
	case !s.live.Air.Cleared(duct):
		return fmt.Errorf("the shop has no duct %q whose air is computed: \"kerfwind ducts\" lists them", duct)
	}
	return nil
}

// settledOf returns what others see of it.
func settledOf(s *session) []seam.Settled {
	var out []seam.Settled
	a := s.live.Air
	for _, x := range a.Lying() {
		if !x.Lies() {
			continue
		}
		y := seam.Settled{Segment: x.Piece, Duct: s.shop.Duct().Segments[x.Piece].Name, Slow: x.Slow, Least: x.Least, Needs: x.Needs, Lift: x.Lift(), Swept: x.Swept, Last: x.Last,
			Words: a.LyingWords(s.shop, &x)}
		if w, ok := a.Clear(&x); ok {
			y.Clear = &seam.Clear{Open: w.Open, Speed: w.Speed.Middle, Odds: w.Odds}
		}
		out = append(out, y)
	}
	return out
}
