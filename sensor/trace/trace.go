// Package trace reads, writes and makes recordings of mains current, as WAV,
// FLAC or CSV files. A reader is a [sensor.Source]: a recording goes through
// the same code as the live converter. Reading streams: memory does not grow
// with the recording. The package has no clock and no global randomness.
//
// # Values and units
//
// Integer WAV and FLAC files hold the raw counts of the converter, one channel
// of the file for one channel of the rig, in the rig's order. The rig's
// calibration turns counts into amperes. CSV files hold amperes. Float WAV
// files hold amperes unless their LIST INFO comment (ICMT) says
// "kerfwind: counts"; [NewWriter] writes that comment where it applies. WAV and
// FLAC keep no channel names.
//
// 32-bit integers and 64-bit floats become float32: integers beyond 2^24 and
// floats of more than 24 significant bits are rounded to the nearest float32.
// 8-bit WAV samples, which are stored with an offset of 128, become -128..127.
package trace

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
	"os"
	"slices"
	"time"

	"kerfwind/sensor"
)

// Unit says what the numbers of a recording are.
type Unit uint8

// The units of a recording. The zero value is invalid.
const (
	Counts  Unit = iota + 1 // raw counts of the converter
	Amperes                 // amperes
)

// String names the unit.
func (u Unit) String() string {
	switch u {
	case Counts:
		return "counts"
	case Amperes:
		return "amperes"
	}
	return "invalid"
}

// Info describes a recording.
type Info struct {
	Format   string   // for people: "WAV, 16-bit integer"
	Channels int      // samples in a scan
	Names    []string // of the channels, from a CSV header; else nil
	Rate     float64  // scans per second
	Scans    int64    // scans of all files together; -1 where only reading tells
	Want     int64    // scans that the headers announce; -1 where one does not say
	Unread   bool     // a header announces Scans: only reading shows whether all are there
	Unit     Unit     // what the numbers are
}

// Options of [Open]. The zero value is good.
type Options struct {
	// FrameScans is the greatest number of scans in a frame. 0 means 1024.
	FrameScans int
	// Progress, if not nil, is called about every mebibyte and at the end with
	// the bytes read and the bytes of all files, or -1 where that is unknown.
	Progress func(done, total int64)
	// AllowTruncated makes a recording that stops in the middle end there, as if
	// it had been meant to. Without it the whole scans come first and then a
	// [*TruncatedError].
	AllowTruncated bool
}

// maxChannels is far above any rig and keeps a broken header from asking for
// absurd memory.
const maxChannels = 256

// maxRate is the fastest recording taken, in scans per second. No converter of
// a rig comes near it.
const maxRate = 10e6

// TruncatedError says that a recording stops before the end that its header
// announces, or in the middle of a scan. All whole scans have been delivered.
type TruncatedError struct {
	File  string
	Scans int64 // whole scans that were there
	Want  int64 // scans that the header announces, -1 if it does not say
}

// Error names the file, what was there and the remedy.
func (e *TruncatedError) Error() string {
	remedy := "copy it again from where it was recorded, or keep what is there with " +
		"\"kerfwind trace cut --truncated\""
	if e.Want >= 0 {
		return fmt.Sprintf("%s: the recording is cut short: %d whole scans of %d; %s", e.File, e.Scans, e.Want, remedy)
	}
	return fmt.Sprintf("%s: the recording ends in the middle of a scan after %d whole scans; %s", e.File, e.Scans, remedy)
}

// decoder reads one file. read fills dst, whose length is a multiple of the
// number of channels, with whole scans and returns how many. skip counts the
// scans missing before the first one returned; a read never spans a gap. The
// error comes with no scans: io.EOF at the end.
type decoder interface {
	info() Info
	read(dst []float32) (scans int, skip uint64, err error)
}

// Reader delivers the frames of one or more recordings laid end to end. It is
// a [sensor.Source]. It is not safe for concurrent use.
type Reader struct {
	opt      Options
	parts    []part
	cur      int     // part being read
	dec      decoder // nil: the current part has to be opened first
	in       *input
	all      Info
	index    uint64 // number of the next scan over all parts
	done     int64  // bytes of the parts read to their end
	total    int64  // bytes of all parts, -1 unknown
	reported int64
	err      error // sticky
}

var _ sensor.Source = (*Reader)(nil)

// part is one file of a Reader.
type part struct {
	name string
	open func() (io.ReadCloser, int64, error) // the size is -1 where unknown
}

