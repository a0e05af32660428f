package seam

import (
	"encoding/base64"
	"encoding/binary"
	"errors"
	"math"
	"slices"
	"time"

	"kerfwind/sensor"
)

// Samples are those of a frame. In JSON they are a string of bytes, since JSON
// knows no gap (NaN).
type Samples []float32

// MarshalText writes four bytes a sample, in base64.
func (s Samples) MarshalText() ([]byte, error) {
	raw := make([]byte, 0, 4*len(s))
	for _, v := range s {
		raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(v))
	}
	return base64.StdEncoding.AppendEncode(nil, raw), nil
}

// UnmarshalText reads what MarshalText wrote.
func (s *Samples) UnmarshalText(text []byte) error {
	raw, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return err
	}
	if len(raw)%4 != 0 {
		return errors.New("samples have four bytes each")
	}
	*s = make(Samples, 0, len(raw)/4)
	for i := 0; i < len(raw); i += 4 {
		*s = append(*s, math.Float32frombits(binary.LittleEndian.Uint32(raw[i:])))
	}
	return nil
}

// FrameOf copies a frame.
func FrameOf(f *sensor.Frame) Frame {
	w := Frame{Source: f.Source, Channels: f.Channels, Index: f.Index, At: f.At, Rate: f.Rate, Raw: slices.Clone(f.Raw)}
	if f.Err != nil {
		w.Error = f.Err.Error()
	}
	return w
}

// To copies the frame to f, reusing its Raw. The error says that it cannot be one.
func (w *Frame) To(f *sensor.Frame) error {
	n := len(w.Raw)
	if w.Source < 0 || w.Channels < 0 || w.Channels == 0 && n > 0 || w.Channels > 0 && n%w.Channels != 0 || n > 0 && !(w.Rate > 0) {
		return errors.New("the daemon's frame makes no sense: use the kerfwind that it runs")
	}
	*f = sensor.Frame{Source: w.Source, Channels: w.Channels, Index: w.Index, At: w.At, Rate: w.Rate, Raw: append(f.Raw[:0], w.Raw...)}
	if w.Error != "" {
		f.Err = errors.New(w.Error)
	}
	return nil
}

// End is the instant after the frame's last scan.
func (w *Frame) End() time.Duration {
	if w.Channels <= 0 || !(w.Rate > 0) {
		return w.At
	}
	return w.At + time.Duration(float64(len(w.Raw)/w.Channels)/w.Rate*1e9)
}
