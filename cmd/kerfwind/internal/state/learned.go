package state

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"kerfwind/sensor"
)

// LearnedFile is the name of the file of learned levels.
const LearnedFile = "learned.json"

// format is the version of the files that this program reads and writes.
const format = 1

// The file. Currents are amperes, times are seconds.
type learnedFile struct {
	Format   int           `json:"format"`
	Channels []channelFile `json:"channels"`
	Machines []machineFile `json:"machines"`
	Pairs    []pairFile    `json:"pairs,omitempty"`
}

type pairFile struct {
	Channel string  `json:"channel"`
	Of      string  `json:"of"`
	Re      float64 `json:"re"`
	Im      float64 `json:"im"`
	Amps    float64 `json:"amps"`
	Learned string  `json:"learned"`
}

type channelFile struct {
	Channel     string  `json:"channel"`
	Calibration string  `json:"calibration"`
	Idle        float64 `json:"idle"`
	Spread      float64 `json:"spread"`
	Top         float64 `json:"top"`
	Learned     string  `json:"learned"`
}

type machineFile struct {
	Machine string   `json:"machine"`
	Sensors []string `json:"sensors"`
	Volts   float64  `json:"volts"`
	Hertz   float64  `json:"hertz"`
	Run     float64  `json:"run"`
	Spread  float64  `json:"spread"`
	Least   float64  `json:"least"`
	Inrush  float64  `json:"inrush"`
	Settle  float64  `json:"settle"`
	Coast   float64  `json:"coast"`
	Start   float64  `json:"start"`
	Stop    float64  `json:"stop"`
	Margin  string   `json:"margin"`
	Learned string   `json:"learned"`
}

// round keeps six figures: more than any current has.
func round(x float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return x
	}
	scale := math.Pow(10, 5-math.Floor(math.Log10(math.Abs(x))))
	if math.IsInf(scale, 0) || scale == 0 {
		return x
	}
	return math.Round(x*scale) / scale
}

// EncodeLearned writes learned levels as they stand in the file. They must be
// valid.
func EncodeLearned(l *sensor.Learned) ([]byte, error) {
	f := learnedFile{Format: format, Channels: []channelFile{}, Machines: []machineFile{}}
	for _, c := range l.Channels {
		f.Channels = append(f.Channels, channelFile{c.Channel, c.Calibration, round(c.Idle.Mean), round(c.Idle.Spread), round(c.Top), c.Learned})
	}
	for _, m := range l.Machines {
		f.Machines = append(f.Machines, machineFile{m.Machine, m.Sensors, m.Volts, m.Hertz, round(m.Run.Mean), round(m.Run.Spread), round(m.Least),
			round(m.Inrush), m.Settle.Seconds(), m.Coast.Seconds(), round(m.Start), round(m.Stop), m.Margin.String(), m.Learned})
	}
	for _, p := range l.Pairs {
		f.Pairs = append(f.Pairs, pairFile{p.Channel, p.Of, round(p.Re), round(p.Im), round(p.Amps), p.Learned})
	}
	if err := l.Validate(); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	err := enc.Encode(f)
	return b.Bytes(), err
}

// DecodeLearned reads what EncodeLearned wrote. It refuses what it does not
// know, so that nothing is lost when the file is written again.
func DecodeLearned(data []byte) (*sensor.Learned, error) {
	var f learnedFile
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&f); err != nil {
		return nil, fmt.Errorf("line %d: %w", lineOf(data, err), err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("there is more after its end")
	}
	if f.Format != format {
		return nil, fmt.Errorf("format %d: this program knows format %d", f.Format, format)
	}
	var l sensor.Learned
	for _, c := range f.Channels {
		l.Channels = append(l.Channels, sensor.LearnedChannel{Channel: c.Channel, Calibration: c.Calibration, Idle: sensor.Level{Mean: c.Idle, Spread: c.Spread}, Top: c.Top, Learned: c.Learned})
	}
	for _, m := range f.Machines {
		settle, ok := seconds(m.Settle)
		coast, ok2 := seconds(m.Coast)
		if !ok || !ok2 {
			return nil, fmt.Errorf("machine %q: want times from 0 to an hour", m.Machine)
		}
		l.Machines = append(l.Machines, sensor.LearnedMachine{Machine: m.Machine, Sensors: m.Sensors, Volts: m.Volts, Hertz: m.Hertz,
			Run: sensor.Level{Mean: m.Run, Spread: m.Spread}, Least: m.Least, Inrush: m.Inrush, Settle: settle, Coast: coast,
			Start: m.Start, Stop: m.Stop, Margin: sensor.MarginOf(m.Margin), Learned: m.Learned})
	}
	for _, p := range f.Pairs {
		l.Pairs = append(l.Pairs, sensor.LearnedPair{Channel: p.Channel, Of: p.Of, Re: p.Re, Im: p.Im, Amps: p.Amps, Learned: p.Learned})
	}
	return &l, l.Validate()
}

// lineOf is the line of an error in JSON, as far as the error tells: else the
// last one.
func lineOf(data []byte, err error) int {
	at := int64(len(data))
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		at = syntax.Offset
	case errors.As(err, &kind):
		at = kind.Offset
	}
	return 1 + bytes.Count(data[:max(0, min(at, int64(len(data))))], []byte("\n"))
}

// seconds is a time that the file gives in seconds.
func seconds(s float64) (time.Duration, bool) {
	return time.Duration(math.Round(s * 1e9)), s >= 0 && s <= 3600
}

// ReadLearned reads the learned levels of a state folder. Nothing learned is no
// error.
func ReadLearned(folder string) (*sensor.Learned, error) {
	data, err := Read(folder, LearnedFile)
	if errors.Is(err, os.ErrNotExist) {
		return &sensor.Learned{}, nil
	}
	if err != nil {
		return nil, err
	}
	l, err := DecodeLearned(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; move the file away and learn again", filepath.Join(folder, LearnedFile), err)
	}
	return l, nil
}

// ChangeLearned reads the learned levels of a state folder, lets change alter
// them and writes them, while every other change waits, also in another process:
// what one lesson has kept meanwhile, another does not lose.
func ChangeLearned(folder string, change func(*sensor.Learned)) (err error) {
	if err := makeFolder(folder); err != nil {
		return err
	}
	dir, err := os.Open(folder)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, dir.Close()) }() // which also unlocks it
	for {
		if err = syscall.Flock(int(dir.Fd()), syscall.LOCK_EX); !errors.Is(err, syscall.EINTR) {
			break
		}
	}
	if err != nil {
		return fmt.Errorf("%s: cannot be locked: %w", folder, err)
	}
	l, err := ReadLearned(folder)
	if err != nil {
		return err
	}
	change(l)
	data, err := EncodeLearned(l)
	if err != nil {
		return err
	}
	return Write(folder, LearnedFile, data)
}
