package movein

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"kerfwind/config"
	"kerfwind/control"
	"kerfwind/sensor"
)

// RequestKind says what the face has to do. The zero value is invalid.
type RequestKind uint8

// The requests.
const (
	Move     RequestKind = iota + 1 // move an output open for a while, then back; answered by Moved
	EndMove                         // end that at once
	Keep                            // keep what was learned in the state folder
	Air                             // work out the air of the draft; answered by Report
	DryRun                          // run a made recording through the draft; answered by Report
	Activate                        // write the new shop file and use it at rest; answered by Report
)

// Request is something for the face to do.
type Request struct {
	Kind     RequestKind
	Actuator string        // of a move
	For      time.Duration // of a move
	Channels []sensor.LearnedChannel
	Machine  sensor.LearnedMachine
	Name     string // of the new shop
	Data     []byte // of its file
}

// Requests returns what is to be done, each once.
func (s *Session) Requests() []Request {
	list := s.wishes
	s.wishes = nil
	return list
}

// moveFor is how long a test move holds a gate open.
const moveFor = 5 * time.Second

// Lengths of a lesson.
const (
	learnIdle = 10 * time.Second
	learnRun  = 8 * time.Second
)

// phase is how far a live step is. The zero value is invalid.
type phase uint8

const (
	ready  phase = iota + 1 // Enter begins it
	busy                    // it is under way
	result                  // what came out is to be judged
)

// live holds what a step sees that looks at the rig. It is not kept.
type live struct {
	phase  phase
	since  time.Duration // of the wait for a machine
	began  bool
	finder *finder
	amps   []float64
	lesson *Learning
	shown  LearningStep
	got    LearningResult
	lines  []string // a report, or what went wrong
	good   bool

	actuator string
	from     time.Duration // the gate began to move
	moving   bool
	travel   time.Duration // the longest seen
	bySwitch bool
	unseen   bool          // its switch did not say that it arrived
	over     time.Duration // the test move ended
	retry    time.Duration // when to ask for it again; 0: not
	tries    int
}

// enter begins the session's present step.
func (s *Session) enter() {
	if s.live != nil && s.live.phase == busy && s.live.actuator != "" {
		s.wishes = append(s.wishes, Request{Kind: EndMove})
	}
	s.live = nil
	switch st := s.now(); st.kind {
	case finds:
		s.live = &live{phase: busy, finder: newFinder(s.names)}
	case moves:
		s.live = &live{phase: ready, amps: make([]float64, len(s.names)), actuator: st.of}
	case learns:
		s.live = &live{phase: ready}
	case computes:
		s.live = &live{phase: busy}
		switch st.what {
		case "missing":
			s.missing()
		case "air":
			s.wish(Air)
		case "dry":
			s.wish(DryRun)
		case "activate":
			s.live.phase = ready
		}
	default:
	}
}

// wish asks for something about the draft.
func (s *Session) wish(k RequestKind) {
	name, data := s.File()
	s.wishes = append(s.wishes, Request{Kind: k, Name: name, Data: data})
}

// missing lists what is wrong or doubtful in the draft.
func (s *Session) missing() {
	l := s.live
	l.phase, l.good = result, true
	shop, err := config.ParseShop("the new shop", s.Draft().Encode(), s.rig)
	var problems config.Errors
	switch {
	case errors.As(err, &problems):
		l.good = false
		l.lines = append(l.lines, "The new shop cannot work yet:")
		for _, p := range problems {
			l.lines = append(l.lines, "- "+p.Message+". "+s.wayOut(p))
		}
		l.lines = append(l.lines, "Go back to that step.")
		return
	case err != nil:
		l.good = false
		l.lines = append(l.lines, err.Error())
		return
	}
	if len(shop.Machines) == 0 {
		l.good = false
		l.lines = append(l.lines, "The new shop cannot work yet: it serves no machine. Go back and find the sensor of one.")
	}
	if doubt := s.mainsDoubt(); doubt != "" {
		l.lines = append(l.lines, "- "+doubt)
	}
	for _, line := range s.leftOut() {
		l.lines = append(l.lines, "- "+line)
	}
	shop.Learn(s.learned)
	for _, p := range slices.Concat(s.rig.Warnings, shop.Warnings) {
		l.lines = append(l.lines, "- "+strings.ToUpper(p.Message[:1])+p.Message[1:]+". "+s.wayOut(p))
	}
	switch {
	case !l.good:
	case len(l.lines) == 0:
		l.lines = []string{"Nothing is missing or doubtful."}
	default:
		l.lines = append([]string{"The new shop works. You may want to look at:"}, l.lines...)
	}
}

