package trace

import (
	"errors"
	"fmt"
	"io"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
)

// flacFile decodes one FLAC file. Blocks are decoded by mewkiz/flac, which
// checks the checksum of each.
type flacFile struct {
	in     *input
	inf    Info
	bits   uint8
	stream *flac.Stream
	block  *frame.Frame
	at     int   // scans of block delivered
	want   int64 // scans announced, -1 unknown
	got    int64 // scans of all blocks decoded
	end    error
}

func (d *flacFile) info() Info { return d.inf }

func newFLAC(in *input) (*flacFile, error) {
	d := &flacFile{in: in}
	err := guard(func() (err error) { d.stream, err = flac.New(in.br); return err })
	if err != nil {
		return nil, in.errorf("the FLAC header is damaged or cut short (%w): copy the file again from where it was recorded", err)
	}
	si := d.stream.Info
	d.bits = si.BitsPerSample
	switch {
	case si.NChannels == 0 || si.NChannels > 8:
		return nil, in.errorf("%d channels in the FLAC header: from 1 to 8 can be read", si.NChannels)
	case !goodRate(float64(si.SampleRate)):
		return nil, in.errorf("a rate of %d scans a second in the FLAC header: must be positive", si.SampleRate)
	case d.bits < 4 || d.bits > 32:
		return nil, in.errorf("%d bits a sample in the FLAC header: from 4 to 32 can be read", d.bits)
	}
	d.want = int64(si.NSamples)
	if d.want == 0 { // written to a pipe
		d.want = -1
	}
	d.inf = Info{
		Format:   fmt.Sprintf("FLAC, %d-bit integer", d.bits),
		Channels: int(si.NChannels), Rate: float64(si.SampleRate), Scans: d.want, Want: d.want, Unread: d.want >= 0, Unit: Counts,
	}
	return d, nil
}

// guard turns a panic of the FLAC library on damaged data into an error.
func guard(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("damaged data: %v", p)
		}
	}()
	return f()
}

func (d *flacFile) read(dst []float32) (int, uint64, error) {
	for d.block == nil || d.at == int(d.block.BlockSize) {
		if d.end != nil {
			return 0, 0, d.end
		}
		d.next()
	}
	nch := d.inf.Channels
	n := min(len(dst)/nch, int(d.block.BlockSize)-d.at)
	for c, sub := range d.block.Subframes {
		for i, v := range sub.Samples[d.at : d.at+n] {
			dst[i*nch+c] = float32(v)
		}
	}
	d.at += n
	return n, 0, nil
}

// next decodes the next block, or sets end.
func (d *flacFile) next() {
	d.at, d.block = 0, nil
	var b *frame.Frame
	err := guard(func() (err error) { b, err = d.stream.ParseNext(); return err })
	switch {
	case errors.Is(err, io.EOF) && d.got < d.want, errors.Is(err, io.ErrUnexpectedEOF):
		d.end = &TruncatedError{File: d.in.name, Scans: d.got, Want: d.want}
		return
	case errors.Is(err, io.EOF) && d.got == 0:
		d.end = d.in.errorf("a FLAC header, but no samples: nothing was recorded into it")
		return
	case errors.Is(err, io.EOF):
		d.end = io.EOF
		return
	case err != nil:
		d.end = d.in.errorf("damaged after %d scans, near byte %d (%w): copy it again from where it was recorded", d.got, d.in.n-int64(d.in.br.Buffered()), err)
		return
	}
	ok := len(b.Subframes) == d.inf.Channels && b.BlockSize > 0 && (b.BitsPerSample == 0 || b.BitsPerSample == d.bits)
	for _, sub := range b.Subframes {
		ok = ok && len(sub.Samples) == int(b.BlockSize)
	}
	if !ok {
		d.end = d.in.errorf("damaged after %d scans: a block differs from the header in channels or bits; copy it again from where it was recorded", d.got)
		return
	}
	d.block = b
	d.got += int64(b.BlockSize)
}