// Open opens recordings that are laid end to end; "-" is standard input. All
// must have the same number of channels, rate and unit. Their headers are read
// at once, so that a mismatch is told before the first frame; every fault found
// is in the error, which joins them (see [errors.Join]).
func Open(paths []string, opt Options) (*Reader, error) {
	parts := make([]part, 0, len(paths))
	stdin := 0
	for _, p := range paths {
		if p == "-" {
			stdin++
			parts = append(parts, part{"standard input", func() (io.ReadCloser, int64, error) {
				return io.NopCloser(os.Stdin), -1, nil
			}})
			continue
		}
		parts = append(parts, part{p, func() (io.ReadCloser, int64, error) { return openFile(p) }})
	}
	if stdin > 1 {
		return nil, errors.New("standard input (-) is named twice: it can be read only once")
	}
	return newReader(parts, opt)
}

// NewReader reads one recording from r. Errors call it name.
func NewReader(name string, r io.Reader, opt Options) (*Reader, error) {
	return newReader([]part{{name, func() (io.ReadCloser, int64, error) {
		return io.NopCloser(r), -1, nil
	}}}, opt)
}

func openFile(path string) (io.ReadCloser, int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, err
	}
	st, err := f.Stat()
	if err != nil {
		_ = f.Close() // nothing was written
		return nil, 0, err
	}
	if st.IsDir() {
		_ = f.Close()
		return nil, 0, fmt.Errorf("%s: is a folder: name the recordings in it", path)
	}
	size := int64(-1)
	if st.Mode().IsRegular() {
		size = st.Size()
	}
	return f, size, nil
}

func newReader(parts []part, opt Options) (*Reader, error) {
	if len(parts) == 0 {
		return nil, errors.New("no recording named")
	}
	if opt.FrameScans < 0 {
		return nil, fmt.Errorf("frame of %d scans: must be positive", opt.FrameScans)
	}
	if opt.FrameScans == 0 {
		opt.FrameScans = 1024
	}
	r := &Reader{opt: opt, parts: parts}
	var errs []error
	var pipes []*input // cannot be opened twice, so they stay open
	first := -1
	for i := range parts {
		dec, in, err := openPart(parts[i])
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if in.size < 0 || r.total < 0 {
			r.total = -1
		} else {
			r.total += in.size
		}
		inf := dec.info()
		if first < 0 {
			first = i
			r.all = inf
		} else {
			if err := agree(parts[first].name, r.all, parts[i].name, inf); err != nil {
				errs = append(errs, err)
			}
			r.all.Scans, r.all.Want = plus(r.all.Scans, inf.Scans), plus(r.all.Want, inf.Want)
			r.all.Unread = r.all.Unread || inf.Unread
		}
		switch {
		case i == 0:
			r.dec, r.in = dec, in
		case in.size >= 0:
			in.close() // opened again when its turn comes
		default:
			pipes = append(pipes, in)
			r.parts[i] = part{parts[i].name, reuse(in)}
		}
	}
	if len(errs) > 0 {
		if r.in != nil {
			r.in.close()
		}
		for _, in := range pipes {
			in.close()
		}
		return nil, errors.Join(errs...)
	}
	return r, nil
}

// plus adds numbers of scans that may be unknown, -1.
func plus(a, b int64) int64 {
	if a < 0 || b < 0 {
		return -1
	}
	return a + b
}

// agree says how two recordings laid end to end differ.
func agree(nameA string, a Info, nameB string, b Info) error {
	const remedy = "recordings laid end to end must agree"
	switch {
	case a.Channels != b.Channels:
		return fmt.Errorf("%s has %d channels, but %s has %d: %s", nameB, b.Channels, nameA, a.Channels, remedy)
	case a.Rate != b.Rate:
		return fmt.Errorf("%s has %v scans a second, but %s has %v: %s", nameB, b.Rate, nameA, a.Rate, remedy)
	case a.Unit != b.Unit:
		return fmt.Errorf("%s is in %v, but %s is in %v: %s", nameB, b.Unit, nameA, a.Unit, remedy)
	case !slices.Equal(a.Names, b.Names):
		return fmt.Errorf("%s has channels %q, but %s has %q: %s", nameB, b.Names, nameA, a.Names, remedy)
	}
	return nil
}

// input is a buffered, counting reader of one file.
type input struct {
	name string
	rc   io.ReadCloser
	br   *bufio.Reader
	n    int64 // bytes handed out by rc
	size int64 // -1 unknown
	dec  decoder
}

func (in *input) Read(p []byte) (int, error) {
	n, err := in.rc.Read(p)
	in.n += int64(n)
	return n, err
}

func (in *input) close() { _ = in.rc.Close() } // nothing was written

// errorf reports a fault of the file itself.
func (in *input) errorf(format string, args ...any) error {
	return fmt.Errorf("%s: "+format, append([]any{in.name}, args...)...)
}

// reuse hands out a part that is open already.
func reuse(in *input) func() (io.ReadCloser, int64, error) {
	return func() (io.ReadCloser, int64, error) { return in, -1, nil }
}

// Close lets an input be handed out again by reuse.
func (in *input) Close() error { return in.rc.Close() }

