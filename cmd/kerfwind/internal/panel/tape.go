package panel

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode"

	"kerfwind/config"
	"kerfwind/control"
)

// Tape holds what the converters delivered in the last minutes. It may be asked by
// anybody. Instants are those of the stream's clock.
type Tape interface {
	// Kept is the part of the stream that is kept; it is empty where nothing is.
	Kept() (from, to time.Duration)
	// Write writes a part of it as a recording that replay reads. The error is
	// ErrNoTape where nothing of it is kept, and w is untouched then.
	Write(w io.Writer, from, to time.Duration) error
	// Extension is that of a file that Write writes: ".flac".
	Extension() string
}

// ErrNoTape says that nothing of what was asked for is in memory.
var ErrNoTape = errors.New("that time is no longer in memory")

// Around a run its recording has a little of what was before and after; the
// recording of all has the last minutes.
const (
	tapeLead = 5 * time.Second
	tapeLast = 2 * time.Minute
)

// keptRun is a run whose samples are still in memory, in part at least.
type keptRun struct {
	Machine string
	Start   time.Duration
	Stop    time.Duration // 0: it lasts
}

// keptRuns lists them from what the page remembers, the newest first.
func keptRuns(events []control.Event, from time.Duration, name func(control.ID) string) []keptRun {
	var all []keptRun
	open := map[control.ID]int{}
	for _, e := range events {
		i, runs := open[e.ID]
		switch {
		case e.Kind == control.MachineStarted:
			open[e.ID] = len(all)
			all = append(all, keptRun{Machine: name(e.ID), Start: e.At})
		case e.Kind == control.MachineStopped && runs:
			all[i].Stop = e.At
			delete(open, e.ID)
		}
	}
	var out []keptRun
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].Stop == 0 || all[i].Stop > from {
			out = append(out, all[i])
		}
	}
	return out
}

// kept lists the runs that are still in memory; none without a converter.
func (s *Shop) kept() []keptRun {
	if s.Tape == nil {
		return nil
	}
	from, to := s.Tape.Kept()
	if from == to {
		return nil
	}
	return keptRuns(s.Recent(), from, func(id control.ID) string { return s.Names.Name(control.AMachine, id) })
}

// wallOf is the time of day at an instant of the stream.
func (s *Shop) wallOf(at time.Duration) time.Time {
	wall, _ := s.Wall()
	return wall.Add(at - s.Now())
}

// tapeRow is a run that is in memory, as the template has it.
type tapeRow struct{ Machine, Clock, Time, Link string }

func (s *Shop) tapeRows() []tapeRow {
	var out []tapeRow
	for _, k := range s.kept() {
		r := tapeRow{Machine: k.Machine, Clock: s.wallOf(k.Start).Format("15:04:05"), Time: "runs", Link: "/runs/recording?start=" + strconv.FormatInt(k.Start.Nanoseconds(), 10)}
		if k.Stop > 0 {
			r.Time = hms(k.Stop - k.Start)
		}
		out = append(out, r)
	}
	return out
}

// runRecording answers with the recording around a run.
func runRecording(v *Visit) error {
	start, err := strconv.ParseInt(v.Field("start"), 10, 64)
	if err != nil {
		return &Mistake{"the address does not say which run: use the part Runs"}
	}
	for _, k := range v.Shop.kept() {
		if k.Start != time.Duration(start) {
			continue
		}
		end := k.Stop + tapeLead
		if k.Stop == 0 {
			_, end = v.Shop.Tape.Kept()
		}
		return v.tape(k.Machine, k.Start-tapeLead, end)
	}
	return &Mistake{"that run is no longer in memory"}
}

// lastRecording answers with the last two minutes.
func lastRecording(v *Visit) error {
	if v.Shop.Tape == nil {
		return &Mistake{"this rig has no converter, so nothing is kept"}
	}
	_, to := v.Shop.Tape.Kept()
	return v.tape("last-"+strings.ReplaceAll(config.FormatDuration(tapeLast), " ", "-"), to-tapeLast, to)
}

// tape answers with a recording.
func (v *Visit) tape(what string, from, to time.Duration) error {
	t := v.Shop.Tape
	kept, _ := t.Kept()
	from = max(from, kept)
	name := fmt.Sprintf("kerfwind-%s-%s%s", plainName(what), v.Shop.wallOf(from).Format("20060102T150405"), t.Extension())
	kind := "audio/flac"
	if t.Extension() == ".wav" {
		kind = "audio/wav"
	}
	w := v.download(name, kind)
	err := t.Write(w, from, to)
	if errors.Is(err, ErrNoTape) {
		err = &Mistake{err.Error()}
	}
	return w.end(err)
}

// plainName makes a part of a file's name that no computer stumbles over.
func plainName(text string) string {
	out := strings.Map(func(r rune) rune {
		switch {
		case r < 128 && (unicode.IsLetter(r) || unicode.IsDigit(r)):
			return unicode.ToLower(r)
		default:
			return '-'
		}
	}, text)
	for strings.Contains(out, "--") {
		out = strings.ReplaceAll(out, "--", "-")
	}
	if out = strings.Trim(out, "-"); out == "" {
		out = "machine"
	}
	return out[:min(len(out), 40)]
}
