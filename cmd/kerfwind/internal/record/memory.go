package record

import (
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"kerfwind/config"
	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// Bounds of a Memory: our own choice.
const (
	keepLongest = 5 * time.Minute
	keepBytes   = 4 << 20 // of samples: 2.2 minutes of 8 channels at 2 kHz
	piece       = 500     // scans read at a time
)

// Memory keeps the last minutes of all converters of a rig: five, or as many
// as fit 4 MiB. It is safe for several goroutines; Add is for one.
type Memory struct {
	rings   []*Ring
	columns [][]int
	rates   []float64
	main    int // the fastest, which sets the pace
	width   int
}

// Columns says where the samples of each converter of this computer go in a
// scan, and how many scans it makes a second. The channels of other computers,
// which send readings and no samples, are the last of the rig and not in it.
func Columns(r *config.Rig) (columns [][]int, rates []float64) {
	for i := range r.Converters() {
		columns = append(columns, r.Of(i))
		rates = append(rates, r.ADCs[i].Rate)
	}
	return columns, rates
}

// NewMemory makes a memory for converters whose samples go to these columns of
// a scan of the rig, at these rates in scans a second; see Columns.
func NewMemory(columns [][]int, rates []float64) (*Memory, error) {
	m := &Memory{columns: columns, rates: rates}
	bytes := 0.0 // a second
	for i, list := range columns {
		m.width += len(list)
		bytes += 2 * rates[i] * float64(len(list))
		if rates[i] > rates[m.main] {
			m.main = i
		}
	}
	if m.width == 0 || !(bytes > 0) {
		return nil, errors.New("record: no converter")
	}
	keep := min(keepLongest, time.Duration(keepBytes/bytes*1e9))
	for i, list := range columns {
		if len(list) == 0 { // nothing of it is read
			m.rings = append(m.rings, nil)
			continue
		}
		r, err := NewRing(len(list), rates[i], keep)
		if err != nil {
			return nil, err
		}
		m.rings = append(m.rings, r)
	}
	return m, nil
}

// Add takes a frame of a converter. It only copies.
func (m *Memory) Add(f *sensor.Frame) {
	if f.Source >= 0 && f.Source < len(m.rings) && m.rings[f.Source] != nil {
		m.rings[f.Source].Add(f)
	}
}

// Rate is the scans a second of what Frames and Write deliver, and Channels how
// many samples a scan has: one for each channel of the rig, in its order.
func (m *Memory) Rate() float64 { return math.Round(m.rings[m.main].Rate()) }

// Channels are the samples in a scan.
func (m *Memory) Channels() int { return m.width }

// Kept is the part of the stream that is kept. It is empty where nothing is.
func (m *Memory) Kept() (from, to time.Duration) {
	r := m.rings[m.main]
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.instant(r.first), r.instant(r.next)
}

// Frames delivers what was kept of a part of the stream, to the end of it or of
// what there is, in counts: scans of the rig at the pace of the fastest
// converter, with the newest sample of the others in each. The frame is valid
// during the call only; an error of emit ends it.
func (m *Memory) Frames(from, to time.Duration, emit func(*sensor.Frame) error) error {
	main := m.rings[m.main]
	i, end := main.Scan(from), main.Scan(to)
	mix := NewMixer(m.columns, m.rates)
	places := make([]uint64, len(m.rings))
	for s, r := range m.rings {
		if r != nil {
			places[s] = r.Scan(from - late)
		}
	}
	var failed error
	out := func(f *sensor.Frame) {
		if failed == nil {
			f.Rate = m.Rate()
			failed = emit(f)
		}
	}
	var f sensor.Frame
	for i < end && failed == nil {
		main.Read(i, int(min(end-i, piece)), &f)
		n := uint64(f.Scans())
		if n == 0 || f.Index >= end { // overwritten meanwhile
			break
		}
		i = f.Index + n
		until := main.Instant(i)
		for s, r := range m.rings {
			if r == nil || s == m.main {
				continue
			}
			var other sensor.Frame
			r.Read(places[s], int(r.Scan(until)-min(places[s], r.Scan(until))), &other)
			if other.Scans() > 0 {
				places[s] = other.Index + uint64(other.Scans())
				other.Source = s
				mix.Add(&other, out)
			}
		}
		f.Source = m.main
		mix.Add(&f, out)
	}
	if failed == nil {
		mix.Flush(out)
	}
	return failed
}

// Saved says what was written.
type Saved struct {
	Scans    uint64
	From, To time.Duration // instants of the first scan and of the end of the last
	Lost     uint64        // scans that are missing between
}

// ErrNothing is the error where nothing is kept of what was asked for.
var ErrNothing = errors.New("nothing of that time is in memory any more")

// Save writes frames as a recording in FLAC, or WAV where they have more channels
// than FLAC holds; see Extension. The error is ErrNothing where there are none, and w
// is untouched then.
func Save(w io.Writer, frames func(emit func(*sensor.Frame) error) error) (Saved, error) {
	var s Saved
	var t trace.Writer
	next := uint64(0)
	err := frames(func(f *sensor.Frame) error {
		if t == nil {
			var err error
			if t, err = trace.NewWriter(w, layout(f.Channels, f.Rate)); err != nil {
				return err
			}
			s.From, next = f.At, f.Index
		}
		n := uint64(f.Scans())
		s.Lost += f.Index - next
		for i := range f.Scans() {
			if f.Raw[i*f.Channels] != f.Raw[i*f.Channels] {
				s.Lost++
			}
		}
		next = f.Index + n
		s.Scans += n
		s.To = f.At + trace.Instant(n, f.Rate)
		return writeWhole(t, f)
	})
	if t == nil {
		if err == nil {
			err = ErrNothing
		}
		return s, err
	}
	if err = errors.Join(err, t.Close()); err != nil {
		err = fmt.Errorf("the recording: %w", err)
	}
	return s, err
}

func layout(channels int, rate float64) trace.Layout {
	l := trace.Layout{Kind: trace.FLAC, Sample: trace.Int16, Channels: channels, Rate: rate, Unit: trace.Counts, LowestIsGap: true}
	if channels > 8 {
		l.Kind = trace.WAV
	}
	return l
}

// Extension is that of a file that Save writes: ".flac" or ".wav".
func Extension(channels int) string {
	if layout(channels, 0).Kind == trace.WAV {
		return ".wav"
	}
	return ".flac"
}
