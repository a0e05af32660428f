package movein

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
)

// bench feeds readings of two channels, 100 a second each, to a session.
type bench struct {
	t   *testing.T
	s   *Learning
	now time.Duration
}

func newBench(t *testing.T, coast bool) *bench {
	return &bench{t: t, s: NewLearning(LearningParams{Machine: "planer", Channels: []int{1}, Names: []string{"c0", "c1"}, Idle: 5 * time.Second, Run: 4 * time.Second, Coast: coast, Step: 0.024})}
}

// show gives both channels a current for a while.
func (b *bench) show(amps0, amps1 float64, long time.Duration) {
	for end := b.now + long; b.now < end; {
		b.now += 10 * time.Millisecond
		wobble := 0.002 * float64(b.now/(10*time.Millisecond)%7) // never a spread of 0
		for ch, a := range []float64{amps0, amps1} {
			b.s.Read(sensor.Reading{Channel: ch, At: b.now, Verdict: sensor.Idle, Health: sensor.Healthy, Amps: float32(a + wobble)})
		}
	}
}

func (b *bench) want(step LearningStep, text string) {
	b.t.Helper()
	if p := b.s.Prompt(b.now); p.Step != step || !strings.Contains(p.Text, text) {
		b.t.Fatalf("at %v: %+v, want step %d, %q", b.now, p, step, text)
	}
}

func TestSession(t *testing.T) {
	b := newBench(t, true)
	b.want(LearningQuiet, "Leave the planer off")
	b.show(0, 0.05, 2500*time.Millisecond)
	if p := b.s.Prompt(b.now); math.Abs(p.Share-0.5) > 0.01 || math.Abs(p.Amps-0.06) > 0.01 {
		t.Errorf("%+v", p)
	}
	b.s.Mark(b.now) // means nothing here
	b.want(LearningQuiet, "off")
	b.show(0, 0.05, 2600*time.Millisecond)
	b.want(SwitchOn, "Switch the planer on")
	b.show(0, 0.05, 20*time.Second) // the person takes a while
	b.want(SwitchOn, "on")
	b.show(0, 30, 300*time.Millisecond)
	b.want(LearningRuns, "without work")
	b.show(0, 5, 3*time.Second)
	b.want(LearningRuns, "without work")
	b.show(0, 5, 2*time.Second)
	b.want(SwitchOff, "off")
	b.show(0, 5, 3*time.Second)
	b.show(0, 0.05, 100*time.Millisecond) // a dip
	b.show(0, 5, time.Second)
	b.want(SwitchOff, "off")
	stop := b.now
	b.show(0, 0.05, 300*time.Millisecond)
	b.want(LearningRest, "has stopped")
	b.show(0, 0.05, 6*time.Second)
	b.s.Mark(b.now)
	b.want(LearningDone, "Done")
	b.show(0, 50, time.Second) // nothing counts any more
	r, err := b.s.Result()
	if err != nil {
		t.Fatal(err)
	}
	if want := b.now - time.Second - stop; (r.Coast - want).Abs() > 20*time.Millisecond {
		t.Errorf("coast %v, want %v", r.Coast, want)
	}
	f := r.Figures[0]
	if math.Abs(f.Inrush-30) > 0.02 || math.Abs(f.Run.Mean-5) > 0.02 || math.Abs(f.Settle.Seconds()-0.3) > 0.02 || r.Proposal.Margin != sensor.Wide || math.Abs(r.Proposal.Start-2.5) > 0.02 {
		t.Errorf("%+v, %+v", f, r.Proposal)
	}
	channels, m := b.s.Learned(r, About{Sensors: []string{"c1: x"}, Calibrations: []string{"x"}, Volts: 230, Hertz: 50, When: "2026-11-24"})
	l := sensor.Learned{Channels: channels, Machines: []sensor.LearnedMachine{m}}
	if err := l.Validate(); err != nil || channels[0].Channel != "c1" || m.Machine != "planer" || m.Run != f.Run || m.Coast != r.Coast {
		t.Errorf("%+v, %v", l, err)
	}
}

