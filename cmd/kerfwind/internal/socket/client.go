package socket

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"kerfwind/sensor"
)

// ErrNobody is the error of Dial where no daemon runs.
var ErrNobody = errors.New("no kerfwind runs here")

// maxAnswer bounds a line of the daemon's. A frame of a second of eight
// channels at 2,000 scans a second has 86 kB.
const maxAnswer = 1 << 20

// Client is a conversation with the daemon. It is for one goroutine.
type Client struct {
	c    net.Conn
	in   *bufio.Reader
	line []byte
}

// Dial begins a conversation with the daemon of a runtime folder. The error is
// ErrNobody if none runs.
func Dial(folder string) (*Client, error) {
	path := filepath.Join(folder, Name)
	c, err := net.DialTimeout("unix", path, patience)
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return nil, fmt.Errorf("%w (%s)", ErrNobody, path)
	case errors.Is(err, os.ErrPermission):
		return nil, fmt.Errorf("%s: %w: run as root, or join the group that owns it", path, os.ErrPermission)
	case err != nil:
		return nil, err
	}
	return NewClient(c), nil
}

// NewClient begins a conversation over a connection.
func NewClient(c net.Conn) *Client {
	return &Client{c: c, in: bufio.NewReaderSize(c, 64<<10)}
}

// Close ends the conversation.
func (c *Client) Close() error { return c.c.Close() }

// Do asks and waits for the answer.
func (c *Client) Do(ctx context.Context, r Request) (Answer, error) {
	if err := c.send(r); err != nil {
		return Answer{}, err
	}
	stop := context.AfterFunc(ctx, func() { _ = c.c.Close() })
	defer stop()
	if err := c.c.SetReadDeadline(time.Now().Add(2 * patience)); err != nil {
		return Answer{}, err
	}
	return c.Next()
}

// Start asks for a stream. When it returns, the stream has begun: Next gives
// all that happens from here on. An Answer may be empty.
func (c *Client) Start(r Request) error {
	if err := c.send(r); err != nil {
		return err
	}
	if err := c.c.SetReadDeadline(time.Now().Add(2 * patience)); err != nil {
		return err
	}
	if _, err := c.Next(); err != nil {
		return err
	}
	return c.c.SetReadDeadline(time.Time{})
}

func (c *Client) send(r Request) error {
	r.Version = Version
	b, err := json.Marshal(r)
	if err != nil {
		return err
	}
	if err := c.c.SetWriteDeadline(time.Now().Add(patience)); err != nil {
		return err
	}
	_, err = c.c.Write(append(b, '\n'))
	return err
}

// Next waits for the next line. The error is io.EOF after the last.
func (c *Client) Next() (Answer, error) {
	var a Answer
	c.line = c.line[:0]
	for {
		part, err := c.in.ReadSlice('\n')
		c.line = append(c.line, part...)
		if err == nil {
			break
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			if errors.Is(err, io.EOF) && len(c.line) > 0 {
				err = io.ErrUnexpectedEOF
			}
			return a, err
		}
		if len(c.line) > maxAnswer {
			return a, errors.New("the daemon's line is too long: is it kerfwind?")
		}
	}
	if err := json.Unmarshal(c.line, &a); err != nil {
		return a, fmt.Errorf("the daemon's answer: %w", err)
	}
	if a.Version != Version {
		return a, fmt.Errorf("the daemon speaks version %d, this program version %d: use the kerfwind that it runs", a.Version, Version)
	}
	if a.Error != "" {
		return a, errors.New(a.Error)
	}
	return a, nil
}

// Frames is the daemon's converter of a number as a source of frames, as they
// come from here on. A line that the daemon had to drop shows as a jump of the
// index, as it would on the rig.
func Frames(folder string, source int) (*Source, error) {
	c, err := Dial(folder)
	if err != nil {
		return nil, err
	}
	if err := c.Start(Request{Do: DoFrames, Source: source}); err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return &Source{c: c}, nil
}

// Source is a stream of frames from the daemon.
type Source struct {
	c *Client

	mu  sync.Mutex
	end time.Duration // of the newest frame, on the daemon's stream
	got time.Time     // when it came
}

var _ sensor.Source = (*Source)(nil)

// Next waits for the next frame.
func (s *Source) Next(f *sensor.Frame) error {
	for {
		a, err := s.c.Next()
		if err != nil {
			return err
		}
		if a.Frame == nil {
			continue
		}
		if err := a.Frame.to(f); err != nil {
			return err
		}
		s.mu.Lock()
		s.end, s.got = f.At, time.Now()
		if f.Rate > 0 {
			s.end += time.Duration(float64(f.Scans()) / f.Rate * 1e9)
		}
		s.mu.Unlock()
		return nil
	}
}

// to takes a frame from a line.
func (w *Frame) to(f *sensor.Frame) error {
	if w.Channels < 0 || len(w.Raw)%4 != 0 || w.Channels == 0 && len(w.Raw) > 0 || w.Channels > 0 && len(w.Raw)/4%w.Channels != 0 || len(w.Raw) > 0 && !(w.Rate > 0) {
		return errors.New("the daemon's frame makes no sense: use the kerfwind that it runs")
	}
	*f = sensor.Frame{Source: w.Source, Channels: w.Channels, Index: w.Index, At: time.Duration(w.At), Rate: w.Rate, Raw: f.Raw[:0]}
	for i := 0; i < len(w.Raw); i += 4 {
		f.Raw = append(f.Raw, math.Float32frombits(binary.LittleEndian.Uint32(w.Raw[i:])))
	}
	if w.Error != "" {
		f.Err = errors.New(w.Error)
	}
	return nil
}

// Last hands over what the daemon has in memory of the last while, or of all
// that there is for 0: frames with a sample of each channel of the rig in a
// scan. They are valid during the call only; an error of take ends it.
func Last(ctx context.Context, folder string, long time.Duration, take func(*sensor.Frame) error) error {
	c, err := Dial(folder)
	if err != nil {
		return err
	}
	stop := context.AfterFunc(ctx, func() { _ = c.Close() }) // Next says so
	defer stop()
	defer func() { _ = c.Close() }() // only read
	if err := c.Start(Request{Do: DoLast, Last: long.Seconds()}); err != nil {
		return err
	}
	var f sensor.Frame
	for {
		a, err := c.Next()
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, io.EOF):
			return io.ErrUnexpectedEOF
		case err != nil:
			return err
		case a.End:
			return nil
		case a.Frame == nil:
			continue
		}
		if err := a.Frame.to(&f); err != nil {
			return err
		}
		if err := take(&f); err != nil {
			return err
		}
	}
}

// Now is the clock of the daemon's stream, as far as it can be told from here.
func (s *Source) Now() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.got.IsZero() {
		return 0
	}
	return s.end + time.Since(s.got)
}

// Close ends the stream.
func (s *Source) Close() error { return s.c.Close() }

// NewFrame puts a frame on a line.
func NewFrame(f *sensor.Frame) *Frame {
	w := &Frame{Source: f.Source, Channels: f.Channels, Index: f.Index, At: int64(f.At), Rate: f.Rate, Raw: make([]byte, 0, 4*len(f.Raw))}
	for _, v := range f.Raw {
		w.Raw = binary.LittleEndian.AppendUint32(w.Raw, math.Float32bits(v))
	}
	if f.Err != nil {
		w.Error = f.Err.Error()
	}
	return w
}
