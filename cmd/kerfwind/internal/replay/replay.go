// Package replay runs a recording through the whole chain that also runs
// live: detector, state machine, outputs. The gates and the collector are
// simulated, and the clock is the recording's own.
package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/control/loop"
	"kerfwind/control/sim"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// Options says what to replay, and how.
type Options struct {
	Trace *trace.Reader
	Rig   *config.Rig  // nil only with Amperes
	Shop  *config.Shop // nil: the stand-in shop of the rig

	Amperes bool    // the values are amperes, whatever the file says
	Scale   float64 // values are multiplied by this first; 0 is 1
	StandIn config.StandInOptions

	// Plant describes faults of the simulated gates and collector, one a line;
	// PlantName is for errors.
	Plant     io.Reader
	PlantName string

	Recorded bool // the collector's feedback is the recorded channel, not the simulated motor's
	PowerUp  bool // the recording begins where the power returns
}

// Replay is a recording on its way through the chain.
type Replay struct {
	Names timeline.Names
	Shop  *config.Shop
	Core  *control.Core
	Air   *rig.Air

	// Channels says for each channel of the rig what it senses, with the
	// levels in force.
	Channels []config.ChannelUse

	src    sensor.Source
	scale  float32 // 1 changes nothing
	order  []int   // column of the recording for each channel of the rig; nil: as they come
	params loop.Params
	plant  *sim.Plant
	first  []control.Input // what the contacts say at the start
	raw    []float32       // reordered scans
	below  []sensor.Below  // by channel
}

// New prepares a replay. The error joins everything that does not fit.
func New(o Options) (*Replay, error) {
	info := o.Trace.Info()
	amperes := o.Amperes || info.Unit == trace.Amperes
	var order []int
	switch {
	case o.Rig != nil:
		var err error
		if order, err = columns(info, o.Rig); err != nil {
			return nil, err
		}
	case amperes:
		if info.Channels > control.MaxMachines {
			return nil, fmt.Errorf("the recording has %d channels: the stand-in shop has at most %d machines; give --rig and --shop",
				info.Channels, control.MaxMachines)
		}
		o.Rig, o.Shop = config.StandInAmps(info.Channels, o.StandIn)
	default:
		return nil, errors.New("the recording holds raw counts: give --rig FILE to scale them, or --amps if they are amperes")
	}
	if o.Shop == nil {
		o.Shop = config.StandIn(o.Rig, o.StandIn)
	}
	r := &Replay{Shop: o.Shop, Names: rig.Names(o.Shop), Channels: o.Shop.Channels(), src: o.Trace, scale: 1, order: order}
	if o.Scale != 0 {
		r.scale = float32(o.Scale)
	}
	if info.Rate < sensor.MinRate {
		return nil, fmt.Errorf("the recording has %g scans a second: RMS over a mains cycle needs at least %g; record faster", info.Rate, sensor.MinRate)
	}
	det, err := sensor.New(detector(o.Shop, amperes))
	if err != nil {
		return nil, err
	}
	p := o.Shop.Control()
	if !o.PowerUp {
		p.PowerUp, p.Midway = 0, true
	}
	if r.Air, err = rig.NewAir(&p, o.Shop, true); err != nil {
		return nil, err
	}
	feedback := simulated
	if o.Recorded && o.Shop.Collector.Channel >= 0 {
		feedback = recorded
	}
	if r.plant, err = plant(&p, &o, feedback, r.Names); err != nil {
		return nil, err
	}
	if r.Core, err = control.New(p); err != nil {
		return nil, err
	}
	r.first = atFirst(&p)
	r.params = loop.Params{Detectors: []*sensor.Detector{det}, Machines: len(p.Machines), Circuits: p.Circuits}
	for _, use := range r.Channels {
		c := loop.Channel{Machine: use.Machine, Collector: control.NoID, Circuits: use.Circuits}
		if feedback == recorded {
			c.Collector = use.Collector
		}
		r.params.Channels = append(r.params.Channels, c)
	}
	return r, nil
}

