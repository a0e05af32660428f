package parts

import (
	"context"
	"errors"
	"io"
	"time"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/config"
	"kerfwind/sensor"
)

// tape holds the last minutes of a running shop, as the page has them.
type tape struct {
	rig  *config.Rig
	shop seam.Shop
}

// tapeWait bounds how long the shop may take to say what it has, or to give the next
// frame of it.
const tapeWait = 20 * time.Second

// Kept is the part of the stream that is kept; it is empty where nothing is.
func (t tape) Kept() (from, to time.Duration) {
	ctx, cancel := context.WithTimeout(context.Background(), tapeWait)
	defer cancel()
	st, err := t.shop.State(ctx)
	if err != nil { // then nothing can be had
		return 0, 0
	}
	return st.Memory.From, st.Memory.To
}

// Write writes a part of it as a recording.
func (t tape) Write(w io.Writer, from, to time.Duration) error {
	_, err := record.Save(w, func(emit func(*sensor.Frame) error) error {
		ctx, cancel := context.WithTimeout(context.Background(), tapeWait)
		defer cancel()
		items, err := t.shop.Last(ctx, seam.Span{From: from, To: to})
		if err != nil {
			return err
		}
		defer func() { _ = items.Close() }() // only read
		var f sensor.Frame
		for {
			x, err := items.Next(context.Background())
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err == nil {
				err = x.Frame.To(&f)
			}
			if err == nil {
				err = emit(&f)
			}
			if err != nil {
				return err
			}
		}
	})
	if errors.Is(err, record.ErrNothing) {
		return panel.ErrNoTape
	}
	return err
}

// Extension is that of a file that Write writes.
func (t tape) Extension() string { return record.Extension(len(t.rig.Channels)) }