// openPart opens a file, finds out its format and reads its header.
func openPart(p part) (decoder, *input, error) {
	rc, size, err := p.open()
	if err != nil {
		var pe *os.PathError
		if errors.As(err, &pe) {
			return nil, nil, fmt.Errorf("%s: cannot be read: %w", p.name, pe.Err)
		}
		return nil, nil, err
	}
	if in, ok := rc.(*input); ok {
		return in.dec, in, nil
	}
	in := &input{name: p.name, rc: rc, size: size}
	in.br = bufio.NewReaderSize(in, 64<<10)
	dec, err := sniff(in)
	if err != nil {
		in.close()
		return nil, nil, err
	}
	in.dec = dec
	return dec, in, nil
}

// sniff finds out the format from the first bytes.
func sniff(in *input) (decoder, error) {
	head, err := in.br.Peek(12)
	if len(head) == 0 {
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, in.errorf("cannot be read: %w", err)
		}
		return nil, in.errorf("the file is empty: it was created, but nothing was recorded into it")
	}
	tag := func(at int) string {
		if len(head) < at+4 {
			return ""
		}
		return string(head[at : at+4])
	}
	switch t := tag(0); {
	case t == "RIFF" || t == "RF64" || t == "BW64":
		return newWAV(in)
	case t == "fLaC":
		return newFLAC(in)
	case t == "RIFX":
		return nil, in.errorf("a big-endian WAV file (RIFX) cannot be read: convert it to little-endian WAV")
	case t == "OggS":
		return nil, in.errorf("an Ogg file cannot be read: convert it to WAV or plain FLAC")
	}
	if looksLikeCSV(head) {
		return newCSV(in)
	}
	return nil, in.errorf("not a recording: neither WAV nor FLAC nor CSV with a first line \"t,<channel>,...\"")
}

// Info describes all the recordings together; Format is that of the first.
func (r *Reader) Info() Info { return r.all }

// Close releases the file being read.
func (r *Reader) Close() error {
	if r.in != nil {
		r.in.close()
		r.in = nil
	}
	r.err = os.ErrClosed
	return nil
}

// Next fills f with the next scans, reusing f.Raw. Index counts over all
// recordings; a jump is a gap. At is Index/Rate rounded to the nanosecond and
// never accumulated. Missing samples are NaN. It returns io.EOF at the end. Any
// other error names the file; frames up to the fault have been delivered.
func (r *Reader) Next(f *sensor.Frame) error {
	n := r.opt.FrameScans * r.all.Channels
	if cap(f.Raw) < n {
		f.Raw = make([]float32, n)
	}
	f.Raw = f.Raw[:n]
	for r.err == nil {
		if r.dec == nil {
			r.dec, r.in, r.err = openPart(r.parts[r.cur])
			continue
		}
		scans, skip, err := r.dec.read(f.Raw)
		if scans > 0 {
			r.index += skip
			f.Source = 0
			f.Channels = r.all.Channels
			f.Index = r.index
			f.At = Instant(r.index, r.all.Rate)
			f.Rate = r.all.Rate
			f.Raw = f.Raw[:scans*r.all.Channels]
			f.Err = nil
			r.index += uint64(scans)
			r.progress(false)
			return nil
		}
		var cut *TruncatedError
		if errors.Is(err, io.EOF) || r.opt.AllowTruncated && errors.As(err, &cut) {
			r.nextPart()
			continue
		}
		r.err = err
	}
	f.Raw = f.Raw[:0]
	return r.err
}

// nextPart goes on to the next file, or to the end.
func (r *Reader) nextPart() {
	r.done += r.in.n
	r.in.close()
	r.in.n = 0
	r.dec = nil
	r.cur++
	if r.cur == len(r.parts) {
		r.err = io.EOF
		r.progress(true)
	}
}

func (r *Reader) progress(end bool) {
	if r.opt.Progress == nil {
		return
	}
	done := r.done
	if r.in != nil {
		done += r.in.n
	}
	if end || done-r.reported >= 1<<20 {
		r.reported = done
		r.opt.Progress(done, r.total)
	}
}

// Instant is the time of a scan from the start of the stream, rounded to the
// nearest nanosecond. Whole rates are exact; others are right to a part in 2^52.
func Instant(index uint64, rate float64) time.Duration {
	if whole := uint64(rate); float64(whole) == rate {
		hi, lo := bits.Mul64(index, uint64(time.Second))
		lo, carry := bits.Add64(lo, whole/2, 0)
		hi += carry
		if hi >= whole {
			return math.MaxInt64
		}
		ns, _ := bits.Div64(hi, lo, whole)
		return time.Duration(min(ns, math.MaxInt64))
	}
	ns := math.Round(float64(index) * 1e9 / rate)
	if ns >= math.MaxInt64 {
		return math.MaxInt64
	}
	return time.Duration(ns)
}

// goodRate reports whether a rate can be used.
func goodRate(rate float64) bool { return rate > 0 && rate <= maxRate }
