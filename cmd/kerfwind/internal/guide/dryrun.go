package guide

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor/trace"
)

// The made recording: our own choice.
const (
	first  = 5 * time.Second  // before the first machine
	runFor = 12 * time.Second // each machine
	apart  = 20 * time.Second // from one start to the next
	last   = 5 * time.Second  // after the last machine
)

// Result says what a dry run showed.
type Result struct {
	Good  bool
	Lines []string // a sentence for each machine
}

// DryRun runs the shop. The error is that of a shop that cannot run at all.
func DryRun(ctx context.Context, s *config.Shop) (Result, error) {
	var sensed []int
	res := Result{Good: true}
	for i := range s.Machines {
		if len(s.Machines[i].Channels) > 0 {
			sensed = append(sensed, i)
		} else {
			res.Lines = append(res.Lines, fmt.Sprintf("%s: no current tells that it runs, so this says nothing of it.", s.Machines[i].Name))
		}
	}
	if len(sensed) == 0 {
		return res, nil
	}
	src, err := recordMade(s, sensed)
	if err != nil {
		return res, err
	}
	defer func() { _ = src.Close() }() // it is in memory
	r, err := replay.New(replay.Options{Trace: src, Rig: s.Rig, Shop: s, Amperes: true})
	if err != nil {
		return res, err
	}
	next := 0
	_, err = r.Run(ctx, nil, func(now time.Duration) error {
		if next < len(sensed) && now >= first+time.Duration(next)*apart+runFor-time.Second {
			res.judge(s, sensed[next], r.Core.Snapshot())
			next++
		}
		return nil
	})
	return res, err
}

// judge says how a machine that has run for a while is served.
func (res *Result) judge(s *config.Shop, i int, snap *control.Snapshot) {
	m := &s.Machines[i]
	var wrong, gates []string
	if snap.Machines[i].Sensed != control.Running {
		wrong = append(wrong, "its sensor does not see it run")
	}
	for other := range s.Machines {
		if other != i && snap.Machines[other].Sensed == control.Running {
			wrong = append(wrong, fmt.Sprintf("the %s is taken to run", s.Machines[other].Name))
		}
	}
	for _, g := range m.Gates {
		gates = append(gates, s.Gates[g].Name)
		if s.Gates[g].Actuator >= 0 && snap.Gates[g].Position != control.PositionOpen {
			wrong = append(wrong, fmt.Sprintf("gate %s is not open", s.Gates[g].Name))
		}
	}
	if c := &snap.Collector; !c.Commanded {
		wrong = append(wrong, "the collector is off")
	}
	if len(wrong) > 0 {
		res.Good = false
		res.Lines = append(res.Lines, fmt.Sprintf("%s: %s.", m.Name, strings.Join(wrong, "; ")))
		return
	}
	opens := "no gate is on its way"
	if len(gates) > 0 {
		opens = "opens " + strings.Join(gates, ", ")
	}
	res.Lines = append(res.Lines, fmt.Sprintf("%s: seen by its sensor, %s, and the collector runs.", m.Name, opens))
}

// recordMade makes the recording, in amperes.
func recordMade(s *config.Shop, sensed []int) (*trace.Reader, error) {
	hertz := s.Mains.Frequency
	if hertz <= 0 {
		hertz = 50
	}
	var text strings.Builder
	total := first + time.Duration(len(sensed))*apart + last
	fmt.Fprintf(&text, "length %s\nrate 1 kHz\nmains %g Hz\n", total, hertz)
	names := make([]string, len(s.Rig.Channels))
	for i := range names {
		names[i] = fmt.Sprintf("c%d", i)
		fmt.Fprintf(&text, "channel %s\n", names[i])
	}
	for n, i := range sensed {
		m := &s.Machines[i]
		var on []string
		amps := math.Max(2*m.Start, 0.6*m.FullLoad)
		for _, ch := range m.Channels {
			on = append(on, names[ch])
			amps = math.Min(amps, 0.9*s.Rig.Range(ch))
		}
		fmt.Fprintf(&text, "machine m%d on %s: heater, full load %g A\n", n, strings.Join(on, ", "), amps)
		fmt.Fprintf(&text, "at %s m%d runs %s\n", first+time.Duration(n)*apart, n, runFor)
	}
	script, err := trace.ParseScript("dry run", strings.NewReader(text.String()))
	if err != nil {
		return nil, err
	}
	maker := trace.NewMaker(script, true)
	var b bytes.Buffer
	l := maker.Layout()
	l.Kind, l.Names = trace.CSV, nil
	for i := range s.Rig.Channels {
		l.Names = append(l.Names, s.Rig.Channels[i].Name)
	}
	w, err := trace.NewWriter(&b, l)
	if err != nil {
		return nil, err
	}
	if err := trace.Copy(w, maker); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return trace.NewReader("dry run", &b, trace.Options{})
}
