package trace

import (
	"encoding/binary"
	"errors"
	"io"
	"math"
	"strings"
)

// The WAV layout is that of the RIFF/WAVE specification (Microsoft, "Multiple
// channel audio data and WAVE files"); RF64 and its ds64 chunk that of EBU Tech
// 3306 and ITU-R BS.2088.

// Codes of the WAV format chunk.
const (
	wavePCM        = 1
	waveFloat      = 3
	waveExtensible = 0xFFFE
)

// commentCounts is the comment (ICMT) of a float WAV file that holds counts.
const commentCounts = "kerfwind: counts"

// streamed are the data sizes that programs put into a header which they cannot
// correct later, since they write to a pipe; some round them down to whole
// scans. 0x7FFFF000 is sox's (seen); the others are from memory.
var streamed = [...]int64{0, math.MaxUint32, 0x7FFFF000, math.MaxInt32, 0x80000000}

// noSize marks a data chunk that goes on to the end of the file.
const noSize = math.MaxInt64

// wav decodes one WAV file.
type wav struct {
	in    *input
	inf   Info
	float bool
	width int   // bytes of a sample
	left  int64 // bytes of the data chunk not yet read, or noSize
	want  int64 // scans announced, -1 unknown
	got   int64 // whole scans read
	end   error // what follows when the scans at hand are delivered
	buf   []byte
}

func (w *wav) info() Info { return w.inf }

// newWAV reads the chunks up to the samples.
func newWAV(in *input) (*wav, error) {
	w := &wav{in: in}
	at := int64(0) // offset of the next byte, for messages
	next := func(b []byte) error {
		_, err := io.ReadFull(in.br, b)
		switch {
		case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
			return in.errorf("the WAV header is cut short at byte %d: copy the file again from where it was recorded", at)
		case err != nil:
			return in.errorf("cannot be read at byte %d: %w", at, err)
		}
		at += int64(len(b))
		return nil
	}
	var head [12]byte
	if err := next(head[:]); err != nil {
		return nil, err
	}
	if string(head[8:]) != "WAVE" {
		return nil, in.errorf("a RIFF file, but not WAV (it says %q): convert it to WAV", head[8:])
	}
	big := string(head[:4]) != "RIFF"
	data64 := int64(-1)
	haveFormat, counts := false, false
	for {
		var ch [8]byte
		start := at
		if err := next(ch[:]); err != nil {
			return nil, err
		}
		id, size := string(ch[:4]), int64(binary.LittleEndian.Uint32(ch[4:]))
		if id == "data" {
			if !haveFormat {
				return nil, in.errorf("no format chunk (\"fmt \") before the samples at byte %d: not a usable WAV file", start)
			}
			if w.float && counts {
				w.inf.Unit = Counts
			}
			if big && size == math.MaxUint32 && data64 >= 0 {
				size = data64
			}
			return w, w.begin(size, at)
		}
		// Chunks read here are small; others may be long and are skipped.
		const most = 1 << 16
		if keep := id == "fmt " || id == "ds64" || id == "LIST"; keep && size <= most {
			body := make([]byte, size)
			if err := next(body); err != nil {
				return nil, err
			}
			switch id {
			case "fmt ":
				if err := w.format(body, start); err != nil {
					return nil, err
				}
				haveFormat = true
			case "ds64":
				if big && len(body) >= 16 {
					n := binary.LittleEndian.Uint64(body[8:])
					if n > math.MaxInt64/2 {
						return nil, in.errorf("the ds64 chunk at byte %d says %d bytes of samples: the header is damaged", start, n)
					}
					data64 = int64(n)
				}
			case "LIST":
				counts = counts || infoComment(body) == commentCounts
			}
		} else if err := skip(in, size); err != nil {
			at += size
			if errors.Is(err, io.EOF) {
				return nil, in.errorf("the chunk %q at byte %d says %d bytes, but the file ends first: no samples found", id, start, size)
			}
			return nil, in.errorf("cannot be read at byte %d: %w", at, err)
		} else {
			at += size
		}
		if size%2 == 1 { // chunks are padded to even length
			var pad [1]byte
			if err := next(pad[:]); err != nil {
				return nil, err
			}
		}
	}
}

// skip discards n bytes.
func skip(in *input, n int64) error {
	_, err := io.CopyN(io.Discard, in.br, n)
	return err
}

// format takes the format chunk.
func (w *wav) format(b []byte, at int64) error {
	if len(b) < 16 {
		return w.in.errorf("the format chunk at byte %d has %d bytes, not 16 or more: not a usable WAV file", at, len(b))
	}
	le := binary.LittleEndian
	code, channels := le.Uint16(b), int(le.Uint16(b[2:]))
	rate, align, depth := le.Uint32(b[4:]), int(le.Uint16(b[12:])), int(le.Uint16(b[14:]))
	if code == waveExtensible {
		// The code is in the first two bytes of the sub-format, whose rest is fixed.
		if len(b) < 40 || string(b[26:40]) != "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71" {
			return w.in.errorf("an unknown sub-format in the format chunk at byte %d: convert it to 16-bit PCM or float WAV", at)
		}
		code = le.Uint16(b[24:])
	}
	w.float = code == waveFloat
	w.width = depth / 8
	switch {
	case channels == 0 || channels > maxChannels:
		return w.in.errorf("%d channels in the format chunk at byte %d: from 1 to %d can be read", channels, at, maxChannels)
	case !goodRate(float64(rate)):
		return w.in.errorf("a rate of %d scans a second in the format chunk at byte %d: from 1 to %.0f can be read", rate, at, maxRate)
	case code == wavePCM && (depth == 8 || depth == 16 || depth == 24 || depth == 32):
	case code == waveFloat && (depth == 32 || depth == 64):
	default:
		return w.in.errorf("samples of format %d with %d bits in the format chunk at byte %d: convert it to PCM of 8, 16, 24 or 32 bits or float of 32 or 64 bits", code, depth, at)
	}
	if align != channels*w.width {
		return w.in.errorf("%d bytes a scan in the format chunk at byte %d, but %d channels of %d bits need %d: the header is damaged", align, at, channels, depth, channels*w.width)
	}
	w.inf = Info{Channels: channels, Rate: float64(rate), Unit: Counts}
	w.inf.Format = "WAV, " + kindName(w.float, depth)
	if w.float {
		w.inf.Unit = Amperes
	}
	return nil
}

