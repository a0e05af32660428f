package guide

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor"
)

// How long the machine is looked at, off and running, where nobody says: our own
// choice.
const (
	Idle = 10 * time.Second
	Run  = 8 * time.Second
)

// Subject is a thing that can be learned: a machine, or the collector.
type Subject struct {
	Name      string
	Channels  []int // that sense it
	circuit   int
	coast     time.Duration // that of the shop file; 0 is not given
	collector bool
}

// Subjects lists what of a shop can be learned: nothing, where no sensor tells of
// any machine.
func Subjects(s *config.Shop) []Subject {
	return slices.DeleteFunc(all(s), func(x Subject) bool { return len(x.Channels) == 0 })
}

func all(s *config.Shop) []Subject {
	var list []Subject
	for i := range s.Machines {
		m := &s.Machines[i]
		list = append(list, Subject{Name: m.Name, Channels: m.Channels, circuit: m.Circuit, coast: m.Coast})
	}
	if c := &s.Collector; c.Channel >= 0 {
		list = append(list, Subject{Name: "collector", Channels: []int{c.Channel}, circuit: c.Circuit, coast: c.Coast, collector: true})
	}
	return list
}

// Choose is Subjects of these names; of all, where none is named.
func Choose(s *config.Shop, names []string) ([]Subject, error) {
	if len(names) == 0 {
		list := Subjects(s)
		if len(list) == 0 {
			return nil, errors.New("no machine has a current sensor: there is nothing to learn")
		}
		return list, nil
	}
	var out []Subject
	var errs []error
	list := all(s)
	for _, name := range names {
		i := slices.IndexFunc(list, func(x Subject) bool { return x.Name == name })
		switch {
		case i < 0:
			var known []string
			for _, x := range list {
				known = append(known, x.Name)
			}
			errs = append(errs, fmt.Errorf("--machine %q: the shop has %s", name, strings.Join(known, ", ")))
		case len(list[i].Channels) == 0:
			errs = append(errs, fmt.Errorf("--machine %q: no current sensor tells of it, so there are no levels to learn", name))
		default:
			out = append(out, list[i])
		}
	}
	return out, errors.Join(errs...)
}

// LessonOptions say how a lesson goes.
type LessonOptions struct {
	Idle, Run time.Duration // how long it is looked at off, and running
	Recorded  bool          // from a recording: nobody says when the tool has stopped
	Amperes   bool          // its samples are amperes: they have no steps
	Marks     *movein.Marks
}

// session is common to all sessions, whether a person or marks lead them.
type session interface {
	Read(sensor.Reading)
	Prompt(now time.Duration) movein.LearningPrompt
	Mark(now time.Duration)
	Skip(now time.Duration)
	End(now time.Duration)
	Result() (movein.LearningResult, error)
	Learned(movein.LearningResult, movein.About) ([]sensor.LearnedChannel, sensor.LearnedMachine)
}

// Lesson is the learning of one machine. It is to be used from one goroutine at a
// time.
type Lesson struct {
	Subject
	session
	shop   *config.Shop
	far    *record.FarWatch
	lost   error
	marked bool // marks lead it: it takes all there is
}

// NewLesson begins a lesson.
func NewLesson(s *config.Shop, x Subject, o LessonOptions) *Lesson {
	p := movein.LearningParams{Machine: x.Name, Channels: x.Channels, Idle: o.Idle, Run: o.Run, Coast: !x.collector && !o.Recorded}
	for i := range s.Rig.Channels {
		p.Names = append(p.Names, s.Rig.Channels[i].Name)
	}
	if !o.Amperes {
		for _, ch := range x.Channels {
			p.Step = max(p.Step, s.Rig.Step(ch))
			p.Ranges = append(p.Ranges, s.Rig.Range(ch))
		}
	}
	l := &Lesson{Subject: x, shop: s, marked: o.Marks != nil}
	if !o.Recorded {
		l.far = record.NewFarWatch(s.Rig, x.Channels)
	}
	if o.Marks != nil {
		l.session = movein.NewMarkedLearning(p, *o.Marks)
	} else {
		l.session = movein.NewLearning(p)
	}
	return l
}

// Read takes a reading of any channel. Lost says then whether one before it is
// missing, which nothing can be learned from.
func (l *Lesson) Read(r sensor.Reading) {
	use, err := l.far.Take(r)
	if l.lost == nil {
		l.lost = err
	}
	if use {
		l.session.Read(r)
	}
}