// Run replays to the end of the recording. Every reading goes to reading,
// which may be nil, and what happens to the observers; each is called after
// every frame with the time reached. It returns the length of the recording,
// also with an error: then it covers what was replayed.
func (r *Replay) Run(ctx context.Context, reading func(sensor.Reading), each func(now time.Duration) error, obs ...loop.Observer) (time.Duration, error) {
	r.below = make([]sensor.Below, len(r.Channels))
	r.params.Reading = func(x sensor.Reading) {
		if x.Channel < len(r.below) {
			r.below[x.Channel].Take(x)
		}
		if reading != nil {
			reading(x)
		}
	}
	l, err := loop.New(r.Core, r.params, r.plant, obs...)
	if err != nil {
		return 0, err
	}
	for _, in := range r.first {
		l.Post(0, in)
	}
	var f sensor.Frame
	var end time.Duration
	for {
		if err := ctx.Err(); err != nil {
			return end, err
		}
		if err := r.src.Next(&f); errors.Is(err, io.EOF) {
			return end, nil
		} else if err != nil {
			return end, err
		}
		r.arrange(&f)
		l.Feed(&f)
		end = trace.Instant(f.Index+uint64(f.Scans()), f.Rate)
		l.Advance(end)
		if each != nil {
			if err := each(end); err != nil {
				return end, err
			}
		}
	}
}

// arrange puts a frame's values in the rig's order and scale. With gaps
// marked by NaN nothing changes: NaN stays NaN.
func (r *Replay) arrange(f *sensor.Frame) {
	if r.order != nil {
		n := f.Scans()
		r.raw = slices.Grow(r.raw[:0], n*len(r.order))
		for i := range n {
			scan := f.Raw[i*f.Channels : (i+1)*f.Channels]
			for _, col := range r.order {
				r.raw = append(r.raw, scan[col])
			}
		}
		f.Raw, r.raw = r.raw, f.Raw
		f.Channels = len(r.order)
	}
	if r.scale != 1 {
		for i := range f.Raw {
			f.Raw[i] *= r.scale
		}
	}
}

// columns finds the column of each channel of the rig: by name where the
// recording has names, else in order.
func columns(info trace.Info, rig *config.Rig) ([]int, error) {
	n := len(rig.Channels)
	if info.Names == nil {
		if info.Channels != n {
			return nil, fmt.Errorf("the recording has %s, the rig has %d: replay it with the rig that recorded it",
				channels(info.Channels), n)
		}
		return nil, nil
	}
	order := make([]int, n)
	var missing []string
	inOrder := info.Channels == n
	for i := range rig.Channels {
		order[i] = slices.Index(info.Names, rig.Channels[i].Name)
		if order[i] < 0 {
			missing = append(missing, rig.Channels[i].Name)
		}
		inOrder = inOrder && order[i] == i
	}
	if len(missing) > 0 {
		return nil, fmt.Errorf("the recording has no column for the rig's %s: its header names %s; rename its columns after the rig's channels",
			strings.Join(missing, ", "), strings.Join(info.Names, ", "))
	}
	if inOrder {
		return nil, nil
	}
	return order, nil
}

func channels(n int) string {
	if n == 1 {
		return "1 channel"
	}
	return fmt.Sprintf("%d channels", n)
}

// detector describes the recording as one source: its scans hold the channels
// of every converter of the rig, in the rig's order.
func detector(s *config.Shop, amperes bool) sensor.Params {
	all := sensor.Params{Channels: make([]sensor.ChannelParams, len(s.Rig.Channels))}
	for _, p := range s.Sensor() {
		all.Mains, all.HoldMains, all.Stale = p.Mains, p.HoldMains, p.Stale
		all.Shares = p.Shares // each source has those of the shop
		for _, c := range p.Channels {
			if amperes {
				c.Scale, c.Min, c.Max = 1, 0, 0
			}
			all.Channels[c.Channel] = c
		}
	}
	return all
}