func TestSkipCoast(t *testing.T) {
	for _, asked := range []bool{true, false} {
		b := newBench(t, asked)
		b.show(0, 0.05, 5100*time.Millisecond)
		b.show(0, 5, 8*time.Second)
		b.show(0, 0.05, time.Second)
		if asked {
			b.want(LearningRest, "has stopped")
			b.s.Skip(b.now)
		}
		b.want(LearningDone, "Done")
		if r, err := b.s.Result(); err != nil || r.Coast != 0 {
			t.Errorf("%+v, %v", r, err)
		}
	}
	b := newBench(t, true)
	b.show(0, 0.05, 5100*time.Millisecond)
	b.show(0, 5, 8*time.Second)
	b.show(0, 0.05, 11*time.Minute)
	b.want(LearningDone, "Done") // nobody marks ten minutes of coasting
}

// TestEarlyStop: the machine is switched off before its time is over.
func TestEarlyStop(t *testing.T) {
	b := newBench(t, false)
	b.show(0, 0.05, 5100*time.Millisecond)
	b.show(0, 5, time.Second)
	b.show(0, 0.05, time.Second)
	b.want(LearningDone, "Done")
	if _, err := b.s.Result(); err == nil || !strings.Contains(err.Error(), "let it run longer") {
		t.Error(err)
	}
}

func TestNothingSeen(t *testing.T) {
	b := newBench(t, true)
	b.show(0, 0.05, 5100*time.Millisecond)
	b.show(4, 0.05, time.Second)
	if p := b.s.Prompt(b.now); p.Other != "c0" || p.Key == "" {
		t.Errorf("%+v", p)
	}
	b.s.Mark(b.now)
	b.want(LearningDone, "Done")
	_, err := b.s.Result()
	if err == nil || !strings.Contains(err.Error(), "no current was seen") || !strings.Contains(err.Error(), "rose on channel c0") {
		t.Error(err)
	}

	b = newBench(t, true)
	b.show(0, 5, 5100*time.Millisecond)
	b.show(0, 5, time.Second)
	b.s.End(b.now)
	if _, err := b.s.Result(); err == nil || !strings.Contains(err.Error(), "did it run already?") {
		t.Error(err)
	}
}

// TestBadSensor: a session with a sensor that is out does not wait for ever.
func TestBadSensor(t *testing.T) {
	b := newBench(t, true)
	for range 1600 {
		b.now += 10 * time.Millisecond
		b.s.Read(sensor.Reading{Channel: 1, At: b.now, Verdict: sensor.Unknown, Health: sensor.BiasLow})
	}
	b.want(SwitchOn, "on")
	b.s.Mark(b.now)
	if _, err := b.s.Result(); err == nil || !strings.Contains(err.Error(), "bias too low") {
		t.Error(err)
	}
}

func TestMarked(t *testing.T) {
	s := func(n float64) time.Duration { return time.Duration(n * 1e9) }
	m := NewMarkedLearning(LearningParams{Machine: "planer", Channels: []int{0}, Names: []string{"c0"}},
		Marks{Running: []Span{{s(10), s(20)}, {s(30), s(40)}}, Busy: []Span{{s(45), s(50)}}, Rest: s(46)})
	for at := time.Duration(0); at < s(60); at += 10 * time.Millisecond {
		amps := 0.05 + 0.001*float64(at/(10*time.Millisecond)%5)
		switch {
		case at > s(10) && at < s(20), at > s(30) && at < s(40):
			amps = 5
		case at > s(20) && at < s(21.5), at > s(9.6) && at < s(10): // what the guards are for
			amps = 1
		case at > s(45) && at < s(50): // crosstalk
			amps = 0.3
		}
		m.Read(sensor.Reading{At: at, Health: sensor.Healthy, Verdict: sensor.Idle, Amps: float32(amps)})
	}
	r, err := m.Result()
	if err != nil {
		t.Fatal(err)
	}
	if f := r.Figures[0]; f.Top > 0.07 || f.Spikes != 0 || math.Abs(f.Run.Mean-5) > 1e-6 || r.Coast != 6*time.Second {
		t.Errorf("%+v, %v", f, r.Coast)
	}
}