// Lost is why the lesson cannot go on; nil: it can.
func (l *Lesson) Lost() error { return l.lost }

// Learned holds what a lesson found.
type Learned struct {
	Report   string // in lines, for people
	channels []sensor.LearnedChannel
	machine  sensor.LearnedMachine
	pairs    []sensor.LearnedPair
}

// Hears adds what channels have shown of each other's current.
func (d *Learned) Hears(rig *config.Rig, shares []sensor.Share, today time.Time) {
	d.pairs = rig.Pairs(shares, today.Format(time.DateOnly))
	for _, x := range shares {
		if x.Size() < sensor.HeardMuch {
			continue
		}
		d.Report += fmt.Sprintf("  %-9s %s\n", "beside", x.Words(rig.Channels[x.Channel].Name, rig.Channels[x.Of].Name))
	}
}

// Learned works out what was learned, or all that speaks against it.
func (l *Lesson) Learned(today time.Time) (*Learned, error) {
	result, err := l.Result()
	if err != nil {
		return nil, err
	}
	rig := l.shop.Rig
	volts, hertz := l.shop.Supply(l.circuit)
	about := movein.About{Sensors: rig.Sensors(l.Channels), Volts: volts, Hertz: hertz, When: today.Format(time.DateOnly)}
	for _, ch := range l.Channels {
		about.Calibrations = append(about.Calibrations, rig.Calibration(ch))
	}
	var b strings.Builder
	l.report(&b, &result)
	out := &Learned{Report: b.String()}
	out.channels, out.machine = l.session.Learned(result, about)
	return out, nil
}

// Keep merges what was learned into that of a state folder.
func (d *Learned) Keep(folder string) error {
	return state.ChangeLearned(folder, func(known *sensor.Learned) {
		known.Add(d.channels, []sensor.LearnedMachine{d.machine})
		known.AddPairs(d.pairs)
	})
}

// report says what was learned.
func (l *Lesson) report(out io.Writer, r *movein.LearningResult) {
	amps := func(a float64) string { return config.Metric.Format(config.Current, a) }
	line := func(what, format string, a ...any) { fmt.Fprintf(out, "  %-9s %s\n", what, fmt.Sprintf(format, a...)) }
	for i, g := range r.Figures {
		if len(r.Figures) > 1 {
			fmt.Fprintf(out, "  channel %s\n", l.shop.Rig.Channels[l.Channels[i]].Name)
		}
		spikes := ""
		if g.Spikes > 0 {
			spikes = fmt.Sprintf("; %d values of spikes left out", g.Spikes)
		}
		line("idle", "%s, spread %s, up to %s%s", amps(g.Idle.Mean), amps(g.Idle.Spread), amps(g.Top), spikes)
		if g.Lamp > 0 {
			line("lamp", "%s before the machine itself started, as of a lamp behind its switch: the levels are above it", amps(g.Lamp))
		}
		if g.Run.Mean > 0 {
			line("running", "%s, spread %s, at least %s", amps(g.Run.Mean), amps(g.Run.Spread), amps(g.Least))
			if settle := config.FormatDuration(g.Settle.Round(10 * time.Millisecond)); g.Inrush > 1.3*g.Run.Mean {
				line("inrush", "up to %s, over after %s", amps(g.Inrush), settle)
			} else {
				line("inrush", "none; full current after %s", settle)
			}
		}
	}
	if r.Clipped != "" {
		line("clipped", "%s", r.Clipped)
	}
	if r.Coast > 0 {
		coast := config.FormatDuration(r.Coast.Round(100 * time.Millisecond))
		switch d := r.Coast - l.coast; {
		case l.coast == 0:
			line("coast", "%s: write coast = %q in the shop file", coast, coast)
		case d > l.coast/5 || d < -l.coast/5:
			line("coast", "%s; the shop file says %s", coast, config.FormatDuration(l.coast))
		default:
			line("coast", "%s, as the shop file has it", coast)
		}
	}
	line("apart", "%s", r.Proposal.Apart())
	if r.Proposal.Margin == sensor.NoMargin {
		line("levels", "none; margin %s", r.Proposal.Words())
		return
	}
	line("levels", "start %s, stop %s; margin %s", amps(r.Proposal.Start), amps(r.Proposal.Stop), r.Proposal.Words())
	line("odds", "%s", r.Proposal.Odds())
}
