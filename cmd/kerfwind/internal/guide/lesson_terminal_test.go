package guide

import (
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"kerfwind/cmd/kerfwind/internal/record"
	"kerfwind/config"
	"kerfwind/sensor"
)

// shopFloor is a converter of one channel at the pace of the clock. Its
// machine runs from 20 to 40 s; counts are amperes here.
type shopFloor struct {
	began time.Time
	index uint64
	left  bool // nobody ever switches the machine on, and it does not end
}

// Next waits for the next 10 ms of samples.
func (s *shopFloor) Next(f *sensor.Frame) error {
	const rate, scans = 1000, 10
	end := time.Duration(s.index+scans) * time.Second / rate
	time.Sleep(end - time.Since(s.began))
	if end > 2*time.Minute && !s.left {
		return io.EOF
	}
	*f = sensor.Frame{Channels: 1, Index: s.index, At: time.Duration(s.index) * time.Second / rate, Rate: rate, Raw: f.Raw[:0]}
	for i := range scans {
		t := float64(s.index+uint64(i)) / rate
		// A noise that is the same in every run.
		v := 0.03 * math.Sin(1234.5*t*t)
		switch {
		case s.left:
		case t >= 20 && t < 20.3:
			v += 40 * math.Sin(2*math.Pi*50*t)
		case t >= 20 && t < 40:
			v += 7 * math.Sin(2*math.Pi*50*t)
		}
		f.Raw = append(f.Raw, float32(v))
	}
	s.index += scans
	return nil
}

// TestLearnLive: a person learns a machine at the rig, in made-up time, and
// marks when it stands still.
func TestLearnLive(t *testing.T) {
	for name, tt := range map[string]struct {
		key   string
		after time.Duration
		err   error
		coast float64
	}{
		"marked":       {"", 46 * time.Second, nil, 6},
		"not known":    {"s", 46 * time.Second, nil, 0},
		"left out":     {"s", 15 * time.Second, ErrSkip, 0},
		"ended":        {"q", 30 * time.Second, ErrQuit, 0},
		"nothing seen": {"", 15 * time.Second, nil, 0},
	} {
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			_, shop := config.StandInAmps(1, config.StandInOptions{})
			det, err := sensor.New(sensor.Params{Mains: 50, Channels: []sensor.ChannelParams{{Used: true, Scale: 1, Start: 1, Stop: 0.5}}})
			if err != nil {
				t.Fatal(err)
			}
			tap := &record.Tap{Shop: shop, Channels: shop.Channels(), Feed: record.Feed{
				Sources: []record.Source{{Source: &shopFloor{began: began}, Name: "a", Detector: det}},
				Now:     func() time.Duration { return time.Since(began) },
				Notice:  func(err error) { t.Error(err) },
			}}
			keys := make(chan string, 1)
			time.AfterFunc(tt.after, func() { keys <- tt.key })
			var out strings.Builder
			s := NewLesson(shop, Subject{Name: "planer", Channels: []int{0}}, LessonOptions{Idle: Idle, Run: Run})
			ctx, cancel := context.WithCancel(context.Background())
			err = (&LessonTerminal{Out: &out, Keys: keys}).Attend(ctx, tap, s)
			cancel()
			time.Sleep(3 * time.Minute) // the reader ends
			if !errors.Is(err, tt.err) {
				t.Fatalf("%s: %v", name, err)
			}
			said := out.String()
			if tt.err != nil {
				return
			}
			r, err := s.Result()
			if name == "nothing seen" {
				if err == nil || !strings.Contains(err.Error(), "no current was seen") || !strings.Contains(said, "it runs, but nothing is seen here") {
					t.Errorf("%s: %v\n%s", name, err, said)
				}
				return
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, text := range []string{"Leave the planer off", "Switch the planer on", "Let the planer run", "Switch the planer off", "has stopped"} {
				if strings.Count(said, text) == 0 {
					t.Errorf("%s: was not told %q:\n%s", name, text, said)
				}
			}
			if math.Abs(r.Coast.Seconds()-tt.coast) > 0.1 || math.Abs(r.Figures[0].Run.Mean-7/math.Sqrt2) > 0.05 || r.Proposal.Margin != sensor.Wide {
				t.Errorf("%s: %+v", name, r)
			}
		})
	}
}

// TestLearnAlone: where standard input has ended and nobody switches the machine
// on, learn gives up and says so.
func TestLearnAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		_, shop := config.StandInAmps(1, config.StandInOptions{})
		det, err := sensor.New(sensor.Params{Mains: 50, Channels: []sensor.ChannelParams{{Used: true, Scale: 1, Start: 1, Stop: 0.5}}})
		if err != nil {
			t.Fatal(err)
		}
		tap := &record.Tap{Shop: shop, Channels: shop.Channels(), Feed: record.Feed{
			Sources: []record.Source{{Source: &shopFloor{began: began, left: true}, Name: "a", Detector: det}},
			Now:     func() time.Duration { return time.Since(began) },
		}}
		keys := make(chan string)
		close(keys)
		s := NewLesson(shop, Subject{Name: "planer", Channels: []int{0}}, LessonOptions{Idle: Idle, Run: Run})
		err = (&LessonTerminal{Out: io.Discard, Keys: keys}).Attend(t.Context(), tap, s)
		if took := time.Since(began); err == nil || !strings.Contains(err.Error(), "planer: nobody went on for 10 min with: Switch the planer on.") || took < aloneMost || took > aloneMost+time.Minute {
			t.Errorf("after %v: %v", took, err)
		}
		time.Sleep(time.Second) // the reader ends
	})
}