func TestReadLabels(t *testing.T) {
	const text = "start,end,what,machine,channels\n0.0,9.0,always on,radio,c4\n10,45,run,band saw,c0\n14,23,cut,band saw,c0\n50.5,60,run,planer,c1\n70,80,run,lamp,c4\n465,485,run,band saw,c0\n"
	m, err := ReadLabels("x.csv", strings.NewReader(text), "band saw", []string{"planer", "router"})
	if err != nil || len(m.Running) != 2 || m.Running[1] != (Span{465 * time.Second, 485 * time.Second}) || len(m.Busy) != 1 || m.Busy[0].From != 50500*time.Millisecond {
		t.Errorf("%+v, %v", m, err)
	}
	for text, want := range map[string]string{
		"":                                "x.csv: EOF",
		"start,end,what\n":                `x.csv:1: no column "machine"`,
		"start,end,what,machine\n1,2,3\n": "x.csv: record on line 2",
		"start,end,what,machine\nx,2,run,band saw\n1,-2,run,band saw\n": "x.csv:3: end = \"-2\"",
		"start,end,what,machine\n1,2,run,planer\n":                      "no labelled run of the band saw",
	} {
		if _, err := ReadLabels("x.csv", strings.NewReader(text), "band saw", nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}

func FuzzReadLabels(f *testing.F) {
	f.Add("start,end,what,machine\n1,2,run,a\n")
	f.Add("machine,what,end,start\na,run,1e400,nan\n")
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ReadLabels("x", strings.NewReader(text), "a", []string{"b"})
		if err == nil && len(m.Running) == 0 {
			t.Fatal("nothing, and no error")
		}
	})
}

// TestLateTrust: a sensor that is not trusted yet when the idle time is over is
// waited for; one that never is, is told of.
func TestLateTrust(t *testing.T) {
	for _, late := range []time.Duration{5 * time.Second, time.Hour} {
		s := NewLearning(LearningParams{Machine: "planer", Channels: []int{0}, Names: []string{"c0"}, Idle: 3 * time.Second, Run: 3 * time.Second})
		for at := time.Duration(0); at < 30*time.Second; at += 10 * time.Millisecond {
			r := sensor.Reading{Channel: 0, At: at, Verdict: sensor.Idle, Health: sensor.Healthy, Amps: 0.04}
			if at < late {
				r.Health = sensor.Starting
			}
			if at >= 15*time.Second && at < 20*time.Second {
				r.Amps = 7
			}
			s.Read(r)
		}
		if step := s.Prompt(30 * time.Second).Step; late < time.Minute && step != LearningDone || late > time.Minute && step != SwitchOn {
			t.Errorf("trusted after %v: step %v", late, step)
		}
		if r, err := s.Result(); (err == nil) != (late < time.Minute) || err == nil && r.Figures[0].Idle.Mean > 0.05 {
			t.Errorf("trusted after %v: %+v, %v", late, r, err)
		}
	}
}

// TestCrosstalk: the current of a neighbour, and its inrush, is neither a start
// nor a run that goes on.
func TestCrosstalk(t *testing.T) {
	s := NewLearning(LearningParams{Machine: "planer", Channels: []int{1}, Names: []string{"c0", "c1"}, Idle: 3 * time.Second, Run: 3 * time.Second})
	var start time.Duration
	for at := time.Duration(0); at < 60*time.Second; at += 10 * time.Millisecond {
		saw, planer := 0.03, 0.03
		switch {
		case at >= 10*time.Second && at < 11*time.Second:
			saw = 42
		case at >= 11*time.Second && at < 20*time.Second, at >= 35*time.Second && at < 50*time.Second:
			saw = 9
		}
		if at >= 30*time.Second && at < 40*time.Second {
			planer = 5
		}
		planer += 0.02 * saw
		for c, amps := range []float64{saw, planer} {
			s.Read(sensor.Reading{Channel: c, At: at, Health: sensor.Healthy, Amps: float32(amps)})
		}
		if start == 0 && s.Prompt(at).Step == LearningRuns {
			start = at
		}
	}
	if start < 30*time.Second || start > 31*time.Second || s.stop != 40*time.Second {
		t.Errorf("it ran from %v to %v", start, s.stop)
	}
	if r, err := s.Result(); err != nil || r.Figures[0].Run.Mean < 5 {
		t.Errorf("%+v, %v", r, err)
	}
}

