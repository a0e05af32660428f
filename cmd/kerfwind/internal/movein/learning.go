package movein

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"kerfwind/sensor"
)

// LearningParams describe the session.
type LearningParams struct {
	Machine  string
	Channels []int    // of the rig that sense it
	Names    []string // of all channels of the rig
	Idle     time.Duration
	Run      time.Duration // after the start
	Coast    bool          // ask when the tool has stopped
	Step     float64       // A in one count of its finest channel; 0 is not known
	Ranges   []float64     // A, the greatest RMS of a sine that its channels can show; nil is not known
}

// LearningStep is how far the session has come. The zero value is invalid.
type LearningStep uint8

// The steps, in their order.
const (
	LearningQuiet LearningStep = iota + 1 // the machine is off and watched
	SwitchOn                              // waiting for it to start
	LearningRuns                          // it runs and is watched
	SwitchOff                             // waiting for its stop
	LearningRest                          // it coasts; the person marks when it has stopped
	LearningDone                          // see Result
)

// Durations of the session: our own choice.
const (
	offFor    = 250 * time.Millisecond // below the running values for so long is a stop
	coastMost = 10 * time.Minute       // a mark after that is none
	trustMost = 10 * time.Second       // a sensor that is well is trusted within that
	offMost   = 0.5                    // A; more than that may be a machine that runs
)

// LearningPrompt says what to do now.
type LearningPrompt struct {
	Step  LearningStep
	Text  string  // what the person is to do
	Key   string  // what Enter means now; empty if it means nothing
	Share float64 // of the step that is over, 0 to 1; 0 where it waits for a person
	Amps  float64 // what the machine's channels show, the greatest
	Other string  // a channel of another machine that moves instead; empty if none
}

// Learning is one pass. Its methods are to be called from one goroutine, with
// times that do not go back.
type Learning struct {
	p      LearningParams
	step   LearningStep
	passes []sensor.Pass // by channel of the rig
	own    []bool
	amps   []float64
	from   time.Duration // beginning of the step
	seen   bool          // from is set
	idle   []float64     // A, of its channels when it was to be switched on; below 0: not known
	quiet  []float64     // A, the most that a channel showed until then
	ran    bool          // it ran when it was to be off
	off    time.Duration // since when all of its channels are off; below 0: not
	stop   time.Duration
	coast  time.Duration
}

// NewLearning begins a session.
func NewLearning(p LearningParams) *Learning {
	s := &Learning{p: p, step: LearningQuiet, passes: make([]sensor.Pass, len(p.Names)), own: make([]bool, len(p.Names)), amps: make([]float64, len(p.Names)), idle: make([]float64, len(p.Names)), quiet: make([]float64, len(p.Names)), off: -1}
	for _, c := range p.Channels {
		s.own[c] = true
	}
	return s
}

func (s *Learning) enter(step LearningStep, at time.Duration) {
	s.step, s.from, s.seen = step, at, true
}

// Read takes a reading of any channel of the rig.
func (s *Learning) Read(r sensor.Reading) {
	if r.Channel < 0 || r.Channel >= len(s.passes) || s.step == LearningDone {
		return
	}
	// One that tells of missing samples may be older than the session: it bears
	// the instant at which they were missed.
	if !s.seen && r.Health != sensor.Missing && r.Health != sensor.ReadError {
		s.from, s.seen = r.At, true
	}
	pass := &s.passes[r.Channel]
	s.amps[r.Channel] = float64(r.Amps)
	switch s.step {
	case LearningQuiet:
		pass.Idle(r)
		if s.own[r.Channel] && s.seen && r.At-s.from >= s.p.Idle && s.enough(r.At-s.from-s.p.Idle) {
			s.expect(r.At)
		}
	case SwitchOn:
		if s.own[r.Channel] && s.again(r) {
			return
		}
		if r = s.heard(r); pass.Run(r) && s.own[r.Channel] {
			s.off = -1
			s.enter(LearningRuns, r.At)
		}
	case LearningRuns, SwitchOff:
		r = s.heard(r)
		pass.Run(r)
		if !s.own[r.Channel] {
			return
		}
		s.watchOff(r)
		if s.off >= 0 && r.At-s.off >= offFor {
			s.stop = s.off
			s.enter(LearningRest, r.At)
			if !s.p.Coast {
				s.enter(LearningDone, r.At)
			}
			return
		}
		if s.step == LearningRuns && r.At-s.from >= s.p.Run {
			s.enter(SwitchOff, r.At)
		}
	case LearningRest:
		if r.At-s.stop > coastMost {
			s.enter(LearningDone, r.At)
		}
	case LearningDone:
	}
}

