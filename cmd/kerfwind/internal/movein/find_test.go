package movein

import (
	"slices"
	"strings"
	"testing"
	"time"

	"kerfwind/sensor"
)

// lab shows a finder five channels, 100 readings a second each.
type lab struct {
	f   *finder
	now time.Duration
}

func newLab() *lab { return &lab{f: newFinder([]string{"c0", "c1", "c2", "c3", "c4"})} }

// show gives each channel a current for a while; below 0 it is not trusted.
func (l *lab) show(d time.Duration, amps ...float64) *lab {
	for end := l.now + d; l.now < end; l.now += 10 * time.Millisecond {
		for ch, a := range amps {
			r := sensor.Reading{Channel: ch, At: l.now, Verdict: sensor.Idle, Amps: float32(a + 0.003*float64((l.now/1e7+time.Duration(ch))%5))}
			if a < 0 {
				r.Verdict, r.Amps = sensor.Unknown, 0
			}
			l.f.read(r)
		}
	}
	return l
}

func (l *lab) rest(d time.Duration) *lab { return l.show(d, 0, 0, 0.2, 0, 0) }

// TestFind: which channel reacts, with crosstalk, inrush and spikes.
func TestFind(t *testing.T) {
	for name, c := range map[string]struct {
		do   func(*lab)
		want []int
		why  string
	}{
		"one": {func(l *lab) { l.show(5*time.Second, 0, 4, 0.2, 0, 0) }, []int{1}, ""},
		"with inrush": {func(l *lab) {
			l.show(400*time.Millisecond, 0, 30, 2, 0, 0).show(5*time.Second, 0, 4, 0.3, 0, 0)
		}, []int{1}, ""},
		"crosstalk does not win":            {func(l *lab) { l.show(5*time.Second, 0.9, 4, 1.1, 0, 0) }, []int{1}, ""},
		"both legs":                         {func(l *lab) { l.show(5*time.Second, 0, 7, 0.2, 6.5, 0) }, []int{1, 3}, ""},
		"both legs, one with a light on it": {func(l *lab) { l.show(5*time.Second, 0.4, 7, 0.6, 5, 0.4) }, []int{1, 3}, ""},
		"a small one over standby":          {func(l *lab) { l.show(5*time.Second, 0, 0, 0.7, 0, 0) }, []int{2}, ""},
		"two at once, one after the other": {func(l *lab) {
			l.show(time.Second, 0, 4, 0.2, 0, 0).show(5*time.Second, 0, 4, 0.2, 5, 0)
		}, nil, "so did c1"},
		"another of half the size": {func(l *lab) { l.show(5*time.Second, 0, 4, 0.2, 2, 0) }, nil, "so did c3"},
		"too short":                {func(l *lab) { l.show(time.Second, 0, 4, 0.2, 0, 0) }, nil, "too briefly"},
		"spikes first": {func(l *lab) {
			l.show(10*time.Millisecond, 0, 0, 0.2, 35, 0).rest(3*time.Second).show(10*time.Millisecond, 0, 0, 0.2, 35, 0).rest(time.Second).show(5*time.Second, 0, 4, 0.2, 0, 0)
		}, []int{1}, ""},
		"it runs on":                 {func(l *lab) { l.show(9*time.Second, 0, 4, 0.2, 0, 0) }, []int{1}, ""},
		"one is unplugged meanwhile": {func(l *lab) { l.show(5*time.Second, 0, 4, 0.2, 0, -1) }, []int{1}, ""},
	} {
		l := newLab().rest(2500 * time.Millisecond)
		if l.f.state != waiting {
			t.Fatalf("%s: state %d", name, l.f.state)
		}
		c.do(l)
		l.rest(time.Second)
		if c.why != "" {
			if l.f.state != unclear || !strings.Contains(l.f.why, c.why) {
				t.Errorf("%s: state %d, %q", name, l.f.state, l.f.why)
			}
			continue
		}
		if l.f.state != found || !slices.Equal(l.f.got, c.want) {
			t.Errorf("%s: state %d, %v, %q; want %v", name, l.f.state, l.f.got, l.f.why, c.want)
		}
	}
}

// TestFindBusy: what runs while all should be off is said; a load that stays on
// is taken as rest in the end.
func TestFindBusy(t *testing.T) {
	l := newLab().show(5*time.Second, 0, 3, 0, 0, 0)
	if l.f.state != resting || !slices.Equal(l.f.busy(), []string{"c1"}) {
		t.Errorf("state %d, %v", l.f.state, l.f.busy())
	}
	l.show(4*time.Second, 0, 3, 0, 0, 0)
	if l.f.state != waiting {
		t.Errorf("state %d", l.f.state)
	}
	l.show(5*time.Second, 0, 3, 0, 4, 0).show(time.Second, 0, 3, 0, 0, 0)
	if l.f.state != found || !slices.Equal(l.f.got, []int{3}) {
		t.Errorf("state %d, %v, %s", l.f.state, l.f.got, l.f.why)
	}
	if l := newLab().show(time.Second, 0, -1, 0, 0, 0); !slices.Equal(l.f.ill(), []string{"c1"}) {
		t.Errorf("%v", l.f.ill())
	}
}
