package trace

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"

	"kerfwind/sensor"
)

// Writer writes one recording.
type Writer interface {
	// Write adds a frame. A jump of its Index is a gap; the first frame begins
	// the recording whatever its Index.
	Write(f *sensor.Frame) error
	// Close ends the recording. It does not close the file below.
	Close() error
}

// Kind is a file format.
type Kind uint8

// The file formats. The zero value is invalid.
const (
	WAV Kind = iota + 1
	FLAC
	CSV
)

// Sample is how a WAV or FLAC file stores a number. CSV has none.
type Sample uint8

// The ways to store a number. FLAC has no floats.
const (
	Int16 Sample = iota + 1
	Int24
	Float32
)

func (s Sample) bits() int {
	switch s {
	case Int16:
		return 16
	case Int24:
		return 24
	case Float32:
		return 32
	}
	return 0
}

// Layout says what a recording to be written is.
type Layout struct {
	Kind     Kind
	Sample   Sample   // WAV and FLAC
	Channels int      // samples in a scan
	Names    []string // of the channels, for CSV; nil means c0, c1, ...
	Rate     float64  // scans per second; whole for WAV and FLAC
	Unit     Unit     // integers hold counts, CSV holds amperes, float WAV either
	RF64     bool     // WAV: write RF64 also below 4 GiB; needs a file, not a pipe
	// LowestIsGap stores a missing sample of an integer file as the lowest code,
	// which a converter of fewer bits cannot deliver and a reader that knows the
	// converter's limits therefore distrusts. Without it a missing sample is an
	// error there.
	LowestIsGap bool
}

// longestGap bounds the gap that a format without time stamps fills up, so that
// a damaged index does not fill the disk.
const longestGap = 24 * 3600 // seconds

// NewWriter begins a recording on w. Where w can seek and is at its start,
// as a new file does, the header is completed by Close; otherwise, as on a
// pipe, it says "to the end". WAV files beyond 4 GiB become RF64 where w can
// seek.
//
// Numbers of integer formats are rounded to the nearest, halves to even; one
// that does not fit is an error. Float and CSV files keep the float32 exactly.
func NewWriter(w io.Writer, l Layout) (Writer, error) {
	if err := l.check(); err != nil {
		return nil, err
	}
	switch l.Kind {
	case WAV:
		return newWAVWriter(w, l)
	case FLAC:
		return newFLACWriter(w, l)
	default:
		return newCSVWriter(w, l)
	}
}

func (l *Layout) check() error {
	most := map[Kind]int{WAV: maxChannels, FLAC: 8, CSV: maxChannels}[l.Kind]
	switch {
	case most == 0:
		return errors.New("no file format named")
	case l.Channels < 1 || l.Channels > most:
		return fmt.Errorf("%d channels: this format holds from 1 to %d", l.Channels, most)
	case !goodRate(l.Rate):
		return fmt.Errorf("%v scans a second: from above 0 to %.0f can be written", l.Rate, maxRate)
	case l.Names != nil && len(l.Names) != l.Channels:
		return fmt.Errorf("%d channel names for %d channels", len(l.Names), l.Channels)
	case l.Kind == CSV && l.Unit != Amperes:
		return errors.New("CSV holds amperes, but these are counts: say how many amperes a count is")
	case l.Kind == CSV:
		return nil
	case l.Rate != math.Trunc(l.Rate):
		return fmt.Errorf("%v scans a second: WAV and FLAC hold whole rates only; write CSV", l.Rate)
	case l.Sample.bits() == 0 || l.Kind == FLAC && l.Sample == Float32:
		return errors.New("samples must be 16-bit or 24-bit integers, or in WAV 32-bit floats")
	case l.Kind == FLAC && l.Rate > 655350:
		return fmt.Errorf("%v scans a second: FLAC holds at most 655350; write WAV", l.Rate)
	case l.Sample != Float32 && l.Unit != Counts:
		return errors.New("integer files hold counts, but these are amperes: say how many amperes a count is, or write float WAV or CSV")
	case l.Unit != Counts && l.Unit != Amperes:
		return errors.New("neither counts nor amperes")
	}
	return nil
}

// flow follows the index of the frames given to a writer.
type flow struct {
	l       Layout
	started bool
	next    uint64
	scans   uint64 // written
}

// take checks a frame and returns the scans missing before it.
func (w *flow) take(f *sensor.Frame) (missing uint64, err error) {
	switch {
	case f.Channels != w.l.Channels || f.Channels > 0 && len(f.Raw)%f.Channels != 0:
		return 0, fmt.Errorf("a frame of %d channels and %d samples in a recording of %d channels", f.Channels, len(f.Raw), w.l.Channels)
	case f.Rate != w.l.Rate:
		return 0, fmt.Errorf("a frame of %v scans a second in a recording of %v", f.Rate, w.l.Rate)
	case w.started && f.Index < w.next:
		return 0, fmt.Errorf("a frame goes back from scan %d to %d", w.next, f.Index)
	}
	if w.started {
		missing = f.Index - w.next
	}
	if w.l.Kind != CSV && float64(missing) > longestGap*w.l.Rate {
		return 0, fmt.Errorf("a gap of %d scans, more than a day: write CSV, or begin a new file after it", missing)
	}
	w.started = true
	w.next = f.Index + uint64(f.Scans())
	return missing, nil
}

// code rounds a number to an integer sample. i is its place in the frame.
func (w *flow) code(v float32, i int) (int32, error) {
	limit := float64(int64(1) << (w.l.Sample.bits() - 1))
	x := float64(v)
	if math.IsNaN(x) || math.IsInf(x, 0) {
		if w.l.LowestIsGap {
			return int32(-limit), nil
		}
		return 0, fmt.Errorf("channel %d misses a sample at %s s, which an integer file cannot say: write float WAV or CSV, or the lowest code for missing samples",
			i%w.l.Channels, w.when(i))
	}
	x = math.RoundToEven(x)
	if x < -limit || x >= limit {
		return 0, fmt.Errorf("channel %d: %v at %s s does not fit into %d bits: use wider samples", i%w.l.Channels, v, w.when(i), w.l.Sample.bits())
	}
	return int32(x), nil
}

// when is the time of the i-th sample of the frame at hand, in seconds.
func (w *flow) when(i int) string {
	t := (float64(w.scans) + float64(i/w.l.Channels)) / w.l.Rate
	return strconv.FormatFloat(t, 'f', 3, 64)
}

// start returns w as a seeker if it can seek and is at its start.
func start(w io.Writer) io.WriteSeeker {
	s, ok := w.(io.WriteSeeker)
	if !ok {
		return nil
	}
	if at, err := s.Seek(0, io.SeekCurrent); err != nil || at != 0 {
		return nil
	}
	return s
}

// Copy writes all frames of a source.
func Copy(w Writer, src sensor.Source) error {
	var f sensor.Frame
	for {
		switch err := src.Next(&f); {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
		if f.Err != nil {
			continue // its scans show as a jump of the index
		}
		if err := w.Write(&f); err != nil {
			return err
		}
	}
}
