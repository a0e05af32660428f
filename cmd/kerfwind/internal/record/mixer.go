package record

import (
	"math"
	"time"

	"kerfwind/sensor"
)

// Mixer makes one stream of the streams of several converters: its scans are
// those of the fastest one, and each holds the newest sample of the others at
// its instant. With one converter frames pass through.
type Mixer struct {
	main    int     // the source that sets the pace
	columns [][]int // of each source: the place of its samples in a mixed scan
	width   int
	held    []held
	waiting []sensor.Frame // of the main source, until the others have caught up
	out     sensor.Frame
}

// held are the samples of a slower source that are still needed.
type held struct {
	at  []time.Duration
	raw []float32
	end time.Duration // its samples have come up to here
}

// late is how long a frame waits for the samples of a slower source.
const late = 300 * time.Millisecond

// NewMixer mixes sources whose samples go to these columns of a mixed scan.
// Rates tell which is the fastest.
func NewMixer(columns [][]int, rates []float64) *Mixer {
	m := &Mixer{columns: columns, held: make([]held, len(columns))}
	for i, list := range columns {
		if rates[i] > rates[m.main] {
			m.main = i
		}
		m.width += len(list)
	}
	return m
}

// Add takes a frame of a source and calls emit for each mixed frame that is
// complete. It is valid during the call only.
func (m *Mixer) Add(f *sensor.Frame, emit func(*sensor.Frame)) {
	if len(m.columns) == 1 {
		if f.Err == nil {
			emit(f)
		}
		return
	}
	if f.Source < 0 || f.Source >= len(m.columns) || f.Err == nil && f.Channels != len(m.columns[f.Source]) {
		return
	}
	switch {
	case f.Source == m.main && f.Err != nil:
		// A gap shows by the index of the next frame.
	case f.Source == m.main:
		copied := *f
		copied.Raw = append([]float32(nil), f.Raw...)
		m.waiting = append(m.waiting, copied)
	default:
		m.held[f.Source].add(f)
	}
	for len(m.waiting) > 0 && m.ready() {
		m.mix(&m.waiting[0])
		m.waiting = m.waiting[1:]
		emit(&m.out)
	}
}

// Flush emits what still waits for the samples of a slower source, with those
// that came.
func (m *Mixer) Flush(emit func(*sensor.Frame)) {
	for i := range m.waiting {
		m.mix(&m.waiting[i])
		emit(&m.out)
	}
	m.waiting = nil
}

func (h *held) add(f *sensor.Frame) {
	if f.Err != nil {
		h.end = max(h.end, f.At)
		return
	}
	for i := range f.Scans() {
		at := f.At + time.Duration(float64(i)/f.Rate*1e9)
		h.at = append(h.at, at)
		h.raw = append(h.raw, f.Raw[i*f.Channels:(i+1)*f.Channels]...)
		h.end = at
	}
}

// ready reports whether the oldest waiting frame can be mixed.
func (m *Mixer) ready() bool {
	f := &m.waiting[0]
	end := end(f)
	newest := &m.waiting[len(m.waiting)-1]
	if newest.At-end > late {
		return true
	}
	for i := range m.held {
		if i != m.main && m.held[i].end < end {
			return false
		}
	}
	return true
}

// end is the instant of the last scan of a frame.
func end(f *sensor.Frame) time.Duration {
	return f.At + time.Duration(float64(f.Scans()-1)/f.Rate*1e9)
}

// mix puts a frame of the main source together with the others.
func (m *Mixer) mix(f *sensor.Frame) {
	n := f.Scans()
	m.out = sensor.Frame{Channels: m.width, Index: f.Index, At: f.At, Rate: f.Rate, Raw: m.out.Raw[:0]}
	for range n * m.width {
		m.out.Raw = append(m.out.Raw, float32(math.NaN()))
	}
	for s, columns := range m.columns {
		h := &m.held[s]
		k := 0
		for i := range n {
			row := m.out.Raw[i*m.width:]
			if s == m.main {
				for c, col := range columns {
					row[col] = f.Raw[i*f.Channels+c]
				}
				continue
			}
			at := f.At + time.Duration(float64(i)/f.Rate*1e9)
			for k+1 < len(h.at) && h.at[k+1] <= at {
				k++
			}
			if k < len(h.at) && h.at[k] <= at && at-h.at[k] <= late {
				for c, col := range columns {
					row[col] = h.raw[k*len(columns)+c]
				}
			}
		}
		if k > 0 && s != m.main {
			h.at = append(h.at[:0], h.at[k:]...)
			h.raw = append(h.raw[:0], h.raw[k*len(columns):]...)
		}
	}
}