// TestJoinedLate: the detector that joins a stream long after its beginning
// first tells that it has missed samples since then. The idle time begins with
// the samples.
func TestJoinedLate(t *testing.T) {
	b := newBench(t, false)
	for ch := range 2 {
		b.s.Read(sensor.Reading{Channel: ch, At: 300 * time.Millisecond, Verdict: sensor.Unknown, Health: sensor.Missing})
	}
	b.now = time.Hour
	for range 50 { // the sensors are not trusted yet
		b.now += 10 * time.Millisecond
		b.s.Read(sensor.Reading{Channel: 1, At: b.now, Verdict: sensor.Idle, Health: sensor.Starting, Amps: 0.05})
	}
	b.want(LearningQuiet, "Leave the planer off")
	b.show(0, 0.05, 4*time.Second)
	b.want(LearningQuiet, "Leave the planer off")
	b.show(0, 0.05, time.Second)
	b.want(SwitchOn, "Switch")
	b.show(0, 5, 8*time.Second)
	b.show(0, 0.05, time.Second)
	b.want(LearningDone, "Done")
	if r, err := b.s.Result(); err != nil || math.Abs(r.Figures[0].Idle.Mean-0.056) > 0.01 {
		t.Errorf("%+v, %v", r, err)
	}
}

// TestRanAlready: a machine that runs, or starts, while it is to be off is
// learned once it was off and started; so is one whose sensor is trusted only
// then.
func TestRanAlready(t *testing.T) {
	for name, before := range map[string]func(*bench){
		"runs":   func(b *bench) { b.show(0, 5, 20*time.Second); b.want(SwitchOn, "on") },
		"starts": func(b *bench) { b.show(0, 0.05, 4*time.Second); b.show(0, 5, 3*time.Second); b.want(SwitchOn, "on") },
		"not trusted": func(b *bench) {
			for range 1600 {
				b.now += 10 * time.Millisecond
				b.s.Read(sensor.Reading{Channel: 1, At: b.now, Verdict: sensor.Unknown, Health: sensor.BiasLow})
			}
			b.want(SwitchOn, "on")
		},
		"few values": func(b *bench) {
			b.show(0, 0.05, time.Second)
			for range 2500 {
				b.now += 10 * time.Millisecond
				b.s.Read(sensor.Reading{Channel: 1, At: b.now, Verdict: sensor.Unknown, Health: sensor.BiasLow})
			}
			b.want(SwitchOn, "on")
		},
	} {
		b := newBench(t, false)
		before(b)
		b.show(0, 0.05, 300*time.Millisecond)
		want := "Leave the planer off"
		if name == "runs" || name == "starts" {
			want = "It ran already. " + want
		}
		b.want(LearningQuiet, want)
		b.show(0, 0.05, 6*time.Second)
		b.want(SwitchOn, "on")
		b.show(0, 5, 8*time.Second)
		b.want(SwitchOff, "off")
		b.show(0, 0.05, time.Second)
		b.want(LearningDone, "Done")
		if r, err := b.s.Result(); err != nil || r.Figures[0].Top > 0.2 || math.Abs(r.Figures[0].Run.Mean-5) > 0.1 {
			t.Errorf("%s: %+v, %v", name, r, err)
		}
	}
}

