package guide

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/movein"
	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/cmd/kerfwind/internal/replay"
	"kerfwind/config"
	"kerfwind/sensor"
)

// TestChoose: what is named and can be learned is chosen; all, where nothing is
// named.
func TestChoose(t *testing.T) {
	s := &config.Shop{Machines: []config.Machine{{Name: "saw", Channels: []int{0, 1}}, {Name: "lathe"}}, Collector: config.Collector{Channel: 2}}
	names := func(list []Subject) string {
		var out []string
		for _, x := range list {
			out = append(out, x.Name)
		}
		return strings.Join(out, ",")
	}
	for _, x := range []struct{ names, want, wrong string }{
		{"", "saw,collector", ""},
		{"collector,saw", "collector,saw", ""},
		{"lathe", "", "no current sensor tells of it"},
		{"drill", "", "the shop has saw, lathe, collector"},
	} {
		var of []string
		if x.names != "" {
			of = strings.Split(x.names, ",")
		}
		list, err := Choose(s, of)
		if x.wrong == "" && (err != nil || names(list) != x.want) || x.wrong != "" && (err == nil || !strings.Contains(err.Error(), x.wrong)) {
			t.Errorf("%q: %s, %v", x.names, names(list), err)
		}
	}
	if _, err := Choose(&config.Shop{Collector: config.Collector{Channel: -1}}, nil); err == nil || !strings.Contains(err.Error(), "nothing to learn") {
		t.Error(err)
	}
}

// TestReport says what was learned of each channel, and what to write.
func TestReport(t *testing.T) {
	s := &config.Shop{Rig: &config.Rig{Channels: []config.Channel{{Name: "c0"}, {Name: "c1"}}}}
	figures := []sensor.Figures{
		{Idle: sensor.Level{Mean: 0.1, Spread: 0.01}, Top: 0.2, Spikes: 3, Run: sensor.Level{Mean: 5, Spread: 0.5}, Least: 4, Inrush: 30, Settle: 400 * time.Millisecond},
		{Idle: sensor.Level{Mean: 0.1}, Top: 0.2, Run: sensor.Level{Mean: 5}, Least: 4, Inrush: 5},
	}
	good := sensor.Proposal{Start: 2, Stop: 1, Margin: sensor.Wide}
	for _, x := range []struct {
		given time.Duration
		r     movein.LearningResult
		want  []string
	}{
		{0, movein.LearningResult{Figures: figures, Proposal: good, Coast: 6 * time.Second},
			[]string{"channel c1", "3 values of spikes left out", "up to 30 A, over after 400 ms", "none; full current after", `write coast = "6 s"`, "start 2 A, stop 1 A"}},
		{8 * time.Second, movein.LearningResult{Figures: figures[:1], Proposal: good, Coast: 6 * time.Second}, []string{"6 s; the shop file says 8 s"}},
		{6 * time.Second, movein.LearningResult{Figures: figures[:1], Coast: 6 * time.Second, Proposal: sensor.Proposal{Margin: sensor.NoMargin}}, []string{"6 s, as the shop file has it", "none; margin"}},
	} {
		var b strings.Builder
		(&Lesson{shop: s, Subject: Subject{Channels: []int{0, 1}, coast: x.given}}).report(&b, &x.r)
		for _, text := range x.want {
			if !strings.Contains(b.String(), text) {
				t.Errorf("%q is missing in\n%s", text, b.String())
			}
		}
	}
}

// TestMarked: marks lead a lesson from a recording, of which nothing is left out.
func TestMarked(t *testing.T) {
	s := newPupilPage(t).Shop
	s.Rig.Channels[0].Node = 1
	l := NewLesson(s, Subjects(s)[0], LessonOptions{Recorded: true, Amperes: true, Marks: &movein.Marks{Running: []movein.Span{{From: 10 * time.Second, To: 20 * time.Second}}}})
	for at := time.Duration(0); at < 30*time.Second; at += 10 * time.Millisecond {
		amps := float32(0.02) + 0.001*float32(at/(10*time.Millisecond)%7)
		if at >= 10*time.Second && at < 20*time.Second {
			amps += 6
		}
		l.Read(sensor.Reading{At: at, Verdict: sensor.Idle, Health: sensor.Healthy, Amps: amps})
	}
	learned, err := l.Learned(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC))
	if err != nil || l.Lost() != nil || !strings.Contains(learned.Report, "levels") || learned.machine.Learned != "2026-03-02" {
		t.Errorf("%+v, %v, %v", learned, err, l.Lost())
	}
}

// TestTyped: lines come without space and in small letters.
func TestTyped(t *testing.T) {
	var got []string
	for line := range Typed(strings.NewReader("\n S \nq")) {
		got = append(got, line)
	}
	if strings.Join(got, ",") != ",s,q" {
		t.Errorf("%q", got)
	}
}

// TestCourse learns the machines of a recording one after the other.
func TestCourse(t *testing.T) {
	path := filepath.Join(t.TempDir(), "in.csv")
	var b strings.Builder
	b.WriteString("t,m0,m1\n")
	for n := range 20_000 {
		at := float64(n) / 1000
		amps := 0.02 * math.Sin(1234.5*at*at)
		if at >= 8 && at < 16 {
			amps += 8 * math.Sin(2*math.Pi*50*at)
		}
		fmt.Fprintf(&b, "%g,%g,0\n", at, amps)
	}
	if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	opens := 0
	open := func() (*record.Tap, error) {
		opens++
		_, s := config.StandInAmps(2, config.StandInOptions{})
		return record.OpenTrace([]string{path}, false, replay.Options{Rig: s.Rig, Shop: s, Amperes: true})
	}
	course := func(g movein.LearningGiven) (*Course, string, error) {
		tap, err := open()
		if err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		c := &Course{LessonOptions: LessonOptions{Idle: 5 * time.Second, Run: 5 * time.Second, Recorded: true, Amperes: true}, Given: g, Out: &out, Folder: t.TempDir(), Dry: true, Open: open}
		err = c.Teach(t.Context(), tap, Subjects(tap.Shop))
		return c, out.String(), err
	}
	c, out, err := course(movein.LearningGiven{})
	if err != nil || c.Bad != 1 || c.Kept || opens != 2 {
		t.Errorf("%d bad, kept %v, opened %d times, %v", c.Bad, c.Kept, opens, err)
	}
	for _, want := range []string{"m0, on channel m0", "not kept", "m1, on channel m1", "nothing was learned"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	if _, _, err := course(movein.LearningGiven{Labels: path + ".gone"}); !errors.As(err, new(*MarksError)) || !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
