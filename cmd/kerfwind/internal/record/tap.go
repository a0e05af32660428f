package record

import (
	"errors"
	"fmt"
	"io"
	"time"

	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// Tap is a rig or a recording that a command looks at.
type Tap struct {
	Feed
	Shop     *config.Shop
	Channels []config.ChannelUse
	Rate     float64    // scans a second; with several converters, of the fastest
	Unit     trace.Unit // of the samples
	Runtime  string     // folder of the kerfwind that it is looked at through; "" is none
	close    func()
}

// Close ends the look.
func (t *Tap) Close() { t.close() }

// Shares returns how much of each other's current the channels have shown.
func (t *Tap) Shares() []sensor.Share {
	var out []sensor.Share
	for i := range t.Sources {
		out = t.Sources[i].Detector.Shares(out)
	}
	return out
}

// MainsDoubt says in a sentence that the mains is another than the shop file says; ""
// where it is not, or not known.
func (t *Tap) MainsDoubt() string {
	for i := range t.Sources {
		if doubt := t.Sources[i].Detector.MainsDoubt(); doubt != "" {
			return doubt
		}
	}
	return ""
}

// OpenRig opens the converters of a shop's rig under the lock in a runtime folder.
// Where a running kerfwind has that lock, the samples come from it.
func OpenRig(s *config.Shop, folder string, notice func(error)) (*Tap, error) {
	r := s.Rig
	t := &Tap{Shop: s, Channels: s.Channels(), Unit: trace.Counts}
	t.Notice = notice
	sources, err := t.sources(r, folder)
	if err != nil {
		return nil, err
	}
	for i, p := range s.Sensor()[:r.Converters()] { // nodes read their own
		for c := range p.Channels {
			p.Channels[c].Used = true // also those that stand for nothing in the shop
		}
		d, err := sensor.New(p)
		if err != nil {
			t.close()
			return nil, err
		}
		t.Rate = max(t.Rate, r.ADCs[i].Rate)
		t.Sources = append(t.Sources, Source{Source: sources[i], Name: r.ADCs[i].Name, Detector: d})
	}
	return t, nil
}

// OpenTrace opens recordings, laid end to end. In o it needs no Trace.
func OpenTrace(files []string, truncated bool, o replay.Options) (*Tap, error) {
	var err error
	if o.Trace, err = trace.Open(files, trace.Options{FrameScans: 100, AllowTruncated: truncated}); err != nil {
		return nil, err
	}
	re, err := replay.New(o)
	if err != nil {
		return nil, errors.Join(err, o.Trace.Close())
	}
	info := o.Trace.Info()
	if o.Amperes {
		info.Unit = trace.Amperes
	}
	return &Tap{
		Feed: Feed{Sources: []Source{{Source: re.Samples(), Detector: re.Detector()}}},
		Shop: re.Shop, Channels: re.Channels, Rate: info.Rate, Unit: info.Unit, close: func() { _ = o.Trace.Close() }, // only read
	}, nil
}

// sources opens the converters of this computer or, where a running kerfwind has
// the rig, takes what they give from that. It sets the clock and what is to be
// closed.
func (t *Tap) sources(r *config.Rig, folder string) ([]sensor.Source, error) {
	lock, err := rig.TakeLock(folder)
	if held := (*rig.Held)(nil); errors.As(err, &held) {
		list, err := t.fromDaemon(r, folder)
		if errors.Is(err, socket.ErrNobody) { // it is no daemon: the lock says who
			err = held
		}
		return list, err
	}
	if err != nil {
		return nil, err
	}
	began := time.Now()
	t.Now = func() time.Duration { return time.Since(began) }
	list, err := rig.Sources(r, t.Now)
	for i := range list { // whoever waits for a person is told at once
		if e := rig.Kernel().Probe(r, i, t.Now); e != nil {
			err = errors.Join(err, fmt.Errorf("adc %q: %w", r.ADCs[i].Name, e))
		}
	}
	t.close = func() {
		for _, src := range list {
			if c, ok := src.(io.Closer); ok {
				_ = c.Close() // only read
			}
		}
		_ = lock.Free() // the kernel does it otherwise
	}
	if err != nil {
		t.close()
	}
	return list, err
}

// fromDaemon takes the converters of a rig from the kerfwind that runs on it:
// their frames, and the clock of its stream.
func (t *Tap) fromDaemon(r *config.Rig, folder string) ([]sensor.Source, error) {
	var open []*socket.Source
	t.close = func() {
		for _, s := range open {
			_ = s.Close() // only read
		}
	}
	var list []sensor.Source
	for i := range r.Converters() {
		s, err := socket.Frames(folder, i)
		if err != nil {
			t.close()
			return nil, err
		}
		open = append(open, s)
		list = append(list, &fromAfar{Source: s, channels: len(r.Of(i))})
	}
	t.Runtime = folder
	t.Now = func() time.Duration {
		now := time.Duration(0)
		for _, s := range open {
			now = max(now, s.Now())
		}
		return now
	}
	return list, nil
}

// fromAfar is a converter of the running kerfwind. Its end is an error: nobody
// who looks wants it.
type fromAfar struct {
	sensor.Source
	channels int
	next     uint64
}

// Next waits for the next frame.
func (s *fromAfar) Next(f *sensor.Frame) error {
	err := s.Source.Next(f)
	switch {
	case errors.Is(err, io.EOF):
		return errors.New("the running kerfwind has ended")
	case err != nil:
		return fmt.Errorf("the running kerfwind: %w", err)
	case f.Err != nil:
		return nil
	case f.Channels != s.channels:
		return fmt.Errorf("the running kerfwind reads %d channels of it, the rig file has %d: name the file that it runs with by --rig", f.Channels, s.channels)
	case f.Index < s.next:
		return errors.New("the running kerfwind has read its files again: start again")
	}
	s.next = f.Index + uint64(f.Scans())
	return nil
}
