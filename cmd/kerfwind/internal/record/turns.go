package record

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"kerfwind/sensor"
	"kerfwind/sensor/trace"
)

// Options say where and how much is written.
type Options struct {
	Path   string // ends in .flac or .wav
	Layout trace.Layout
	// Bytes and Time limit one file; 0 = no limit.
	Bytes int64
	Time  time.Duration
	// Keep is how many files are kept: when one is full the next is begun, and
	// the oldest beyond these is deleted. 0 = one file, and the limit ends the
	// recording.
	Keep int
	// Free tells how many bytes the disk has left for a folder; nil = unknown.
	Free func(folder string) (int64, error)
	// Reserve is how much is left free for others: the recording ends before.
	Reserve int64
}

// Ends of a recording that are no failure.
var (
	ErrFull  = errors.New("the file has reached its limit")
	ErrSpace = errors.New("the disk is nearly full")
)

// Recorder writes frames to a file, or to files in turns. Files bear a name of
// their own only when they are complete.
type Recorder struct {
	o     Options
	file  *counted
	w     trace.Writer
	begin uint64 // first scan of the file
	next  uint64 // scan after the last one
	index int    // of the file, from 1
	made  []string

	Scans  uint64 // written, in all files
	Lost   uint64 // missing between them
	Bytes  int64  // of complete files
	Broken int    // scans before which a new file had to begin because they could not follow
}

// counted is a file that knows how much was written to it.
type counted struct {
	*os.File
	n, fresh int64 // written; raw bytes handed over since n last grew
}

func (c *counted) Write(b []byte) (int, error) {
	n, err := c.File.Write(b)
	c.n += int64(n)
	c.fresh = 0
	return n, err
}

// NewRecorder prepares a recording. Nothing that exists is overwritten.
func NewRecorder(o Options) (*Recorder, error) {
	switch strings.ToLower(filepath.Ext(o.Path)) {
	case ".wav":
		o.Layout.Kind = trace.WAV
	case ".flac":
		o.Layout.Kind = trace.FLAC
	default:
		return nil, fmt.Errorf("%s: the name must end in .flac or .wav", o.Path)
	}
	o.Layout.LowestIsGap = true
	r := &Recorder{o: o}
	names := []string{r.name(1)}
	if o.Keep > 0 {
		ext := filepath.Ext(o.Path)
		list, err := filepath.Glob(escape(strings.TrimSuffix(o.Path, ext)) + "-[0-9][0-9][0-9][0-9]" + ext)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", o.Path, err)
		}
		names = append(names, list...)
	}
	for _, name := range names {
		if _, err := os.Lstat(name); err == nil {
			return nil, fmt.Errorf("%s exists: choose another name", name)
		}
	}
	return r, nil
}

// escape takes the meaning from the signs of a pattern.
func escape(s string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(s)
}

// name is the name of file number i: FILE, or FILE-0001 and so on in turns.
func (r *Recorder) name(i int) string {
	if r.o.Keep == 0 {
		return r.o.Path
	}
	ext := filepath.Ext(r.o.Path)
	return fmt.Sprintf("%s-%04d%s", strings.TrimSuffix(r.o.Path, ext), i, ext)
}

// Files are the complete files that are still there.
func (r *Recorder) Files() []string { return r.made }

// Size is the bytes written so far, the open file included.
func (r *Recorder) Size() int64 {
	if r.file == nil {
		return r.Bytes
	}
	return r.Bytes + r.file.n
}

// Add writes a frame. ErrFull and ErrSpace end the recording; what was written
// before is complete after Close.
func (r *Recorder) Add(f *sensor.Frame) error {
	n := f.Scans()
	if n == 0 {
		return nil
	}
	raw := int64(len(f.Raw)) * sampleBytes(r.o.Layout.Sample)
	if r.w != nil && r.full(f, raw) {
		if r.o.Keep == 0 {
			return ErrFull
		}
		if err := r.finish(); err != nil {
			return err
		}
	}
	if r.w == nil {
		if err := r.start(f.Index); err != nil {
			return err
		}
	}
	if f.Index > r.next {
		r.Lost += f.Index - r.next
	}
	r.file.fresh += raw
	if err := writeWhole(r.w, f); err != nil {
		return r.failed(err)
	}
	r.next = f.Index + uint64(n)
	r.Scans += uint64(n)
	return nil
}