// wayOut says what to do about a problem of the draft. Nobody at a phone writes into its
// file: where the remedy would do so, it names the steps that asked about the thing.
func (s *Session) wayOut(p config.Problem) string {
	if !strings.ContainsAny(p.Remedy, "=[{`") {
		return "To do: " + p.Remedy + "."
	}
	var titles []string
	for _, st := range s.steps() {
		if st.of != "" && strings.Contains(p.Message, st.of) {
			titles = append(titles, strconv.Quote(s.title(st)))
		}
	}
	if len(titles) == 0 {
		return "To do, in the shop's file: " + p.Remedy + "."
	}
	return "Answer again: " + strings.Join(titles[:min(3, len(titles))], ", ") + "."
}

// Report returns what became of an Air, DryRun or Activate. Of Activate the first
// line is the file that was written.
func (s *Session) Report(k RequestKind, good bool, lines []string) {
	what := map[RequestKind]string{Air: "air", DryRun: "dry", Activate: "activate"}[k]
	if st := s.now(); s.live == nil || st.what != what || s.live.phase != busy {
		return // it was left meanwhile
	}
	s.changed()
	s.live.phase, s.live.good, s.live.lines = result, good, lines
	if k == Activate && good && len(lines) > 0 {
		s.kept.Answers["activate"] = s.mark() + ":" + lines[0]
		s.kept.At = "done"
		s.live = nil
	}
}

// Read takes a reading of any channel of the rig.
func (s *Session) Read(r sensor.Reading) {
	if r.Verdict == sensor.Running {
		s.otherHz = float64(r.OtherHz)
	}
	l := s.live
	if l == nil || r.Channel < 0 || r.Channel >= len(s.names) {
		return
	}
	switch {
	case l.finder != nil && l.phase == busy:
		if !l.began {
			l.began, l.since = true, r.At
		}
		l.finder.read(r)
		switch l.finder.state {
		case found:
			l.phase = result
			s.changed()
		case unclear:
			why := l.finder.why
			s.enter()
			s.changed()
			s.wrong = why
		default:
		}
	case l.amps != nil:
		l.amps[r.Channel] = 0
		if r.Verdict != sensor.Unknown {
			l.amps[r.Channel] = float64(r.Amps)
		}
		if l.phase == busy && l.amps[r.Channel] > busyAmps {
			s.wishes = append(s.wishes, Request{Kind: EndMove})
			l.phase = ready
			s.changed()
			s.wrong = fmt.Sprintf("A machine runs (%s shows %.1f A): switch it off, then move the gate again.", s.names[r.Channel], l.amps[r.Channel])
		}
		if l.retry > 0 && r.At >= l.retry && l.phase == busy {
			l.retry = 0
			s.wishes = append(s.wishes, Request{Kind: Move, Actuator: l.actuator, For: moveFor})
		}
		s.overYet(r.At)
	case l.lesson != nil && l.phase == busy:
		l.lesson.Read(r)
		s.lesson(r.At)
	}
}

// lesson looks how far the lesson is.
func (s *Session) lesson(now time.Duration) {
	l := s.live
	p := l.lesson.Prompt(now)
	if p.Step == l.shown {
		return
	}
	l.shown = p.Step
	s.changed()
	if p.Step != LearningDone {
		return
	}
	l.phase = result
	r, err := l.lesson.Result()
	if err == nil && r.Proposal.Margin == sensor.NoMargin {
		err = errors.New("no level separates running from idle. " + r.Proposal.Remedy)
	}
	if l.good = err == nil; !l.good {
		l.lines = []string{"Nothing was learned.", err.Error() + "."}
		return
	}
	l.got = r
	amps := func(a float64) string { return config.Metric.Format(config.Current, a) }
	f := r.Figures[0]
	l.lines = []string{
		fmt.Sprintf("Off it shows %s, running %s. It counts as running from %s up and as stopped below %s; margin %s.",
			amps(f.Idle.Mean), amps(f.Run.Mean), amps(r.Proposal.Start), amps(r.Proposal.Stop), r.Proposal.Words()),
		"Odds: " + r.Proposal.Odds() + ".",
	}
	if f.Lamp > 0 {
		l.lines = append(l.lines, fmt.Sprintf("It drew %s before it started, as a lamp behind its switch does: that counts as off.", amps(f.Lamp)))
	}
	if r.Coast > 0 {
		l.lines = append(l.lines, "It coasts for "+config.FormatDuration(r.Coast.Round(100*time.Millisecond))+".")
	}
}

