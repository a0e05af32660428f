package trace

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"kerfwind/sensor"
)

// wavWriter writes a WAV file. Its header has a fixed length: room for the ds64
// chunk comes first, named JUNK until the file outgrows 4 GiB (EBU Tech 3306,
// "on the fly" conversion).
type wavWriter struct {
	flow
	w     *bufio.Writer
	seek  io.WriteSeeker // nil on a pipe
	bytes uint64         // of samples written
	buf   []byte
	gap   []float32 // one missing scan
	limit uint64    // RF64 above this RIFF size
}

func newWAVWriter(w io.Writer, l Layout) (*wavWriter, error) {
	ww := &wavWriter{flow: flow{l: l}, w: bufio.NewWriterSize(w, 64<<10), seek: start(w), limit: math.MaxUint32}
	if l.RF64 && ww.seek == nil {
		return nil, errors.New("RF64 needs a file whose header can be completed: a pipe cannot")
	}
	ww.gap = make([]float32, l.Channels)
	for i := range ww.gap {
		ww.gap[i] = float32(math.NaN())
	}
	if _, err := ww.w.Write(ww.header(false)); err != nil {
		return nil, err
	}
	return ww, nil
}

// header builds the bytes before the samples: for an unknown end, or for what
// has been written.
func (ww *wavWriter) header(done bool) []byte {
	le := binary.LittleEndian
	depth := ww.l.Sample.bits()
	align := ww.l.Channels * depth / 8
	float := ww.l.Sample == Float32

	var chunks []byte
	chunk := func(id string, body []byte) {
		chunks = append(chunks, id...)
		chunks = le.AppendUint32(chunks, uint32(len(body)))
		chunks = append(chunks, body...)
	}
	code := uint16(wavePCM)
	if float {
		code = waveFloat
	}
	tag := code
	if ww.l.Channels > 2 || depth > 16 && !float {
		tag = waveExtensible
	}
	var b []byte
	b = le.AppendUint16(b, tag)
	b = le.AppendUint16(b, uint16(ww.l.Channels))
	b = le.AppendUint32(b, uint32(ww.l.Rate))
	b = le.AppendUint32(b, uint32(ww.l.Rate)*uint32(align))
	b = le.AppendUint16(b, uint16(align))
	b = le.AppendUint16(b, uint16(depth))
	if tag == waveExtensible {
		b = le.AppendUint16(b, 22)            // bytes to come
		b = le.AppendUint16(b, uint16(depth)) // valid bits
		b = le.AppendUint32(b, 0)             // no loudspeaker positions
		b = le.AppendUint16(b, code)
		b = append(b, "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71"...)
	} else if float {
		b = le.AppendUint16(b, 0)
	}
	chunk("fmt ", b)
	if float {
		n := uint32(math.MaxUint32)
		if done {
			n = uint32(min(ww.scans, math.MaxUint32))
		}
		chunk("fact", le.AppendUint32(nil, n))
		if ww.l.Unit == Counts {
			info := append([]byte("INFOICMT"), 0, 0, 0, 0)
			le.PutUint32(info[8:], uint32(len(commentCounts)+1))
			info = append(info, commentCounts...)
			info = append(info, 0)
			if len(info)%2 == 1 {
				info = append(info, 0)
			}
			chunk("LIST", info)
		}
	}

	const ds64 = 28 // bytes of its body
	total := 4 + uint64(len(chunks)) + 8 + ww.bytes + ww.bytes%2
	if ww.seek != nil {
		total += 8 + ds64
	}
	big := done && (ww.l.RF64 || total > ww.limit)
	riff, data := uint32(math.MaxUint32), uint32(math.MaxUint32)
	if done && !big {
		riff, data = uint32(total), uint32(ww.bytes)
	}
	id := "RIFF"
	if big {
		id = "RF64"
	}
	h := le.AppendUint32([]byte(id), riff)
	h = append(h, "WAVE"...)
	if ww.seek != nil {
		room := make([]byte, ds64)
		name := "JUNK"
		if big {
			name = "ds64"
			le.PutUint64(room, total)
			le.PutUint64(room[8:], ww.bytes)
			le.PutUint64(room[16:], ww.scans)
		}
		h = append(h, name...)
		h = le.AppendUint32(h, ds64)
		h = append(h, room...)
	}
	h = append(h, chunks...)
	h = append(h, "data"...)
	return le.AppendUint32(h, data)
}

func (ww *wavWriter) Write(f *sensor.Frame) error {
	missing, err := ww.take(f)
	if err != nil {
		return err
	}
	for ; missing > 0; missing-- {
		if err := ww.put(ww.gap); err != nil {
			return err
		}
	}
	return ww.put(f.Raw)
}

func (ww *wavWriter) put(raw []float32) error {
	le := binary.LittleEndian
	b := ww.buf[:0]
	switch ww.l.Sample {
	case Float32:
		for _, v := range raw {
			b = le.AppendUint32(b, math.Float32bits(v))
		}
	default:
		for i, v := range raw {
			c, err := ww.code(v, i)
			if err != nil {
				return err
			}
			b = append(b, byte(c), byte(c>>8))
			if ww.l.Sample == Int24 {
				b = append(b, byte(c>>16))
			}
		}
	}
	ww.buf = b
	ww.bytes += uint64(len(b))
	ww.scans += uint64(len(raw) / ww.l.Channels)
	_, err := ww.w.Write(b)
	return err
}

func (ww *wavWriter) Close() error {
	if ww.bytes%2 == 1 {
		if err := ww.w.WriteByte(0); err != nil {
			return err
		}
	}
	if err := ww.w.Flush(); err != nil {
		return err
	}
	if ww.seek == nil {
		return nil
	}
	if _, err := ww.seek.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("completing the header: %w", err)
	}
	if _, err := ww.seek.Write(ww.header(true)); err != nil {
		return fmt.Errorf("completing the header: %w", err)
	}
	_, err := ww.seek.Seek(0, io.SeekEnd)
	return err
}