func sampleBytes(s trace.Sample) int64 {
	switch s {
	case trace.Int16:
		return 2
	case trace.Int24:
		return 3
	default:
		return 4
	}
}

// full reports whether the frame no longer fits the file, or cannot follow what
// is in it.
func (r *Recorder) full(f *sensor.Frame, raw int64) bool {
	// The trailer and the last block of a FLAC file are small beside this.
	const slack = 4 << 10
	switch {
	case f.Index < r.next:
		r.Broken++
		return true
	case r.o.Bytes > 0 && r.file.n+r.file.fresh+raw+slack > r.o.Bytes:
		return true
	case r.o.Time > 0 && trace.Instant(f.Index+uint64(f.Scans())-r.begin, f.Rate) > r.o.Time:
		return true
	}
	return false
}

// start begins the next file under a name that shows it is not complete.
func (r *Recorder) start(index uint64) error {
	folder := filepath.Dir(r.o.Path)
	if r.o.Free != nil {
		if free, err := r.o.Free(folder); err == nil && free < r.o.Reserve {
			return ErrSpace
		}
	}
	r.index++
	f, err := os.CreateTemp(folder, "."+filepath.Base(r.name(r.index))+".part*")
	if err != nil {
		return fmt.Errorf("%s: cannot be written: %w", r.name(r.index), err)
	}
	r.file = &counted{File: f}
	if r.w, err = trace.NewWriter(r.file, r.o.Layout); err != nil {
		return r.failed(err)
	}
	r.begin, r.next = index, index
	return nil
}

// Check reports ErrSpace when the disk runs out. Call it now and then.
func (r *Recorder) Check() error {
	if r.o.Free == nil {
		return nil
	}
	if free, err := r.o.Free(filepath.Dir(r.o.Path)); err == nil && free < r.o.Reserve {
		return ErrSpace
	}
	return nil
}

// failed gives the open file up after an error in writing: it stays under its
// other name, since what is in it may still be read.
func (r *Recorder) failed(err error) error {
	name := r.file.Name()
	err = fmt.Errorf("%s: cannot be written: %w; what there is of it is in %s", r.name(r.index), err, name)
	err = errors.Join(err, r.file.Close())
	r.file, r.w = nil, nil
	return err
}

// finish completes the open file: its header, the disk, its name.
func (r *Recorder) finish() error {
	if r.w == nil {
		return nil
	}
	if err := r.w.Close(); err != nil {
		return r.failed(err)
	}
	if err := r.file.Chmod(0o644); err != nil {
		return r.failed(err)
	}
	if err := r.file.Sync(); err != nil {
		return r.failed(err)
	}
	size, err := r.file.Seek(0, io.SeekEnd)
	if err != nil {
		return r.failed(err)
	}
	name := r.name(r.index)
	if _, err := os.Lstat(name); err == nil {
		return r.failed(errors.New("it has come to exist meanwhile"))
	}
	if err := os.Rename(r.file.Name(), name); err != nil {
		return r.failed(err)
	}
	err = errors.Join(r.file.Close(), syncFolder(filepath.Dir(name)))
	r.file, r.w = nil, nil
	r.Bytes += size
	r.made = append(r.made, name)
	for r.o.Keep > 0 && len(r.made) > r.o.Keep {
		err = errors.Join(err, os.Remove(r.made[0]))
		r.made = r.made[1:]
	}
	return err
}

// syncFolder makes a new name last.
func syncFolder(folder string) error {
	d, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Close completes what was written.
func (r *Recorder) Close() error { return r.finish() }