// heard is a reading of a channel or, where nothing has been seen of its machine
// yet or the machine may be off again, what cannot be of the currents of other
// channels: a transformer beside another conductor shows a share of its current.
func (s *Learning) heard(r sensor.Reading) sensor.Reading {
	alone := r
	for c, amps := range s.amps {
		if c != r.Channel && amps > s.quiet[c] {
			alone.Amps -= float32(sensor.DefaultCrosstalk * amps)
		}
	}
	alone.Amps = max(alone.Amps, 0)
	pass := &s.passes[r.Channel]
	if pass.RunFor() == 0 || r.Health == sensor.Healthy && pass.Off(alone) {
		return alone
	}
	return r
}

// enough reports whether every channel of the machine has idle values, or has
// had none, or few, for so long beyond the time of the step that it cannot have
// them.
func (s *Learning) enough(beyond time.Duration) bool {
	for _, c := range s.p.Channels {
		most := trustMost
		if s.passes[c].IdleFor() > 0 {
			most *= 2
		}
		if _, err := s.passes[c].IdleFigures(); err != nil && beyond < most {
			return false
		}
	}
	return true
}

// expect begins to wait for the start.
func (s *Learning) expect(now time.Duration) {
	for _, c := range s.p.Channels {
		s.idle[c] = -1
		if f, err := s.passes[c].IdleFigures(); err == nil {
			s.idle[c] = f.Idle.Mean
		}
	}
	for c := range s.passes {
		if f, err := s.passes[c].IdleFigures(); err == nil {
			s.quiet[c] = f.Top
		}
	}
	s.enter(SwitchOn, now)
}

// again begins again where a reading of the machine that is to be switched on
// shows that it was not seen idle: its sensor is trusted only now, or it ran and
// is switched off now. Without idle values everything would be a start, and
// above those of a machine that ran nothing would.
func (s *Learning) again(r sensor.Reading) bool {
	if r.Health != sensor.Healthy {
		return false
	}
	switch mean := s.idle[r.Channel]; {
	case mean < 0:
	case mean <= offMost:
		return false
	case float64(r.Amps) >= mean/2:
		s.off = -1
		return false
	case s.off < 0:
		s.off = r.At
		return false
	case r.At-s.off < offFor:
		return false
	default:
		s.ran = true
	}
	clear(s.passes)
	s.off = -1
	s.enter(LearningQuiet, r.At)
	return true
}

// watchOff notes since when none of the machine's channels shows it running.
func (s *Learning) watchOff(r sensor.Reading) {
	switch {
	case !s.passes[r.Channel].Off(r):
		s.off = -1
	case s.off < 0:
		s.off = r.At
	}
}

// Mark is Enter: what Prompt.Key says.
func (s *Learning) Mark(now time.Duration) {
	switch s.step {
	case SwitchOn: // it runs, and nothing is seen of it
		s.enter(LearningDone, now)
	case LearningRest:
		s.coast = max(now-s.stop, 0)
		s.enter(LearningDone, now)
	case LearningQuiet, LearningRuns, SwitchOff, LearningDone:
	}
}

// Skip leaves out the coasting, which is then not known.
func (s *Learning) Skip(now time.Duration) {
	if s.step == LearningRest {
		s.enter(LearningDone, now)
	}
}

// End ends the session, as at the end of a recording.
func (s *Learning) End(now time.Duration) { s.enter(LearningDone, now) }

