package trace

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"kerfwind/sensor"
)

// flacBlock is the length of a FLAC block in scans. Each channel of a block has
// its own predictor and Rice parameters, so short blocks pay.
const flacBlock = 1024

// flacWriter writes a FLAC file through mewkiz/flac.
type flacWriter struct {
	flow
	enc  *flac.Encoder
	out  *flacOut
	subs []*frame.Subframe
	n    int // scans in subs
	plan planner
	gap  []float32
}

// flacOut buffers what the encoder writes a bit at a time and keeps it from
// closing the file.
type flacOut struct {
	*bufio.Writer
	seek io.WriteSeeker
}

// Seek serves the encoder, which completes its header.
func (o *flacOut) Seek(offset int64, whence int) (int64, error) {
	if err := o.Flush(); err != nil {
		return 0, err
	}
	return o.seek.Seek(offset, whence)
}

func newFLACWriter(w io.Writer, l Layout) (*flacWriter, error) {
	fw := &flacWriter{flow: flow{l: l}, out: &flacOut{bufio.NewWriterSize(w, 64<<10), start(w)}}
	var to io.Writer = fw.out
	if fw.out.seek == nil {
		to = fw.out.Writer // has no Seek
	}
	var err error
	fw.enc, err = flac.NewEncoder(to, &meta.StreamInfo{
		BlockSizeMin: flacBlock, BlockSizeMax: flacBlock,
		SampleRate: uint32(l.Rate), NChannels: uint8(l.Channels), BitsPerSample: uint8(l.Sample.bits()),
	})
	if err != nil {
		return nil, err
	}
	fw.enc.EnablePredictionAnalysis(false) // see planner
	for range l.Channels {
		fw.subs = append(fw.subs, &frame.Subframe{Samples: make([]int32, flacBlock)})
		fw.gap = append(fw.gap, float32(math.NaN()))
	}
	return fw, nil
}

func (fw *flacWriter) Write(f *sensor.Frame) error {
	missing, err := fw.take(f)
	if err != nil {
		return err
	}
	for ; missing > 0; missing-- {
		if err := fw.put(fw.gap); err != nil {
			return err
		}
	}
	return fw.put(f.Raw)
}

func (fw *flacWriter) put(raw []float32) error {
	nch := fw.l.Channels
	for i, v := range raw {
		c, err := fw.code(v, i)
		if err != nil {
			return err
		}
		fw.subs[i%nch].Samples[fw.n] = c
		if i%nch < nch-1 {
			continue
		}
		if fw.n++; fw.n == flacBlock {
			if err := fw.flush(); err != nil {
				return err
			}
		}
	}
	fw.scans += uint64(len(raw) / nch)
	return nil
}

// flush writes the scans gathered as one block.
func (fw *flacWriter) flush() error {
	for _, s := range fw.subs {
		s.Samples = s.Samples[:fw.n]
		fw.plan.plan(s, fw.l.Sample.bits())
	}
	err := fw.enc.WriteFrame(&frame.Frame{
		Header: frame.Header{
			HasFixedBlockSize: true,
			BlockSize:         uint16(fw.n),
			Channels:          frame.Channels(fw.l.Channels - 1), // independent channels
			BitsPerSample:     uint8(fw.l.Sample.bits()),
		},
		Subframes: fw.subs,
	})
	for _, s := range fw.subs {
		s.Samples = s.Samples[:flacBlock]
	}
	fw.n = 0
	return err
}

func (fw *flacWriter) Close() error {
	if fw.n > 0 {
		if err := fw.flush(); err != nil {
			return err
		}
	}
	if err := fw.enc.Close(); err != nil {
		return fmt.Errorf("completing the header: %w", err)
	}
	if fw.out.seek == nil {
		return fw.out.Flush()
	}
	// The encoder counts the last, short block as the smallest. The format leaves
	// it out (RFC 9639, 8.2), and below 16 it would be invalid.
	if _, err := fw.out.Seek(8, io.SeekStart); err != nil {
		return fmt.Errorf("completing the header: %w", err)
	}
	sizes := binary.BigEndian.AppendUint16(nil, flacBlock)
	sizes = binary.BigEndian.AppendUint16(sizes, flacBlock)
	if _, err := fw.out.Write(sizes); err != nil {
		return fmt.Errorf("completing the header: %w", err)
	}
	_, err := fw.out.Seek(0, io.SeekEnd)
	return err
}