// TestGiven: marks come from a labels file or by hand; what cannot be read is said.
func TestGiven(t *testing.T) {
	labels := filepath.Join(t.TempDir(), "labels.csv")
	if err := os.WriteFile(labels, []byte("start,end,what,machine,channels\n1,2,run,saw,c0\n3,4,run,planer,c1\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name  string
		given LearningGiven
		want  string // of Running, Busy and Rest; "" none
		wrong string
	}{
		{"none", LearningGiven{}, "", ""},
		{"by hand", LearningGiven{Running: []string{"1m-1m30s", "12 s-45s"}, Rest: "1m35s"}, "[{12s 45s} {1m0s 1m30s}] [] 1m35s", ""},
		{"a file", LearningGiven{Labels: labels}, "[{1s 2s}] [{3s 4s}] 0s", ""},
		{"no file", LearningGiven{Labels: labels + ".gone"}, "", "no such file"},
		{"one time", LearningGiven{Running: []string{"12s"}}, "", "write two times"},
		{"no time", LearningGiven{Running: []string{"12s-soon"}}, "", "--running"},
		{"backwards", LearningGiven{Running: []string{"12s-12s"}}, "", "ends before it begins"},
		{"no rest", LearningGiven{Running: []string{"1s-2s"}, Rest: "-3s"}, "", "--rest"},
	} {
		m, err := x.given.Marks("saw", []string{"planer"})
		got := ""
		if m != nil {
			got = fmt.Sprintf("%v %v %v", m.Running, m.Busy, m.Rest)
		}
		if got != x.want || (err == nil) != (x.wrong == "") || err != nil && !strings.Contains(err.Error(), x.wrong) {
			t.Errorf("%s: %q, %v", x.name, got, err)
		}
	}
	if _, err := (&LearningGiven{Labels: labels}).Marks("router", nil); !errors.Is(err, ErrNoRun) {
		t.Error(err)
	}
}

// TestFooled: a lesson says what it saw instead of a run: the neighbour was switched
// on, the machine was switched on too early, or the run was beyond the range.
func TestFooled(t *testing.T) {
	lesson := func(saw, planer func(at time.Duration) float64) (LearningResult, error) {
		s := NewLearning(LearningParams{Machine: "planer", Channels: []int{1}, Names: []string{"c0", "c1"}, Idle: 4 * time.Second, Run: 3 * time.Second, Ranges: []float64{35}})
		for at := time.Duration(0); at < 20*time.Second; at += 10 * time.Millisecond {
			for c, amps := range []float64{saw(at), planer(at)} {
				s.Read(sensor.Reading{Channel: c, At: at, Health: sensor.Healthy, Amps: float32(amps)})
			}
		}
		s.End(20 * time.Second)
		return s.Result()
	}
	from := func(on time.Duration, amps float64) func(time.Duration) float64 {
		return func(at time.Duration) float64 {
			if at >= on && at < 15*time.Second {
				return 0.03 + amps
			}
			return 0.03
		}
	}
	off := from(time.Hour, 0)
	for _, share := range []float64{0.02, 0.03, 0.05, 0.08} {
		if r, err := lesson(from(6*time.Second, 10), from(6*time.Second, share*10)); err == nil || !strings.Contains(err.Error(), "a current rose on channel c0") {
			t.Errorf("the neighbour instead, share %g: %+v, %v", share, r.Proposal, err)
		}
	}
	if r, err := lesson(off, from(2*time.Second, 0.4)); err == nil || !strings.Contains(err.Error(), "switched on while it was still to be off") {
		t.Errorf("too early: %+v, %v", r.Proposal, err)
	}
	if r, err := lesson(off, from(6*time.Second, 42)); err != nil || !strings.Contains(r.Clipped, "42 A") || !strings.Contains(r.Clipped, "35 A at most") {
		t.Errorf("beyond the range: %+v, %v", r, err)
	}
	if r, err := lesson(off, from(6*time.Second, 5)); err != nil || r.Clipped != "" {
		t.Errorf("as it should be: %+v, %v", r, err)
	}
}