// Prompt says what to do and how far the step is.
func (s *Learning) Prompt(now time.Duration) LearningPrompt {
	p := LearningPrompt{Step: s.step}
	for _, c := range s.p.Channels {
		p.Amps = max(p.Amps, s.amps[c])
	}
	share := func(of time.Duration) float64 {
		if !s.seen || of <= 0 {
			return 0
		}
		return min(max(float64(now-s.from)/float64(of), 0), 1)
	}
	switch s.step {
	case LearningQuiet:
		p.Text = fmt.Sprintf("Leave the %s off, and the other machines too.", s.p.Machine)
		if s.ran {
			p.Text = "It ran already. " + p.Text
		}
		p.Share = share(s.p.Idle)
	case SwitchOn:
		p.Text = fmt.Sprintf("Switch the %s on.", s.p.Machine)
		p.Key = "it runs, but nothing is seen here"
		p.Other = s.moves()
	case LearningRuns:
		p.Text = fmt.Sprintf("Let the %s run without work.", s.p.Machine)
		p.Share = share(s.p.Run)
	case SwitchOff:
		p.Text = fmt.Sprintf("Switch the %s off.", s.p.Machine)
	case LearningRest:
		p.Text = "Press Enter at the moment the tool has stopped."
		p.Key = "it has stopped"
	case LearningDone:
		p.Text = "Done."
	}
	return p
}

// moves names a channel of others that has started while this machine was to.
func (s *Learning) moves() string {
	var out []string
	for c := range s.passes {
		if !s.own[c] && s.passes[c].RunFor() > 0 && !s.passes[c].Weak() {
			out = append(out, s.p.Names[c])
		}
	}
	return strings.Join(out, ", ")
}

// LearningResult holds what a session has learned.
type LearningResult struct {
	Figures  []sensor.Figures // of the machine's channels, in their order
	Proposal sensor.Proposal
	Coast    time.Duration // 0: not marked
	Clipped  string        // that the run is beyond the range of a sensor; empty: it is not
}

// Result returns what was learned, or all that speaks against it.
func (s *Learning) Result() (LearningResult, error) {
	r := LearningResult{Coast: s.coast}
	var errs []error
	good := false
	for _, c := range s.p.Channels {
		f, err := s.passes[c].Figures()
		if err != nil {
			errs = append(errs, fmt.Errorf("channel %s: %w", s.p.Names[c], err))
			// It may be the leg of a machine that loads the other one only.
			if f, err = s.passes[c].IdleFigures(); err != nil {
				return r, errors.Join(errs...)
			}
		} else {
			good = true
		}
		if i := len(r.Figures); i < len(s.p.Ranges) && f.Run.Mean > s.p.Ranges[i] {
			r.Clipped = fmt.Sprintf("channel %s shows %.3g A and can show %.3g A at most: fit a smaller burden resistor, or take turns out of the clamp", s.p.Names[c], f.Run.Mean, s.p.Ranges[i])
		}
		r.Figures = append(r.Figures, f)
	}
	if !good {
		if other := s.moves(); other != "" {
			errs = append(errs, fmt.Errorf("instead, a current rose on channel %s: the transformers may be mixed up", other))
		}
		for i := range r.Figures {
			if r.Figures[i].Idle.Mean > offMost {
				errs = append(errs, fmt.Errorf("channel %s showed %.3g A while the machine was said to be off: did it run already?", s.p.Names[s.p.Channels[i]], r.Figures[i].Idle.Mean))
			}
		}
		return r, errors.Join(errs...)
	}
	r.Proposal = sensor.Propose(s.p.Step, r.Figures...)
	return r, nil
}

// About says of what and when something was learned.
type About struct {
	Sensors      []string // of the machine, as config.Rig.Sensors has them
	Calibrations []string // of its channels
	Volts, Hertz float64
	When         string
}

// Learned puts a result into the form in which it is kept.
func (s *Learning) Learned(r LearningResult, a About) ([]sensor.LearnedChannel, sensor.LearnedMachine) {
	var channels []sensor.LearnedChannel
	m := sensor.LearnedMachine{Machine: s.p.Machine, Sensors: a.Sensors, Volts: a.Volts, Hertz: a.Hertz, Coast: r.Coast,
		Start: r.Proposal.Start, Stop: r.Proposal.Stop, Margin: r.Proposal.Margin, Learned: a.When}
	for i, f := range r.Figures {
		channels = append(channels, sensor.LearnedChannel{Channel: s.p.Names[s.p.Channels[i]], Calibration: a.Calibrations[i], Idle: f.Idle, Top: f.Top, Learned: a.When})
		if f.Run.Mean >= m.Run.Mean {
			m.Run, m.Least, m.Inrush, m.Settle = f.Run, f.Least, f.Inrush, f.Settle
		}
	}
	return channels, m
}