// channelsOf are the numbers of a machine's channels.
func (s *Session) channelsOf(m string) []int {
	var out []int
	for _, ch := range split(s.get("sensor/"+m), ",") {
		if i := slices.Index(s.names, ch); i >= 0 {
			out = append(out, i)
		}
	}
	return out
}

// Outcome says what became of a test move. The zero value is invalid.
type Outcome uint8

// The outcomes.
const (
	Opening  Outcome = iota + 1 // the output was told to open
	Opened                      // it is open, by its switch or its time
	Shutting                    // it was told to shut
	Shut                        // it is shut
	Unseen                      // its switch did not say that it arrived
	Ended                       // the test is over
	Refused                     // it was not begun: why says so
)

// Event takes an event of the Bench shop. why says in words why a request was
// refused.
func (s *Session) Event(e control.Event, why string) {
	l, list := s.live, s.outputs()
	if l == nil || l.actuator == "" || int(e.ID) >= len(list) || list[e.ID] != l.actuator {
		return
	}
	switch e.Kind {
	case control.GateOpening:
		s.Moved(e.At, l.actuator, Opening, "")
	case control.GateIsOpen:
		s.Moved(e.At, l.actuator, Opened, "")
	case control.GateClosing:
		s.Moved(e.At, l.actuator, Shutting, "")
	case control.GateIsClosed:
		s.Moved(e.At, l.actuator, Shut, "")
	case control.TestEnded:
		s.Moved(e.At, l.actuator, Ended, "")
	case control.RequestRefused:
		if e.Cause == control.ByBusy && l.phase == busy && l.tries < mostTries {
			// The fan may still turn, or the last gate goes back: it comes to rest.
			l.tries++
			l.retry = e.At + retryAfter
			return
		}
		s.Moved(e.At, l.actuator, Refused, why)
	case control.FaultRaised:
		if e.Subject() == control.AGate {
			s.Moved(e.At, l.actuator, Unseen, "")
		}
	default:
	}
}

// Moved takes what became of a test move of an output.
func (s *Session) Moved(now time.Duration, actuator string, o Outcome, why string) {
	l := s.live
	if l == nil || l.actuator != actuator || l.phase != busy {
		return
	}
	switch o {
	case Opening, Shutting:
		l.from, l.moving = now, true
	case Opened, Shut:
		if o := s.oldGateOf(actuator); l.moving && o != nil && o.OpenSwitch != nil && s.get("switch/"+actuator) != none {
			l.travel, l.bySwitch = max(l.travel, now-l.from), true
		}
		l.moving = false
	case Unseen:
		l.unseen, l.moving = true, false
	case Ended:
		l.over = now
	case Refused:
		l.phase = ready
		s.changed()
		s.wrong = why
	}
	s.overYet(now)
}

// A refused test move is asked for again: longer than any fan coasts that a
// shop file may name would be too long for a person, who can ask again.
const (
	retryAfter = time.Second
	mostTries  = 90
)

// settleFor is how long after a test move the gate may begin to go back.
const settleFor = time.Second

// overYet goes on once the test move is over and the gate has gone back.
func (s *Session) overYet(now time.Duration) {
	if l := s.live; l.phase == busy && l.over > 0 && now-l.over >= settleFor && !l.moving {
		l.phase = result
		s.changed()
	}
}

// answer takes the answer to a live step.
func (l *live) answer(s *Session, st step, now time.Duration, text string) error {
	if text == s.get(st.id()) && s.answered(st) { // it stays
		s.keep(st, text)
		return nil
	}
	switch st.kind {
	case finds:
		return l.answerFind(s, st, text)
	case moves:
		return l.answerMove(s, st, now, text)
	case learns:
		return l.answerLearn(s, st, now, text)
	default:
		return l.answerReport(s, st, text)
	}
}

