package lesson

import (
	"strings"
	"testing"
	"time"

	"kerfwind/cmd/kerfwind/internal/learning"
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
		r     learning.Result
		want  []string
	}{
		{0, learning.Result{Figures: figures, Proposal: good, Coast: 6 * time.Second},
			[]string{"channel c1", "3 values of spikes left out", "up to 30 A, over after 400 ms", "none; full current after", `write coast = "6 s"`, "start 2 A, stop 1 A"}},
		{8 * time.Second, learning.Result{Figures: figures[:1], Proposal: good, Coast: 6 * time.Second}, []string{"6 s; the shop file says 8 s"}},
		{6 * time.Second, learning.Result{Figures: figures[:1], Coast: 6 * time.Second, Proposal: sensor.Proposal{Margin: sensor.NoMargin}}, []string{"6 s, as the shop file has it", "none; margin"}},
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
	l := New(s, Subjects(s)[0], Options{Recorded: true, Amperes: true, Marks: &learning.Marks{Running: []learning.Span{{From: 10 * time.Second, To: 20 * time.Second}}}})
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
