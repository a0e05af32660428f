package record

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/cmd/kerfwind/internal/timeline"
	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// DiskReserve is how much a recording leaves free: the history and the state need
// room too.
const DiskReserve = 64 << 20

// FreeOn is the free space for others than root on the disk of a folder.
func FreeOn(folder string) (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(folder, &st); err != nil {
		return 0, err
	}
	return int64(st.Bavail) * int64(st.Bsize), nil //nolint:unconvert // 32 bits on small boards
}

// ParseSize reads a size such as "100 MiB"; ok is false where the text is none.
func ParseSize(text string) (size int64, ok bool, err error) {
	units := map[string]float64{"MB": 1e6, "MiB": 1 << 20, "GB": 1e9, "GiB": 1 << 30, "kB": 1e3, "KiB": 1 << 10}
	number := strings.TrimRight(text, "KkMGiB ")
	unit := units[strings.TrimSpace(strings.TrimPrefix(text, number))]
	if unit == 0 {
		return 0, false, nil
	}
	n, err := strconv.ParseFloat(number, 64)
	if err != nil || !(n > 0 && n*unit < 1<<50) {
		return 0, true, errors.New(`write a size such as "100 MiB"`)
	}
	if size = int64(n * unit); size < 64<<10 {
		return 0, true, errors.New("at least 64 KiB")
	}
	return size, true, nil
}

// ColumnsOf is Columns of what is looked at: of a recording, all channels in order.
func ColumnsOf(t *Tap) (columns [][]int, rates []float64) {
	if t.Now != nil {
		return Columns(t.Shop.Rig)
	}
	all := make([]int, len(t.Channels))
	for i := range all {
		all[i] = i
	}
	return [][]int{all}, []float64{t.Rate}
}

// LayoutOf is how what is looked at is written.
func LayoutOf(t *Tap) trace.Layout {
	l := trace.Layout{Sample: trace.Int16, Rate: math.Round(t.Rate), Unit: t.Unit}
	if t.Unit == trace.Amperes {
		l.Sample = trace.Float32
	}
	columns, _ := ColumnsOf(t)
	for _, list := range columns {
		l.Channels += len(list)
	}
	return l
}

// session is a recording of what is looked at.
type session struct {
	rec     *Recorder
	long    time.Duration // its length at the most; 0: none
	begin   time.Duration
	begun   bool
	checked time.Duration
	failed  error
}

// add writes a mixed frame, or what of it is within the length.
func (s *session) add(m *sensor.Frame) {
	if !s.begun {
		s.begin, s.begun = m.At, true
	}
	if s.failed != nil {
		return
	}
	cut := *m
	if left := int(math.Ceil((s.long - (m.At - s.begin)).Seconds() * m.Rate)); s.long > 0 && left < m.Scans() {
		cut.Raw = m.Raw[:max(left, 0)*m.Channels]
	}
	if s.failed = s.rec.Add(&cut); s.failed == nil && len(cut.Raw) < len(m.Raw) {
		s.failed = ErrStop
	}
}

// Follow records from a tap until ctx is done, for so long at the most where long
// is not 0, or until the one file is full. The recording is complete then; bar
// shows how far it is.
func (r *Recorder) Follow(ctx context.Context, tap *Tap, long time.Duration, bar *live.Line) error {
	s := &session{rec: r, long: long}
	mix := NewMixer(ColumnsOf(tap))
	_, err := tap.Run(ctx, Sink{
		Frame: func(f *sensor.Frame) { mix.Add(f, s.add) },
		Each: func(now time.Duration) error {
			if s.failed == nil && now-s.checked >= time.Second {
				s.checked, s.failed = now, r.Check()
			}
			bar.Show(func() string {
				return fmt.Sprintf("%s  %s  %d scans lost", timeline.Clock(now-s.begin), mib(r.Size()), r.Lost)
			})
			return s.failed
		},
	})
	bar.End()
	if errors.Is(err, ErrFull) || errors.Is(err, context.Canceled) {
		err = nil
	}
	return r.ended(err)
}

// ended completes a recording that ended with err.
func (r *Recorder) ended(err error) error {
	if err = errors.Join(err, r.Close()); err != nil {
		err = fmt.Errorf("the recording ended: %w", err)
	}
	return err
}

// Last writes what the kerfwind of a runtime folder has in memory of the last
// while, and returns how long that is.
func (r *Recorder) Last(ctx context.Context, folder string, long time.Duration) (kept time.Duration, err error) {
	fresh := true
	err = socket.Last(ctx, folder, long, func(f *sensor.Frame) error {
		if fresh {
			r.o.Layout.Channels, r.o.Layout.Rate, fresh = f.Channels, f.Rate, false
		}
		kept += trace.Instant(uint64(f.Scans()), f.Rate)
		return r.Add(f)
	})
	if errors.Is(err, socket.ErrNobody) {
		return 0, err
	}
	return kept, r.ended(err)
}

// Summary says what was recorded; the error is that nothing was.
func (r *Recorder) Summary() (string, error) {
	path := ""
	switch files := r.Files(); {
	case len(files) == 1:
		path = files[0]
	case len(files) > 1:
		path = fmt.Sprintf("%s to %s", files[0], files[len(files)-1])
	default:
		return "", errors.New("nothing was recorded")
	}
	held := trace.Instant(r.Scans, r.o.Layout.Rate).Round(time.Millisecond)
	return fmt.Sprintf("%s: %s recorded, %s, %d scans lost", path, config.FormatDuration(held), mib(r.Bytes), r.Lost), nil
}

func mib(n int64) string { return fmt.Sprintf("%.1f MiB", float64(n)/(1<<20)) }