func (l *live) answerFind(s *Session, st step, text string) error {
	switch text {
	case again, nothing:
		s.changed()
		s.enter()
		if text == nothing {
			s.wrong = notSeen
		}
		return nil
	case yes:
		text = strings.Join(l.found(s), ", ")
	case "take": // the other was the wrong one
		for _, ch := range l.found(s) {
			if owner := s.ownerOf(ch, st.of); owner != "" {
				delete(s.kept.Answers, "sensor/"+owner)
			}
		}
		text = strings.Join(l.found(s), ", ")
	}
	text, err := s.check(st, text)
	if err != nil {
		return err
	}
	s.keep(st, text)
	return nil
}

// found are the names of the channels that were found.
func (l *live) found(s *Session) []string {
	var out []string
	for _, ch := range l.finder.got {
		out = append(out, s.names[ch])
	}
	return out
}

// notSeen says what to do when a machine ran and no sensor reacted.
const notSeen = "No sensor showed anything. If it ran, check its sensor: the clamp must go round ONE conductor (round both it reads nothing) and be fully shut, and its plug must be in. Then try again, or leave the machine out."

func (l *live) answerMove(s *Session, st step, now time.Duration, text string) error {
	switch {
	case text == none:
		s.keep(st, none)
	case l.phase == busy: // it has stopped
		if l.moving && !l.bySwitch {
			l.travel = max(l.travel, now-l.from)
		}
		l.moving = false
	case text == "move", text == again, text == nothing:
		for ch, a := range l.amps {
			if a > busyAmps {
				return fmt.Errorf("a machine runs (%s shows %.1f A): switch it off first", s.names[ch], a)
			}
		}
		s.changed()
		amps := l.amps
		*l = live{phase: busy, amps: amps, actuator: st.of}
		if text == nothing {
			l.phase = ready
			s.wrong = notMoved
			return nil
		}
		s.wishes = append(s.wishes, Request{Kind: Move, Actuator: st.of, For: moveFor})
	case text == "no switch":
		s.kept.Answers["switch/"+st.of] = none
		s.changed()
		l.unseen = false
	default:
		text, err := s.check(st, text)
		if err != nil {
			return err
		}
		if l.travel > 0 {
			s.kept.Answers["seen/"+st.of] = config.FormatDuration(l.travel.Round(time.Millisecond))
		}
		s.keep(st, text)
	}
	return nil
}

// notMoved says what to do when no gate moved.
const notMoved = "Nothing moved. Check its plug and its supply, look for something in its way, and check that the rig file names the output it is wired to. Then move it again, or say that it moves no gate here."

func (l *live) answerLearn(s *Session, st step, now time.Duration, text string) error {
	what, _ := cut(text)
	switch {
	case what == "proposal", text == skip && (l.phase != busy || l.shown != LearningRest):
		s.keep(st, text)
	case l.phase == ready || text == again:
		p := LearningParams{Machine: st.of, Channels: s.channelsOf(st.of), Names: s.names, Idle: learnIdle, Run: learnRun, Coast: true}
		for _, ch := range p.Channels {
			p.Step = max(p.Step, s.rig.Step(ch))
		}
		s.changed()
		*l = live{phase: busy, lesson: NewLearning(p), shown: LearningQuiet}
	case l.phase == busy:
		if text == skip {
			l.lesson.Skip(now)
		} else {
			l.lesson.Mark(now)
		}
		s.lesson(now)
	default: // keep it
		channels := s.channelsOf(st.of)
		about := About{Sensors: s.rig.Sensors(channels), Volts: s.voltsOf(st.of), Hertz: s.supply().hertz}
		for _, ch := range channels {
			about.Calibrations = append(about.Calibrations, s.rig.Calibration(ch))
		}
		r := Request{Kind: Keep}
		r.Channels, r.Machine = l.lesson.Learned(l.got, about)
		s.wishes = append(s.wishes, r)
		s.learned.Add(r.Channels, []sensor.LearnedMachine{r.Machine})
		if l.got.Coast > 0 {
			s.kept.Answers["seen/coast/"+st.of] = config.FormatDuration(l.got.Coast.Round(100 * time.Millisecond))
		}
		s.keep(st, "learned:"+s.get("sensor/"+st.of))
	}
	return nil
}

func (l *live) answerReport(s *Session, st step, text string) error {
	switch {
	case st.what == "activate" && (text == yes || text == again):
		s.changed()
		l.phase = busy
		s.wish(Activate)
	case text == again:
		s.changed()
		s.enter()
	case text == yes:
		text, err := s.check(st, text)
		if err != nil {
			return err
		}
		s.keep(st, text)
	}
	return nil
}