// kindName names a sample format for people.
func kindName(float bool, depth int) string {
	kind := map[int]string{8: "8-bit", 16: "16-bit", 24: "24-bit", 32: "32-bit", 64: "64-bit"}[depth]
	if float {
		return kind + " float"
	}
	return kind + " integer"
}

// infoComment finds the comment in a LIST INFO chunk.
func infoComment(b []byte) string {
	if len(b) < 4 || string(b[:4]) != "INFO" {
		return ""
	}
	for b = b[4:]; len(b) >= 8; {
		size := int64(binary.LittleEndian.Uint32(b[4:]))
		if size > int64(len(b)-8) {
			return ""
		}
		if string(b[:4]) == "ICMT" {
			return strings.TrimRight(string(b[8:8+size]), "\x00 ")
		}
		b = b[min(8+size+size%2, int64(len(b))):]
	}
	return ""
}

// begin takes the size of the data chunk, whose samples start at byte at.
func (w *wav) begin(size, at int64) error {
	scan := int64(w.inf.Channels * w.width)
	there := int64(math.MaxInt64) // bytes after the header, where known
	if w.in.size >= 0 {
		there = max(w.in.size-at, 0)
	}
	open := false
	for _, s := range streamed {
		open = open || (size == s || size == s-s%scan) && (w.in.size < 0 || size != there)
	}
	w.left, w.want = size, size/scan
	if open {
		w.left, w.want = noSize, -1
	}
	switch {
	case w.in.size >= 0:
		w.inf.Scans = min(w.left, there) / scan
		if w.inf.Scans == 0 {
			return w.in.errorf("a WAV header, but not one whole scan: nothing was recorded into it")
		}
	case open:
		w.inf.Scans = -1
	default:
		w.inf.Scans, w.inf.Unread = w.want, true
	}
	w.inf.Want = w.want
	w.buf = make([]byte, max(64<<10/scan, 1)*scan)
	return nil
}

func (w *wav) read(dst []float32) (int, uint64, error) {
	if w.end != nil {
		return 0, 0, w.end
	}
	scan := int64(w.inf.Channels * w.width)
	n := int64(len(dst)/w.inf.Channels) * scan
	b := w.buf[:min(n, int64(len(w.buf)), w.left)]
	got, err := io.ReadFull(w.in.br, b)
	whole := int64(got) / scan
	w.got += whole
	if w.left != noSize {
		w.left -= int64(got)
	}
	switch {
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		w.end = io.EOF
		rest := int64(got) % scan
		if w.left == noSize && rest == 1 && w.got*scan%2 == 1 {
			rest = 0 // the padding of a chunk of odd length
		}
		if w.got < w.want || rest != 0 {
			w.end = &TruncatedError{File: w.in.name, Scans: w.got, Want: w.want}
		}
	case err != nil:
		w.end = w.in.errorf("cannot be read after %d scans: %w", w.got, err)
	case w.left == 0:
		w.end = io.EOF
		if int64(got)%scan != 0 {
			w.end = &TruncatedError{File: w.in.name, Scans: w.got, Want: -1}
		}
	}
	if whole == 0 {
		if w.got == 0 && errors.Is(w.end, io.EOF) {
			w.end = w.in.errorf("a WAV header, but not one whole scan: nothing was recorded into it")
		}
		return 0, 0, w.end
	}
	w.convert(dst[:whole*int64(w.inf.Channels)], b)
	return int(whole), 0, nil
}

// convert turns stored samples into numbers.
func (w *wav) convert(dst []float32, b []byte) {
	le := binary.LittleEndian
	switch {
	case w.float && w.width == 4:
		for i := range dst {
			dst[i] = math.Float32frombits(le.Uint32(b[4*i:]))
		}
	case w.float:
		for i := range dst {
			dst[i] = float32(math.Float64frombits(le.Uint64(b[8*i:])))
		}
	case w.width == 1:
		for i := range dst {
			dst[i] = float32(int(b[i]) - 128)
		}
	case w.width == 2:
		for i := range dst {
			dst[i] = float32(int16(le.Uint16(b[2*i:])))
		}
	case w.width == 3:
		for i := range dst {
			dst[i] = float32(int32(uint32(b[3*i])<<8|uint32(b[3*i+1])<<16|uint32(b[3*i+2])<<24) >> 8)
		}
	default:
		for i := range dst {
			dst[i] = float32(int32(le.Uint32(b[4*i:])))
		}
	}
}
